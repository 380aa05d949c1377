"""Checks: which words of a bench check say that it failed, and what is said of checks, to be translated in one place.

By themselves only three things fail: a leak, a trip of the mains protection, and pressure that does not go. What else
a number or a word means is for whoever configures it under ``[[check]]``. Words of these three that are not understood
are asked about, never taken for well. Common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable

CLAUSES = re.compile(
    r";|,(?!\d)|\.(?!\d)|->|\N{RIGHTWARDS ARROW}|\b(?:but|except|only|then|though|however)\b"
    r"|\band (?=(?:now|none|no|dry|fixed|mended|after\W+\w)\b)"
)
"""Where one statement of a cell ends and the next begins."""
NEGATED = re.compile(r"\b(?:no|not|never|none|nil|without|0)\b(?![.,]\d).*")
"""A negation and what it denies: the rest of its clause."""
PAST = re.compile(r"\b(?:was|were|had|before|earlier|previously|formerly|at first|on arrival|used to)\b")
NOW = re.compile(r"\b(?:now|still|again|after|afterwards|since)\b")
"""A statement of what was, unless it is of what is, too: only what was found last counts."""
FIXED = re.compile(r"\b(?:fixed|mended|repaired|replaced|tightened|cured|solved|resolved|leak stopped)\b")
TO_DO = re.compile(r"\b(?:to be|needs?|must|should|will|please|order\w*)\b")
WELL = r"(?:dry|tight|sealed|ok|okay|fine|good|pass\w*|clear|works?|working)"
IS_WELL, NOT_WELL = re.compile(rf"\b{WELL}\b"), re.compile(rf"\b(?:not|never)(?: \w+)? {WELL}\b")
BAD = re.compile(r"\bfail(?:s|ed|ing|ure)?\b|^(?:bad|unsafe|dangerous)\b")
"""What somebody wrote of a check as their own verdict, whatever was checked, unless it is denied."""
AT_TIMES = r"\b(?:yes|y|true|sometimes|often|once|twice|always|occasionally|slight\w*|a little|a bit|some|when \w+)\b"
NUMBER = re.compile(r"(?:about |~ ?)?(\d+(?:[.,]\d+)?)\s*([a-z/\N{MICRO SIGN}]*)")
MEASURED = re.compile(r"^(?:ms|s|sec\w*|min\w*|m?a|m?v|bar|psi|k?pa|c|f|m?ohm)$")
"""Units of what is measured and not counted: such a number alone is no leak and no trip."""

LEAKS = re.compile(r"\bleak(?!age current)")
TRIPS = re.compile(r"\btrip(?! time)")
"""What such a check is called. A leakage current and a trip time are measured: their numbers alone are no fault."""
WET = re.compile(
    AT_TIMES + r"|\b(?:leak\w*|drips?(?! tray)|dripp\w*|drops?|wet|damp|moist\w*|puddle\w*|pools?|seep\w*|weep\w*)\b"
    r"|^water$|\bwater (?:under|below|beneath|behind|around|at|on|from|out|inside|everywhere)\b"
    r"|\bsteam (?:from|out|escap\w*)\b"
)
TRIPPED = re.compile(AT_TIMES + r"|\b(?:trip\w*|blows?|blew|goes (?:off|out))\b")
STAYS_ON = re.compile(r"\b(?:holds?|stays? (?:in|on)|stable)\b")
BUTTON = re.compile(r"\btrip.*\btest button|\btest button.*\btrip")
"""A trip that is wanted: a residual current device that its test button does not trip protects nobody."""
TRIPS_WELL = re.compile(r"\b(?:yes|y|true|trip\w*)\b")
DEAD = re.compile(r"\b(?:nothing|dead|stuck|stays? (?:in|on)|holds?)\b")
RELEASE = re.compile(
    r"\b(?:releas|relie[fv]|vent(?:s|ed|ing)?\b)\w*\b.*\bpressure\b"
    r"|\bpressure\b.*\b(?:releas|relie[fv]|gone|goes|falls|vent(?:s|ed|ing)?\b)"
)
RELEASED = re.compile(
    r"\b(?:yes|y|true|releas\w*|reliev\w*|falls?|fell|drops?|gone|goes|vent(?:s|ed)?|empt\w*|opens?)\b"
)
GONE = re.compile(
    r"\b(?:to|at) 0(?![.,]?\d)(?: bar)?|\b(?:no pressure|none|nothing) (?:left|remains|remaining)\b|^0(?: bar)?$"
)
"""That no pressure is left, which denies nothing of its release."""
LEFT = re.compile(r"\b(?:to|at) (?!0(?![.,]?\d))\d")
"""That some is: it falls to 0.5 bar."""
HELD = re.compile(r"\b(?:stays?|holds?|held|stuck|remains?|blocked)\b")
FLIPPED = re.compile(r"^(?:no|without)\b")
"""A check that is named by what should not be: "no leaks: yes" is well."""

VERDICTS = {
    "fails": "Fails",
    "within": "Within limits",
    "recorded": "Recorded",
    "unclear": "Not understood: say yes or no",
}
NO_CERTIFICATE = (
    "What was checked, by whom and how, in their own words. It is no certificate of safety: nothing here was tested by "
    "this program, and what is not listed was not checked. Mains, pressure and gas parts are for a qualified person "
    "under the rules of the place."
)
HOLDS = {
    "check_failed": (
        "a bench check failed",
        "Not to be handed over before somebody qualified has mended it and checked again.",
    ),
    "check_not_understood": (
        "a bench check is not understood",
        "Not to be handed over before somebody has said plainly what was found.",
    ),
}
"""Findings that keep a machine here, the gravest first: what each says of it, and until when. Common practice, no
source: whoever cannot tell whether it leaks, trips or holds its pressure does not let it go."""
SAY_FIRST = "Say plainly what the bench check found: until then it stays here"
NOTHING_TO_PULL = "Nothing to pull: not before somebody qualified has mended it and checked again"


def holding(codes: Iterable[str]) -> str:
    """The gravest of these findings that keeps a machine here; empty where none does.

    >>> holding(["few_tasted", "check_not_understood", "check_failed"]), holding(["few_tasted"])
    ('check_failed', '')
    """
    told = set(codes)
    return next((code for code in HOLDS if code in told), "")


def judged(check: str, value: str, unit: str = "") -> str:
    """What the words of a check say: ``fails``, ``passes``, ``unclear`` or, of checks of other kinds, nothing.

    Statements are taken in order, so that only what was found last counts: a fault is over where a later statement says
    that it was mended or that now there is none. A leak, a trip or a release that no word tells is unclear, never well.

    >>> [judged("leaks", said) for said in ("none", "2", "was leaking, fixed", "see photo")]
    ['passes', 'fails', 'passes', 'unclear']
    >>> judged("pressure release", "no"), judged("no leaks", "yes"), judged("earth", "0.1 ohm"), judged("earth", "bad")
    ('fails', 'passes', '', 'fails')
    """
    name, said = (" ".join(text.casefold().replace("n't", " not").split()) for text in (check, value))
    tell = _kind(name)
    state = ""
    for clause in filter(None, (part.strip(" :()!-") for part in CLAUSES.split(said))):
        found = _mended(clause) or _verdict(clause) or (tell(name, clause, unit.casefold().strip()) if tell else "")
        past = bool(PAST.search(clause)) and not NOW.search(clause)
        if found == "fault" and not past:
            state = "fails"
        elif found == "measured":
            state = state or "measured"
        elif found == "mended" or (found == "well" and (state != "fails" or NOW.search(clause))):
            state = "passes"
    if state in ("fails", "passes"):
        return state if tell or state == "fails" else ""
    return "unclear" if tell and state != "measured" else ""


def _kind(name: str) -> Callable[[str, str, str], str] | None:
    """What reads the statements of a check of this name; ``None`` where no word fails it but a verdict."""
    if RELEASE.search(name):
        return _release
    if BUTTON.search(name):
        return _button
    if TRIPS.search(name):
        return _trips
    return _leaks if LEAKS.search(name) else None


def _mended(clause: str) -> str:
    """Whether a statement says that something was put right, or that it was not."""
    if not FIXED.search(clause) or TO_DO.search(clause):
        return ""
    return "mended" if FIXED.search(NEGATED.sub(" ", clause)) else "fault"


def _verdict(clause: str) -> str:
    """Whether a statement is its writer's own verdict that it failed."""
    return "fault" if BAD.search(NEGATED.sub(" ", clause)) or NOT_WELL.search(clause) else ""


def _leaks(name: str, clause: str, unit: str) -> str:
    return _counted(clause, unit) or _yes_or_no(name, clause) or _unless(clause, WET, IS_WELL)


def _trips(name: str, clause: str, unit: str) -> str:
    return _counted(clause, unit) or _yes_or_no(name, clause) or _unless(clause, TRIPPED, STAYS_ON)


def _counted(clause: str, unit: str) -> str:
    """How many there are."""
    number = NUMBER.fullmatch(clause)
    if number is None:
        return ""
    if MEASURED.match(number[2] or unit):
        return "measured" if (number[2] or unit) in ("ms", "ma") else "nothing"
    return "fault" if float(number[1].replace(",", ".")) > 0 else "well"


def _yes_or_no(name: str, clause: str) -> str:
    """A bare answer to a check that is named by what should not be."""
    if not FLIPPED.search(name):
        return ""
    return {"yes": "well", "y": "well", "true": "well", "no": "fault", "n": "fault", "not": "fault"}.get(clause, "")


def _unless(clause: str, fault: re.Pattern[str], well: re.Pattern[str]) -> str:
    left = NEGATED.sub(" ", clause)
    if fault.search(left):
        return "fault"
    return "well" if NEGATED.search(clause) or clause == "n" or well.search(left) or IS_WELL.search(left) else ""


def _button(name: str, clause: str, unit: str) -> str:
    if NEGATED.search(clause) or clause == "n" or DEAD.search(clause):
        return "fault"
    number = NUMBER.fullmatch(clause)
    timed = number is not None and (number[2] or unit) == "ms"
    return "well" if timed or TRIPS_WELL.search(clause) or IS_WELL.search(clause) else ""


def _release(name: str, clause: str, unit: str) -> str:
    if FLIPPED.search(name) and clause in ("yes", "y", "no", "n"):
        return "fault" if clause in ("yes", "y") else "well"
    left = GONE.sub(" ", clause)
    denied = NEGATED.search(left)
    if LEFT.search(left) or HELD.search(NEGATED.sub(" ", left)) or clause == "n":
        return "fault"
    if denied:
        return "well" if HELD.search(denied[0]) else "fault"
    if NUMBER.fullmatch(clause) and "valve" in name:
        return "measured"  # the pressure at which it opens
    zero = left != clause or (clause in ("0", "0.0") and unit in ("", "bar"))
    return "well" if zero or RELEASED.search(clause) or IS_WELL.search(clause) else ""

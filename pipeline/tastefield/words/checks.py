"""Checks: which words of a bench check say that it failed, and what is said of checks, to be translated in one place.

By themselves only three things fail: a leak, a trip of the mains protection, and pressure that does not go. What else
a number or a word means is for whoever configures it under ``[[check]]``. Common practice, no source.
"""

from __future__ import annotations

import re

NEGATED = re.compile(r"\b(?:no|not|never|none|nil|without|0)\b(?:(?!\b(?:but|except|only)\b)[^,;.:])*")
"""A negation and what it denies: up to the next comma, stop or exception."""
LEAKS_OR_TRIPS = re.compile(r"\bleak(?!age current)|\btrip(?! time)")
"""What such a check is called. A leakage current and a trip time are measured: their numbers alone are no fault."""
THERE = re.compile(r"\b(?:yes|leak\w*|drip\w*|drops?|wet|damp|puddle\w*|seep\w*|trip\w*)\b")
BUTTON = re.compile(r"\btrip.*\btest button|\btest button.*\btrip")
"""A trip that is wanted: a residual current device that its test button does not trip protects nobody."""
RELEASE = re.compile(r"(?:releas|relie|vent)\w*.*pressure|pressure.*(?:releas|relie|gone|goes|falls|vent)")
GONE = re.compile(r"\b(?:to|at) 0(?![.,]?\d)|\b(?:no pressure|none|nothing) (?:left|remains)\b")
"""That no pressure is left, which denies nothing of its release."""
HELD = re.compile(r"\b(?:stays?|holds?|held|stuck|remains?|blocked)\b")
FAILED = re.compile(r"^(?:fail\w*|failed|not ok|bad|unsafe|dangerous)\b")
"""What somebody wrote of a check as their own verdict, whatever was checked."""
CALLED_FAILED = re.compile(r"\bfail(?:s|ed)?\b")
"""The same anywhere in what they wrote, unless it is denied: "test failed"."""
FLIPPED = re.compile(r"^(?:no|without)\b")
"""A check that is named by what should not be: "no leaks: yes" is well."""

VERDICTS = {"fails": "Fails", "within": "Within limits", "recorded": "Recorded"}
NO_CERTIFICATE = (
    "What was checked, by whom and how, in their own words. It is no certificate of safety: nothing here was tested by "
    "this program, and what is not listed was not checked. Mains, pressure and gas parts are for a qualified person "
    "under the rules of the place."
)
HOLD = "Not to be handed over before somebody qualified has mended it and checked again."


def fault(check: str, value: str) -> bool:
    """Whether a check failed by its words alone.

    >>> fault("leaks", "none"), fault("leaks", "drips at the head"), fault("pressure release", "no")
    (False, True, True)
    >>> fault("no leaks", "yes"), fault("earth", "0.1 ohm"), fault("earth", "failed")
    (False, False, True)
    """
    name, said = " ".join(check.casefold().split()), " ".join(value.casefold().split())
    left = NEGATED.sub(" ", said)
    if FAILED.search(said) or CALLED_FAILED.search(left):
        return True
    if RELEASE.search(name):
        there = not (NEGATED.search(GONE.sub(" ", said)) or HELD.search(said))
        return there and "yes" in said.split() if FLIPPED.search(name) else not there
    if BUTTON.search(name):
        return bool(NEGATED.search(said))
    if LEAKS_OR_TRIPS.search(name):
        if FLIPPED.search(name):
            return said in ("no", "not") or bool(THERE.search(left.replace("yes", "")))
        return bool(THERE.search(left))
    return False

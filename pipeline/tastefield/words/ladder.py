"""Ladder: the words of what to turn when the coffee changes or it tastes wrong, all in one place, to be translated.

Which change suits which complaint, and what a change does in the cup, are common practice, no source; the numbers of a
setup's own shots are put beside them where there are any.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

MOVE_G = 2.0
"""How much more or less is let out to move a taste. Common practice, no source."""
Row = tuple[str, str, str]

TABLE: dict[str, Row] = {
    "time": ("finer", "keep", "coarser"),
    "sour": ("finer", "more_out_then_finer", "warm"),
    "bitter": ("even", "less_out_then_coarser", "coarser"),
    "weak": ("finer", "less_out", "dose"),
    "heavy": ("more_out", "more_out", "coarser"),
    "both": ("even", "even", "even_then_coarser"),
}
"""Complaint -> what to do where the shot was fast, at the right time, slow. Common practice, no source: first the time,
with the grind; at the right time the weight out; a taste that does not go with its time points to heat, dose or an
uneven bed of coffee."""
NO_GRIND: dict[str, Row] = {
    "time": ("fill", "keep", "clean"),
    "sour": ("fill", "more_out", "warm"),
    "bitter": ("less_out", "less_out", "clean"),
    "weak": ("fill", "less_out", "dose"),
    "heavy": ("more_out", "more_out", "clean"),
    "both": ("even", "even", "even"),
}
"""The same where a pressurised basket sets the time, so that the grind stays as it is."""

STOP = "stop if nothing drips"
"""Said beside every finer, in a few words; :data:`CHOKE` says it whole, once over each table."""
CHOKE = "If nothing drips within 15 s, stop, let the pressure go and grind coarser."
CHOKED = "Never at or finer than {choked}: it choked."
MEANS = (
    ("Finer", "{finer_is}, while the grinder runs. {care}"),
    ("Coarser", "{coarser_is}."),
)
"""What the table means by its two words for the grind."""


def without_finer(table: Mapping[str, Row]) -> dict[str, Row]:
    """The table where the next finer setting choked or is off the dial."""
    instead = {"finer": "no_finer", "more_out_then_finer": "more_out"}
    codes = {what: [instead.get(code, code) for code in row] for what, row in table.items()}
    return {what: (fast, right, slow) for what, (fast, right, slow) in codes.items()}


TABLES: dict[str, dict[str, Row]] = {"usual": TABLE, "no_finer": without_finer(TABLE), "no_grind": NO_GRIND}
"""The table by name, as a ladder names it."""

COMPLAINTS: dict[str, str] = {
    "time": "Good, or not tasted",
    "sour": "Sour, sharp",
    "bitter": "Bitter, dry",
    "weak": "Weak, watery",
    "heavy": "Heavy, thick",
    "both": "Sour and bitter, or it spurts",
}
HEADS = ("Faster than {low:.0f} s", "{low:.0f} to {high:.0f} s", "Slower than {high:.0f} s")
"""The columns of the table: seconds of a shot to the usual weight out."""

ADVICE: dict[str, str] = {
    "keep": "Leave everything as it is",
    "finer": "Finer; {stop}",
    "coarser": "Coarser",
    "more_out": "{grams:.0f} g more out",
    "less_out": "{grams:.0f} g less out",
    "more_out_then_finer": "{grams:.0f} g more out. Still sour: finer; {stop}",
    "less_out_then_coarser": "{grams:.0f} g less out. Still bitter: coarser",
    "warm": "Warm machine and filter holder through, then again",
    "dose": "Weigh the dose: {dose} in. Then {grams:.0f} g less out",
    "even": "Press the coffee evenly; look at its age and the basket. Leave the grind",
    "even_then_coarser": "Press the coffee evenly. Still so: coarser",
    "no_finer": "Leave the grind: the next setting choked or is off the dial. Weigh the dose: {dose} in",
    "fill": "Weigh the dose: {dose} in; look how old the coffee is",
    "clean": "Clean the basket and its small hole; weigh the dose: {dose} in",
}
"""One change each; a second one only where the first did not help."""

CHANGES: dict[str, str] = {
    "finer": "{finer}; {stop}",
    "coarser": "{coarser}",
    "more_out": "{grams:.0f} g more out",
    "less_out": "{grams:.0f} g less out",
}
IN_THE_CUP: dict[str, str] = {
    "finer": "slower, stronger, less sour; in the end bitter",
    "coarser": "faster, weaker, less bitter; in the end sour",
    "more_out": "thinner, less sour; in the end bitter",
    "less_out": "thicker, less bitter; in the end sour",
}
"""What a change does. More out dissolves more and thins it (balance of mass); a finer grind runs slower and gives more
(ECSQ 2005 and others, see the tests); what that tastes of is common practice, no source."""
FROM = {
    "finer": "from a shot {seconds:.0f} s fast",
    "coarser": "from a shot {seconds:.0f} s slow",
    "more_out": "from the recipe",
    "less_out": "from the recipe",
}
NOT_KNOWN = "not yet told by the shots here"

DIRECTIONS = {
    "letters": ("an earlier letter", "a later letter"),
    "clock": ("anticlockwise", "clockwise"),
    "turns": ("fewer clicks", "more clicks"),
    "list": ("an earlier label", "a later label"),
}
"""Down and up a dial that has no numbered marks, by the notation of its settings."""
NUMBERED = ("a lower mark", "a higher mark")
NOUNS = {
    "letters": ("letter", "letters"),
    "two_part": ("small step", "small steps"),
    "clock": ("minute of the clock", "minutes of the clock"),
    "turns": ("click", "clicks"),
    "list": ("label", "labels"),
}
"""What a step counts, by the notation."""

STEPS: tuple[str, ...] = (
    "Keep {dose} in, never more than the basket is made for, and {start}.",
    "Let {out} out and note the seconds {clock}.",
    "Too fast: finer, while the grinder runs; {stop}. Too slow: coarser. One change a shot; throw away the first few "
    "grams after each.",
    "Only when the time is right, taste: sour, let {grams:.0f} g more out; bitter, {grams:.0f} g less.",
    "Tastes good? Pull it once more to be sure, then write down in, out, seconds and mark.",
)
"""From a bag never tried to a cup that tastes good. Common practice, no source."""
STEP_WITHOUT_GRIND = "Far too fast or slow: half a gram of coffee more or less, never over what the basket is made for."
STARTS = {
    "mark": "start from the mark above",
    "here": "start from where the grinder stands",
    "stays": "start where your grinder comes nearest to that time",
    "basket": "leave the grind as it is",
}


def directions(higher_is: str | None, notation: str | None) -> tuple[str, str]:
    """How to say finer and coarser on a dial.

    >>> directions("coarser", "clock"), directions(None, None)
    (('finer (anticlockwise)', 'coarser (clockwise)'), ('finer', 'coarser'))
    """
    down, up = DIRECTIONS.get(notation or "", NUMBERED)
    if higher_is == "coarser":
        return f"finer ({down})", f"coarser ({up})"
    if higher_is == "finer":
        return f"finer ({up})", f"coarser ({down})"
    return "finer", "coarser"


def far(steps: float, step: float | None, notation: str | None) -> str:
    """How far to turn: in steps, or in what the notation of the dial counts.

    >>> far(1, 1, "marks"), far(2, 0.5, "marks"), far(1, 30, "clock"), far(3, 1, "letters")
    ('One step', '2 steps of 0.5', '30 minutes of the clock', '3 letters')
    """
    if step and notation in NOUNS:
        moves = steps * step
        return f"{'One' if moves == 1 else f'{moves:g}'} {NOUNS[notation][moves != 1]}"
    size = "" if step in (None, 1) else f" of {step:g}"
    return f"One step{size}" if steps == 1 else f"{steps:g} steps{size}"


def care(ladder: Mapping[str, Any] | None) -> str:
    """What is said beside a finer grind: how a choke shows, and which settings choked before."""
    choked = (ladder or {}).get("choked")
    return f"{CHOKE} {CHOKED.format(choked=choked)}" if choked else CHOKE


def without_numbers(time_s: Sequence[float], pressurised: bool) -> dict[str, Any]:
    """The ladder as common practice has it, for a result that carries none of its own."""
    unknown = {"shot_time_s": None, "score": None}
    moves = {what: {"steps": MOVE_G, **unknown} for what in ("more_out", "less_out")}
    if not pressurised:
        moves = {"finer": {"steps": 1.0, **unknown}, "coarser": {"steps": 1.0, **unknown}, **moves}
    return {"time_s": list(time_s), "moves": moves, "table": "no_grind" if pressurised else "usual", "choked": None}


def words(ladder: Mapping[str, Any], settings: Mapping[str, Any], dose_g: float | None) -> dict[str, Any]:
    """What fills the format strings of this file for one setup.

    :param ladder: its ladder, ``settings``: its settings, both as in the results file.
    """
    finer, coarser = directions(settings.get("higher_is"), settings.get("notation"))
    told = {
        what: far(move["steps"], settings.get("step"), settings.get("notation"))
        for what, move in ladder["moves"].items()
        if what in ("finer", "coarser")
    }
    turns = {what: told.get(what, "One step") for what in ("finer", "coarser")}
    first, second = (f"{turns[what]} {way}" for what, way in (("finer", finer), ("coarser", coarser)))
    return {
        "finer": first,
        "coarser": second,
        "finer_is": turns["finer"] + _bare(finer),
        "coarser_is": turns["coarser"] + _bare(coarser),
        "stop": STOP,
        "care": care(ladder),
        "grams": ladder["moves"]["more_out"]["steps"],
        "dose": "the usual dose" if dose_g is None else f"{dose_g:.1f} g",
    }


def _bare(direction: str) -> str:
    """The direction without its name, which stands before it.

    >>> _bare("finer (anticlockwise)"), _bare("finer")
    (', anticlockwise', '')
    """
    _, _, how = direction.rstrip(")").partition(" (")
    return f", {how}" if how else ""


def heads(ladder: Mapping[str, Any]) -> list[str]:
    """The columns of the table: fast, at the right time, slow."""
    low, high = ladder["time_s"]
    return [head.format(low=low, high=high) for head in HEADS]


def rows(ladder: Mapping[str, Any], fill: Mapping[str, Any]) -> list[tuple[str, list[str]]]:
    """The table: a complaint, and what to do about it where the shot was fast, at the right time, slow."""
    return [
        (COMPLAINTS[complaint], [ADVICE[code].format(**fill) for code in codes])
        for complaint, codes in TABLES[ladder["table"]].items()
    ]


def meanings(ladder: Mapping[str, Any], fill: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What finer and coarser mean on the dial, with what is to be minded; empty where the grind stays as it is."""
    named = [what.format(**fill) for _, what in MEANS]
    able = ["finer" in ladder["moves"], "coarser" in ladder["moves"]]
    return [(word, text) for (word, _), text, can in zip(MEANS, named, able, strict=True) if can]


def changes(ladder: Mapping[str, Any], fill: Mapping[str, Any]) -> list[tuple[str, str, str, str]]:
    """What one change does: the change, the time and the expected score as told by this setup's shots, and the cup."""
    told = []
    for what, move in ladder["moves"].items():
        told.append((CHANGES[what].format(**fill), _time(what, move), _score(what, move), IN_THE_CUP[what]))
    return told


def _time(what: str, move: Mapping[str, Any]) -> str:
    change = move["shot_time_s"]
    if change is None:
        return NOT_KNOWN
    middle, low, high = (abs(value) for value in change)
    digits = 0 if middle >= 1.95 and round(low) != round(high) else 1
    ends = " to ".join(f"{value:.{digits}f}" for value in sorted((low, high)))
    slower, faster = ("longer", "shorter") if what.endswith("out") else ("slower", "faster")
    return f"about {middle:.{digits}f} s {slower if change[0] > 0 else faster} ({ends})"


def _score(what: str, move: Mapping[str, Any]) -> str:
    change = move["score"]
    if change is None:
        return NOT_KNOWN
    start = FROM[what].format(seconds=abs((move["shot_time_s"] or [0.0])[0]))
    return f"{_signed(change[0])} ({_signed(change[1])} to {_signed(change[2])}) {start}"


def _signed(value: float) -> str:
    text = f"{value:+.1f}".replace("-", "\N{MINUS SIGN}")
    return text if float(f"{value:.1f}") else "0.0"


def five_steps(fill: Mapping[str, Any], start: str, out: str, clock: str) -> Sequence[str]:
    """From a bag never tried to a cup that tastes good.

    :param start: a key of :data:`STARTS`. :param clock: what the seconds are counted from.
    """
    steps = [STEPS[0], STEPS[1], STEP_WITHOUT_GRIND if start == "basket" else STEPS[2], *STEPS[3:]]
    return [step.format(**fill, start=STARTS[start], out=out, clock=clock) for step in steps]

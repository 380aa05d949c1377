"""Ladder: what to turn when the coffee changes or it tastes wrong, in words, most of them from the card's texts.

Which change suits which complaint, and what a change does in the cup, are common practice, no source; the numbers of a
setup's own shots are put beside them where there are any.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tastefield.words.numbers import number
from tastefield.words.phrases import printable, zeroed_since
from tastefield.words.texts import CARD, numeral, say

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

STOP = CARD["choke.stop"]
"""Said beside every finer, in a few words; ``choke.care`` says it whole, once over each table."""
NEAR = 0.1
"""Times within this of the recipe's are right where a stored run tells no ladder."""


def without_finer(table: Mapping[str, Row]) -> dict[str, Row]:
    """The table where the next finer setting choked or is off the dial."""
    instead = {"finer": "no_finer", "more_out_then_finer": "more_out"}
    codes = {what: [instead.get(code, code) for code in row] for what, row in table.items()}
    return {what: (fast, right, slow) for what, (fast, right, slow) in codes.items()}


TABLES: dict[str, dict[str, Row]] = {"usual": TABLE, "no_finer": without_finer(TABLE), "no_grind": NO_GRIND}
"""The table by name, as a ladder names it."""

CLOCKS = ("pump", "first_drip")
"""Clocks whose start is known; else the seconds of a new coffee are counted from the button."""

CHANGES: dict[str, str] = {
    "finer": "{finer}; {stop}",
    "coarser": "{coarser}",
    "more_out": "{grams} g more out",
    "less_out": "{grams} g less out",
}
"""What one change is called beside what it does."""
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
    "letters": ("earlier_letter", "later_letter"),
    "clock": ("anticlockwise", "clockwise"),
    "turns": ("fewer_clicks", "more_clicks"),
    "list": ("earlier_label", "later_label"),
}
"""Down and up a dial that has no numbered marks, by the notation of its settings."""
NUMBERED = ("lower_mark", "higher_mark")
NOUNS = {
    "letters": ("one_letter", "letters"),
    "two_part": ("one_small_step", "small_steps"),
    "clock": ("one_minute", "minutes"),
    "turns": ("one_click", "clicks"),
    "list": ("one_label", "labels"),
}
"""What a step counts, by the notation."""


def directions(higher_is: str | None, notation: str | None, texts: Mapping[str, str] = CARD) -> tuple[str, str]:
    """How to go finer and coarser on a dial; empty where that is not known.

    >>> directions("coarser", "clock"), directions(None, None)
    (('anticlockwise', 'clockwise'), ('', ''))
    """
    if higher_is not in ("coarser", "finer"):
        return "", ""
    down, up = (texts[f"dial.{way}"] for way in DIRECTIONS.get(notation or "", NUMBERED))
    return (down, up) if higher_is == "coarser" else (up, down)


def far(steps: float, step: float | None, notation: str | None, texts: Mapping[str, str] = CARD) -> str:
    """How far to turn: in steps, or in what the notation of the dial counts.

    >>> far(1, 1, "marks"), far(2, 0.5, "marks"), far(1, 30, "clock"), far(3, 1, "letters")
    ('One step', '2 steps of 0.5', '30 minutes of the clock', '3 letters')
    """
    if step and notation in NOUNS:
        moves = steps * step
        return say(texts, f"dial.{NOUNS[notation][moves != 1]}", count=_short(moves, texts))
    name = ("one_step" if steps == 1 else "steps") + ("" if step in (None, 1) else "_of")
    return say(texts, f"dial.{name}", count=_short(steps, texts), size=_short(step or 1, texts))


def _short(value: float, texts: Mapping[str, str]) -> str:
    """A number with the decimals it has."""
    return f"{value:g}".replace(".", texts["general.decimal"])


def care(ladder: Mapping[str, Any] | None, texts: Mapping[str, str] = CARD) -> str:
    """What is said beside a finer grind: how a choke shows, and which settings choked before."""
    choked = (ladder or {}).get("choked")
    return f"{texts['choke.care']} {say(texts, 'choke.choked', choked=choked)}" if choked else texts["choke.care"]


def without_numbers(time_s: Sequence[float], pressurised: bool) -> dict[str, Any]:
    """The ladder as common practice has it, for a result that carries none of its own."""
    unknown = {"shot_time_s": None, "score": None}
    moves = {what: {"steps": MOVE_G, **unknown} for what in ("more_out", "less_out")}
    if not pressurised:
        moves = {"finer": {"steps": 1.0, **unknown}, "coarser": {"steps": 1.0, **unknown}, **moves}
    return {"time_s": list(time_s), "moves": moves, "table": "no_grind" if pressurised else "usual", "choked": None}


def words(
    ladder: Mapping[str, Any], settings: Mapping[str, Any], dose_g: float | None, texts: Mapping[str, str] = CARD
) -> dict[str, Any]:
    """What fills the texts of the ladder for one setup.

    :param ladder: its ladder, ``settings``: its settings, both as in the results file.
    """
    hows = directions(settings.get("higher_is"), settings.get("notation"), texts)
    told = {
        what: far(move["steps"], settings.get("step"), settings.get("notation"), texts)
        for what, move in ladder["moves"].items()
        if what in ("finer", "coarser")
    }
    fill = {}
    for what, how in zip(("finer", "coarser"), hows, strict=True):
        turn = told.get(what) or texts["dial.one_step"]
        fill[what] = f"{turn} {texts[f'turn.{what}'].lower()}" + (f" ({how})" if how else "")
        fill[f"{what}_is"] = turn + (f", {how}" if how else "")
    dose = texts["figure.usual_dose"] if dose_g is None else f"{numeral(texts, dose_g, 1)} g"
    grams = numeral(texts, ladder["moves"]["more_out"]["steps"])
    return {**fill, "stop": texts["choke.stop"], "care": care(ladder, texts), "grams": grams, "dose": dose}


def heads(ladder: Mapping[str, Any], texts: Mapping[str, str] = CARD) -> list[str]:
    """The columns of the table: fast, at the right time, slow."""
    low, high = (number(end) for end in ladder["time_s"])
    return [say(texts, f"turn.{which}", low=low, high=high) for which in ("fast", "right", "slow")]


def rows(
    ladder: Mapping[str, Any], fill: Mapping[str, Any], texts: Mapping[str, str] = CARD
) -> list[tuple[str, list[str]]]:
    """The table: a complaint, and what to do about it where the shot was fast, at the right time, slow."""
    return [
        (texts[f"turn.{complaint}"], [say(texts, f"advice.{code}", **fill) for code in codes])
        for complaint, codes in TABLES[ladder["table"]].items()
    ]


def meanings(
    ladder: Mapping[str, Any], fill: Mapping[str, Any], texts: Mapping[str, str] = CARD
) -> list[tuple[str, str]]:
    """What finer and coarser mean on the dial, with what is to be minded; empty where the grind stays as it is."""
    return [
        (texts[f"turn.{what}"], say(texts, f"turn.{what}_means", how=fill[f"{what}_is"], care=fill["care"]))
        for what in ("finer", "coarser")
        if what in ladder["moves"]
    ]


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


def five_steps(fill: Mapping[str, Any], start: str, out: str, clock: str, texts: Mapping[str, str] = CARD) -> list[str]:
    """From a bag never tried to a cup that tastes good. Common practice, no source.

    :param start: ``mark``, ``here``, ``stays`` or ``basket``. :param clock: what the seconds are counted from.
    """
    turn = "turn_nothing" if start == "basket" else "turn"
    told = {**fill, "start": texts[f"steps.start_{start}"], "out": out, "clock": clock}
    return [say(texts, f"steps.{step}", **told) for step in ("keep", "time", turn, "taste", "again")]


def turning(
    entry: Mapping[str, Any], pressurised: bool, same_grinder: bool, texts: Mapping[str, str] = CARD
) -> dict[str, Any]:
    """Steps for a new coffee, the table by taste and time, and what one change does, of a setup that has a recipe.

    :param entry: the setup's object in the results file.
    :param same_grinder: whether it is for somebody who has the grinder of the setup; on another one neither its steps
        nor its chokes mean anything.
    """
    aim, settings = entry["aim"], entry["settings"] or {}
    ladder = entry.get("ladder") or _usual(entry, pressurised)
    if not same_grinder:
        settings, ladder = {}, without_numbers(ladder["time_s"], pressurised)
    ladder = {**ladder, "choked": ladder["choked"] and printable(ladder["choked"])}
    fill = words(ladder, settings, aim["dose_g"], texts)
    start = "mark" if aim["grind_setting"] is not None and not zeroed_since(entry) else "here"
    start = "basket" if pressurised else start if same_grinder else "stays"
    clock = texts[f"figure.{aim['clock'] if aim['clock'] in CLOCKS else CLOCKS[0]}"]
    return {
        "steps": five_steps(fill, start, f"{numeral(texts, aim['beverage_g'])} g", clock, texts),
        "meanings": meanings(ladder, fill, texts),
        "heads": heads(ladder, texts),
        "rows": rows(ladder, fill, texts),
        "changes": changes(ladder, fill),
    }


def _usual(entry: Mapping[str, Any], pressurised: bool) -> dict[str, Any]:
    time, window = entry["aim"]["shot_time_s"], entry["window"] or {}
    return without_numbers(window.get("shot_time_s") or (time * (1 - NEAR), time * (1 + NEAR)), pressurised)

"""Notation: how the owner of a grinder writes its settings, the position on the dial each stands for, and back again.

A position is the number itself where a dial has plain numbers. Elsewhere it counts the smallest moves of the dial from
its beginning (letters, small steps, minutes of the clock, clicks, labels), so that it is a whole number.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tastefield.tables.numbers import plain

Kind = Literal["marks", "letters", "two_part", "clock", "turns", "list", "stepless"]
COUNTED = ("letters", "two_part", "clock", "turns", "list")
"""Notations whose positions are whole numbers."""
DIVIDED = {"letters": "letters in a number", "two_part": "small steps in a mark", "turns": "clicks in a turn"}
"""Notations of two parts, and what ``per`` counts in each."""

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
HOUR, ROUND = 60, 720
"""Minutes in an hour and in one turn of a clock dial."""
MOST, FEWEST = 0.8, 3
"""A notation is suggested where this share of a grinder's settings fit it, and so many."""

Ends = tuple[float | None, float | None]


@dataclass(frozen=True)
class Notation:
    """How the settings of one grinder are written.

    :param per: letters in a number, small steps in a mark or clicks in a turn.
    :param labels: of a list, in order.
    :param ends: positions of the ends of the dial, ``None`` where unknown. A clock dial starts at its lowest.
    :param sign: what stands between the two parts of ``two_part``; a comma in plain numbers with a decimal comma.
    """

    kind: Kind = "marks"
    per: int = len(LETTERS)
    labels: tuple[str, ...] = ()
    ends: Ends = (None, None)
    sign: str = "+"


MARKS = Notation()


def with_ends(notation: Notation, lowest: str | None, highest: str | None) -> Notation:
    """The notation of a dial that ends where it is written to, or else where its notation does.

    >>> with_ends(Notation("clock"), "7:00", "5:00").ends
    (420.0, 1020.0)
    """
    low: float | None = 0.0 if notation.kind in COUNTED else None
    low = low if lowest is None else position(lowest, notation)
    notation = replace(notation, ends=(low, None))
    high: float | None = {"list": len(notation.labels) - 1.0, "clock": (low or 0.0) + ROUND - 1}.get(notation.kind)
    return replace(notation, ends=(low, high if highest is None else position(highest, notation)))


def position(text: str, notation: Notation = MARKS) -> float:
    """Place on the dial of one setting as written; NaN where the text does not fit the notation.

    >>> position("2E", Notation("letters", per=10)), position("4-2", Notation("two_part", per=10)), position("2E")
    (24.0, 42.0, nan)
    """
    return _READ[notation.kind](plain(text).casefold(), notation)


def positions(settings: pd.Series, notation: Notation = MARKS) -> NDArray[np.float64]:
    """Place on the dial of each setting; NaN where it is not written or does not fit the notation."""
    known = {text: position(str(text), notation) for text in settings.dropna().unique()}
    return np.array([known.get(text, np.nan) for text in settings.astype("object")], dtype=float)


def as_written(position: float, step: float | None, notation: Notation = MARKS) -> str:
    """A position in its notation; a plain number has as many decimals as its step needs.

    >>> as_written(7.5, 0.25), as_written(24, 1, Notation("letters", 10)), as_written(42, 1, Notation("two_part", 10))
    ('7.50', '2E', '4+2')
    """
    if notation.kind == "marks":
        decimals = next((n for n in range(4) if step and np.isclose(step * 10**n, round(step * 10**n))), 0)
        return _decimal(f"{position:.{decimals}f}", notation)
    if notation.kind == "stepless":
        return _decimal(f"{position + 0.0:.10g}", notation)
    return _WRITE[notation.kind](round(position), notation)


def _decimal(number: str, notation: Notation) -> str:
    return number.replace(".", ",") if notation.sign == "," else number


def move_is(step: float, notation: Notation = MARKS) -> str:
    """How far a step of the dial goes, as the beginning of a sentence about it.

    >>> move_is(0.5), move_is(1, Notation("letters")), move_is(30, Notation("clock"))
    ('a step of 0.5 is', 'a letter is', '30 minutes of the clock are')
    """
    nouns = {"letters": "letter", "two_part": "small step", "clock": "minute", "turns": "click", "list": "label"}
    if notation.kind not in nouns:
        return f"a {'move' if notation.kind == 'stepless' else 'step'} of {as_written(step, step, notation)} is"
    noun, more = nouns[notation.kind], " of the clock" if notation.kind == "clock" else ""
    return f"a {noun}{more} is" if step == 1 else f"{step:g} {noun}s{more} are"


def upwards(notation: Notation = MARKS) -> str:
    """What a higher position is, as the beginning of a sentence about it."""
    return {"letters": "later letters are", "clock": "clockwise is", "list": "later labels are"}.get(
        notation.kind, "higher numbers are"
    )


def example(notation: Notation = MARKS) -> str:
    """A setting that fits the notation.

    >>> example(), example(Notation("letters")), example(Notation("clock")), example(Notation("turns", per=30))
    ('7.5', '2E', '1:30', '1 turn + 5')
    """
    per = notation.per
    of_kind = {"letters": 2 * per + min(4, per - 1), "two_part": 4 * per + min(2, per - 1), "clock": 1.5 * HOUR}
    of_kind |= {"turns": per + min(5, per - 1), "list": 0}
    return as_written(of_kind.get(notation.kind, 7.5), 0.5, notation)


def as_owner_writes(notation: Notation, settings: Iterable[str]) -> Notation:
    """The notation with the sign that its owner puts between two parts most often.

    A point is kept only where it cannot be taken for a decimal point that swallows a zero: 4.10 for 4.1. Of plain
    numbers: with a decimal comma, where that is what they have most often.
    """
    if notation.kind in ("marks", "stepless"):
        commas = Counter("," in text for text in settings if "," in text or "." in text)
        return replace(notation, sign=",") if commas[True] > commas[False] else notation
    if notation.kind != "two_part":
        return notation
    signs = Counter(found[2] for text in settings if (found := _TWO_PART.fullmatch(plain(text))) and found[2])
    for sign, _ in signs.most_common():
        if sign in "+-" or notation.per <= 10:
            return replace(notation, sign=sign)
    return notation


def likely(settings: Sequence[str]) -> tuple[Kind, str] | None:
    """The one notation, other than plain numbers, that most of these settings fit, and the first that does.

    ``None`` where no notation fits, or several do.

    >>> likely(["2E", "2F", "3A", "coarse", "2E"]), likely(["3h", "4h", "5h"]), likely(["7", "8", "9"])
    (('letters', '2E'), None, None)
    """
    strange = Counter(text for text in settings if math.isnan(position(text)))
    found: list[tuple[Kind, str]] = []
    for notation in (Notation("letters"), Notation("two_part", 10**6), Notation("clock"), Notation("turns", 10**6)):
        fitting = [text for text in strange if not math.isnan(position(text, notation))]
        if sum(strange[text] for text in fitting) >= max(FEWEST, MOST * len(settings)):
            found.append((notation.kind, fitting[0]))
    return found[0] if len(found) == 1 else None


# --- reading ---------------------------------------------------------------------------------------------------------

_NUMBER = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)?")
_LETTER = re.compile(r"([0-9]{1,6}) ?-?([a-z])")
_TWO_PART = re.compile(r"([0-9]{1,6})(?: ?([-+.,]) ?([0-9]{1,6}))?")
_CLOCK = re.compile(r"([0-9]{1,2})(?: ?[:h] ?([0-5][0-9]))? ?(?:h|o ?['’´`]? ?clock)?")
_HALF_PAST = re.compile(r"(half past|quarter past|quarter to) ([0-9]{1,2})")
_TURNS = re.compile(r"([0-9]{1,6}) ?turns?(?: ?(?:\+|,|and) ?([0-9]{1,6})(?: ?clicks?)?)?")
_PARTS_OF_TURNS = re.compile(r"([0-9]{1,6}[.,][0-9]+) ?turns?")
_CLICKS = re.compile(r"([0-9]{1,6}) ?clicks?")


def _number(text: str, notation: Notation) -> float:
    return float(text.replace(",", ".")) if _NUMBER.fullmatch(text) else math.nan


def _letters(text: str, notation: Notation) -> float:
    found = _LETTER.fullmatch(text)
    return math.nan if found is None else _two(int(found[1]), LETTERS.index(found[2].upper()), notation.per)


def _two_part(text: str, notation: Notation) -> float:
    found = _TWO_PART.fullmatch(text)
    if found is None:
        return math.nan
    small = found[3] or "0"
    swallowed = found[2] in (".", ",") and len(small) == 1 and 0 < 10 * int(small) < notation.per  # 4.1: perhaps 4.10
    return math.nan if swallowed else _two(int(found[1]), int(small), notation.per)


def _turns(text: str, notation: Notation) -> float:
    if whole := _TURNS.fullmatch(text):
        return _two(int(whole[1]), int(whole[2] or 0), notation.per)
    if parts := _PARTS_OF_TURNS.fullmatch(text):
        return float(math.floor(float(parts[1].replace(",", ".")) * notation.per + 0.5))
    clicks = _CLICKS.fullmatch(text)
    return math.nan if clicks is None else float(clicks[1])


def _two(first: int, second: int, per: int) -> float:
    return float(first * per + second) if second < per else math.nan


def _clock(text: str, notation: Notation) -> float:
    """Minutes since 12 o'clock, a turn later where that lies before the start of the dial; NaN past its end."""
    if said := _HALF_PAST.fullmatch(text):
        hours, minutes = int(said[2]), {"half past": 30, "quarter past": 15, "quarter to": -15}[said[1]]
    elif found := _CLOCK.fullmatch(text):
        hours, minutes = int(found[1]), int(found[2] or 0)
    else:
        return math.nan
    start, end = notation.ends
    start = start or 0.0
    at = start + (hours * HOUR + minutes - start) % ROUND
    return at if hours <= 12 and (end is None or at <= end) else math.nan


def _label(text: str, notation: Notation) -> float:
    labels = [plain(label).casefold() for label in notation.labels]
    return float(labels.index(text)) if text in labels else math.nan


_READ: dict[Kind, Callable[[str, Notation], float]] = {
    "marks": _number,
    "letters": _letters,
    "two_part": _two_part,
    "clock": _clock,
    "turns": _turns,
    "list": _label,
    "stepless": _number,
}


# --- writing ---------------------------------------------------------------------------------------------------------


def _letters_written(at: int, notation: Notation) -> str:
    return f"{at // notation.per}{LETTERS[at % notation.per]}"


def _two_part_written(at: int, notation: Notation) -> str:
    return f"{at // notation.per}{notation.sign}{at % notation.per}"


def _clock_written(at: int, notation: Notation) -> str:
    hours, minutes = divmod(at % ROUND, HOUR)
    return f"{hours or 12}:{minutes:02d}"


def _turns_written(at: int, notation: Notation) -> str:
    turns, clicks = divmod(at, notation.per)
    if not turns:
        return f"{clicks} click{'' if clicks == 1 else 's'}"
    return f"{turns} turn{'' if turns == 1 else 's'}{f' + {clicks}' if clicks else ''}"


def _label_written(at: int, notation: Notation) -> str:
    return notation.labels[at]


_WRITE: dict[Kind, Callable[[int, Notation], str]] = {
    "letters": _letters_written,
    "two_part": _two_part_written,
    "clock": _clock_written,
    "turns": _turns_written,
    "list": _label_written,
}

"""Scores as people write them: a number, a verdict or taste words, or both; and the scale they were given on."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from tastefield.tables.cells import Bad, Parsed, Reading, Taken, each, number, shown
from tastefield.tables.hedges import hedged
from tastefield.tables.numbers import plain
from tastefield.words.columns import column
from tastefield.words.tastes import GOOD_AT, TASTES, VERDICTS, score_of

WORDS_ONLY_SCALE = (1.0, 9.0)
"""Scale of a log that has words but no number."""

_SCORE = column("scores", "score")
_OUT_OF = re.compile(r"(?P<score>[0-9]+(?:[.,][0-9]+)?)\s*(?:/|out of)\s*(?P<top>[0-9]+)", re.IGNORECASE)
_BETWEEN = re.compile(r"\b(?:and|but|a|bit|little|too|very|slightly|quite|rather)\b|[,;/+&.!]+(?=\s|$)|(?<=\s)[,;/+&]")
_NUMBER = re.compile(r"[-+]?[0-9]+(?:[.,][0-9]+)?")


@dataclass(frozen=True)
class Said:
    """What one cell says of the taste.

    :param value: the number in it, or ``None``.
    :param top: the top of its own scale, where written as 7/10.
    :param words: known words in it.
    """

    value: float | None = None
    top: float | None = None
    words: tuple[str, ...] = ()


def listen(cells: pd.Series, words: Sequence[str], decimal: str) -> Parsed:
    """What each score cell says, before the scale is known: values are :class:`Said`.

    :param words: known verdict and taste words, lower case.
    """
    reading = Reading(decimal=decimal)
    return each(cells, lambda cell: _hear(cell, words, reading), "object")


def infer_scale(said: Sequence[Said]) -> tuple[float, float]:
    """The shortest usual scale that holds every number: 1-5, 1-9, 1-10 or 0-100, from 0 where a 0 was given.

    Words alone stand on :data:`WORDS_ONLY_SCALE`. Numbers no usual scale holds give their own range.
    """
    tops = [each_.top for each_ in said if each_.top is not None]
    values = [each_.value for each_ in said if each_.value is not None] + tops
    if not values:
        return WORDS_ONLY_SCALE
    low, high = min(values), max(values)
    for bottom, top in ((1.0, 5.0), (0.0, 5.0), (1.0, 9.0), (1.0, 10.0), (0.0, 10.0), (0.0, 100.0)):
        if bottom <= low and high <= top and (not tops or top in tops):
            return bottom, top
    return (min(low, 0.0), high) if high > min(low, 0.0) else (low, low + 1.0)


def default_good(scale: tuple[float, float]) -> float:
    """The score that counts as good where nobody says."""
    return float(round(scale[0] + GOOD_AT * (scale[1] - scale[0]), 9))


def word_scores(scale: tuple[float, float], good: float, own: Mapping[str, float]) -> dict[str, float]:
    """Every known word and its score on a scale; the owner's words replace or extend ours."""
    ours = {word: score_of(fraction, *scale, good) for word, fraction in (VERDICTS | TASTES).items()}
    return ours | {word.casefold(): float(value) for word, value in own.items()}


def scores(said: pd.Series, scale: tuple[float, float] | None, words: Mapping[str, float]) -> Parsed:
    """Turn what was said into scores.

    :param said: :class:`Said` or missing.
    :param scale: the configured scale; ``None`` sets nothing aside.
    """
    return each(said, lambda one: _score(one, scale, words), "float64")


def _hear(cell: Any, known: Sequence[str], reading: Reading) -> Said | Taken | Bad:
    if not isinstance(cell, str):
        return _numbered(cell, reading, ())
    text = plain(cell).casefold()
    found = tuple(word for word in known if re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text))
    rest = text
    for word in sorted(found, key=len, reverse=True):
        rest = re.sub(rf"(?<!\w){re.escape(word)}(?!\w)", " ", rest)
    rest = " ".join(_BETWEEN.sub(" ", rest).split()).strip(" ,;/&")
    if not rest:
        return Said(words=found) if found else _not_a_score(cell, known)
    out_of = _OUT_OF.fullmatch(rest)
    if out_of:
        value, top = float(out_of["score"].replace(",", ".")), float(out_of["top"])
        if value > top:
            return Bad(f"{value:g} is more than {top:g}", "correct one of them")
        return Said(value, top, found)
    if _NUMBER.fullmatch(rest) or hedged(rest):
        return _numbered(rest, reading, found)
    return _not_a_score(cell, known)


def _numbered(cell: Any, reading: Reading, words: tuple[str, ...]) -> Said | Taken | Bad:
    value = number(cell, _SCORE, reading)
    if isinstance(value, Taken):
        return Taken(Said(value.value, None, words), value.how)
    return value if isinstance(value, Bad) else Said(value, None, words)


def _not_a_score(cell: Any, known: Sequence[str]) -> Bad:
    if len(_NUMBER.findall(shown(cell))) > 1:
        return Bad("it holds several numbers", "write one number")
    return Bad(
        "it is neither a number nor words with a score",
        f"write a number or any of: {', '.join(known)}; or give the word a score under [taste.words]",
    )


def _score(said: Said, scale: tuple[float, float] | None, words: Mapping[str, float]) -> float | Bad:
    if said.value is None:
        verdicts = [word for word in said.words if word in VERDICTS]
        return min(words[word] for word in (verdicts or said.words))
    if scale is None:
        return said.value
    low, high = scale
    if said.top is not None and said.top != high:
        return Bad(
            f"it is out of {said.top:g}, the scale ends at {high:g}", "write it on the scale, or change [taste] scale"
        )
    if not low <= said.value <= high:
        return Bad(
            f"{said.value:g} lies outside the scale of {low:g} to {high:g}", "correct it, or change scale under [taste]"
        )
    return said.value

"""Hedges: what people write who do not know a number exactly: about, a range, a bound, a ratio, several, nothing.

What each stands for is decided here once and told by the table of the README, which is made by running this.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from tastefield.tables.numbers import plain

How = Literal["about", "range", "bound", "ratio", "several", "missing", "error"]

NOT_MEASURED = {
    *("to taste", "by taste", "by eye", "unknown", "not known", "don't know", "dont know", "dunno", "tbd", "tbc"),
    *("not weighed", "not measured", "not timed", "not taken", "not recorded", "not read", "n/m", "n.m.", "nm", "n/k"),
    *("na", "nan", "n.d.", "nd", "null", "nil", "none", "nothing", "missing", "missed", "forgot", "forgotten", "lost"),
    *("didn't weigh", "didnt weigh", "no scale", "no reading", "not available", "empty", "blank"),
}
"""What people write for a number that nobody took. A label may be any of these words, so only numbers are read so."""

FORMULA_ERRORS = {"#div/0!", "#name?", "#null!", "#num!", "#ref!", "#value!", "#getting_data", "#spill!", "#calc!"}
"""What a spreadsheet shows where a formula has no answer (ECMA-376, error values); #N/A counts as an empty cell."""

FURTHEST_APART = 1 / 3
"""Ends of a range are closer than this share of their middle; further apart they may be two numbers: 18-36."""

LONGEST = 60
"""Longer cells are remarks, not numbers."""

_SIMPLE = re.compile(r"[-+]?[0-9]+(?:[.,][0-9]+)?(?:\s*(?:g|s|sec|oz|bar|C|F|%))?")
_NUMBER = r"[0-9]+(?:[.,][0-9]+)*"
_UNIT = r"[^0-9\s.,;:/|<>~()+-][^0-9/|<>~()+-]*?"
_ABOUT_BEFORE = re.compile(r"(?:~+|≈|about|around|approx(?:imately|\.)?|roughly|circa|ca?\.|ca)\s*(?=[0-9.,])", re.I)
_ABOUT_AFTER = re.compile(
    r"\s*(?:-?\s*ish|or so|\?+|~|\(?(?:approx(?:\.|imately)?|about|roughly|estimated|est\.?)\)?"
    rf"|(?:±|\+/-|\+-)\s*{_NUMBER}(?:\s*{_UNIT})?)$",
    re.I,
)
_MORE = r">=?|≥|⩾|over|above|more than|at least|longer than|min\.?|minimum"
_LESS = r"<=?|≤|⩽|under|below|less than|at most|up to|shorter than|max\.?|maximum"
_BOUND_BEFORE = re.compile(rf"(?P<more>{_MORE})?(?P<less>{_LESS})?\s*(?P<number>{_NUMBER}(?:\s*{_UNIT})?)", re.I)
_BOUND_AFTER = re.compile(
    rf"(?P<number>{_NUMBER}(?:\s*{_UNIT})?)\s*(?:(?P<more>\+|or more|and more|plus)|(?P<less>or less|and less))", re.I
)
_RANGE = re.compile(
    rf"(?:between |from )?(?P<low>{_NUMBER})(?:\s*(?P<unit>{_UNIT}))?\s*(?:-|to|or|and|until|\.\.+|…|/|~)\s*"
    rf"(?P<high>{_NUMBER})(?:\s*(?P<last>{_UNIT}))?",
    re.I,
)
_TIMES = r"[0-9](?:[.,][0-9]+)?"  # 1:05 is a time
_RATIO = re.compile(rf"1\s*:\s*(?P<times>{_TIMES})|(?P<back>{_TIMES})\s*:\s*1|x\s*(?P<fold>{_TIMES})", re.I)
_SEVERAL = re.compile(rf"{_NUMBER}(?:\s*{_UNIT})?(?:\s*(?:/|\||>|→|\s-)\s*{_NUMBER}(?:\s*{_UNIT})?){{2,}}")
_BETWEEN = re.compile(r"\s*(?:/|\||>|→|\s-)\s*")


@dataclass(frozen=True)
class Hedged:
    """What a text says instead of one plain number.

    :param how: ``about`` one number; a ``range`` of two; a ``bound``; a ``ratio``, its number being out over in;
        ``several`` numbers that belong to several columns; ``missing``, nobody took it; a formula's ``error``.
    :param numbers: the numbers with their units, as written.
    :param side: ``more than`` or ``less than``, of a bound.
    """

    how: How
    numbers: tuple[str, ...] = ()
    side: str = ""


def hedged(text: str) -> Hedged | None:
    """What a text says instead of one plain number; ``None`` where it says nothing of the kind.

    >>> hedged("27-28 s"), hedged("36ish"), hedged(">40").side
    (Hedged(how='range', numbers=('27 s', '28 s'), side=''), Hedged(how='about', numbers=('36',), side=''), 'more than')
    """
    if len(text) > LONGEST or _SIMPLE.fullmatch(text):
        return None
    text = plain(text)
    word = text.casefold().rstrip("!. ") if not text.startswith("#") else text.casefold()
    if word in NOT_MEASURED or text.casefold() in NOT_MEASURED:
        return Hedged("missing")
    if word in FORMULA_ERRORS:
        return Hedged("error")
    ratio = _RATIO.fullmatch(text)
    if ratio:
        return Hedged("ratio", (ratio["times"] or ratio["back"] or ratio["fold"],))
    if _SEVERAL.fullmatch(text):
        return Hedged("several", tuple(_BETWEEN.split(text)))
    rest = _ABOUT_AFTER.sub("", _ABOUT_BEFORE.sub("", text, count=1), count=1).strip()
    span = _RANGE.fullmatch(rest)
    if span:
        unit = span["last"] or span["unit"] or ""
        low = f"{span['low']} {span['unit'] or unit}".strip()
        return Hedged("range", (low, f"{span['high']} {unit}".strip()))
    for form in (_BOUND_BEFORE, _BOUND_AFTER):
        bound = form.fullmatch(rest)
        if bound and bool(bound["more"]) != bool(bound["less"]):
            return Hedged("bound", (bound["number"].strip(),), "more than" if bound["more"] else "less than")
    return Hedged("about", (rest,)) if rest != text and rest else None

"""Numbers as a person at the bench reads them."""

from __future__ import annotations

import re
from collections.abc import Sequence


def together(sentence: str) -> str:
    """The sentence with every number kept on one line with its unit, and ``dial`` with its setting."""
    return re.sub(r"(?<=\d) (?=(?:g|s|%)\b)|(?<=\bdial) (?=\S)", "\u00a0", sentence)


def number(value: float | None, digits: int = 0) -> str:
    """A number with fixed decimals; a dash where it is unknown.

    >>> number(27.64), number(18.02, 1), number(None)
    ('28', '18.0', '–')
    """
    if value is None or value != value:
        return "–"
    text = f"{value:.{digits}f}"
    return text if float(text) else text.lstrip("-")


def span(limits: Sequence[float] | None, unit: str = "", digits: int = 0) -> str:
    """A range, with more decimals where its ends would read the same; empty where it is unknown.

    >>> span([34.6, 39.2], "g"), span([2.01, 2.04], "", 1)
    ('35–39 g', '2.01–2.04')
    """
    if limits is None or None in limits:
        return ""
    low, high = number(limits[0], digits), number(limits[1], digits)
    if low == high and digits < 2:
        return span(limits, unit, digits + 1)
    return f"{low}–{high} {unit}".strip() if low != high else f"{low} {unit}".strip()

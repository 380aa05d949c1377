"""Timer: the dose setting of a timed grinder as written, its number, and a number written the same way."""

from __future__ import annotations

import math
from collections.abc import Iterable

from tastefield.tables.notation import as_written
from tastefield.tables.numbers import split_unit


def timer_of(text: str) -> tuple[float, str]:
    """The number of a dose setting and what follows it; NaN where it is no number.

    >>> timer_of("4,5 s"), timer_of("double")
    ((4.5, ' s'), (nan, ''))
    """
    found = split_unit(text)
    if found is None:
        return math.nan, ""
    try:
        value = float(found[0].replace(",", "."))
    except ValueError:
        return math.nan, ""
    space = " " if text.strip().endswith(f" {found[1]}") and found[1] else ""
    return value, f"{space}{found[1]}"


def written_step(texts: Iterable[str]) -> float:
    """Smallest move of a timer: the last decimal that any of its settings was written with.

    >>> written_step(["4.5 s", "5 s"]), written_step(["45", "46"])
    (0.1, 1.0)
    """
    numbers = [found[0] for text in texts if (found := split_unit(text))]
    decimals = max((len(number.replace(",", ".").partition(".")[2]) for number in numbers), default=0)
    return float(10.0**-decimals)


def timer_as_written(value: float, step: float, unit: str) -> str:
    """A dose setting as its owner writes it.

    >>> timer_as_written(4.6000001, 0.1, " s")
    '4.6 s'
    """
    return f"{as_written(value, step)}{unit}"

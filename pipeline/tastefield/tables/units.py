"""Units people write beside a number, and the factor to the canonical unit of a column."""

from __future__ import annotations

from tastefield.words.columns import Column

CLOCK_UNITS = {"min:s": "0:27 means 27 seconds", "h:min": "0:27 means 27 minutes"}
"""How to read times that a spreadsheet made of something typed with a colon: the owner's answer to our question."""

_GRAM = {"g": 1.0, "gr": 1.0, "gm": 1.0, "gms": 1.0, "gram": 1.0, "grams": 1.0, "kg": 1000.0, "mg": 0.001}
# International avoirdupois pound = 0.45359237 kg exactly (agreement of 1959); an ounce is a sixteenth.
_GRAM |= {"lb": 453.59237, "lbs": 453.59237, "oz": 28.349523125, "ounce": 28.349523125, "ounces": 28.349523125}
_SECOND = {"s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, '"': 1.0, "ms": 0.001}
_SECOND |= {"min": 60.0, "mins": 60.0, "minute": 60.0, "minutes": 60.0, "day": 86400.0, "days": 86400.0}
_CELSIUS = {"c": 1.0, "°c": 1.0, "ºc": 1.0, "celsius": 1.0, "deg c": 1.0, "degc": 1.0, "°": 1.0}
_FAHRENHEIT = ("f", "°f", "ºf", "fahrenheit", "deg f", "degf")
# 1 psi = 6894.757293168 Pa, from the pound above, 9.80665 m/s2 and the inch of 25.4 mm; 1 atm = 101325 Pa exactly.
_BAR = {"bar": 1.0, "bars": 1.0, "psi": 0.06894757293168, "kpa": 0.01, "mpa": 10.0, "atm": 1.01325}
_PERCENT = {"%": 1.0, "pct": 1.0, "percent": 1.0, "% tds": 1.0, "°bx": 1.0, "bx": 1.0, "brix": 1.0, "fraction": 100.0}

VOLUMES = {"ml", "mls", "cl", "dl", "l", "cc", "cm3", "fl oz", "floz", "millilitre", "millilitres", "milliliter"}
VOLUMES |= {"milliliters", "litre", "liter"}
"""Units of volume: a cup of espresso is part foam, so nothing turns them into grams."""

_IN_WORDS = {
    "fraction": "fractions of 1",
    "day": "fractions of a day",
    "days": "fractions of a day",
    "min:s": "minutes and seconds",
    "h:min": "hours and minutes",
}

FACTORS: dict[str, dict[str, float]] = {"g": _GRAM, "s": _SECOND, "C": _CELSIUS, "bar": _BAR, "%": _PERCENT, "": {}}


def known_units(column: Column) -> tuple[str, ...]:
    """Every unit a column can be given in."""
    if column.kind not in ("number", "duration", "integer"):
        return ()
    units = tuple(FACTORS[column.unit])
    if column.unit == "C":
        units += _FAHRENHEIT
    return units + tuple(CLOCK_UNITS) if column.kind == "duration" else units


def said(unit: str) -> str:
    """A unit as a sentence names it, behind "in": as it was written where that can be said.

    >>> said("kPa"), said("fraction"), said("min:s")
    ('kPa', 'fractions of 1', 'minutes and seconds')
    """
    return _IN_WORDS.get(tidy(unit), unit)


def tidy(unit: str) -> str:
    """A unit as the tables above spell it."""
    return " ".join(unit.casefold().replace(".", "").split())


def is_unit(column: Column, unit: str) -> bool:
    """Whether a column can be given in that unit."""
    return tidy(unit) in known_units(column)


def is_volume(column: Column, unit: str) -> bool:
    """Whether a unit is one of volume where a weight should stand."""
    return column.unit == "g" and tidy(unit) in VOLUMES


def changes(column: Column, unit: str) -> bool:
    """Whether a value in that unit is another number in the canonical one."""
    unit = tidy(unit)
    return unit in _FAHRENHEIT or FACTORS[column.unit].get(unit, 1.0) != 1.0


def convert(value: float, column: Column, unit: str) -> float:
    """A value in the canonical unit of its column.

    :param unit: one of :func:`known_units`; empty or a clock unit means the canonical one already.

    >>> from tastefield.words.columns import column
    >>> convert(1, column("shots", "dose_g"), "oz"), convert(200, column("shots", "temp_set_c"), "F")
    (28.349523125, 93.33333333333333)
    """
    unit = tidy(unit)
    if not unit or unit in CLOCK_UNITS:
        return value
    if unit in _FAHRENHEIT:
        return (value - 32.0) / 1.8
    return value * FACTORS[column.unit][unit]

"""Cells: one function for each kind of column, from what was written to a typed value or a reason why not.

Every cell is read on its own; equal cells are read once. What cannot be read is told, never dropped.
"""

from __future__ import annotations

import datetime as dt
import decimal
import math
import numbers as abc_numbers
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tastefield.tables import dates, durations, numbers, units
from tastefield.words.columns import Column
from tastefield.words.outcomes import outcome_of

BLANK = {"", "-", "--", "---", "–", "—", "?", "n/a", "#n/a", "n.a.", "n.a"}
"""What people write into a cell of which they know nothing; such a cell counts as empty."""

_LABELS_THAT_MAY_BE_DATES = {"session", "grinder_zero", "notes", "value"}
_YES = {"yes", "y", "true", "1", "x", "✓", "✔", "ja", "on"}
_NO = {"no", "n", "false", "0", "✗", "off"}
_AS_TEXT = "format the column as text and type it again as it stands on the dial or label"


@dataclass(frozen=True)
class Bad:
    """Why a cell was not read. ``asked``: it can mean two things, and only its owner can say which."""

    reason: str
    do: str
    asked: bool = False


@dataclass(frozen=True)
class Reading:
    """How the cells of one column are to be understood.

    :param decimal: ``.``, ``,``, empty (not known) or ``?`` (both are used).
    :param unit: unit of cells that name none.
    """

    decimal: str = ""
    unit: str = ""
    day_first: bool = True


@dataclass(frozen=True, eq=False)
class Parsed:
    """Typed values, missing where a cell is empty or bad, and the bad cells.

    :param values: same index as the cells.
    :param problems: columns row, value (as shown), reason, do, asked.
    """

    values: pd.Series
    problems: pd.DataFrame


PROBLEM_COLUMNS = ("row", "value", "reason", "do", "asked")


def is_filled(cell: Any) -> bool:
    """Whether somebody wrote something into a cell."""
    if type(cell) is str:
        return cell.strip().casefold() not in BLANK
    if cell is None or cell is pd.NaT or cell is pd.NA:
        return False
    if isinstance(cell, (float, np.floating)):
        return not math.isnan(cell)
    if isinstance(cell, (np.datetime64, np.timedelta64)):
        return not np.isnat(cell)
    if isinstance(cell, decimal.Decimal):
        return not cell.is_nan()
    return True


def filled(frame: pd.DataFrame) -> NDArray[np.bool_]:
    """Which cells are filled, in the shape of the frame."""
    mask = np.zeros(frame.shape, dtype=bool)
    for at in range(frame.shape[1]):
        mask[:, at] = [is_filled(cell) for cell in listed(frame.iloc[:, at])]
    return mask


def listed(cells: pd.Series) -> list[Any]:
    """The cells of a column as a plain list, which is quicker to walk along than the column."""
    return list(cells.to_numpy(dtype=object).tolist())


def shown(cell: Any) -> str:
    """A cell as text for a person; never fails, whatever the cell holds."""
    if type(cell) is str and cell.isascii():
        return cell
    if isinstance(cell, (dt.datetime, dt.date)) and not isinstance(cell, dt.time):
        text = cell.isoformat(sep=" ") if isinstance(cell, dt.datetime) else cell.isoformat()
        return text.removesuffix(" 00:00:00")
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    try:
        text = str(cell)
    except Exception:  # a guest's object, or a whole number too long to print
        return f"<{type(cell).__name__}>"
    return text.encode("utf-8", "backslashreplace").decode()


def folded(words: str) -> str:
    """Words with their ends trimmed and every run of spaces made one: nobody tells names apart by spaces."""
    return " ".join(words.split())


def parse(column: Column, cells: pd.Series, reading: Reading) -> Parsed:
    """Read the cells of one column by its kind.

    :returns: float64 for numbers, durations and integers; ``str`` for words; ``boolean``; ``datetime64[us]``.
    """
    one, dtype = _KINDS[column.kind]
    return each(cells, lambda cell: one(cell, column, reading), dtype)


def each(cells: pd.Series, read: Callable[[Any], Any], dtype: str) -> Parsed:
    """Apply ``read`` to every filled cell; it returns a value or :class:`Bad`. Equal cells are read once."""
    known: dict[Hashable, Any] = {}
    values: list[Any] = []
    bad: list[tuple[Any, str, str, str, bool]] = []
    for row, cell in zip(cells.index.tolist(), listed(cells), strict=True):
        if not is_filled(cell):
            values.append(None)
            continue
        try:
            key = (type(cell), cell)
            answer = known.get(key)
            if answer is None:
                answer = known[key] = read(cell)
        except (TypeError, decimal.InvalidOperation):  # no hash, no order: a list, a dictionary, a signalling NaN
            answer = read(cell)
        if isinstance(answer, Bad):
            bad.append((row, shown(cell), answer.reason, answer.do, answer.asked))
            answer = None
        values.append(answer)
    problems = pd.DataFrame(bad, columns=list(PROBLEM_COLUMNS)).astype({"asked": bool})
    return Parsed(pd.Series(values, index=cells.index, dtype=dtype), problems)


def text(cell: Any, column: Column, reading: Reading) -> str | Bad:
    """Words: spaces folded, numbers as they are shown. A date where a label belongs is a spreadsheet's doing."""
    if isinstance(cell, str):
        words = cell.strip() if column.name == "notes" else folded(cell)
        if column.name == "grind_setting" and (dates.looks_like_short_date(words) or dates.from_text(words)):
            return _date_for(cell)
        try:
            words.encode("utf-8")
        except UnicodeEncodeError:
            return Bad("it holds characters that cannot be read", "type it again")
        return words
    if isinstance(cell, (bool, np.bool_)):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, (dt.date, dt.time, dt.timedelta)):
        return shown(cell) if column.name in _LABELS_THAT_MAY_BE_DATES else _date_for(cell)
    if isinstance(cell, (abc_numbers.Number, np.generic)):
        return shown(cell.item() if isinstance(cell, np.generic) else cell)
    return Bad(f"it is {_kind_of(cell)}, not text", "write text")


def number(cell: Any, column: Column, reading: Reading) -> float | Bad:
    """A number in the canonical unit, inside the physical limits of its column."""
    value = _raw_number(cell, column, reading)
    return value if isinstance(value, Bad) else _within(value, column)


def integer(cell: Any, column: Column, reading: Reading) -> float | Bad:
    """A whole number."""
    value = number(cell, column, reading)
    if isinstance(value, Bad) or value.is_integer():
        return value
    return Bad("it is not a whole number", "write a whole number, for example 2")


def duration(cell: Any, column: Column, reading: Reading) -> float | Bad:
    """Seconds: 27, 27.5, 27,5, 27s, 0:27, 1 min 5 s. A spreadsheet's 0:27 is asked about."""
    clock = reading.unit if reading.unit in units.CLOCK_UNITS else ""
    try:
        total = durations.elapsed_s(cell)
        if total is not None:
            return _within(durations.from_spreadsheet(total, clock), column)
        value = durations.from_text(cell, clock) if isinstance(cell, str) else None
    except durations.TwoMeaningsError as doubt:
        return _minutes_or_seconds(doubt.args[0], column)
    if value is not None:
        return _within(value, column)
    return number(cell, column, reading)


def category(cell: Any, column: Column, reading: Reading) -> str | Bad:
    """One of the words the column may hold, whatever their case, spaces and hyphens."""
    wanted = _letters(shown(cell))
    for choice in column.choices:
        if _letters(choice) == wanted:
            return choice
    outcome = outcome_of(cell) if column.name == "outcome" else None
    if outcome:
        return outcome
    return Bad(f"it is none of {', '.join(column.choices)}", f"write one of {', '.join(column.choices)}, or nothing")


def boolean(cell: Any, column: Column, reading: Reading) -> bool | Bad:
    """Yes or no."""
    word = shown(cell).strip().casefold()
    if word in _YES or word in _NO:
        return word in _YES
    return Bad("it is neither yes nor no", "write yes or no, or nothing")


def date(cell: Any, column: Column, reading: Reading) -> dt.datetime | Bad:
    """A day, at midnight."""
    when = datetime(cell, column, reading)
    return when if isinstance(when, Bad) else when.replace(hour=0, minute=0, second=0, microsecond=0)


def datetime(cell: Any, column: Column, reading: Reading) -> dt.datetime | Bad:
    """A day and, where given, a time of day; a time zone is dropped."""
    if isinstance(cell, np.datetime64):
        cell = pd.Timestamp(cell)
    if isinstance(cell, pd.Timestamp):
        cell = cell.to_pydatetime(warn=False)
    if isinstance(cell, dt.datetime):
        when: dt.datetime | None = cell.replace(tzinfo=None)
    elif isinstance(cell, dt.date):
        when = dt.datetime(cell.year, cell.month, cell.day)
    else:
        when = dates.from_text(cell, reading.day_first) if isinstance(cell, str) else None
    if when is None:
        other = dates.from_text(cell, not reading.day_first) if isinstance(cell, str) else None
        if other:
            do = f"set day_first = {str(not reading.day_first).lower()} in its [[source]] if months stand first"
            return Bad("there is no such day", do if reading.day_first else do.replace("months stand", "days stand"))
        return Bad("it is not a date", "write it as 2026-03-31, or 2026-03-31 14:05")
    if not 1950 <= when.year <= 2200:
        return Bad(f"the year {when.year} cannot be right", "write it as 2026-03-31, or 2026-03-31 14:05")
    return when


def _raw_number(cell: Any, column: Column, reading: Reading) -> float | Bad:
    like = f"write a plain number{f' in {column.unit}' if column.unit else ''}, for example {_example(column)}"
    if isinstance(cell, (bool, np.bool_, complex, dt.date, dt.time, dt.timedelta)):
        if isinstance(cell, (dt.date, dt.time, dt.timedelta)):
            return Bad(f"the spreadsheet made {_kind_of(cell)} of it", f"{like}, in a cell formatted as number", True)
        return Bad(f"it is {_kind_of(cell)}, not a number", like)
    if isinstance(cell, (abc_numbers.Number, np.number)):
        return _finite(cell, column, reading.unit, like)
    if not isinstance(cell, str):
        return Bad(f"it is {_kind_of(cell)}, not a number", like)
    parts = numbers.split_unit(cell)
    if parts is None:
        return Bad("it is not a number", like)
    written, unit = parts
    if unit and not units.is_unit(column, unit):
        is_word = unit[0].isalpha() and len(unit) < 12
        return Bad(f'"{unit}" is not a unit of {column.name}' if is_word else "it is not a number", like)
    try:
        value = numbers.read_number(written, reading.decimal)
    except numbers.TwoMeaningsError:
        point, comma = written.replace(",", "."), written.replace(",", "").replace(".", "")
        do = f'set decimal = "," or decimal = "." in its [[source]], or {like}'
        return Bad(f"it may mean {point} or {comma}", do, True)
    except ValueError:
        return Bad("it is not a number", like)
    return _finite(value, column, unit or reading.unit, like)


def _finite(value: Any, column: Column, unit: str, like: str) -> float | Bad:
    try:
        converted = units.convert(float(value), column, unit)
    except (OverflowError, ValueError, TypeError, decimal.InvalidOperation):
        return Bad("it is too large to be a number of this kind", like)
    return converted if math.isfinite(converted) else Bad("it is not a finite number", like)


def _within(value: float, column: Column) -> float | Bad:
    low, high = column.low, column.high
    too_low = low is not None and (value < low or (column.low_open and value <= low))
    if not too_low and (high is None or value <= high):
        return value
    unit = f" {column.unit}" if column.unit else ""
    least = f"{'more than' if column.low_open else 'at least'} {low:g}" if low is not None else ""
    most = f"at most {high:g}" if high is not None else ""
    return Bad(
        f"{value:g}{unit} is impossible: {' and '.join(filter(None, (least, most)))}{unit}",
        "correct it from the scale, meter or paper, or leave it empty",
    )


def _minutes_or_seconds(total_min: int, column: Column) -> Bad:
    hours, minutes = divmod(total_min, 60)
    typed = f"{hours}:{minutes:02d}"
    return Bad(
        f"the spreadsheet holds {hours} h {minutes} min; typed as {typed} it may have meant {total_min} s",
        f'if {typed} means {total_min} seconds, write {column.name} = "min:s" under [source.units]; '
        f'if it means {total_min} minutes, "h:min"; or type plain seconds: {total_min}',
        True,
    )


def _date_for(cell: Any) -> Bad:
    return Bad(f"the spreadsheet made {_kind_of(cell)} of it", _AS_TEXT, True)


def _kind_of(cell: Any) -> str:
    if isinstance(cell, (bool, np.bool_)):
        return "a yes or no"
    if isinstance(cell, (dt.datetime, dt.date, str)):
        return "a date"
    if isinstance(cell, (dt.time, dt.timedelta)):
        return "a time"
    return f"a {type(cell).__name__}"


def _example(column: Column) -> str:
    examples = {"g": "18.2", "s": "27.5", "C": "93", "bar": "9", "%": "8.9"}
    return "2" if column.kind == "integer" else examples.get(column.unit, "1.5")


def _letters(word: str) -> str:
    return "".join(sign for sign in word.casefold() if sign.isalnum())


_KINDS: dict[str, tuple[Callable[[Any, Column, Reading], Any], str]] = {
    "text": (text, "str"),
    "number": (number, "float64"),
    "duration": (duration, "float64"),
    "integer": (integer, "float64"),
    "category": (category, "str"),
    "boolean": (boolean, "boolean"),
    "date": (date, "datetime64[us]"),
    "datetime": (datetime, "datetime64[us]"),
    "score": (number, "float64"),
}
DTYPES: dict[str, str] = {kind: dtype for kind, (_, dtype) in _KINDS.items()}

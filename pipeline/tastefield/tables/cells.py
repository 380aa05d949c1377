"""Cells: one function for each kind of column, from what was written to a typed value or a reason why not.

Every cell is read on its own; equal cells are read once. What cannot be read is told, never dropped.
"""

from __future__ import annotations

import datetime as dt
import decimal
import math
import numbers as abc_numbers
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pandas.api.types import union_categoricals

from tastefield.tables import dates, durations, numbers, plain, units
from tastefield.tables.hedges import FURTHEST_APART, Hedged, hedged
from tastefield.words.columns import Column
from tastefield.words.outcomes import outcome_of

BLANK = {"", "-", "--", "---", "–", "—", "?", "??", "...", "…", ".", "n/a", "#n/a", "n.a.", "n.a"}
"""What people write into a cell of which they know nothing; such a cell counts as empty."""

_OTHER_UNITS = {"C": (("f", "F"),), "bar": (("psi", "psi"), ("kpa", "kPa"))}
"""Units in which an impossible value may have been meant."""
_LABELS_THAT_MAY_BE_DATES = {"session", "grinder_zero", "notes", "value"}
_YES = {"yes", "y", "true", "1", "x", "✓", "✔", "ja", "on"}
_NO = {"no", "n", "false", "0", "✗", "off"}
_AS_TEXT = "format the column as text and type it again as it stands on the dial or label"


NOBODY_MEASURED = "it says that nobody measured it"
"""Reason why a cell such as "to taste" holds no number."""


@dataclass(frozen=True)
class Bad:
    """Why a cell was not read. ``asked``: it can mean two things, and only its owner can say which."""

    reason: str
    do: str
    asked: bool = False


@dataclass(frozen=True)
class Taken:
    """A value that is not simply what was written.

    :param how: ``about``; ``range``, the value being its middle; ``converted`` from a unit that the cell itself names.
    """

    value: Any
    how: Literal["about", "range", "converted"]


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
    :param taken: (row, as shown, how) of values that are not simply what was written; see :class:`Taken`.
    :param in_one_go: which cells were read as plain numbers or dates, all others one by one; ``None`` where none was.
    """

    values: pd.Series
    problems: pd.DataFrame
    taken: tuple[tuple[int, str, str], ...] = ()
    in_one_go: NDArray[np.bool_] | None = None


PLAIN = pd.ArrowDtype(pa.large_string())
"""A long column of ASCII text that seldom repeats itself, with no spaces but single ones between words, blank cells
made missing: all others are filled, and are shown and folded as they stand. Only :func:`compact` makes one."""
LONG, MOST_DIFFERENT = 5_000, 0.5
"""From how many cells on a column of text is held as categories, and how many of them may differ for that."""
PROBLEM_COLUMNS = ("row", "value", "reason", "do", "asked")


_FIRST_YEAR, _LAST_YEAR = 1950, 2200
_FIRST_DAY, _LAST_DAY = np.datetime64(f"{_FIRST_YEAR}-01-01", "us"), np.datetime64(f"{_LAST_YEAR + 1}-01-01", "us")
_NO_PROBLEMS = pd.DataFrame([], columns=list(PROBLEM_COLUMNS)).astype({"asked": bool})


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
    mask = np.zeros(frame.shape, dtype=bool, order="F")
    for at in range(frame.shape[1]):
        mask[:, at] = there(frame.iloc[:, at])
    return mask


def there(cells: pd.Series) -> NDArray[np.bool_]:
    """Which cells of one column are filled."""
    return cells.notna().to_numpy(dtype=bool) if is_plain(cells) else which(cells, is_filled)


def is_plain(cells: pd.Series) -> bool:
    """Whether a column is held as plain text: see :data:`PLAIN`."""
    return bool(cells.dtype == PLAIN)


def may_hold(cells: pd.Series, words: Iterable[str]) -> bool:
    """Whether one of some lower-case words, and nothing else, may stand in a cell; quick where that can be told."""
    if not is_plain(cells):
        return True
    text, known = plain.held(cells), sorted(words)
    if plain.shortest(text) > max(map(len, known)):
        return False
    return bool(pc.any(pc.is_in(pc.utf8_lower(text), pa.array(known, text.type))).as_py())


def distinct(cells: pd.Series) -> tuple[list[Any], NDArray[np.integer[Any]] | None]:
    """The cells of a column, and which of them stands in each row, -1 for the last; ``None`` where each is its row's.

    A long column of text is held as categories, so that each different cell is looked at once; so are objects that
    stand in many rows of a long column.
    """
    if isinstance(cells.dtype, pd.CategoricalDtype):
        return [*cells.cat.categories.tolist(), None], cells.cat.codes.to_numpy()
    every = listed(cells)
    if len(every) >= LONG and cells.dtype == object:
        codes, known = pd.factorize(np.fromiter(map(id, every), np.int64))
        if len(known) < len(every) * MOST_DIFFERENT:
            first = np.zeros(len(known), dtype=np.int64)
            first[codes[::-1]] = np.arange(len(codes))[::-1]
            return [every[at] for at in first.tolist()], codes
    return every, None


def which(cells: pd.Series, holds: Callable[[Any], bool], of_numbers: bool = True) -> NDArray[np.bool_]:
    """Of which cells something holds.

    :param of_numbers: whether it may hold of a plain number, such as 27.5.
    """
    if not of_numbers and is_plain(cells):
        mask = ~plain.are_numbers(plain.held(cells))
        mask[mask] = [holds(cell) for cell in listed(cells[mask])]
        return mask
    values, codes = distinct(cells)
    holding = np.array([holds(value) for value in values], dtype=bool)
    if codes is None:
        return holding
    if not len(codes) or not holding.any():
        return np.zeros(len(codes), dtype=bool)
    last = len(values) - 1
    if holding[:last].all() and (holding[last] or (codes.min() >= 0 and codes.max() < last)):
        return np.ones(len(codes), dtype=bool)
    return holding.take(codes)


def occurring(cells: pd.Series) -> list[Any]:
    """The cells that stand in a column, those of categories once."""
    values, codes = distinct(cells)
    if codes is None:
        return values
    return [value for value, count in zip(values, _counts(codes, len(values)), strict=True) if count]


def _counts(codes: NDArray[np.integer[Any]], size: int) -> list[int]:
    """How often each of some values stands in a column."""
    counts = np.bincount(codes.astype(np.int64) + 1, minlength=size + 1)
    counts[-1] += counts[0]
    return list(counts[1:].tolist())


def counted(cells: pd.Series) -> dict[Any, int]:
    """How often each thing that is there stands in a column of things that have a hash."""
    values, codes = distinct(cells)
    counts = [1] * len(values) if codes is None else _counts(codes, len(values))
    found: dict[Any, int] = {}
    for value, count in zip(values, counts, strict=True):
        if is_filled(value) and count:
            found[value] = found.get(value, 0) + count
    return found


def written(cells: pd.Series) -> list[str]:
    """Every different text that stands in a column, once."""
    return list(dict.fromkeys(cell for cell in occurring(cells) if type(cell) is str))


def joined(pieces: Sequence[pd.Series]) -> pd.Series:
    """Columns below each other, as objects where they are not all held in one way."""
    if len(pieces) == 1:
        return pieces[0]
    if all(isinstance(piece.dtype, pd.CategoricalDtype) for piece in pieces):
        return pd.Series(union_categoricals(list(pieces)))
    held = all(isinstance(piece.dtype, pd.ArrowDtype) for piece in pieces)
    return pd.concat([piece if held else piece.astype(object) for piece in pieces], ignore_index=True)


def compact(cells: pd.Series) -> pd.Series:
    """A long column of text that repeats itself as categories, one of plain text as that; any other as objects."""
    if isinstance(cells.dtype, pd.CategoricalDtype) and len(cells.cat.categories) <= len(cells) * MOST_DIFFERENT:
        return cells
    encoded = plain.encoded(cells)
    if encoded is not None and len(encoded.dictionary) <= len(encoded) * MOST_DIFFERENT:
        return _categories(encoded, cells.index)
    text = _text(cells) if encoded is None else encoded.cast(pa.large_string())
    if text is None or len(text) < LONG:
        return cells.astype(object)
    if encoded is None and not plain.mostly_different(text, MOST_DIFFERENT):
        encoded = text.dictionary_encode()
        if len(encoded.dictionary) <= len(text) * MOST_DIFFERENT:
            return _categories(encoded, cells.index)
    ordinary = plain.without_blanks(text, BLANK)
    if plain.is_ordinary(ordinary):
        return pd.Series(pd.arrays.ArrowExtensionArray(ordinary), index=cells.index)
    return cells.astype(object)


def _categories(encoded: pa.DictionaryArray, index: pd.Index) -> pd.Series:
    kind = pd.CategoricalDtype(pd.Index(encoded.dictionary.to_pylist(), dtype=object))
    codes = pc.fill_null(encoded.indices, -1).to_numpy(zero_copy_only=False)
    return pd.Series(pd.Categorical.from_codes(codes, dtype=kind, validate=False), index=index)


def _text(cells: pd.Series) -> pa.Array | None:
    """A long column as Arrow text; ``None`` where it is short, or not all of it is text."""
    if len(cells) < LONG:
        return None
    if isinstance(cells.dtype, pd.StringDtype) or cells.dtype in (PLAIN, pd.ArrowDtype(pa.string())):
        return plain.held(cells)
    if pd.api.types.infer_dtype(cells, skipna=True) != "string":
        return None
    try:
        return pa.array(cells.to_numpy(dtype=object), type=pa.large_string(), from_pandas=True)
    except (pa.ArrowException, UnicodeError):
        return None


def listed(cells: pd.Series) -> list[Any]:
    """The cells of a column as a plain list, which is quicker to walk along than the column."""
    if is_plain(cells):
        return list(plain.held(cells).to_pylist())
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
    if is_plain(cells):
        text = plain.held(cells)
        if column.kind == "text" and column.name != "grind_setting":
            return Parsed(plain.as_words(text, cells.index), _NO_PROBLEMS)
        values = _in_one_go(column, text, reading)
        if values is not None:
            return _and_the_rest(values, cells, lambda cell: one(cell, column, reading), dtype)
    return each(cells, lambda cell: one(cell, column, reading), dtype)


def _in_one_go(column: Column, text: pa.Array, reading: Reading) -> NDArray[Any] | None:
    """What the plain numbers or dates of a column are worth, missing where one must be read with care."""
    if column.kind in ("date", "datetime"):
        days = plain.dates(text)
        days[(days < _FIRST_DAY) | (days >= _LAST_DAY)] = np.datetime64("NaT")
        return days.astype("datetime64[D]").astype("datetime64[us]") if column.kind == "date" else days
    usual = not (units.changes(column, reading.unit) or units.is_volume(column, reading.unit))
    if column.kind in ("number", "duration") and reading.decimal in ("", ".") and usual:
        values = plain.numbers(text)
        with np.errstate(invalid="ignore"):
            if column.low is not None:
                values[values <= column.low if column.low_open else values < column.low] = np.nan
            if column.high is not None:
                values[values > column.high] = np.nan
        return values
    return None


def _and_the_rest(values: NDArray[Any], cells: pd.Series, read: Callable[[Any], Any], dtype: str) -> Parsed:
    """Values read in one go, and one by one the filled cells that were not."""
    done = ~np.isnan(values)
    rest = np.flatnonzero(~done & cells.notna().to_numpy(dtype=bool)) if not done.all() else np.array([], dtype=int)
    if not rest.size:
        return Parsed(pd.Series(values, index=cells.index, dtype=dtype, copy=False), _NO_PROBLEMS, (), done)
    careful = each(cells.iloc[rest], read, dtype)
    values[rest] = careful.values.to_numpy()
    typed = pd.Series(values, index=cells.index, dtype=dtype, copy=False)
    return Parsed(typed, careful.problems, careful.taken, done)


def parse_one(column: Column, cell: Any, reading: Reading) -> Any:
    """One cell read by the kind of its column: a value, :class:`Taken` or :class:`Bad`."""
    return _KINDS[column.kind][0](cell, column, reading)


def each(cells: pd.Series, read: Callable[[Any], Any], dtype: str) -> Parsed:
    """Apply ``read`` to every filled cell, to equal ones once; it returns a value, :class:`Taken` or :class:`Bad`."""
    known: dict[Hashable, Any] = {}
    values: list[Any] = []
    told: dict[int, Bad | Taken] = {}
    different, codes = distinct(cells)
    rows = np.arange(len(cells)) if codes is None else codes
    for at, cell in enumerate(different):
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
        if isinstance(answer, (Bad, Taken)):
            told[at] = answer
            answer = answer.value if isinstance(answer, Taken) else None
        values.append(answer)
    bad: list[tuple[Any, str, str, str, bool]] = []
    taken: list[tuple[int, str, str]] = []
    for at in np.flatnonzero(np.isin(rows, list(told))).tolist() if told else ():
        row, cell, answer = cells.index[at], different[rows[at]], told[int(rows[at])]
        if isinstance(answer, Bad):
            bad.append((row, shown(cell), answer.reason, answer.do, answer.asked))
        else:
            taken.append((row, shown(cell), answer.how))
    problems = pd.DataFrame(bad, columns=list(PROBLEM_COLUMNS)).astype({"asked": bool})
    typed = pd.Series(values, dtype=dtype).array
    if codes is not None:
        typed = _by_value(values, codes) if dtype == "object" else typed.take(codes)
    return Parsed(pd.Series(typed, index=cells.index, copy=False), problems, tuple(taken))


def _by_value(values: Sequence[Hashable], codes: NDArray[np.integer[Any]]) -> pd.Categorical:
    """What stands in each row by its code, held by the different values."""
    known = {value: at for at, value in enumerate(dict.fromkeys(value for value in values if value is not None))}
    places = np.array([-1 if value is None else known[value] for value in values])
    kind = pd.CategoricalDtype(pd.Index(list(known), dtype=object))
    return pd.Categorical.from_codes(places[codes], dtype=kind, validate=False)


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


def number(cell: Any, column: Column, reading: Reading) -> float | Taken | Bad:
    """A number in the canonical unit, inside the physical limits of its column; about one, or the middle of a range."""
    said = hedged(cell) if isinstance(cell, str) else None
    return _plain_number(cell, column, reading) if said is None else _unsure(said, column, reading, _plain_number)


def integer(cell: Any, column: Column, reading: Reading) -> float | Taken | Bad:
    """A whole number."""
    answer = number(cell, column, reading)
    if isinstance(answer, Bad) or (answer.value if isinstance(answer, Taken) else answer).is_integer():
        return answer
    return Bad("it is not a whole number", "write a whole number, for example 2")


def duration(cell: Any, column: Column, reading: Reading) -> float | Taken | Bad:
    """Seconds: 27, 27.5, 27,5, 27s, 0:27, 1 min 5 s; about so many, or the middle of a range. A spreadsheet's 0:27 is
    asked about.
    """
    said = hedged(cell) if isinstance(cell, str) else None
    return _plain_duration(cell, column, reading) if said is None else _unsure(said, column, reading, _plain_duration)


def _plain_number(cell: Any, column: Column, reading: Reading) -> float | Taken | Bad:
    value = _raw_number(cell, column, reading)
    within = value if isinstance(value, Bad) else _within(value, column)
    if isinstance(within, Bad) or not isinstance(cell, str):
        return within
    _, unit = numbers.split_unit(cell) or ("", "")
    return Taken(within, "converted") if unit and units.changes(column, unit) else within


def _plain_duration(cell: Any, column: Column, reading: Reading) -> float | Taken | Bad:
    clock = units.tidy(reading.unit) if units.tidy(reading.unit) in units.CLOCK_UNITS else ""
    try:
        total = durations.elapsed_s(cell)
        if total is not None:
            return _within(durations.from_spreadsheet(total, clock), column)
        value = durations.from_text(cell, clock) if isinstance(cell, str) else None
    except durations.TwoMeaningsError as doubt:
        return _minutes_or_seconds(doubt.args[0], column)
    if value is not None:
        return _within(value, column)
    return _plain_number(cell, column, reading)


def _unsure(
    said: Hedged, column: Column, reading: Reading, read: Callable[[Any, Column, Reading], float | Taken | Bad]
) -> Taken | Bad:
    """What a cell is worth whose owner did not write one plain number."""
    like = f"write one number{f' in {column.unit}' if column.unit else ''}, for example {_example(column)}"
    if said.how == "missing":
        return Bad(NOBODY_MEASURED, "nothing, or measure it next time")
    if said.how == "error":
        return Bad("its formula has no answer", f"mend the formula in the spreadsheet and save it again, or {like}")
    if said.how == "ratio":
        do = "write what the scale showed; a ratio that was aimed for may stand in target_beverage_g"
        return Bad(f"it is a ratio, 1:{said.numbers[0]}, not {_measured(column)}", do, True)
    if said.how == "bound":
        do = f"{like}; for a shot stopped because hardly anything came, write its outcome: choked"
        return Bad(f"it says only that it was {said.side} {said.numbers[0]}", do)
    if said.how == "several":
        return Bad("it holds several numbers", "give each a column of its own", True)
    ends = [read(number, column, reading) for number in said.numbers]
    for end in ends:
        if isinstance(end, Bad):
            return end
    numbers_ = [end.value if isinstance(end, Taken) else end for end in ends if not isinstance(end, Bad)]
    if said.how == "about":
        return Taken(numbers_[0], "about")
    low, high = numbers_
    if not low < high:
        return Bad("it is a range that does not rise, or two numbers", like, True)
    if high - low > FURTHEST_APART * (low + high) / 2 and column.kind != "score":
        return Bad(f"it may be a range or two numbers, {low:g} and {high:g}", like, True)
    return Taken((low + high) / 2, "range")


def _measured(column: Column) -> str:
    return {"g": "a weight", "s": "a time", "C": "a temperature", "bar": "a pressure"}.get(column.unit, "one number")


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
    if not _FIRST_YEAR <= when.year <= _LAST_YEAR:
        return Bad(f"the year {when.year} cannot be right", "write it as 2026-03-31, or 2026-03-31 14:05")
    return when


def _raw_number(cell: Any, column: Column, reading: Reading) -> float | Bad:
    like = f"write a plain number{f' in {column.unit}' if column.unit else ''}, for example {_example(column)}"
    if isinstance(cell, (bool, np.bool_, complex, dt.date, dt.time, dt.timedelta)):
        if isinstance(cell, (dt.date, dt.time, dt.timedelta)):
            return Bad(f"the spreadsheet made {_kind_of(cell)} of it", f"{like}, in a cell formatted as number", True)
        return Bad(f"it is {_kind_of(cell)}, not a number", like)
    if isinstance(cell, (abc_numbers.Number, np.number)):
        if units.is_volume(column, reading.unit):
            return _volume(shown(cell), reading.unit)
        return _finite(cell, column, reading.unit, like)
    if not isinstance(cell, str):
        return Bad(f"it is {_kind_of(cell)}, not a number", like)
    parts = numbers.split_unit(cell)
    if parts is None:
        return Bad("it is not a number", like)
    written, unit = parts
    if units.is_volume(column, unit or reading.unit):
        return _volume(written, unit or reading.unit)
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


def _volume(written: str, unit: str) -> Bad:
    do = "weigh the drink: nothing here turns volume into weight, because foam weighs next to nothing"
    return Bad(f"it is a volume, {written} {unit}, not a weight", do)


def _within(value: float, column: Column) -> float | Bad:
    low, high = column.low, column.high
    too_low = low is not None and (value < low or (column.low_open and value <= low))
    if not too_low and (high is None or value <= high):
        return value
    unit = f" {column.unit}" if column.unit else ""
    least = f"{'more than' if column.low_open else 'at least'} {low:g}" if low is not None else ""
    most = f"at most {high:g}" if high is not None else ""
    do = "correct it from the scale, meter or paper, or leave it empty"
    for other, says in _OTHER_UNITS.get(column.unit, ()):
        converted = units.convert(value, column, other)
        if (low is None or converted > low) and (high is None or converted <= high):
            do = f"if it is in {says}, write {value:g} {says} or set its unit under [source.units]; else {do}"
            break
    return Bad(f"{value:g}{unit} is impossible: {' and '.join(filter(None, (least, most)))}{unit}", do)


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

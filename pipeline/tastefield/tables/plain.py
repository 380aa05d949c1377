"""Plain text: long columns of ordinary ASCII cells as Arrow arrays, and what can be read of them column by column.

Whatever is not told here in one go is left to the careful reading of one cell at a time in
:mod:`tastefield.tables.cells`; a property test holds both to the same answers.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from tastefield.tables.dates import ISO

STR = pd.StringDtype(na_value=np.nan)
_NUMBER = r"^[0-9]{1,9}(?:\.[0-9]{1,9})?$"
_DATE_LENGTHS = pa.array([10, 16, 19], pa.int32())
"""Lengths of 2026-03-31, 2026-03-31 14:05 and 2026-03-31 14:05:07; no other day that Arrow reads is as long."""
_SAMPLE = 10_000
_MARKED_BYTES = 64
_FIRST_BYTES = np.array([(1 << 8 * count) - 1 for count in range(9)], np.uint64)
_ODD = np.uint64(0x9E3779B97F4A7C15)
"""2^64 over the golden ratio, made odd: multiplying by it spreads what differs over all bits (Knuth, vol. 3, 6.4)."""


def held(cells: pd.Series) -> pa.Array:
    """The text of a column of an Arrow string type, as one array of large strings."""
    text = pa.array(cells.array)
    whole = text.combine_chunks() if isinstance(text, pa.ChunkedArray) else text
    return whole if whole.type == pa.large_string() else whole.cast(pa.large_string())


def encoded(cells: pd.Series) -> pa.DictionaryArray | None:
    """A column of text that Arrow holds by its different cells, as one array; ``None`` where it is held otherwise."""
    kind = cells.dtype.pyarrow_dtype if isinstance(cells.dtype, pd.ArrowDtype) else None
    if kind is None or not pa.types.is_dictionary(kind) or kind.value_type not in (pa.string(), pa.large_string()):
        return None
    text = pa.array(cells.array)
    return text.unify_dictionaries().combine_chunks() if isinstance(text, pa.ChunkedArray) else text


def as_words(text: pa.Array, index: pd.Index) -> pd.Series:
    """An array of text as a column of pandas' own text, without a copy."""
    return pd.Series(STR.__from_arrow__(text), index=index, copy=False)  # type: ignore[attr-defined]


def missing(index: pd.Index) -> pd.Series:
    """A column of pandas' own text in which nothing stands."""
    return as_words(pa.nulls(len(index), pa.large_string()), index)


def repeated(word: str, index: pd.Index) -> pd.Series:
    """One word in every row."""
    letters = np.frombuffer(word.encode(), np.uint8)
    offsets = np.arange(len(index) + 1, dtype=np.int64) * len(letters)
    data = pa.py_buffer(np.tile(letters, len(index)))
    return as_words(pa.LargeStringArray.from_buffers(len(index), pa.py_buffer(offsets), data), index)


def mostly_different(text: pa.Array, most: float) -> bool:
    """Whether of the first cells more than a share differ."""
    first = text[:_SAMPLE]
    return len(first) > 0 and len(first.unique()) > most * len(first)


def shortest(text: pa.Array) -> float:
    """Bytes of the shortest cell; infinite where there is none."""
    least = pc.min(pc.binary_length(text)).as_py()
    return np.inf if least is None else float(least)


def without_blanks(text: pa.Array, blank: Iterable[str]) -> pa.Array:
    """Text with cells of some lower-case words made missing."""
    words = sorted(blank)
    short = np.flatnonzero(_mask(pc.less_equal(pc.binary_length(text), max(len(word.encode()) for word in words))))
    empty = short[_mask(pc.is_in(pc.utf8_lower(text.take(short)), pa.array(words, pa.large_string())))]
    if not empty.size:
        return text
    filled = np.ones(len(text), dtype=bool)
    filled[empty] = False
    return pc.if_else(filled, text, pa.scalar(None, pa.large_string()))


def is_ordinary(text: pa.Array) -> bool:
    """Whether every cell is printable ASCII without spaces but single ones between words."""
    _, data = _bytes(text)
    if data.size and (data.min() < ord(" ") or data.max() > ord("~")):
        return False
    spaces = data == ord(" ")
    if not spaces.any():
        return True
    first, last = ends(text)
    if (first == ord(" ")).any() or (last == ord(" ")).any():
        return False
    return not (spaces[1:] & spaces[:-1]).any()  # no cell begins or ends with one: two are of the same cell


def each_once(words: pd.Series) -> bool:
    """Whether every row of a column of ordinary text has a word of its own."""
    text = held(words)
    if text.null_count or not len(text):
        return not text.null_count
    lengths = pc.binary_length(text)
    before, after = lengths[:-1], lengths[1:]
    rise = pc.less(text[:-1], text[1:])
    if pc.all(pc.or_(pc.less(before, after), pc.and_(pc.equal(before, after), rise)), min_count=0).as_py():
        return True  # s9, s10: a counter
    if pc.all(rise, min_count=0).as_py():
        return True
    marks = np.sort(_marks(text))
    return not (marks[1:] == marks[:-1]).any() or len(text.unique()) == len(text)


def _marks(text: pa.Array) -> NDArray[np.uint64]:
    """A number for each cell of ordinary text: equal for equal cells, hardly ever for others, and quick to sort."""
    offsets, data = _bytes(text)
    starts, lengths, data = offsets[:-1], np.diff(offsets), np.append(data, np.zeros(8, np.uint8))
    eights = np.ndarray(len(data) - 7, "<u8", data, strides=(1,))
    marks = np.zeros(len(text), np.uint64)
    for at in range(0, min(int(lengths.max()), _MARKED_BYTES), 8):
        left = np.clip(lengths - at, 0, 8)
        marks ^= eights[np.where(left > 0, starts + at, 0)] & _FIRST_BYTES[left]
        marks *= _ODD
        marks ^= marks >> np.uint64(32)
    return marks


def _bytes(text: pa.Array) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Where each cell begins in the bytes of all, and the last ends; and these bytes."""
    _, offsets_, data_ = text.buffers()
    offsets = np.frombuffer(offsets_, np.int64)[text.offset : text.offset + len(text) + 1]
    data = np.frombuffer(data_ or b"", np.uint8)[offsets[0] : offsets[-1]]
    return offsets - offsets[0], data


def ends(text: pa.Array) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """First and last byte of each cell, 0 where it is empty."""
    offsets, data = _bytes(text)
    starts, stops = offsets[:-1], offsets[1:]
    some = starts < stops
    if some.all():
        return data[starts], data[stops - 1]
    first, last = np.zeros(len(text), np.uint8), np.zeros(len(text), np.uint8)
    first[some], last[some] = data[starts[some]], data[stops[some] - 1]
    return first, last


def among(words: pd.Series, known: pd.Series) -> NDArray[np.bool_]:
    """Which words of a column of pandas' own text stand in another."""
    return _mask(pc.is_in(held(words), held(known)))


def all_among(words: pd.Series, known: pd.Series) -> bool:
    """Whether every word of a column of pandas' own text stands in another."""
    text, there = held(words), held(known)
    if text.equals(there):
        return True
    return bool(pc.all(pc.is_in(text.drop_null(), there), min_count=0).as_py())


def numbers(text: pa.Array) -> NDArray[np.float64]:
    """The cells that are digits with at most one point between them; NaN elsewhere."""
    return _floats(_only(text, pc.match_substring_regex(text, _NUMBER)).cast(pa.float64()))


def are_numbers(text: pa.Array) -> NDArray[np.bool_]:
    """Which cells :func:`numbers` reads."""
    return _mask(pc.match_substring_regex(text, _NUMBER))


def dates(text: pa.Array) -> NDArray[np.datetime64]:
    """The cells that are a day such as 2026-03-31, or a day and a time such as 2026-03-31 14:05; NaT elsewhere."""
    written = _only(text, pc.is_in(pc.cast(pc.binary_length(text), pa.int32()), _DATE_LENGTHS))
    try:
        found = written.cast(pa.timestamp("us")).to_numpy(zero_copy_only=False)
    except pa.ArrowInvalid:
        words = _only(text, pc.match_substring_regex(text, f"^(?:{ISO})$"))
        days = as_words(words, pd.RangeIndex(len(words)))
        found = pd.to_datetime(days, format="ISO8601", errors="coerce").to_numpy("datetime64[us]")
    return np.array(found, "datetime64[us]")


def shapes(text: pa.Array) -> list[str]:
    """Every different cell with each digit but 0 made a 1: enough to tell how numbers are written."""
    return [shape for shape in pc.replace_substring_regex(text, "[1-9]", "1").unique().to_pylist() if shape is not None]


def _only(text: pa.Array, mask: pa.Array) -> pa.Array:
    return text if pc.all(mask, min_count=0).as_py() else pc.if_else(mask, text, pa.scalar(None, pa.large_string()))


def _floats(values: pa.Array) -> NDArray[np.float64]:
    return np.array(pc.fill_null(values, np.nan).to_numpy(zero_copy_only=False))


def _mask(values: pa.Array) -> NDArray[np.bool_]:
    return np.array(pc.fill_null(values, False).to_numpy(zero_copy_only=False), dtype=bool)

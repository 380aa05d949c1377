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


def held(cells: pd.Series) -> pa.Array:
    """The text of a column of an Arrow string type, as one array of large strings."""
    text = pa.array(cells.array)
    whole = text.combine_chunks() if isinstance(text, pa.ChunkedArray) else text
    return whole if whole.type == pa.large_string() else whole.cast(pa.large_string())


def as_words(text: pa.Array, index: pd.Index) -> pd.Series:
    """An array of text as a column of pandas' own text, without a copy."""
    return pd.Series(STR.__from_arrow__(text), index=index)  # type: ignore[attr-defined]


def repeated(word: str, index: pd.Index) -> pd.Series:
    """One word in every row."""
    return as_words(pa.repeat(pa.scalar(word, pa.large_string()), len(index)), index)


def mostly_different(text: pa.Array, most: float) -> bool:
    """Whether of the first cells more than a share differ."""
    first = text[:_SAMPLE]
    return len(first) > 0 and len(first.unique()) > most * len(first)


def without_blanks(text: pa.Array, blank: Iterable[str]) -> pa.Array:
    """Text with cells of some lower-case words made missing."""
    words = sorted(blank)
    shortest = pc.min(pc.binary_length(text)).as_py()
    if shortest is None or shortest > max(len(word.encode()) for word in words):
        return text
    empty = pc.is_in(pc.utf8_lower(text), pa.array(words, pa.large_string()))
    return pc.if_else(empty, pa.scalar(None, pa.large_string()), text) if pc.any(empty).as_py() else text


def is_ordinary(text: pa.Array) -> bool:
    """Whether every cell is printable ASCII without spaces but single ones between words."""
    _, offsets_, data_ = text.buffers()
    if not len(text) or data_ is None:
        return True
    offsets = np.frombuffer(offsets_, np.int64)[text.offset : text.offset + len(text) + 1]
    data = np.frombuffer(data_, np.uint8)[offsets[0] : offsets[-1]]
    if not data.size:
        return True
    if data.min() < ord(" ") or data.max() > ord("~"):
        return False
    space = data == ord(" ")
    if not space.any():
        return True
    ends = offsets - offsets[0]
    some = ends[1:] > ends[:-1]
    at_an_end = space[ends[:-1][some]].any() or space[ends[1:][some] - 1].any()
    return not at_an_end and not (space[1:] & space[:-1]).any()


def each_once(words: pd.Series) -> bool:
    """Whether every row of a column of pandas' own text has a word of its own."""
    text = held(words)
    return not text.null_count and len(text.unique()) == len(text)


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

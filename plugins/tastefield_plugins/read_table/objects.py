"""Tables that name the column of every cell: JSON, one object a line, and Parquet."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import pandas as pd

from tastefield.errors import ReadError
from tastefield.tables.text import LONGEST_CELL
from tastefield.tables.unpacked import BROKEN
from tastefield_plugins.read_table.packed import Opener
from tastefield_plugins.read_table.text import torn

MOST_PARQUET_CELLS = 200_000_000
"""Most cells of a Parquet file: a few bytes can stand for a billion equal rows."""


def json_lines(place: str, opened: Opener, size: int) -> Iterator[pd.DataFrame]:
    """The objects of a file, each under the number of its line, ``size`` lines at a time; a blank line has no cells.

    :raises ReadError: a line is no object, or names a key twice.
    """
    number, seen = 0, False
    try:
        with opened() as stream, io.TextIOWrapper(stream, "utf-8-sig") as text:
            while lines := list(islice(_lines(text, place), size)):
                rows = [_object(line, place, number + at) for at, line in enumerate(lines, start=1)]
                seen = seen or any(rows)
                headings = list(dict.fromkeys(name for row in rows for name in row))
                cells = {name: [row.get(name) for row in rows] for name in headings}
                index = range(number + 1, number + 1 + len(rows))
                yield pd.DataFrame(cells, columns=headings, index=index, dtype=object).rename(columns=_named)
                number += len(lines)
    except BROKEN as error:
        raise torn(place, error) from error
    except UnicodeError as error:
        raise ReadError(place, f"it is not UTF-8 text ({error})", "export it again as UTF-8") from error
    if not seen:
        raise ReadError(place, "no line holds a cell", "write one object a line, or take the file out of path")


def _lines(text: io.TextIOWrapper, place: str) -> Iterator[str]:
    while line := text.readline(20 * LONGEST_CELL):
        if len(line) >= 20 * LONGEST_CELL:
            raise ReadError(place, f"a line is longer than {len(line)} characters", "write one object a line")
        yield line


def _object(line: str, place: str, number: int) -> dict[str, Any]:
    if not line.strip():
        return {}
    do = 'write one object a line, for example {"machine": "A", "dose": 18.2}'
    twice: list[str] = []

    def pairs(found: list[tuple[str, Any]]) -> dict[str, Any]:
        named = dict(found)
        if len(named) < len(found):
            twice.extend(name for name, _ in found if [one for one, _ in found].count(name) > 1)
        return named

    try:
        row = json.loads(line, object_pairs_hook=pairs)
    except (ValueError, RecursionError) as error:
        raise ReadError(place, f"line {number} is no JSON ({error})", do) from error
    if not isinstance(row, dict):
        raise ReadError(place, f"line {number} holds no object but a {type(row).__name__}", do)
    if twice:
        raise ReadError(place, f'line {number} names "{twice[0]}" twice', "give every value a name of its own")
    if any(isinstance(cell, str) and len(cell) > LONGEST_CELL for cell in row.values()):
        raise ReadError(place, f"a cell of line {number} is longer than {LONGEST_CELL} characters", "shorten it")
    return row


def _named(heading: str) -> str:
    return heading if heading.strip() else "(no heading)"


def parquet(file: Path, place: str, size: int) -> Iterator[pd.DataFrame]:
    """The rows of a Parquet file, counted from 1, ``size`` at a time.

    :raises ReadError: it is none, is broken, or holds too much.
    """
    import pyarrow as pa
    from pyarrow import parquet as pq

    number = 1
    try:
        with pq.ParquetFile(file) as stored:
            held = stored.metadata.num_rows * max(stored.metadata.num_columns, 1)
            if held > MOST_PARQUET_CELLS:
                why = f"it holds {held} cells, and at most {MOST_PARQUET_CELLS} are read"
                raise ReadError(place, why, "split it into several files")
            for batch in stored.iter_batches(batch_size=size):
                rows = batch.to_pandas(
                    date_as_object=True,
                    timestamp_as_object=True,
                    integer_object_nulls=True,
                    ignore_metadata=True,  # which would hide a column as an index
                )
                rows = rows.reset_index(drop=True).astype(object)
                rows.index = pd.RangeIndex(number, number + len(rows))
                number += len(rows)
                yield rows
    except (pa.ArrowException, OSError, ValueError, TypeError, OverflowError) as error:
        if isinstance(error, FileNotFoundError | PermissionError):
            raise torn(place, error) from error
        raise ReadError(place, f"it is no Parquet file that can be read ({error})", "write it again") from error

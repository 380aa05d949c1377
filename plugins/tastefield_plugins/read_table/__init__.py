"""Reader ``table``: text, workbooks, JSON lines and Parquet, packed or not; cells as they stand, rows as counted."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, islice
from pathlib import Path, PurePath

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, field_validator

import tastefield
from tastefield.errors import ReadError
from tastefield.hooks import Chunk, Context, Reader
from tastefield.tables.cells import filled, is_filled
from tastefield.tables.grid import Row, places
from tastefield.tables.text import Encoding
from tastefield.words.findings import finding
from tastefield_plugins.read_table.header import Header, heading_row
from tastefield_plugins.read_table.objects import json_lines, parquet
from tastefield_plugins.read_table.packed import PACKINGS, Opener, contents
from tastefield_plugins.read_table.text import TextTable, Uneven, blocks, repeats, text_table
from tastefield_plugins.read_table.workbook import sheets

CHUNK_ROWS = 50_000
"""Rows handed on at once."""
MOST_ABOVE = 10_000
"""Rows among which the headings are looked for."""
SAMPLE_ROWS = 2_000
"""Rows that tell whether the cells of a column repeat themselves."""
_TEXT, _LINES, _WHOLE = (".csv", ".tsv", ".txt"), (".jsonl", ".ndjson"), (".xlsx", ".parquet")
_ENDINGS = (*_TEXT, *_LINES, *_WHOLE, *(kind + packing for kind in (*_TEXT, *_LINES) for packing in PACKINGS), ".zip")


class TableOptions(BaseModel):
    """Keys of a ``[[source]]`` read as a table."""

    model_config = ConfigDict(extra="forbid")

    sheet: str = Field(
        default="", description="sheet of a workbook, * allowed; the first, or the first that looks like a log"
    )
    separator: str = Field(default="", max_length=3, description='sign between cells of a text file; "tab"; found out')
    encoding: Encoding = "cp1252"
    header_row: int | None = Field(default=None, ge=1, description="row of the headings; found out")

    @field_validator("separator")
    @classmethod
    def _one_sign(cls, value: str) -> str:
        value = "\t" if value == "tab" else value
        if len(value) > 1 or value in ('"', "\n", "\r"):
            raise ValueError('it should be one sign, such as ";", or "tab"')
        return value


class TableReader(Reader):
    """Reads text tables, workbooks, JSON lines and Parquet."""

    name = "table"
    suffixes = _ENDINGS
    Options = TableOptions

    def read(self, files: Sequence[Path], ctx: Context) -> Iterable[Chunk]:
        """Yield the rows of each file, sheet or packed file, at most ``CHUNK_ROWS`` at once."""
        options = ctx.options
        assert isinstance(options, TableOptions)
        for file, place in zip(files, places(files), strict=True):
            suffix = file.suffix.lower()
            if suffix == ".xlsx":
                for sheet, rows in sheets(file, place, options.sheet, options.header_row, ctx):
                    yield from _by_rows(iter(rows), f"{place}, sheet {sheet}", options, ctx)
            elif suffix == ".parquet":
                yield from _named_already(parquet(file, place, CHUNK_ROWS), place, ctx)
            else:
                for inner, name, opened in contents(file, place):
                    yield from _packed(inner, PurePath(name).suffix.lower(), opened, options, ctx)


@tastefield.hookimpl
def tastefield_readers() -> list[Reader]:
    """The one reader of this file."""
    return [TableReader()]


def _packed(place: str, suffix: str, opened: Opener, options: TableOptions, ctx: Context) -> Iterator[Chunk]:
    """The rows of a text file, or of one of the files in a packed one."""
    if suffix in _LINES:
        yield from _named_already(json_lines(place, opened, CHUNK_ROWS), place, ctx)
    elif suffix in (*_WHOLE, *PACKINGS, ".zip"):
        raise ReadError(place, f"a {suffix} file in a packed file is not read", "unpack it, and name it in path")
    else:
        table = text_table(place, opened, suffix, options.separator, options.encoding)
        yield from _by_rows(table.rows(), place, options, ctx, table)


def _named_already(frames: Iterator[pd.DataFrame], place: str, ctx: Context) -> Iterator[Chunk]:
    """Rows of tables whose columns have names; one that stands there twice is given a number."""
    told = False
    for frame in frames:
        header = Header([str(heading) if str(heading).strip() else "(no heading)" for heading in frame.columns])
        if header.twice and not told:
            _tell_twice(header, place, ctx)
            told = True
        yield Chunk(frame.set_axis([header.name(at) for at in range(frame.shape[1])], axis=1), place)


def _by_rows(
    rows: Iterator[Row], place: str, options: TableOptions, ctx: Context, table: TextTable | None = None
) -> Iterator[Chunk]:
    """Cut off what stands above the headings, name the columns and hand on what stands below."""
    head = list(islice(rows, MOST_ABOVE))
    at = _header(head, place, options)
    header = Header(head[at])
    above = sum(any(is_filled(cell) for cell in row) for row in head[:at])
    if above:
        ctx.note(finding("rows_above_headings", {"place": place}, count=above, row=at + 1))
    if header.twice:
        _tell_twice(header, place, ctx)
    done = first = at + 1
    one_line = not any(sign in cell for row in head[:done] for cell in row for sign in "\r\n" if type(cell) is str)
    if table is not None and table.may_be_fast and one_line and all(map(header.has, range(len(head[at])))):
        some = head[done : done + SAMPLE_ROWS]
        repeating = [repeats(row[at] for row in some if at < len(row)) for at in range(len(header.named))]
        head = []
        try:
            for frame in table.columns(done, repeating):
                columns = [header.name(number) for number in range(frame.shape[1])]
                frame.index = pd.RangeIndex(done + 1, done + 1 + len(frame))
                done += len(frame)
                yield Chunk(frame.set_axis(columns, axis=1), place)
            rows = iter(())
        except Uneven:
            rows = islice(table.rows(), done, None)
    for block in blocks(chain(head[first:], rows), CHUNK_ROWS):
        yield Chunk(_frame(block, header, done + 1), place)
        done += len(block)
    if done == first:
        yield Chunk(_frame([], header, done + 1), place)


def _frame(body: list[Row], header: Header, first: int) -> pd.DataFrame:
    """Rows as a frame; a column without a heading is left out where nothing in it is filled."""
    width = max((len(header.named), *map(len, body)))
    padded = [row + [None] * (width - len(row)) for row in body]
    frame = pd.DataFrame(padded, columns=range(width), index=range(first, first + len(body)), dtype=object)
    there = [bool(column.any()) for column in filled(frame).T]
    keep = [number for number in range(width) if header.has(number) or there[number]]
    return frame[keep].set_axis([header.name(number) for number in keep], axis=1)


def _tell_twice(header: Header, place: str, ctx: Context) -> None:
    listed = ", ".join(f'"{name}"' for name in dict.fromkeys(header.twice))
    ctx.note(finding("headings_twice", {"place": place}, list=listed))


def _header(rows: list[Row], place: str, options: TableOptions) -> int:
    if options.header_row is not None:
        if options.header_row <= len(rows) and any(is_filled(cell) for cell in rows[options.header_row - 1]):
            return options.header_row - 1
        raise ReadError(place, f"row {options.header_row} is empty", "set header_row to the row of the headings")
    found = heading_row(rows)
    if found is not None:
        return found
    if not any(is_filled(cell) for row in rows for cell in row):
        raise ReadError(place, "no cell is filled", "write headings, and below them a row for each shot")
    do = "put a heading above every column, or set header_row; if all stands in one column, set separator"
    raise ReadError(place, "no row has two headings", do)

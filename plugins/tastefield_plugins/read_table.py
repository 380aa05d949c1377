"""Reader ``table``: CSV, TSV and XLSX, every cell as it stands, with the row numbers a spreadsheet shows."""

from __future__ import annotations

import codecs
import csv
import fnmatch
import functools
import io
import re
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import IO, Any

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, field_validator

import tastefield
from tastefield.errors import ReadError
from tastefield.hooks import Chunk, Context, Reader
from tastefield.tables.cells import is_filled, shown
from tastefield.tables.headings import understand
from tastefield.tables.numbers import split_unit
from tastefield.tables.text import decode, sniff_separator
from tastefield.words.columns import TABLES
from tastefield.words.findings import finding

Row = list[Any]
_NOT_TEXT = 'export it again as CSV in UTF-8 from the program that made it; if it is text, set encoding = "..."'
MOST_CELLS = 5_000_000
"""Most cells of a sheet, counted from A1 to its last filled row and column; more would not fit into memory."""
_FILLED = re.compile(rb'<(?:\w+:)?c\s(?:[^>]*\s)?r="([A-Z]{1,3})([0-9]{1,7})"[^>]*(?<!/)>')
_RECORDS = (
    {"dose_g", "machine"},
    {"dose_g", "coffee"},
    {"dose_g", "beverage_g"},
    {"dose_g", "shot_time_s"},
    {"shot_id", "score"},
    {"shot_id", "tds_pct"},
    {"t_s", "mass_g"},
    {"check", "value"},
)
"""Columns that make a sheet one of records."""
_ENDINGS = (".csv", ".tsv", ".txt", ".xlsx")
csv.field_size_limit(10_000_000)


class TableOptions(BaseModel):
    """Keys of a ``[[source]]`` read as a table."""

    model_config = ConfigDict(extra="forbid")

    sheet: str = Field(
        default="", description="sheet of a workbook, * allowed; the first, or the first that looks like a log"
    )
    separator: str = Field(default="", max_length=3, description='sign between cells of a text file; "tab"; found out')
    encoding: str = Field(default="cp1252", description="of text that has no mark and is not UTF-8")
    header_row: int | None = Field(default=None, ge=1, description="row of the headings; found out")

    @field_validator("encoding")
    @classmethod
    def _known(cls, value: str) -> str:
        try:
            codecs.lookup(value)
        except LookupError as error:
            raise ValueError("no such encoding; common are cp1252, utf-8, latin-1, mac-roman") from error
        return value

    @field_validator("separator")
    @classmethod
    def _one_sign(cls, value: str) -> str:
        value = "\t" if value == "tab" else value
        if len(value) > 1 or value in ('"', "\n", "\r"):
            raise ValueError('it should be one sign, such as ";", or "tab"')
        return value


class TableReader(Reader):
    """Reads text tables and workbooks."""

    name = "table"
    suffixes = _ENDINGS
    Options = TableOptions

    def read(self, files: Sequence[Path], ctx: Context) -> Iterable[Chunk]:
        """Yield one chunk for each file, or for each wanted sheet of a workbook."""
        options = ctx.options
        assert isinstance(options, TableOptions)
        for file, place in zip(files, _places(files), strict=True):
            if file.suffix.lower() == ".xlsx":
                for sheet, rows in _sheets(file, place, options, ctx):
                    yield _chunk(rows, f"{place}, sheet {sheet}", options, ctx)
            else:
                yield _chunk(_lines(file, place, options), place, options, ctx)


@tastefield.hookimpl
def tastefield_readers() -> list[Reader]:
    """The one reader of this file."""
    return [TableReader()]


def _places(files: Sequence[Path]) -> list[str]:
    """File names; with as much of the folder before them as tells them apart."""
    for depth in range(1, 32):
        names = ["/".join(file.parts[-depth:]) for file in files]
        if len(set(names)) == len(names):
            break
    return names if files else []


def _bytes(file: Path, place: str) -> bytes:
    try:
        data = file.read_bytes()
    except OSError as error:
        raise ReadError(place, str(error.strerror or error), "check that the file exists and may be read") from error
    if not data.strip():
        raise ReadError(place, "the file is empty", "export it again, or take it out of path")
    return data


def _lines(file: Path, place: str, options: TableOptions) -> list[Row]:
    """Every record of a text file; a blank line is a record without cells."""
    data = _bytes(file, place)
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise ReadError(place, "it is a workbook, not text", "rename it to end in .xlsx, or save it as CSV")
    try:
        text, _ = decode(data, options.encoding)
    except UnicodeDecodeError as error:
        why = f"it is not text: byte {error.start + 1} is no character in UTF-8 or in {options.encoding}"
        raise ReadError(place, why, _NOT_TEXT) from error
    if "\0" in text:
        raise ReadError(place, f"it is not text: sign {text.index(chr(0)) + 1} is a zero byte", _NOT_TEXT)
    separator = options.separator or ("\t" if file.suffix.lower() == ".tsv" else sniff_separator(text))
    first, _, rest = text.partition("\n")
    if first.strip().lower().startswith("sep=") and len(first.strip()) == 5:  # a line some spreadsheets put on top
        separator, text = first.strip()[4], "\n" + rest
    records: list[Row] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        records.extend(reader)
    except csv.Error as error:
        why = f"the quotes around a cell are not closed properly near row {len(records) + 1} ({error})"
        raise ReadError(place, why, 'write every " inside a quoted cell twice, or remove it') from error
    return records


def _sheets(file: Path, place: str, options: TableOptions, ctx: Context) -> Iterator[tuple[str, list[Row]]]:
    """Every wanted sheet with all its rows, the first of the sheet first."""
    import python_calamine as calamine

    _bytes(file, place)
    _refuse_vast(file, place)
    try:
        book = calamine.load_workbook(str(file))
    except calamine.PasswordError as error:
        raise ReadError(place, "it is protected by a password", "save it without one") from error
    except (calamine.CalamineError, OSError) as error:
        raise ReadError(place, f"it is no workbook ({error})", "open it and save it as .xlsx again") from error
    wanted = [name for name in book.sheet_names if not options.sheet or fnmatch.fnmatchcase(name, options.sheet)]
    if options.sheet in book.sheet_names:
        wanted = [options.sheet]
    if not wanted:
        listed = ", ".join(f'"{name}"' for name in book.sheet_names)
        raise ReadError(place, f'it has no sheet "{options.sheet}"', f"its sheets are {listed}")
    found: dict[str, list[Row]] = {}
    for name in wanted:
        try:
            rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        except (calamine.CalamineError, ValueError) as error:
            if options.sheet:
                raise ReadError(f"{place}, sheet {name}", str(error), "save the workbook again") from error
            continue
        if any(is_filled(cell) for row in rows for cell in row):
            found[name] = rows
    if not found:
        raise ReadError(place, "no cell is filled", "fill it in, or name another sheet")
    if options.sheet:
        yield from found.items()
        return
    chosen = _chosen(found, place, options)
    others = [name for name in found if name != chosen]
    if others:
        code = "sheets_not_read" if chosen == next(iter(found)) else "sheet_found"
        ctx.note(finding(code, {"place": place}, sheet=chosen, others=", ".join(others)))
    yield chosen, found[chosen]


def _refuse_vast(file: Path, place: str) -> None:
    """Refuse a workbook with a sheet too vast to be held: one stray cell far out makes the whole sheet that large.

    The filled cells themselves are looked at, because the area that a sheet claims counts cells with nothing but a
    format.
    """
    try:
        with zipfile.ZipFile(file) as package:
            for part in package.namelist():
                if part.startswith("xl/worksheets/") and part.endswith(".xml"):
                    with package.open(part) as stream:
                        far = _too_far(stream)
                    if far:
                        why = f"a sheet is filled as far as {far}, and at most {MOST_CELLS} cells can be held"
                        raise ReadError(place, why, "delete what stands far from the table, or save the log on its own")
    except (zipfile.BadZipFile, OSError, EOFError):
        return  # told better where it is opened as a workbook


def _too_far(stream: IO[bytes]) -> str:
    """The last row and column of a sheet as the name of a cell, once they span too many cells; else empty."""
    last, rows, rest = "A", 0, b""
    while block := stream.read(1 << 20):
        text = rest + block
        end = text.rfind(b">") + 1
        found = _FILLED.findall(text, 0, end)
        last = max([last, *(letters.decode() for letters in {letters for letters, _ in found})], key=_column_number)
        rows = max([rows, *map(int, {number for _, number in found})])
        if rows * _column_number(last) > MOST_CELLS:
            return f"{last}{rows}"
        rest = text[end:]
    return ""


def _column_number(letters: str) -> int:
    """The number of a column named by letters, counted from 1; XFD is 16384."""
    return functools.reduce(lambda number, letter: 26 * number + ord(letter) - 64, letters, 0)


def _chosen(found: dict[str, list[Row]], place: str, options: TableOptions) -> str:
    """The first sheet, unless its headings name no record and those of another name shots."""
    first = next(iter(found))
    known = {name: _columns(rows, options) for name, rows in found.items()}
    if any(marks <= known[first] for marks in _RECORDS):
        return first
    logs = [name for name, columns in known.items() if "dose_g" in columns and len(columns) > 1]
    if not logs and not known[first] and len(found) > 1 and _heading_row(found[first]) is None:
        listed = ", ".join(f'"{name}"' for name in found)
        do = f'name the one that holds the log in its [[source]]: sheet = "..."; its sheets are {listed}'
        raise ReadError(place, f'no sheet looks like a log of shots, and "{first}", the first, has no headings', do)
    return logs[0] if logs else first


def _columns(rows: list[Row], options: TableOptions) -> set[str]:
    """The columns of ours that the headings of a sheet name."""
    at = _heading_row(rows) if options.header_row is None else options.header_row - 1
    if at is None or at >= len(rows):
        return set()
    return set(understand([shown(cell) for cell in rows[at] if is_filled(cell)], TABLES, {}).columns)


def _chunk(rows: list[Row], place: str, options: TableOptions, ctx: Context) -> Chunk:
    """Cut off what stands above the headings and name the columns."""
    at = _header(rows, place, options)
    width = max((len(row) for row in rows[at:]), default=0)
    body = [row + [None] * (width - len(row)) for row in rows[at + 1 :]]
    heading = rows[at] + [None] * (width - len(rows[at]))
    columns = _headings(heading, body, place, ctx)
    above = sum(any(is_filled(cell) for cell in row) for row in rows[:at])
    if above:
        ctx.note(finding("rows_above_headings", {"place": place}, count=above, row=at + 1))
    frame = pd.DataFrame(body, columns=range(width), index=range(at + 2, at + 2 + len(body)), dtype=object)
    keep = [number for number, name in enumerate(columns) if name is not None]
    return Chunk(frame[keep].set_axis([columns[number] for number in keep], axis=1), place)


def _header(rows: list[Row], place: str, options: TableOptions) -> int:
    if options.header_row is not None:
        if options.header_row <= len(rows) and any(is_filled(cell) for cell in rows[options.header_row - 1]):
            return options.header_row - 1
        raise ReadError(place, f"row {options.header_row} is empty", "set header_row to the row of the headings")
    found = _heading_row(rows)
    if found is not None:
        return found
    if not any(is_filled(cell) for row in rows for cell in row):
        raise ReadError(place, "no cell is filled", "write headings, and below them a row for each shot")
    do = "put a heading above every column, or set header_row; if all stands in one column, set separator"
    raise ReadError(place, "no row has two headings", do)


def _heading_row(rows: list[Row]) -> int | None:
    """The first row with two cells of words; ``None`` where there is none."""
    for number, row in enumerate(rows):
        if sum(isinstance(cell, str) and is_filled(cell) and split_unit(cell) is None for cell in row) >= 2:
            return number
    return None


def _headings(heading: Row, body: list[Row], place: str, ctx: Context) -> list[str | None]:
    """Unique headings; a filled column without one is named by its letter, an empty one is left out."""
    taken: dict[str, int] = {}
    twice: list[str] = []
    names: list[str | None] = []
    for number, cell in enumerate(heading):
        if (isinstance(cell, str) and cell.strip()) or is_filled(cell):
            name = shown(cell).strip()
        elif any(is_filled(row[number]) for row in body):
            name = f"(column {_letter(number)})"
        else:
            names.append(None)
            continue
        taken[name] = taken.get(name, 0) + 1
        if taken[name] > 1:
            twice.append(name)
            name = f"{name} ({taken[name]})"
            taken[name] = 1
        names.append(name)
    if twice:
        listed = ", ".join(f'"{name}"' for name in dict.fromkeys(twice))
        ctx.note(finding("headings_twice", {"place": place}, list=listed))
    return names


def _letter(number: int) -> str:
    """The letters a spreadsheet shows above a column, counted from 0."""
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters

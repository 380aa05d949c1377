"""Workbooks: every wanted sheet as rows, the first of the sheet first; refused where too vast."""

from __future__ import annotations

import fnmatch
import functools
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from tastefield.errors import ReadError
from tastefield.hooks import Context
from tastefield.tables.cells import is_filled, shown
from tastefield.tables.headings import understand
from tastefield.words.columns import TABLES
from tastefield.words.findings import finding
from tastefield_plugins.read_table.header import heading_row
from tastefield_plugins.read_table.packed import BROKEN, refuse_bomb
from tastefield_plugins.read_table.text import LONGEST_CELL, torn

Row = list[Any]
MOST_CELLS = 5_000_000
"""Most cells of a sheet, counted from A1 to its last filled row and column; more would not fit into memory."""
_FILLED = re.compile(rb'<(?:\w+:)?c\s(?:[^>]*\s)?r="([A-Z]{1,3})([0-9]{1,7})"[^>]*(?<!/)>')
_CELL = rb'<(?:\w+:)?c\s(?:[^>]*\s)?r="([A-Z]{1,3}[0-9]{1,7})"'
_FORMULA = rb"<(?:\w+:)?f\b(?:[^>]*/>|[^>]*>[^<]*</(?:\w+:)?f>)"
_NO_VALUE = rb"(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v>\s*</(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
_UNANSWERED = {
    "formulas_without_values": re.compile(_CELL + rb"[^>]*>\s*" + _FORMULA + rb"\s*" + _NO_VALUE),
    "formulas_with_errors": re.compile(_CELL + rb'(?=[^>]*\st="e")[^>]*>'),
}
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


def sheets(
    file: Path, place: str, wanted_sheet: str, header_row: int | None, ctx: Context
) -> Iterator[tuple[str, list[Row]]]:
    """Every wanted sheet with all its rows, the first of the sheet first.

    :param wanted_sheet: a name, * allowed; empty for the first, or the first that looks like a log.
    """
    import python_calamine as calamine

    try:
        empty = not file.read_bytes().strip()
    except OSError as error:
        raise torn(place, error) from error
    if empty:
        raise ReadError(place, "the file is empty", "export it again, or take it out of path")
    _look_inside(file, place, ctx)
    try:
        book = calamine.load_workbook(str(file))
    except calamine.PasswordError as error:
        raise ReadError(place, "it is protected by a password", "save it without one") from error
    except (calamine.CalamineError, OSError) as error:
        raise ReadError(place, f"it is no workbook ({error})", "open it and save it as .xlsx again") from error
    wanted = [name for name in book.sheet_names if not wanted_sheet or fnmatch.fnmatchcase(name, wanted_sheet)]
    if wanted_sheet in book.sheet_names:
        wanted = [wanted_sheet]
    if not wanted:
        listed = ", ".join(f'"{name}"' for name in book.sheet_names)
        raise ReadError(place, f'it has no sheet "{wanted_sheet}"', f"its sheets are {listed}")
    found: dict[str, list[Row]] = {}
    for name in wanted:
        try:
            rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        except (calamine.CalamineError, ValueError) as error:
            if wanted_sheet:
                raise ReadError(f"{place}, sheet {name}", str(error), "save the workbook again") from error
            continue
        if any(type(cell) is str and len(cell) > LONGEST_CELL for row in rows for cell in row):
            why = f"a cell is longer than {LONGEST_CELL} characters"
            raise ReadError(f"{place}, sheet {name}", why, "shorten it")
        if any(is_filled(cell) for row in rows for cell in row):
            found[name] = rows
    if not found:
        raise ReadError(place, "no cell is filled", "fill it in, or name another sheet")
    if wanted_sheet:
        yield from found.items()
        return
    chosen = _chosen(found, place, header_row)
    others = [name for name in found if name != chosen]
    if others:
        code = "sheets_not_read" if chosen == next(iter(found)) else "sheet_found"
        ctx.note(finding(code, {"place": place}, sheet=chosen, others=", ".join(others)))
    yield chosen, found[chosen]


def _look_inside(file: Path, place: str, ctx: Context) -> None:
    """Refuse a workbook that unpacks to too much, or with a sheet too vast to be held: one stray cell far out makes the
    whole sheet that large. Formulas that were saved without their value are told.

    The filled cells themselves are looked at, because the area that a sheet claims counts cells with nothing but a
    format.
    """
    unanswered: dict[str, list[str]] = {"formulas_without_values": [], "formulas_with_errors": []}
    try:
        refuse_bomb(file, place)
        with zipfile.ZipFile(file) as package:
            for part in package.namelist():
                if part.startswith("xl/worksheets/") and part.endswith(".xml"):
                    with package.open(part) as stream:
                        far = _too_far(stream, unanswered)
                    if far:
                        why = f"a sheet is filled as far as {far}, and at most {MOST_CELLS} cells can be held"
                        raise ReadError(place, why, "delete what stands far from the table, or save the log on its own")
    except BROKEN:
        return  # told better where it is opened as a workbook
    for code, cells in unanswered.items():
        if cells:
            ctx.note(finding(code, {"place": place}, count=len(cells), first=cells[0]))


def _too_far(stream: IO[bytes], unanswered: dict[str, list[str]]) -> str:
    """The last row and column of a sheet as the name of a cell, once they span too many cells; else empty.

    :param unanswered: gets the names of cells whose formula has no value or an error, which are read as empty.
    """
    last, rows, rest, cell = "A", 0, b"", b""
    while block := stream.read(1 << 20):
        text = rest + block
        end = text.rfind(b">") + 1
        found = _FILLED.findall(text, 0, end)
        last = max([last, *(letters.decode() for letters in {letters for letters, _ in found})], key=_column_number)
        rows = max([rows, *map(int, {number for _, number in found})])
        if rows * _column_number(last) > MOST_CELLS:
            return f"{last}{rows}"
        rest = text[end:]
        cells = cell + block
        for code, pattern in _UNANSWERED.items():
            unanswered[code] += [name.decode() for name in pattern.findall(cells)]
        cell = cells[cells.rfind(b"c>") + 2 :][-(1 << 16) :]
    return ""


def _column_number(letters: str) -> int:
    """The number of a column named by letters, counted from 1; XFD is 16384."""
    return functools.reduce(lambda number, letter: 26 * number + ord(letter) - 64, letters, 0)


def _chosen(found: dict[str, list[Row]], place: str, header_row: int | None) -> str:
    """The first sheet, unless its headings name no record and those of another name shots."""
    first = next(iter(found))
    known = {name: _columns(rows, header_row) for name, rows in found.items()}
    if any(marks <= known[first] for marks in _RECORDS):
        return first
    logs = [name for name, columns in known.items() if "dose_g" in columns and len(columns) > 1]
    if not logs and not known[first] and len(found) > 1 and heading_row(found[first]) is None:
        listed = ", ".join(f'"{name}"' for name in found)
        do = f'name the one that holds the log in its [[source]]: sheet = "..."; its sheets are {listed}'
        raise ReadError(place, f'no sheet looks like a log of shots, and "{first}", the first, has no headings', do)
    return logs[0] if logs else first


def _columns(rows: list[Row], header_row: int | None) -> set[str]:
    """The columns of ours that the headings of a sheet name."""
    at = heading_row(rows) if header_row is None else header_row - 1
    if at is None or at >= len(rows):
        return set()
    return set(understand([shown(cell) for cell in rows[at] if is_filled(cell)], TABLES, {}).columns)

"""Sheets of a workbook: every wanted one as rows, the first of the sheet first, and formulas without an answer told."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Iterator
from pathlib import Path

from tastefield.errors import ReadError
from tastefield.hooks import Context
from tastefield.tables.book import open_book, refuse_long_cells, sheet_rows
from tastefield.tables.cells import is_filled, shown
from tastefield.tables.grid import Row
from tastefield.tables.headings import understand
from tastefield.words.columns import TABLES
from tastefield.words.findings import finding
from tastefield_plugins.read_table.header import heading_row
from tastefield_plugins.read_table.text import torn

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
    try:
        empty = not file.read_bytes().strip()
    except OSError as error:
        raise torn(place, error) from error
    if empty:
        raise ReadError(place, "the file is empty", "export it again, or take it out of path")
    unanswered = _Unanswered()
    book = open_book(file, place, unanswered.see)
    unanswered.tell(place, ctx)
    wanted = [name for name in book.sheet_names if not wanted_sheet or fnmatch.fnmatchcase(name, wanted_sheet)]
    if wanted_sheet in book.sheet_names:
        wanted = [wanted_sheet]
    if not wanted:
        listed = ", ".join(f'"{name}"' for name in book.sheet_names)
        raise ReadError(place, f'it has no sheet "{wanted_sheet}"', f"its sheets are {listed}")
    found: dict[str, list[Row]] = {}
    for name in wanted:
        try:
            rows = sheet_rows(book, name, place)
        except ReadError:
            if wanted_sheet:
                raise
            continue
        refuse_long_cells(rows, f"{place}, sheet {name}")
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


class _Unanswered:
    """Cells whose formula has no value or an error, which are read as empty."""

    def __init__(self) -> None:
        self.cells: dict[str, list[str]] = {code: [] for code in _UNANSWERED}
        self.part, self.rest = "", b""

    def see(self, part: str, block: bytes) -> None:
        """Look through the next block of a sheet; a cell may begin in the block before."""
        text = (self.rest if part == self.part else b"") + block
        for code, pattern in _UNANSWERED.items():
            self.cells[code] += [name.decode() for name in pattern.findall(text)]
        self.part, self.rest = part, text[text.rfind(b"c>") + 2 :][-(1 << 16) :]

    def tell(self, place: str, ctx: Context) -> None:
        """A finding for each kind that was seen."""
        for code, cells in self.cells.items():
            if cells:
                ctx.note(finding(code, {"place": place}, count=len(cells), first=cells[0]))


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

"""Grid: rows of cells of text files and of sheets of workbooks, as readers need them before they know any heading."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from tastefield.errors import ReadError
from tastefield.tables.book import open_book, refuse_long_cells, sheet_rows
from tastefield.tables.cells import is_filled
from tastefield.tables.text import decode, not_closed, sniff_separator

Row = list[Any]
MOST_BYTES = 200_000_000
"""Most bytes of a file that is read whole."""


def places(files: Sequence[Path]) -> list[str]:
    """File names; with as much of the folder before them as tells them apart."""
    names: list[str] = []
    for depth in range(1, 32):
        names = ["/".join(file.parts[-depth:]) for file in files]
        if len(set(names)) == len(names):
            break
    return names


def text_rows(file: Path, place: str, encoding: str = "cp1252", separator: str = "") -> list[Row]:
    """Every record of a text file; a blank line is a record without cells.

    :param separator: found out where empty.
    :raises ReadError: no such file, empty, no text, quotes that are not closed.
    """
    data = contents(file, place)
    try:
        text, _ = decode(data, encoding)
    except UnicodeDecodeError as error:
        why = f"it is not text: byte {error.start + 1} is no character in UTF-8 or in {encoding}"
        raise ReadError(place, why, 'export it again as text in UTF-8, or set encoding = "..."') from error
    if "\0" in text:
        why = f"it is not text: sign {text.index(chr(0)) + 1} is a zero byte"
        raise ReadError(place, why, "export it again as text in UTF-8")
    records: list[Row] = []
    try:
        sign = separator or sniff_separator(text)
        records.extend(csv.reader(io.StringIO(text, newline=""), delimiter=sign, strict=True))
    except csv.Error as error:
        raise not_closed(place, len(records) + 1, error) from error
    return records


def contents(file: Path, place: str) -> bytes:
    """The bytes of a file.

    :raises ReadError: it cannot be read, is empty or too large.
    """
    try:
        if file.stat().st_size > MOST_BYTES:
            raise ReadError(place, f"it is larger than {MOST_BYTES // 1_000_000} MB", "cut it into several files")
        data = file.read_bytes()
    except OSError as error:
        raise ReadError(place, str(error.strerror or error), "check that the file exists and may be read") from error
    if not data.strip():
        raise ReadError(place, "the file is empty", "export it again, or take it out of path")
    return data


def sheets(file: Path, place: str) -> dict[str, list[Row]]:
    """Every sheet of a workbook that has a filled cell, with all its rows, the first of the sheet first.

    :raises ReadError: no workbook, one protected, or with a sheet filled farther out than can be held.
    """
    contents(file, place)
    book = open_book(file, place)
    found: dict[str, list[Row]] = {}
    for name in book.sheet_names:
        rows = sheet_rows(book, name, place)
        refuse_long_cells(rows, f"{place}, sheet {name}")
        if any(is_filled(cell) for row in rows for cell in row):
            found[name] = rows
    if not found:
        raise ReadError(place, "no cell is filled", "fill it in")
    return found


def below_headings(rows: Sequence[Row], at: int, named: Callable[[Any], str], place: str) -> pd.DataFrame:
    """The rows below the one of headings, under their names, by row number counted from 1.

    :param at: the row of headings, counted from 0.
    :param named: the name that a heading gives; where that is empty the column is called by its number.
    :raises ReadError: two columns have one name.
    """
    width = max(len(row) for row in rows[at:])
    heading = [*rows[at], *[""] * (width - len(rows[at]))]
    body = [[*row, *[None] * (width - len(row))] for row in rows[at + 1 :]]
    names = [named(cell) or f"(column {n})" for n, cell in enumerate(heading, start=1)]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ReadError(place, f"several columns are called {', '.join(twice)}", "give each a heading of its own")
    return pd.DataFrame(body, columns=names, index=range(at + 2, at + 2 + len(body)), dtype=object)

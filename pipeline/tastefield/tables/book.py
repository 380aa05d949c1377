"""Workbooks, opened only after a look inside: refused where they unpack to too much or a sheet is too vast to hold."""

from __future__ import annotations

import contextlib
import functools
import re
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, Any

from tastefield.errors import ReadError
from tastefield.tables.text import LONGEST_CELL
from tastefield.tables.unpacked import BROKEN, refuse_bomb

MOST_CELLS = 5_000_000
"""Most cells of a sheet, counted from A1 to its last filled row and column; more would not fit into memory."""
_FILLED = re.compile(rb'<(?:\w+:)?c\s(?:[^>]*\s)?r="([A-Z]{1,3})([0-9]{1,7})"[^>]*(?<!/)>')


def open_book(file: Path, place: str, seen: Callable[[str, bytes], None] = lambda part, block: None) -> Any:
    """A workbook, as ``python_calamine`` opens it.

    :param seen: gets the name and the XML of every sheet, a block at a time, up to where the file is torn.
    :raises ReadError: no workbook, one protected, one that unpacks to too much, or with a sheet filled too far out.
    """
    import python_calamine as calamine

    with contextlib.suppress(*BROKEN):  # told better where it is opened as a workbook
        refuse_bomb(file, place)
        _refuse_vast(file, place, seen)
    try:
        return calamine.load_workbook(str(file))
    except calamine.PasswordError as error:
        raise ReadError(place, "it is protected by a password", "save it without one") from error
    except (calamine.CalamineError, OSError) as error:
        raise ReadError(place, f"it is no workbook ({error})", "open it and save it as .xlsx again") from error


def sheet_rows(book: Any, name: str, place: str) -> list[list[Any]]:
    """All rows of a sheet of :func:`open_book`, the first of the sheet first.

    :raises ReadError: the sheet is broken.
    """
    import python_calamine as calamine

    try:
        rows: list[list[Any]] = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
    except (calamine.CalamineError, ValueError) as error:
        raise ReadError(f"{place}, sheet {name}", str(error), "save the workbook again") from error
    return rows


def refuse_long_cells(rows: Sequence[Sequence[Any]], place: str) -> None:
    """Refuse text that no spreadsheet could have saved.

    :raises ReadError: a cell has more than ``LONGEST_CELL`` characters.
    """
    if any(type(cell) is str and len(cell) > LONGEST_CELL for row in rows for cell in row):
        raise ReadError(place, f"a cell is longer than {LONGEST_CELL} characters", "shorten it")


def _refuse_vast(file: Path, place: str, seen: Callable[[str, bytes], None]) -> None:
    """One stray cell far out makes a whole sheet as large as that.

    The filled cells themselves are looked at, because the area that a sheet claims counts cells with nothing but a
    format.
    """
    with zipfile.ZipFile(file) as package:
        for part in package.namelist():
            if part.startswith("xl/worksheets/") and part.endswith(".xml"):
                with package.open(part) as stream:
                    far = _too_far(stream, functools.partial(seen, part))
                if far:
                    why = f"a sheet is filled as far as {far}, and at most {MOST_CELLS} cells can be held"
                    raise ReadError(place, why, "delete what stands far from the table, or save the table on its own")


def _too_far(stream: IO[bytes], seen: Callable[[bytes], None]) -> str:
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
        seen(block)
    return ""


def _column_number(letters: str) -> int:
    """The number of a column named by letters, counted from 1; XFD is 16384."""
    return functools.reduce(lambda number, letter: 26 * number + ord(letter) - 64, letters, 0)

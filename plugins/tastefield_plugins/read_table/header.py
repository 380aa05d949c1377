"""The header of a table: which row holds the headings, and what each column is called."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from tastefield.tables.cells import is_filled, shown
from tastefield.tables.headings import understand
from tastefield.tables.numbers import split_unit
from tastefield.words.columns import TABLES

Row = list[Any]
LOOK_BELOW = 3
"""Rows below the first with words in which the headings may stand: merged cells above them name groups of columns."""


def heading_row(rows: Sequence[Row]) -> int | None:
    """The first row with two cells of words, or one soon below it that names more columns of ours and has no number.

    :returns: its place, counted from 0; ``None`` where no row has two cells of words.
    """
    for number, row in enumerate(rows):
        if words(row) >= 2:
            below = [at for at in range(number, min(number + LOOK_BELOW + 1, len(rows))) if _only_words(rows[at])]
            return max(below, key=lambda at: (understood(rows[at]), -at)) if number in below else number
    return None


def words(row: Row) -> int:
    """How many cells of a row hold words."""
    return sum(isinstance(cell, str) and is_filled(cell) and split_unit(cell) is None for cell in row)


def _only_words(row: Row) -> bool:
    return words(row) >= 2 and all(isinstance(cell, str) for cell in row if is_filled(cell))


def understood(row: Row) -> int:
    """How many columns of ours the cells of a row name."""
    return len(understand([shown(cell) for cell in row if is_filled(cell)], TABLES, {}).columns)


class Header:
    """The names of the columns of one table: unique, and by its letter where a filled column has no heading.

    :param cells: the row of headings. :param twice: headings that stood there more than once.
    """

    def __init__(self, cells: Row) -> None:
        self.named: list[str | None] = []
        self.twice: list[str] = []
        self.taken: dict[str, int] = {}
        for cell in cells:
            said = (isinstance(cell, str) and cell.strip()) or is_filled(cell)
            self.named.append(self._once(shown(cell).strip()) if said else None)

    def name(self, number: int) -> str:
        """The name of a column, counted from 0."""
        while number >= len(self.named):
            self.named.append(None)
        found = self.named[number]
        if found is None:
            found = self.named[number] = self._once(f"(column {letter(number)})")
        return found

    def has(self, number: int) -> bool:
        """Whether a column has a name already."""
        return number < len(self.named) and self.named[number] is not None

    def _once(self, name: str) -> str:
        self.taken[name] = self.taken.get(name, 0) + 1
        if self.taken[name] > 1:
            self.twice.append(name)
            name = f"{name} ({self.taken[name]})"
            self.taken[name] = 1
        return name


def letter(number: int) -> str:
    """The letters a spreadsheet shows above a column, counted from 0."""
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters

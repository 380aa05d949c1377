"""Ditto marks: a cell that says "the same as above"."""

from __future__ import annotations

import pandas as pd

from tastefield.tables.cells import is_filled, listed, may_hold, which
from tastefield.tables.parts import Mask

MARKS = {
    '"',
    "''",
    "``",
    "“",
    "”",
    "„",
    "〃",
    "ditto",
    "do.",
    "as above",
    "same as above",
    "same",
    "↑",
    "^",
    "id.",
    "idem",
}


def is_ditto(cell: object) -> bool:
    """Whether a cell holds nothing but a ditto mark."""
    return type(cell) is str and len(cell) < 20 and cell.strip().casefold() in MARKS


def resolved(cells: pd.Series, total: Mask) -> tuple[pd.Series, list[int]]:
    """One column with each ditto mark replaced by the cell above it that somebody filled.

    :param total: rows that sum others up, which are passed over.
    :returns: the cells, and the rows whose marks were replaced; a mark with nothing above stays.
    """
    if not may_hold(cells, MARKS) or not which(cells, is_ditto).any():
        return cells, []
    written = listed(cells)
    above, rows = None, []
    for at, (cell, passed) in enumerate(zip(written, total.tolist(), strict=True)):
        if is_ditto(cell):
            if above is not None:
                written[at] = above
                rows.append(cells.index[at])
        elif is_filled(cell) and not passed:
            above = cell
    return pd.Series(written, index=cells.index, dtype=object), rows

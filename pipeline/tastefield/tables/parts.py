"""Parts: which rows of a place stand for a row of a table, where one place holds several tables.

In a sheet of one row a shot, every row is a shot, a row with a reading is also a reading and a row with a score also a
score. A shot that several tasters scored takes several rows; the shot itself, and a reading repeated word for word,
stand there once.
"""

from __future__ import annotations

import re
from typing import Protocol

import pandas as pd

from tastefield.tables.cells import filled, is_filled, shown
from tastefield.words.columns import names
from tastefield.words.outcomes import split_outcome

MEASURES: dict[str, tuple[str, ...]] = {
    "shots": ("dose_g",),
    "readings": ("tds_pct", "brix_pct", "refractive_index"),
    "scores": ("score",),
    "traces": ("mass_g",),
    "checks": ("value",),
}
"""The columns that make a row of a table: a row with none of them says nothing that the table could keep."""

OUTCOME_CELLS: dict[str, tuple[str, ...]] = {
    "shots": ("beverage_g", "shot_time_s"),
    "scores": ("score",),
}
"""Columns in which people write "choked" where a number should stand."""

_TOTAL = re.compile(r"(?:(?:grand|[\w.'-]+) )?(?:sub-?)?totals?|sum|average|avg\.?|mean|median", re.IGNORECASE)
_NEVER_A_TOTAL = {"notes", "score", "taster", "operator", "grind_setting", "dose_setting", "attribute"}


class Raw(Protocol):
    """What a raw table offers, as far as needed here."""

    @property
    def table(self) -> str:
        """Name of the table."""

    @property
    def place(self) -> str:
        """Where it was read."""

    @property
    def rows(self) -> pd.DataFrame:
        """Cells as they were written."""

    @property
    def together(self) -> bool:
        """Whether the place holds several tables in one row each."""


def own_columns(table: str) -> tuple[str, ...]:
    """Columns a table does not share with shots."""
    return names(table) if table == "shots" else tuple(name for name in names(table) if name not in names("shots"))


def labels(rows: pd.DataFrame, column: str) -> pd.Series:
    """The words of one column, ends trimmed, empty where nothing stands; empty throughout where there is no column."""
    if column not in rows:
        return pd.Series("", index=rows.index, dtype=object)
    cells = [shown(cell).strip() if is_filled(cell) else "" for cell in rows[column].array]
    return pd.Series(cells, index=rows.index, dtype=object)


def shot_names(raw: Raw) -> pd.Series:
    """Name of the shot of each row: as written, else made from place and row (see :func:`made_name`)."""
    written = labels(raw.rows, "shot_id")
    made = [name or made_name(raw.place, row) for row, name in zip(written.index, written.array, strict=True)]
    return pd.Series(made, index=written.index, dtype=object)


def made_name(place: str, row: int) -> str:
    """Name of a shot that its owner did not name."""
    return f"{place}#{row}"


def lead_rows(raw: Raw) -> pd.Series:
    """The row that stands for each row: itself, or the earlier one it repeats; missing where it is no row at all.

    :returns: row numbers, nullable; same index as ``raw.rows``.
    """
    rows = raw.rows
    itself = pd.Series(rows.index, index=rows.index, dtype="object")
    if not raw.together:
        return itself
    shot = labels(rows, "shot_id")
    if raw.table == "shots":
        return _first_alike(itself, _shot_keys(rows, shot), shot != "")
    measured = has_measure(raw)
    itself = itself.where(measured, None)
    if raw.table != "readings":
        return itself
    written = [labels(rows, name) for name in own_columns("readings")]
    keys = list(zip(shot, *written, strict=True))
    return _first_alike(itself, keys, (shot != "") & measured & (labels(rows, "reading_no") == ""))


def has_measure(raw: Raw) -> pd.Series:
    """Which rows hold what makes a row of their table; a score cell that says only "choked" does not."""
    rows = raw.rows
    present = [name for name in MEASURES[raw.table] if name in rows]
    mask = filled(rows[present]).any(axis=1) if present else pd.Series(False, index=rows.index)
    if raw.table == "scores" and raw.together and present:
        mask &= ~outcome_only(rows["score"])
    return mask


def outcome_only(cells: pd.Series) -> pd.Series:
    """Which cells hold an outcome word and nothing else."""
    found = []
    for cell in cells.array:
        outcome, rest = split_outcome(cell)
        found.append(outcome is not None and not is_filled(rest))
    return pd.Series(found, index=cells.index, dtype=bool)


def _shot_keys(rows: pd.DataFrame, shot: pd.Series) -> list[tuple[str, ...]]:
    """Name of the shot with its machine and coffee, which may stand in only one of its rows."""
    parts = [shot]
    for name in ("machine", "coffee"):
        written = labels(rows, name)
        by_shot = written.where(written != "").groupby(shot)
        parts.append(by_shot.ffill().fillna(by_shot.bfill()).fillna(""))
    return list(zip(*parts, strict=True))


def _first_alike(itself: pd.Series, keys: list[tuple[str, ...]], may_repeat: pd.Series) -> pd.Series:
    first: dict[tuple[str, ...], object] = {}
    leads = [
        first.setdefault(key, row) if repeat else row
        for row, key, repeat in zip(itself.array, keys, may_repeat.array, strict=True)
    ]
    return pd.Series(leads, index=itself.index, dtype="object")


def total_rows(rows: pd.DataFrame) -> pd.Series:
    """Rows that sum up others: somewhere a label such as "Total", and no coffee."""
    said = (labels(rows, "coffee") == "").to_numpy(copy=True)
    found = [False] * len(rows)
    for place, name in enumerate(rows.columns):
        if name not in _NEVER_A_TOTAL:
            for at, cell in enumerate(rows.iloc[:, place].array):
                if isinstance(cell, str) and _TOTAL.fullmatch(cell.strip(" \t:")):
                    found[at] = True
    return pd.Series(said & found, index=rows.index, dtype=bool)

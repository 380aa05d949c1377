"""The account: for every place and table, rows and cells read = kept + set aside, counted from what is really there.

Read is counted from the raw tables, kept from the kept frames and set aside from the set-aside table, each on its own,
so that a row or a cell lost anywhere between makes them disagree.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple, Protocol

import numpy as np
import pandas as pd

from tastefield.tables import plain
from tastefield.tables.cells import there
from tastefield.tables.parts import (
    OUTCOME_CELLS,
    Mask,
    Places,
    Raw,
    by_place,
    each_stands_alone,
    leads,
    outcome_only,
    shot_names,
)
from tastefield.words.columns import names


class Count(NamedTuple):
    """Rows and filled cells of one table in one place."""

    place: str
    table: str
    read: int
    kept: int
    set_aside: int
    cells_read: int
    cells_kept: int
    cells_set_aside: int


class Kept(Protocol):
    """What the records offer, as far as needed here."""

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Kept rows by table."""

    @property
    def set_aside(self) -> pd.DataFrame:
        """What was not kept."""

    @property
    def counts(self) -> Sequence[object]:
        """The account as it was handed on."""


class NotBalanced(RuntimeError):  # noqa: N818 - a state of the account
    """Something read was neither kept nor set aside, or was both: a defect of the program, never of the data."""


def check_account(raw: Iterable[Raw], records: Kept) -> None:
    """Count records that were handed on again, and compare.

    :raises NotBalanced: read is not kept + set aside somewhere, or the counts handed on are not what is there.
    """
    counts = tally(raw, records.tables, records.set_aside)
    check_balance(counts, records.tables)
    told = [tuple(getattr(count, name) for name in Count._fields) for count in records.counts]
    if told != [tuple(count) for count in counts]:
        raise NotBalanced("the counts handed on differ from what is there")


def check_balance(counts: Sequence[Count], tables: Mapping[str, pd.DataFrame]) -> None:
    """Compare what was read with what was kept and set aside.

    :raises NotBalanced: they differ somewhere, or rows were kept that nobody read.
    """
    faults = [
        f"{count.place}, {count.table}: {count}"
        for count in counts
        if count.read != count.kept + count.set_aside or count.cells_read != count.cells_kept + count.cells_set_aside
    ]
    read = {(count.place, count.table) for count in counts}
    for table, frame in tables.items():
        faults += [
            f"{place}: {table} were kept that nobody read"
            for place in frame["place"].unique()
            if (place, table) not in read
        ]
    if faults:
        raise NotBalanced("; ".join(faults))


def tally(raw: Iterable[Raw], tables: Mapping[str, pd.DataFrame], set_aside: pd.DataFrame) -> list[Count]:
    """Count rows and cells of every place and table, in the order they were read."""
    kept_by = {(table, place): rows for table, frame in tables.items() for place, rows in by_place(frame).items()}
    aside_by = dict(iter(set_aside.groupby(["table", "place"], sort=False)))
    return [
        _count(
            one,
            kept_by.get((one.table, one.place)),
            aside_by.get((one.table, one.place)),
            kept_by.get(("shots", one.place)),
        )
        for one in raw
    ]


def by_column(raw: Iterable[Raw], set_aside: pd.DataFrame) -> list[tuple[str, str, str, str, int, int]]:
    """Place, table, column, heading, filled cells read and set aside, for every column of every place."""
    aside_by = dict(iter(set_aside.groupby(["table", "place"], sort=False)))
    out = []
    for one in raw:
        aside = aside_by.get((one.table, one.place))
        gone = _Aside(one.rows, aside)
        for name in one.rows.columns:
            filled = there(one.rows[name])
            counts = int(np.count_nonzero(filled)), int(np.count_nonzero(filled & gone.cells(name)))
            out.append((one.place, one.table, name, one.headings.get(name, ""), *counts))
    return out


def _count(one: Raw, kept: pd.DataFrame | None, aside: pd.DataFrame | None, shots: pd.DataFrame | None) -> Count:
    rows = one.rows
    lead = leads(one)
    is_lead = np.ones(len(rows), dtype=bool) if each_stands_alone(one) else lead == np.arange(len(rows))
    kept_rows = pd.Index([] if kept is None else kept["row"])
    gone = _Aside(rows, aside)
    row_kept = np.ones(len(rows), dtype=bool) if rows.index.equals(kept_rows) else rows.index.isin(kept_rows)
    stands, moved = _Standing(one, lead, kept), _moved(one, shots)
    cells_read = cells_kept = cells_set_aside = 0
    for name in rows.columns:
        filled = there(rows[name])
        named = gone.cells(name)
        cells_read += int(np.count_nonzero(filled))
        cells_set_aside += int(np.count_nonzero(filled & named))
        cells_kept += int(np.count_nonzero(filled & (stands.cells(name) | moved.get(name, False)) & ~named))
    return Count(
        one.place,
        one.table,
        read=int(is_lead.sum()),
        kept=int((is_lead & row_kept).sum()),
        set_aside=int((is_lead & gone.rows).sum()),
        cells_read=cells_read,
        cells_kept=cells_kept,
        cells_set_aside=cells_set_aside,
    )


class _Aside:
    """Which cells the set-aside table names, with their whole row or one by one.

    :param rows: which rows it names whole.
    """

    def __init__(self, rows: pd.DataFrame, aside: pd.DataFrame | None) -> None:
        self.rows = np.zeros(len(rows), dtype=bool)
        self.single: dict[str, Places] = {}
        if aside is None:
            return
        places = rows.index.get_indexer(pd.Index(aside["row"]))
        column = aside["column"].to_numpy()
        self.rows[places[(places >= 0) & (column == "")]] = True
        self.single = {name: places[(places >= 0) & (column == name)] for name in aside["column"].unique()}

    def cells(self, name: str) -> Mask:
        """Which cells of one column."""
        if name not in self.single:
            return self.rows
        named = self.rows.copy()
        named[self.single[name]] = True
        return named


class _Standing:
    """Which cells have a value in the kept row that stands for theirs."""

    def __init__(self, one: Raw, lead: Places, kept: pd.DataFrame | None) -> None:
        self.kept = pd.DataFrame() if kept is None else kept[[name for name in one.rows if name in names(one.table)]]
        self.nothing = np.zeros(len(one.rows), dtype=bool)
        if kept is None:
            return
        leading, known = one.rows.index.take(lead), pd.Index(kept["row"])
        self.every = bool((lead >= 0).all()) and leading.equals(known)
        self.places = lead if self.every else np.where(lead >= 0, known.get_indexer(leading), -1)

    def cells(self, name: str) -> Mask:
        """Which cells of one column."""
        if name not in self.kept:
            return self.nothing
        values = self.kept[name].notna().to_numpy(dtype=bool)
        return values if self.every else np.logical_and(values[self.places], self.places >= 0)


def _moved(one: Raw, shots: pd.DataFrame | None) -> dict[str, Mask]:
    """By column, which cells held only an outcome word and stand as the outcome of a kept shot of that row."""
    if shots is None or (one.table == "scores" and not one.together):
        return {}
    said = shots["outcome"].notna().to_numpy(dtype=bool)
    if not said.any():
        return {}
    known = shots.loc[said, "shot_id"]
    has_outcome = plain.among(shot_names(one), known)
    here = [name for name in OUTCOME_CELLS.get(one.table, ()) if name in one.rows]
    return {name: outcome_only(one.rows[name]) & has_outcome for name in here}

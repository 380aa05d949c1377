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
from tastefield.tables.cells import filled
from tastefield.tables.parts import OUTCOME_CELLS, Mask, Places, Raw, leads, outcome_only, shot_names
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
    """Count again and compare.

    :raises NotBalanced: read is not kept + set aside somewhere, or the counts handed on are not what is there.
    """
    counts = tally(raw, records.tables, records.set_aside)
    faults = [
        f"{count.place}, {count.table}: {count}"
        for count in counts
        if count.read != count.kept + count.set_aside or count.cells_read != count.cells_kept + count.cells_set_aside
    ]
    told = [tuple(getattr(count, name) for name in Count._fields) for count in records.counts]
    if not faults and told != [tuple(count) for count in counts]:
        faults.append("the counts handed on differ from what is there")
    read = {(count.place, count.table) for count in counts}
    for table, frame in records.tables.items():
        faults += [
            f"{place}: {table} were kept that nobody read"
            for place in frame["place"].unique()
            if (place, table) not in read
        ]
    if faults:
        raise NotBalanced("; ".join(faults))


def tally(raw: Iterable[Raw], tables: Mapping[str, pd.DataFrame], set_aside: pd.DataFrame) -> list[Count]:
    """Count rows and cells of every place and table, in the order they were read."""
    kept_by = {(table, place): rows for table, frame in tables.items() for place, rows in _by_place(frame).items()}
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


def _by_place(frame: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The rows of each place."""
    places = frame["place"].unique().tolist()
    if len(places) == 1:
        return {places[0]: frame}
    return {str(place): rows for place, rows in frame.groupby("place", sort=False)}


def by_column(raw: Iterable[Raw], set_aside: pd.DataFrame) -> list[tuple[str, str, str, str, int, int]]:
    """Place, table, column, heading, filled cells read and set aside, for every column of every place."""
    aside_by = dict(iter(set_aside.groupby(["table", "place"], sort=False)))
    out = []
    for one in raw:
        aside = aside_by.get((one.table, one.place))
        there = filled(one.rows)
        whole = pd.Index([]) if aside is None else pd.Index(aside.loc[aside["column"] == "", "row"])
        gone = there & _aside(one.rows, whole, aside)
        for at, name in enumerate(one.rows.columns):
            heading = one.headings.get(name, "")
            out.append((one.place, one.table, name, heading, int(there[:, at].sum()), int(gone[:, at].sum())))
    return out


def _count(one: Raw, kept: pd.DataFrame | None, aside: pd.DataFrame | None, shots: pd.DataFrame | None) -> Count:
    rows = one.rows
    lead = leads(one)
    is_lead = lead == np.arange(len(rows))
    kept_rows = pd.Index([] if kept is None else kept["row"])
    whole = pd.Index([]) if aside is None else pd.Index(aside.loc[aside["column"] == "", "row"])
    row_kept = np.ones(len(rows), dtype=bool) if rows.index.equals(kept_rows) else rows.index.isin(kept_rows)
    row_aside = rows.index.isin(whole)

    there = filled(rows)
    cell_aside = there & _aside(rows, whole, aside)
    stands = _standing(one, lead, kept) | _moved(one, shots)
    return Count(
        one.place,
        one.table,
        read=int(is_lead.sum()),
        kept=int((is_lead & row_kept).sum()),
        set_aside=int((is_lead & row_aside).sum()),
        cells_read=int(there.sum()),
        cells_kept=int((there & stands & ~cell_aside).sum()),
        cells_set_aside=int(cell_aside.sum()),
    )


def _aside(rows: pd.DataFrame, whole: pd.Index, aside: pd.DataFrame | None) -> Mask:
    """Which cells the set-aside table names, with their whole row or one by one; column after column in memory."""
    named = np.zeros(rows.shape, dtype=bool, order="F")
    if aside is None or rows.empty:
        return named
    named[rows.index.isin(whole)] = True
    at = rows.index.get_indexer(pd.Index(aside["row"]))
    column = rows.columns.get_indexer(pd.Index(aside["column"]))
    found = (at >= 0) & (column >= 0)
    named[at[found], column[found]] = True
    return named


def _standing(one: Raw, lead: Places, kept: pd.DataFrame | None) -> Mask:
    """Which cells have a value in the kept row that stands for theirs."""
    rows = one.rows
    if kept is None or rows.empty:
        return np.zeros(rows.shape, dtype=bool, order="F")
    leading = rows.index.take(lead)
    known = pd.Index(kept["row"])
    every = bool((lead >= 0).all()) and leading.equals(known)
    at = np.where(lead >= 0, known.get_indexer(leading), -1) if not every else lead
    stands = np.zeros(rows.shape, dtype=bool, order="F")
    for number, name in enumerate(rows.columns):
        if name in names(one.table):
            values = kept[name].notna().to_numpy(dtype=bool)
            stands[:, number] = values if every else values[at] & (at >= 0)
    return stands


def _moved(one: Raw, shots: pd.DataFrame | None) -> Mask:
    """Which cells held only an outcome word and stand as the outcome of a kept shot of that row."""
    rows = one.rows
    moved = np.zeros(rows.shape, dtype=bool, order="F")
    if shots is None or (one.table == "scores" and not one.together):
        return moved
    known = shots.loc[shots["outcome"].notna(), "shot_id"]
    if known.empty:
        return moved
    has_outcome = plain.among(shot_names(one), known)
    for name in OUTCOME_CELLS.get(one.table, ()):
        if name in rows:
            moved[:, rows.columns.get_loc(name)] = outcome_only(rows[name]) & has_outcome
    return moved

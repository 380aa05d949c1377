"""Parts: which rows of a place stand for a row of a table, where one place holds several tables.

In a sheet of one row a shot, every row is a shot, a row with a reading is also a reading and a row with a score also a
score. A shot that several tasters scored takes several rows; the shot itself, and a reading repeated word for word,
stand there once.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Mapping
from typing import Protocol, TypeAlias, TypeVar
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tastefield.tables import plain
from tastefield.tables.cells import distinct, filled, folded, is_filled, is_plain, listed, shown, which
from tastefield.words.columns import names
from tastefield.words.outcomes import split_outcome

Answer = TypeVar("Answer")
Mask: TypeAlias = NDArray[np.bool_]
Places: TypeAlias = NDArray[np.int_]

MEASURES: dict[str, tuple[str, ...]] = {
    "shots": ("dose_g",),
    "readings": ("tds_pct", "brix_pct", "refractive_index"),
    "scores": ("score",),
    "traces": ("mass_g",),
    "checks": ("value",),
    "coffees": ("coffee",),
    "grinders": ("grinder",),
}
"""The columns that make a row of a table: a row with none of them says nothing that the table could keep."""

MADE_UP = {("machine", "shots"), ("coffee", "shots"), ("machine", "checks")}
"""Columns, and their tables, that are given one name for all rows where no heading names them."""

OUTCOME_CELLS: dict[str, tuple[str, ...]] = {
    "shots": ("beverage_g", "shot_time_s"),
    "scores": ("score",),
}
"""Columns in which people write "choked" where a number should stand."""

_TOTAL = re.compile(r"(?:(?:grand|[\w.'-]+) )?(?:sub-?)?totals?|sum|average|avg\.?|mean|median", re.IGNORECASE)
_LETTERS, _ENDS_OF_TOTALS = (
    np.isin(np.arange(256), list(signs))
    for signs in (b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ", b"lsmeg.n:LSMEGN")
)
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
    def headings(self) -> Mapping[str, str]:
        """Canonical column -> heading as its owner wrote it."""

    @property
    def together(self) -> bool:
        """Whether the place holds several tables in one row each."""


def own_columns(table: str) -> tuple[str, ...]:
    """Columns a table does not share with shots."""
    return names(table) if table == "shots" else tuple(name for name in names(table) if name not in names("shots"))


def labels(rows: pd.DataFrame, column: str) -> list[str]:
    """The words of one column, spaces folded, empty where nothing stands; empty throughout where there is no column."""
    if column not in rows:
        return [""] * len(rows)
    cells = rows[column]
    if is_plain(cells):
        return [word or "" for word in listed(cells)]
    values, codes = distinct(cells)
    words = [folded(shown(cell)) if is_filled(cell) else "" for cell in values]
    return words if codes is None else [words[at] for at in codes.tolist()]


def once(answer: Callable[[Raw], Answer]) -> Callable[[Raw], Answer]:
    """A function of a raw table, which never changes: answered once for each table as long as that lives."""
    known: WeakKeyDictionary[Raw, Answer] = WeakKeyDictionary()

    @functools.wraps(answer)
    def remembered(raw: Raw) -> Answer:
        if raw not in known:
            known[raw] = answer(raw)
        return known[raw]

    return remembered


@once
def shot_names(raw: Raw) -> pd.Series:
    """Name of the shot of each row: as written, else made from place and row (see :func:`made_name`)."""
    rows = raw.rows
    if "shot_id" in rows and is_plain(rows["shot_id"]) and rows["shot_id"].notna().all():
        return plain.as_words(plain.held(rows["shot_id"]), rows.index)
    written = zip(rows.index.tolist(), labels(rows, "shot_id"), strict=True)
    return pd.Series([name or made_name(raw.place, row) for row, name in written], index=rows.index, dtype="str")


def made_name(place: str, row: int) -> str:
    """Name of a shot that its owner did not name."""
    return f"{place}#{row}"


def code_without_shot(code: str, key: str, several: bool) -> str:
    """What stands for the shot of a blind code that its key does not give one.

    :param several: whether the key gives it several.
    """
    return f"{code} (code {'of several shots' if several else 'not'} in {key})"


def is_code_without_shot(name: str) -> bool:
    """Whether a name of a shot was made by :func:`code_without_shot`."""
    return " (code " in name and name.endswith(")")


@once
def leads(raw: Raw) -> Places:
    """Which row stands for each row: itself, or the earlier one it repeats.

    :returns: places in the frame, counted from 0; -1 where a row is no row of this table.
    """
    rows = raw.rows
    itself = np.arange(len(rows))
    if not raw.together:
        return itself
    measured = np.ones(len(rows), dtype=bool) if raw.table == "shots" else has_measure(raw)
    itself = itself if measured.all() else np.where(measured, itself, -1)
    if raw.table not in ("shots", "readings") or "shot_id" not in rows or names_each_once(raw):
        return itself
    shot = labels(rows, "shot_id")
    if not any(shot) or len(set(shot)) == len(shot):
        return itself
    if raw.table == "shots":
        keys = _shot_keys(rows, shot)
        may_repeat = [name != "" for name in shot]
    else:
        keys = list(zip(shot, *(labels(rows, name) for name in own_columns("readings")), strict=True))
        unnumbered = [number == "" for number in labels(rows, "reading_no")]
        may_repeat = [bool(name and new and there) for name, new, there in zip(shot, unnumbered, measured, strict=True)]
    first: dict[tuple[str, ...], int] = {}
    found = [first.setdefault(keys[at], at) if may_repeat[at] else int(itself[at]) for at in range(len(rows))]
    return np.array(found, dtype=int)


@once
def each_stands_alone(raw: Raw) -> bool:
    """Whether every row stands for itself: none repeats another, and none is no row of the table."""
    lead = leads(raw)
    return bool((lead == np.arange(len(lead))).all())


@once
def names_each_once(raw: Raw) -> bool:
    """Whether every row has a shot_id of its own; looked at only where they are held as plain text."""
    return "shot_id" in raw.rows and is_plain(raw.rows["shot_id"]) and plain.each_once(raw.rows["shot_id"])


def by_place(frame: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The rows of each place."""
    places = frame["place"].unique().tolist()
    if len(places) == 1:
        return {places[0]: frame}
    return {str(place): rows for place, rows in frame.groupby("place", sort=False)}


def has_measure(raw: Raw) -> Mask:
    """Which rows hold what makes a row of their table; a score cell that says only "choked" does not."""
    rows = raw.rows
    present = [name for name in MEASURES[raw.table] if name in rows]
    mask = rows_filled(rows[present])
    if raw.table == "scores" and raw.together and present:
        return np.logical_and(mask, ~outcome_only(rows["score"]))
    return mask


def rows_filled(rows: pd.DataFrame) -> Mask:
    """Which rows have at least one filled cell."""
    mask = np.zeros(len(rows), dtype=bool)
    for at in range(rows.shape[1]):
        if len(mask) and mask.all():
            break
        mask |= filled(rows.iloc[:, [at]])[:, 0]
    return mask


def outcome_only(cells: pd.Series) -> Mask:
    """Which cells hold an outcome word and nothing else."""
    return which(cells, _is_outcome, of_numbers=False)


def _is_outcome(cell: object) -> bool:
    outcome, rest = split_outcome(cell)
    return outcome is not None and not is_filled(rest)


def _shot_keys(rows: pd.DataFrame, shot: list[str]) -> list[tuple[str, ...]]:
    """Name of the shot with its machine and coffee, which may stand in only one of its rows."""
    keys: list[list[str]] = [shot]
    for name in ("machine", "coffee"):
        written = pd.Series(labels(rows, name), dtype=object)
        by_shot = written.where(written != "", None).groupby(np.array(shot, dtype=object))
        keys.append(by_shot.ffill().fillna(by_shot.bfill()).fillna("").tolist())
    return list(zip(*keys, strict=True))


def total_rows(rows: pd.DataFrame) -> Mask:
    """Rows that sum up others: somewhere a label such as "Total", and no coffee."""
    said = np.zeros(len(rows), dtype=bool)
    for place, name in enumerate(rows.columns):
        if name not in _NEVER_A_TOTAL:
            cells = rows.iloc[:, place]
            may = _may_say_total(cells)
            if may.any():
                said[may] |= which(cells if may.all() else cells[may], _says_total)
    if not said.any():
        return said
    return np.logical_and(said, [not coffee for coffee in labels(rows, "coffee")])


def _may_say_total(cells: pd.Series) -> Mask:
    """Which cells :func:`_says_total` is to look at; of plain text those that begin and end as a total may."""
    if not is_plain(cells):
        return np.ones(len(cells), dtype=bool)
    first, last = plain.ends(plain.held(cells))
    return np.logical_and(_LETTERS[first], _ENDS_OF_TOTALS[last])


def _says_total(cell: object) -> bool:
    return type(cell) is str and cell[:1].isalpha() and bool(_TOTAL.fullmatch(cell.strip(" \t:")))

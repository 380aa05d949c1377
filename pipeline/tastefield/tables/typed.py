"""Typed: one raw table with every cell read by its kind, and the cells that could not be read.

Works on one place at a time; keys, joins and limits that need other places come later.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tastefield.tables import combined, numbers, plain
from tastefield.tables.cells import (
    DTYPES,
    PROBLEM_COLUMNS,
    Parsed,
    Reading,
    is_filled,
    is_plain,
    listed,
    occurring,
    parse,
    shown,
    which,
    written,
)
from tastefield.tables.dates import zone_of
from tastefield.tables.parts import (
    OUTCOME_CELLS,
    Mask,
    Places,
    Raw,
    each_stands_alone,
    has_measure,
    leads,
    outcome_only,
    shot_names,
)
from tastefield.tables.units import changes
from tastefield.words.columns import TABLES, column
from tastefield.words.outcomes import split_outcome

MEASURED = {
    "shots": "dose",
    "readings": "reading",
    "scores": "score",
    "traces": "weight",
    "checks": "value",
    "coffees": "coffee",
    "grinders": "grinder",
}


@dataclass(eq=False)
class Part:
    """One raw table while it is read.

    :param frame: every canonical column, typed; same index as the raw rows.
    :param lead: place of the row that stands for each row (see :func:`~tastefield.tables.parts.leads`).
    :param shot: name of the shot of each row.
    :param marks: decimal mark by column.
    :param problems: cells set aside while their rows may stay: :data:`~tastefield.tables.cells.PROBLEM_COLUMNS`
        and ``column``.
    :param outcomes: cells that say how the shot went instead of what they should: row -> outcome.
    :param units: unit by column where it is not the canonical one.
    :param taken: (row, column, as shown, how) of values that are not simply what was written.
    :param combined: rows whose dose cell held in, out and time together.
    :param described: cells that describe a reading or score their row has not: column -> how many.
    :param zones: time zones named in the times of its shots, empty for a time that names none.
    """

    raw: Raw
    frame: pd.DataFrame
    lead: Places
    shot: pd.Series
    marks: Mapping[str, str]
    problems: list[pd.DataFrame] = field(default_factory=list)
    outcomes: dict[int, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    taken: list[tuple[int, str, str, str]] = field(default_factory=list)
    combined: list[int] = field(default_factory=list)
    described: dict[str, int] = field(default_factory=dict)
    zones: frozenset[str] = frozenset()

    def lead_rows(self) -> dict[int, int]:
        """Row number -> number of the row that stands for it, for rows that are one of the table."""
        rows = self.raw.rows.index.tolist()
        return {row: rows[at] for row, at in zip(rows, self.lead.tolist(), strict=True) if at >= 0}

    def set_cells_aside(self, name: str, mask: Mask, reason: str | Sequence[str], do: str, asked: bool = False) -> None:
        """Set aside the filled cells of one column where ``mask`` holds.

        :param reason: one for all, or one for each row.
        :param asked: whether they can mean two things.
        """
        if name not in self.raw.rows:
            return
        places = np.flatnonzero(mask).tolist()
        cells = listed(self.raw.rows[name].iloc[places])
        told = [
            (self.raw.rows.index[at], shown(cell), reason if isinstance(reason, str) else reason[at], do, asked)
            for at, cell in zip(places, cells, strict=True)
            if is_filled(cell)
        ]
        if told:
            self.problems.append(pd.DataFrame(told, columns=list(PROBLEM_COLUMNS)).assign(column=name))


def decimal_marks(place: Sequence[Raw], configured: str) -> dict[str, str]:
    """The decimal mark of every numeric column of one place: as configured, as proved by the column, else by the place.

    :param place: the raw tables of the place.
    :param configured: ``.``, ``,`` or ``auto``.
    """
    texts: dict[str, list[str]] = {}
    for raw in place:
        for name in raw.rows.columns:
            if column(raw.table, name).kind in ("number", "duration", "integer", "score"):
                cells = raw.rows[name]
                texts[name] = plain.shapes(plain.held(cells)) if is_plain(cells) else written(cells)
    if configured != "auto":
        return dict.fromkeys(texts, configured)
    own = {name: numbers.decimal_evidence(dict.fromkeys(cells)) for name, cells in texts.items()}
    marks = {mark for mark in own.values() if mark}
    all_of_place = marks.pop() if len(marks) == 1 else "?" if marks else ""
    return {name: mark or all_of_place for name, mark in own.items()}


def read(raw: Raw, marks: Mapping[str, str], units: Mapping[str, str], day_first: bool, clock: str | None) -> Part:
    """Read every cell of one raw table; scores are left for later, when their scale is known.

    :param marks: decimal mark by column.
    :param units: unit by column, for cells that name none.
    :param clock: what clock the times of shots or recordings run on where their row does not say.
    """
    part = Part(raw, pd.DataFrame(index=raw.rows.index), leads(raw), shot_names(raw), marks)
    understood = {
        one.name: Reading(marks.get(one.name, ""), units.get(one.name, ""), day_first) for one in TABLES[raw.table]
    }
    recipes = combined.recipes(raw, understood) if raw.table == "shots" else {}
    nothing = {dtype: _nothing(dtype, raw.rows.index) for dtype in set(DTYPES.values())}
    for one in TABLES[raw.table]:
        if one.name not in raw.rows or one.kind == "score":
            part.frame[one.name] = nothing[DTYPES[one.kind]]  # many columns share it: pandas copies on write
            continue
        cells = raw.rows[one.name]
        if raw.table == "shots" and one.name in OUTCOME_CELLS["shots"]:
            cells = take_outcomes(part, cells)
        if recipes and one.name == "dose_g":
            cells = cells.where(~cells.index.isin(list(recipes)), None)
        if raw.table == "shots" and one.name == "target_beverage_g":
            cells = combined.targets(cells, part.frame["dose_g"])
        note(part, one.name, parsed := parse(one, cells, understood[one.name]))
        part.frame[one.name] = parsed.values
        if one.name == "pulled_at":
            part.zones = _zones(cells, parsed)
    if recipes:
        part.combined += recipes
        for at, name in enumerate(combined.RECIPE):
            told = {row: numbers_[at] for row, numbers_ in recipes.items()}
            part.frame[name] = part.frame[name].fillna(pd.Series(told, dtype="float64"))
    part.units = {
        one.name: units[one.name]
        for one in TABLES[raw.table]
        if one.name in raw.rows and units.get(one.name) and changes(one, units[one.name])
    }
    if raw.table == "shots":
        against = np.isin(raw.rows.index, give_outcomes(part, part.outcomes))
        for name in OUTCOME_CELLS["shots"]:
            if against.any() and name in raw.rows:
                refuse_outcome(part, name, against)
        _once_each(part)
    elif raw.together:
        _describe(part)
    if clock and "clock" in part.frame:
        part.frame["clock"] = part.frame["clock"].fillna(clock)
    return part


def _nothing(dtype: str, index: pd.Index) -> pd.Series:
    """A column of a type in which every cell is missing."""
    return plain.missing(index) if dtype == "str" else pd.Series(None, index=index, dtype=dtype)


def _zones(cells: pd.Series, parsed: Parsed) -> frozenset[str]:
    """The time zones that times name; those read in one go name none."""
    done = parsed.in_one_go
    rest = cells if done is None else cells[~done]
    named = {zone_of(cell) for cell in occurring(rest) if is_filled(cell)}
    return frozenset(named if done is None or not done.any() else {*named, ""})


def take_outcomes(part: Part, cells: pd.Series) -> pd.Series:
    """Cells without the words that say how the shot went; those words are noted in ``part.outcomes``."""
    there = np.flatnonzero(which(cells, lambda cell: split_outcome(cell)[0] is not None, of_numbers=False)).tolist()
    if not there:
        return cells
    rest = cells.astype(object)
    for at in there:
        outcome, left = split_outcome(rest.iloc[at])
        part.outcomes.setdefault(cells.index[at], str(outcome))
        rest.iloc[at] = left or None
    return rest


def give_outcomes(shots: Part, outcomes: Mapping[int, str]) -> list[int]:
    """Write outcomes found elsewhere into the outcome column where it is empty.

    :returns: rows whose outcome column says something else; the word found elsewhere is then not taken.
    """
    if not outcomes:
        return []
    places = shots.frame.index.get_indexer(pd.Index(list(outcomes)))
    told = list(zip(outcomes.items(), places.tolist(), listed(shots.frame["outcome"].iloc[places]), strict=True))
    new = {at: outcome for (_, outcome), at, said in told if not is_filled(said)}
    if new:
        column = shots.frame["outcome"].copy()
        column.iloc[list(new)] = list(new.values())
        shots.frame["outcome"] = column
    return [row for (row, outcome), _, said in told if is_filled(said) and said != outcome]


def refuse_outcome(
    part: Part,
    name: str,
    rows: Mask,
    reason: str = "the outcome column says otherwise",
    do: str = "correct one of the two",
) -> None:
    """Set aside cells of one column that hold an outcome word and nothing else, where ``rows`` holds."""
    part.set_cells_aside(name, outcome_only(part.raw.rows[name]) & rows, reason, do)


def note(part: Part, name: str, parsed: Parsed) -> None:
    """Note what parsing one column found out about its cells."""
    note_problems(part, name, parsed.problems)
    if parsed.taken:
        value = _shown_in(part, name, [row for row, _, _ in parsed.taken])
        part.taken += [(row, name, one, how) for (row, _, how), one in zip(parsed.taken, value, strict=True)]


def note_problems(part: Part, name: str, problems: pd.DataFrame) -> None:
    """Note bad cells of one column, shown as their owner wrote them."""
    if problems.empty:
        return
    value = _shown_in(part, name, problems["row"].tolist())
    part.problems.append(problems.assign(column=name, value=value))


def _shown_in(part: Part, name: str, rows: Sequence[int]) -> list[str]:
    """Cells of one column as their owner wrote them."""
    return [shown(cell) for cell in listed(part.raw.rows[name].loc[list(rows)])]


def _once_each(part: Part) -> None:
    """A shot in several rows: each column holds the first value written; rows that say otherwise are told."""
    if each_stands_alone(part.raw):
        return
    keys = part.lead
    for name in part.frame.columns:
        values = part.frame[name]
        if name == "notes":
            written = values.dropna().astype("object")
            joined = written.groupby(keys[values.notna()]).agg(lambda some: "; ".join(dict.fromkeys(some)))
            part.frame[name] = pd.Series(keys, index=values.index).map(joined).astype("str")
            continue
        first = values.groupby(keys).first().reindex(keys)
        first.index = values.index
        differs = (values.notna() & (values != first).fillna(False)).to_numpy(dtype=bool)
        if differs.any():
            said = [f"an earlier row of this shot says {shown(one)}" for one in listed(first)]
            do = "correct the wrong row, or give each shot a shot_id of its own"
            part.set_cells_aside(name, differs, said, do)
        part.frame[name] = first


def _describe(part: Part) -> None:
    """Cells that describe a reading or a score in rows that have none: told, because their row is not one."""
    without = ~has_measure(part.raw)
    if not without.any():
        return
    what = MEASURED[part.raw.table]
    for name in part.raw.rows.columns:
        before = len(part.problems)
        if name in OUTCOME_CELLS.get(part.raw.table, ()):
            continue
        part.set_cells_aside(name, without, f"its row has no {what}", f"nothing, or write the {what}")
        if len(part.problems) > before:
            part.described[name] = len(part.problems[-1])

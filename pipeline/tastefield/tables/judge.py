"""Judge: which rows of a table stay, and why the others cannot: what is missing, unknown, impossible or told twice."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tastefield.tables import cells, dial, parts, plain
from tastefield.tables.typed import Part
from tastefield.words.columns import KEYS, TABLES

UNNAMED_TASTER = "unnamed taster"
MOST_EXTRACTED_PCT = 30.0
"""About the largest share of dry coffee that can dissolve: common practice, no source."""


@dataclass(eq=False)
class Verdicts:
    """The rows of one table from all places, and why some of them cannot stay.

    :param frame: canonical columns, ``place`` and ``row``.
    :param why: place in the frame -> reasons and remedies.
    """

    frame: pd.DataFrame
    why: dict[int, list[tuple[str, str]]] = field(default_factory=dict)

    def against(self, mask: pd.Series | parts.Mask, reason: str | Sequence[str], do: str | Sequence[str]) -> None:
        """Set rows aside where ``mask`` holds; reason and remedy are one for all, or one for each row of the frame."""
        for at in np.flatnonzero(np.asarray(mask, dtype=bool)).tolist():
            pair = (reason if isinstance(reason, str) else reason[at], do if isinstance(do, str) else do[at])
            self.why.setdefault(at, []).append(pair)

    @property
    def good(self) -> parts.Mask:
        """Which rows stay."""
        stay = np.ones(len(self.frame), dtype=bool)
        stay[list(self.why)] = False
        return stay


@dataclass(frozen=True)
class Lost:
    """Shots that were set aside, by the (place, row) of each of their rows and by name, and what to do about each."""

    rows: Mapping[tuple[str, int], str] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)


def judge(table: str, of_table: Sequence[Part], shots: pd.DataFrame | None, lost: Lost, attribute: str) -> Verdicts:
    """Decide for every row of one table whether it stays."""
    verdicts = Verdicts(stacked(table, of_table))
    if not of_table:
        return verdicts
    _against_missing(table, verdicts, of_table)
    if shots is not None and "shot_id" in KEYS[table]:
        _against_unknown_shots(verdicts, shots, lost)
    if table == "readings" and shots is not None:
        _against_impossible_extraction(verdicts, shots)
        _number_readings(verdicts)
    if table == "scores":
        for name, word in (("taster", UNNAMED_TASTER), ("attribute", attribute)):
            if verdicts.frame[name].hasnans:
                verdicts.frame[name] = verdicts.frame[name].fillna(word)
    if table == "grinders":
        _against_impossible_dials(verdicts)
    if not _named_once(verdicts.frame, of_table, shots):
        _against_duplicates(table, verdicts)
    return verdicts


def stacked(table: str, of_table: Sequence[Part]) -> pd.DataFrame:
    """The rows that stand for a row of the table, from all places, in the order they were read."""
    pieces = []
    for part in of_table:
        frame = part.frame.copy(deep=False)
        frame["place"] = plain.repeated(part.raw.place, frame.index)
        frame["row"] = frame.index.to_numpy(dtype="int64")
        if "shot_id" in frame:
            needs_name = table == "shots" or part.raw.together
            frame["shot_id"] = part.shot if needs_name else frame["shot_id"]
        alone = parts.each_stands_alone(part.raw)
        pieces.append(frame if alone else frame[np.equal(part.lead, np.arange(len(part.lead)))])
    if len(pieces) == 1:
        return pieces[0].reset_index(drop=True)
    if pieces:
        return pd.concat(pieces, ignore_index=True)
    return _empty(table).copy(deep=False)


@functools.cache
def _empty(table: str) -> pd.DataFrame:
    empty = {one.name: pd.Series([], dtype=cells.DTYPES[one.kind]) for one in TABLES[table]}
    return pd.DataFrame(empty | {"place": pd.Series([], dtype="str"), "row": pd.Series([], dtype="int64")})


def _against_missing(table: str, verdicts: Verdicts, of_table: Sequence[Part]) -> None:
    """Rows without what their table cannot do without and, where that cell was bad, why; sums of other rows."""
    frame = verdicts.frame
    if not any(frame[list(group)].isna().all(axis=1).any() for group in needed_columns(table)):
        return
    places = list(zip(cells.listed(frame["place"]), cells.listed(frame["row"]), strict=True))
    sums = {(part.raw.place, row) for part in of_table for row in part.raw.rows.index[parts.total_rows(part.raw.rows)]}
    bad = {
        (part.raw.place, row, name): (f"{_label(name)} holds {value}: {reason}", do)
        for part in of_table
        for problems in part.problems
        for row, name, value, reason, do in problems[["row", "column", "value", "reason", "do"]].itertuples(index=False)
    }
    absent: dict[int, list[str]] = {}
    for group in needed_columns(table):
        for at in np.flatnonzero(frame[list(group)].isna().all(axis=1)).tolist():
            faults = [bad[(*places[at], name)] for name in group if (*places[at], name) in bad]
            if places[at] in sums:
                verdicts.why[at] = [("it looks like a sum of other rows", "nothing, if it is one")]
            elif faults:
                verdicts.why.setdefault(at, []).extend(faults)
            else:
                absent.setdefault(at, []).append(" or ".join(map(_label, group)))
    for at, columns in absent.items():
        once = [name for name in ("machine", "coffee") if name in columns]
        hint = f"; if it is written once for several rows, set fill_down = {once} in its [[source]]" if once else ""
        pair = (f"there is no {' and no '.join(columns)}", f"write it{hint}".replace("'", '"'))
        if places[at] not in sums:
            verdicts.why.setdefault(at, []).append(pair)


def needed_columns(table: str) -> list[tuple[str, ...]]:
    """What a row cannot do without: one column of each group."""
    groups: list[tuple[str, ...]] = [(one.name,) for one in TABLES[table] if one.required]
    return [*groups, parts.MEASURES["readings"]] if table == "readings" else groups


def _label(name: str) -> str:
    """A column as people say it: dose, not dose_g."""
    known = {"tds_pct": "TDS", "shot_id": "shot_id"}
    return known.get(name) or re.sub(r"_(g|s|pct)$", "", name).replace("_", " ")


def _against_unknown_shots(verdicts: Verdicts, shots: pd.DataFrame, lost: Lost) -> None:
    frame = verdicts.frame
    if frame.empty:
        return
    if not lost.rows and not lost.names and plain.all_among(frame["shot_id"], shots["shot_id"]):
        return
    known = set(cells.listed(shots["shot_id"]))
    names = cells.listed(frame["shot_id"])
    rows = zip(cells.listed(frame["place"]), cells.listed(frame["row"]), names, strict=True)
    remedies = [lost.rows.get((place, row)) or lost.names.get(shot, "") for place, row, shot in rows]
    gone = np.array([bool(remedy) for remedy in remedies], dtype=bool)
    verdicts.against(gone, "its shot was set aside", remedies)
    unknown = np.array([isinstance(name, str) and name not in known for name in names], dtype=bool) & ~gone
    reasons = [f"there is no shot {name}" for name in names]
    do = "correct the shot_id here or among the shots"
    of_code = "give the code one shot in its key, or correct it on the sheet"
    codes = [isinstance(name, str) and parts.is_code_without_shot(name) for name in names]
    verdicts.against(unknown, reasons, [of_code if is_code else do for is_code in codes])


def _against_impossible_extraction(verdicts: Verdicts, shots: pd.DataFrame) -> None:
    """Readings by which more would be dissolved than coffee can give (out x TDS x dilution / dose)."""
    frame = verdicts.frame
    if frame.empty:
        return
    by_shot = shots.set_index("shot_id")
    with np.errstate(all="ignore"):
        ratio = (by_shot["beverage_g"] / by_shot["dose_g"]).reindex(frame["shot_id"].astype("object")).to_numpy()
        extracted = frame["tds_pct"].to_numpy() * frame["dilution"].fillna(1.0).to_numpy() * ratio
        over = (extracted > MOST_EXTRACTED_PCT) & verdicts.good
    reasons = [f"by it {value:.1f} % of the dry coffee would be in the cup" for value in extracted]
    verdicts.against(over, reasons, "correct the TDS, the weight out or the dose")


def _against_impossible_dials(verdicts: Verdicts) -> None:
    """Dials that cannot be: ends that do not fit the notation, or before they begin, a step longer than the dial."""
    for at, row in enumerate(verdicts.frame.to_dict("records")):
        told = {name: None if pd.isna(value) else value for name, value in row.items()}
        labels = told["labels"].split(",") if told["labels"] else ()
        per = None if told["per"] is None else int(told["per"])
        ends = told["lowest"], told["highest"]
        for problem in dial.problems(told["notation"], per, labels, *ends, told["step"]):
            verdicts.why.setdefault(at, []).append((f"{problem.where} {problem.what}", problem.do))


def _number_readings(verdicts: Verdicts) -> None:
    """Number readings that have no number, after those of their shot that have one."""
    frame = verdicts.frame
    missing = frame["reading_no"].isna() & verdicts.good
    highest = frame.groupby("shot_id")["reading_no"].max().fillna(0.0)
    shot = frame.loc[missing, "shot_id"]
    frame.loc[missing, "reading_no"] = shot.groupby(shot).cumcount() + 1 + shot.map(highest).astype(float)


def _named_once(frame: pd.DataFrame, of_table: Sequence[Part], shots: pd.DataFrame | None) -> bool:
    """Whether rows are known to have a shot_id each, told the quick ways; then no two have the same key."""
    if "shot_id" not in frame:
        return False
    if shots is not None and plain.held(frame["shot_id"]).equals(plain.held(shots["shot_id"])):
        return True
    return len(of_table) == 1 and parts.names_each_once(of_table[0].raw)


def _against_duplicates(table: str, verdicts: Verdicts) -> None:
    """Of rows with the same key the first kept one stays."""
    key = list(KEYS[table])
    good = np.flatnonzero(verdicts.good)
    again = np.zeros(len(verdicts.frame), dtype=bool)
    again[good] = verdicts.frame.iloc[good][key].duplicated(keep="first").to_numpy()
    if not again.any():
        return
    keys = verdicts.frame.iloc[good][key].astype("object").fillna("")
    first = keys.drop_duplicates().assign(_at=lambda some: some.index)
    found = verdicts.frame[key].astype("object").fillna("").merge(first, on=key, how="left")["_at"]
    place, row = verdicts.frame["place"].to_numpy(), verdicts.frame["row"].to_numpy()
    reasons = [
        "" if pd.isna(at) else f"row {row[int(at)]} of {place[int(at)]} has the same {', '.join(key)}" for at in found
    ]
    do = {
        "shots": "give each shot a shot_id of its own, or delete the row that was entered twice",
        "coffees": "keep one row a coffee; a roast date that differs belongs beside the shots",
        "scores": "delete the row that was entered twice; for a second tasting write its serving_order or session",
    }
    verdicts.against(again, reasons, do.get(table, "delete the row that was entered twice"))


def lost_shots(verdicts: Verdicts, of_table: Sequence[Part]) -> Lost:
    """What readings, scores and traces need to know of the shots that were set aside."""
    if not verdicts.why:
        return Lost()
    bad = verdicts.frame[~verdicts.good]
    remedies = {(place, row): f"mend row {row} of {place}" for place, row in zip(bad["place"], bad["row"], strict=True)}
    rows = {
        (part.raw.place, row): remedies[part.raw.place, lead]
        for part in of_table
        for row, lead in part.lead_rows().items()
        if (part.raw.place, lead) in remedies
    }
    kept = set(verdicts.frame.loc[verdicts.good, "shot_id"])
    by_name = zip(bad["shot_id"], remedies.values(), strict=True)
    return Lost(rows, {shot: remedy for shot, remedy in by_name if shot not in kept})

"""Reconcile: every cell read by its kind, every row keyed and joined, nothing lost.

Set aside is only what is physically impossible or cannot be read or keyed; unusual shots stay, and so do shots without
a weight, a time or a taste. What is set aside is written out whole with its reason and what to do.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tastefield.config import SourceConfig, TasteConfig
from tastefield.errors import PluginError, Problem
from tastefield.records import RawTable, Records, SourceCount, Taste
from tastefield.tables import account, cells, doubts, headings, parts, taste, typed
from tastefield.tables.typed import Part
from tastefield.words.columns import KEYS, SET_ASIDE, TABLES, column
from tastefield.words.findings import Finding, finding
from tastefield.words.tastes import TASTES, VERDICTS

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


def reconcile(raw: Sequence[RawTable], sources: Sequence[SourceConfig], taste_config: TasteConfig) -> Records:
    """Read every cell, set aside what cannot be used, join readings, scores and traces to their shots.

    :param raw: at most one for each place and table.
    :param sources: the ``[[source]]`` blocks that ``raw.source`` counts.
    :returns: typed tables; for every place and table, rows and cells read = kept + set aside.
    :raises PluginError: two rows of one place have the same number.
    :raises tastefield.tables.account.NotBalanced: something was lost; a defect.
    """
    _refuse_unnumbered(raw)
    findings: list[Finding] = []
    read_parts = _read_cells(raw, sources)
    used_taste = _read_scores(read_parts, taste_config, findings)
    findings += _outcomes_told(read_parts)

    kept: dict[str, pd.DataFrame] = {}
    aside: list[pd.DataFrame] = []
    lost = Lost()
    for table in TABLES:
        of_table = [part for part in read_parts if part.raw.table == table]
        verdicts = _judge(table, of_table, kept.get("shots"), lost, used_taste.attribute)
        kept[table] = verdicts.frame[verdicts.good].reset_index(drop=True)
        aside += _written_out(table, verdicts, of_table)
        if table == "shots":
            lost = _lost(verdicts, of_table)
            _outcomes_without_shot(read_parts, lost)
    told = _in_order(aside, raw)
    set_aside = told[list(SET_ASIDE)]
    findings += _set_aside_told(told, kept) + _described_told(read_parts)
    findings += doubts.about(kept) + doubts.identical_rows(raw)
    counts = tuple(SourceCount(*count) for count in account.tally(raw, kept, set_aside))
    records = Records(kept, set_aside, counts, used_taste, tuple(findings))
    account.check_account(raw, records)
    return records


def _refuse_unnumbered(raw: Sequence[RawTable]) -> None:
    """Row numbers name what is set aside, so they must be unique in their place."""
    places = Counter((one.place, one.table) for one in raw)
    do = "the index of a chunk is the row number as its owner counts, each once in its place"
    problems = [
        Problem("two rows have the same number", one.place, do=do) for one in raw if not one.rows.index.is_unique
    ]
    problems += [
        Problem(f"{table} were handed on in {count} pieces", place, do="join them into one raw table")
        for (place, table), count in places.items()
        if count > 1
    ]
    if problems:
        raise PluginError(problems)


def _read_cells(raw: Sequence[RawTable], sources: Sequence[SourceConfig]) -> list[Part]:
    by_place: dict[str, list[RawTable]] = {}
    for one in raw:
        by_place.setdefault(one.place, []).append(one)
    read = []
    for one in raw:
        source = sources[one.source]
        marks = typed.decimal_marks(by_place[one.place], source.decimal)
        units = {name: headings.unit_of(theirs, column(one.table, name)) for name, theirs in one.headings.items()}
        units |= source.units
        read.append(typed.read(one, marks, units, source.day_first, source.clock))
    return read


def _read_scores(read_parts: Sequence[Part], config: TasteConfig, findings: list[Finding]) -> Taste:
    """Hear every score cell, settle the scale, then turn what was said into scores."""
    words = tuple(dict.fromkeys((*VERDICTS, *TASTES, *(word.casefold() for word in config.words))))
    scored = [part for part in read_parts if part.raw.table == "scores" and "score" in part.raw.rows]
    modelled: list[pd.Series] = []
    heard = []
    for part in scored:
        cells_ = part.raw.rows["score"]
        written = typed.take_outcomes(part, cells_) if part.raw.together else cells_
        listened = taste.listen(written, words, part.marks.get("score", ""))
        typed.note_problems(part, "score", listened.problems)
        part.frame["attribute"] = part.frame["attribute"].str.casefold().fillna(config.attribute.casefold())
        modelled.append(part.frame["attribute"] == config.attribute.casefold())
        heard.append(listened.values)

    every = [one for said, ours in zip(heard, modelled, strict=True) for one in said[ours].dropna()]
    scale = config.scale or taste.infer_scale(every)
    good = config.good if config.good is not None else taste.default_good(scale)
    used = Taste(config.attribute, scale, good, taste.word_scores(scale, good, config.words), config.scale is None)
    for part, said, ours in zip(scored, heard, modelled, strict=True):
        for mask, limits in ((ours, config.scale), (~ours, None)):
            scores = taste.scores(said[mask], limits, used.words)
            part.frame.loc[mask, "score"] = scores.values
            typed.note_problems(part, "score", scores.problems)
    findings += _taste_told(every, used)
    return used


def _taste_told(every: Sequence[taste.Said], used: Taste) -> list[Finding]:
    told = []
    if every and used.inferred:
        low, high = used.scale
        told.append(finding("scale_inferred", low=f"{low:g}", high=f"{high:g}", good=f"{used.good:g}"))
    in_words = [word for said in every if said.value is None for word in said.words]
    if in_words:
        in_order = sorted(set(in_words), key=lambda word: (used.words[word], word))
        listed = ", ".join(f"{word} {used.words[word]:.3g}" for word in in_order)
        count = sum(said.value is None for said in every)
        told.append(finding("scores_from_words", count=count, list=listed))
    return told


def _outcomes_told(read_parts: Sequence[Part]) -> list[Finding]:
    """Hand outcome words found among the tastes to the shots of their rows, and tell of all that were found."""
    shots = {part.raw.place: part for part in read_parts if part.raw.table == "shots"}
    told = []
    for part in read_parts:
        if part.raw.table == "scores" and part.outcomes:
            _outcomes_from_tastes(part, shots.get(part.raw.place))
        if part.outcomes:
            words = ", ".join(sorted(set(part.outcomes.values())))
            where = {"place": part.raw.place, "table": part.raw.table}
            told.append(finding("outcome_from_words", where, count=len(part.outcomes), words=words))
    return told


def _outcomes_from_tastes(part: Part, shots: Part | None) -> None:
    """Outcome words found in score cells become the outcome of the shot in their row, unless that says otherwise."""
    rows = part.raw.rows.index
    lead = {} if shots is None else shots.lead_rows()
    of_shots = {lead[row]: outcome for row, outcome in part.outcomes.items() if row in lead}
    against = set() if shots is None else set(typed.give_outcomes(shots, of_shots))
    refused = [row not in lead or lead[row] in against for row in rows]
    typed.refuse_outcome(part, "score", np.array(refused, dtype=bool))


def _outcomes_without_shot(read_parts: Sequence[Part], lost: Lost) -> None:
    """Outcome words in score cells go the way of their shot."""
    for part in read_parts:
        if part.raw.table == "scores" and part.outcomes:
            gone = np.array([(part.raw.place, row) in lost.rows for row in part.raw.rows.index.tolist()], dtype=bool)
            typed.refuse_outcome(part, "score", gone, "its shot was set aside", "mend the shot")


def _judge(table: str, of_table: Sequence[Part], shots: pd.DataFrame | None, lost: Lost, attribute: str) -> Verdicts:
    """Decide for every row of one table whether it stays."""
    verdicts = Verdicts(_stacked(table, of_table))
    _against_missing(table, verdicts, of_table)
    if shots is not None and table != "checks":
        _against_unknown_shots(verdicts, shots, lost)
    if table == "readings" and shots is not None:
        _against_impossible_extraction(verdicts, shots)
        _number_readings(verdicts)
    if table == "scores":
        verdicts.frame["taster"] = verdicts.frame["taster"].fillna(UNNAMED_TASTER)
        verdicts.frame["attribute"] = verdicts.frame["attribute"].fillna(attribute)
    _against_duplicates(table, verdicts)
    return verdicts


def _stacked(table: str, of_table: Sequence[Part]) -> pd.DataFrame:
    """The rows that stand for a row of the table, from all places, in the order they were read."""
    pieces = []
    for part in of_table:
        frame = part.frame.copy()
        frame["place"] = pd.Series(part.raw.place, index=frame.index, dtype="str")
        frame["row"] = frame.index.to_numpy(dtype="int64")
        if "shot_id" in frame:
            needs_name = table == "shots" or part.raw.together
            frame["shot_id"] = pd.Series(part.shot, index=frame.index, dtype="str") if needs_name else frame["shot_id"]
        pieces.append(frame[_is_lead(part)])
    if pieces:
        return pd.concat(pieces, ignore_index=True)
    empty = {one.name: pd.Series([], dtype=cells.DTYPES[one.kind]) for one in TABLES[table]}
    return pd.DataFrame(empty | {"place": pd.Series([], dtype="str"), "row": pd.Series([], dtype="int64")})


def _is_lead(part: Part) -> parts.Mask:
    return np.equal(part.lead, np.arange(len(part.lead)))


def _against_missing(table: str, verdicts: Verdicts, of_table: Sequence[Part]) -> None:
    """Rows without what their table cannot do without and, where that cell was bad, why; sums of other rows."""
    frame = verdicts.frame
    places = list(zip(cells.listed(frame["place"]), cells.listed(frame["row"]), strict=True))
    sums = {(part.raw.place, row) for part in of_table for row in part.raw.rows.index[parts.total_rows(part.raw.rows)]}
    bad = {
        (part.raw.place, row, name): (f"{_label(name)} holds {value}: {reason}", do)
        for part in of_table
        for problems in part.problems
        for row, name, value, reason, do in problems[["row", "column", "value", "reason", "do"]].itertuples(index=False)
    }
    absent: dict[int, list[str]] = {}
    for group in _needed(table):
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


def _needed(table: str) -> list[tuple[str, ...]]:
    """What a row cannot do without: one column of each group."""
    groups: list[tuple[str, ...]] = [(one.name,) for one in TABLES[table] if one.required]
    return [*groups, parts.MEASURES["readings"]] if table == "readings" else groups


def _label(name: str) -> str:
    """A column as people say it: dose, not dose_g."""
    known = {"tds_pct": "TDS", "shot_id": "shot_id"}
    return known.get(name) or re.sub(r"_(g|s|pct)$", "", name).replace("_", " ")


def _against_unknown_shots(verdicts: Verdicts, shots: pd.DataFrame, lost: Lost) -> None:
    frame = verdicts.frame
    known = set(cells.listed(shots["shot_id"]))
    names = cells.listed(frame["shot_id"])
    rows = zip(cells.listed(frame["place"]), cells.listed(frame["row"]), names, strict=True)
    remedies = [lost.rows.get((place, row)) or lost.names.get(shot, "") for place, row, shot in rows]
    gone = np.array([bool(remedy) for remedy in remedies], dtype=bool)
    verdicts.against(gone, "its shot was set aside", remedies)
    unknown = np.array([isinstance(name, str) and name not in known for name in names], dtype=bool) & ~gone
    reasons = [f"there is no shot {name}" for name in names]
    verdicts.against(unknown, reasons, "correct the shot_id here or among the shots")


def _against_impossible_extraction(verdicts: Verdicts, shots: pd.DataFrame) -> None:
    """Readings by which more would be dissolved than coffee can give (out x TDS x dilution / dose)."""
    by_shot = shots.set_index("shot_id")
    frame = verdicts.frame
    with np.errstate(all="ignore"):
        ratio = (by_shot["beverage_g"] / by_shot["dose_g"]).reindex(frame["shot_id"].astype("object")).to_numpy()
        extracted = frame["tds_pct"].to_numpy() * frame["dilution"].fillna(1.0).to_numpy() * ratio
        over = (extracted > MOST_EXTRACTED_PCT) & verdicts.good
    reasons = [f"by it {value:.1f} % of the dry coffee would be in the cup" for value in extracted]
    verdicts.against(over, reasons, "correct the TDS, the weight out or the dose")


def _number_readings(verdicts: Verdicts) -> None:
    """Number readings that have no number, after those of their shot that have one."""
    frame = verdicts.frame
    missing = frame["reading_no"].isna() & verdicts.good
    highest = frame.groupby("shot_id")["reading_no"].max().fillna(0.0)
    shot = frame.loc[missing, "shot_id"]
    frame.loc[missing, "reading_no"] = shot.groupby(shot).cumcount() + 1 + shot.map(highest).astype(float)


def _against_duplicates(table: str, verdicts: Verdicts) -> None:
    """Of rows with the same key the first kept one stays."""
    key = list(KEYS[table])
    good = np.flatnonzero(verdicts.good)
    keys = verdicts.frame.iloc[good][key].astype("object").fillna("")
    again = np.zeros(len(verdicts.frame), dtype=bool)
    again[good] = keys.duplicated(keep="first").to_numpy()
    if not again.any():
        return
    first = keys.drop_duplicates().assign(_at=lambda some: some.index)
    found = verdicts.frame[key].astype("object").fillna("").merge(first, on=key, how="left")["_at"]
    place, row = verdicts.frame["place"].to_numpy(), verdicts.frame["row"].to_numpy()
    reasons = [
        "" if pd.isna(at) else f"row {row[int(at)]} of {place[int(at)]} has the same {', '.join(key)}" for at in found
    ]
    do = {
        "shots": "give each shot a shot_id of its own, or delete the row that was entered twice",
        "scores": "delete the row that was entered twice; for a second tasting write its serving_order or session",
    }
    verdicts.against(again, reasons, do.get(table, "delete the row that was entered twice"))


def _lost(verdicts: Verdicts, of_table: Sequence[Part]) -> Lost:
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


def _written_out(table: str, verdicts: Verdicts, of_table: Sequence[Part]) -> list[pd.DataFrame]:
    """Everything of one table that is set aside: whole rows, rows that repeat one, and single cells."""
    frame = verdicts.frame
    place, row = frame["place"].to_numpy(), frame["row"].to_numpy()
    why = {(place[at], row[at]): pairs for at, pairs in verdicts.why.items()}
    needed = {name for group in _needed(table) for name in group}
    out = []
    for part in of_table:
        told = []
        for here, lead in part.lead_rows().items() if why else ():
            pairs = why.get((part.raw.place, lead))
            if pairs:
                reason = "; ".join(dict.fromkeys(reason for reason, _ in pairs))
                reason = reason if here == lead else f"it repeats row {lead}, which was set aside: {reason}"
                told.append((here, "", "", reason, "; ".join(dict.fromkeys(do for _, do in pairs)), False))
        whole = pd.DataFrame(told, columns=["row", "column", "value", "reason", "do", "asked"])
        if told:
            whole["value"] = _whole_rows(part.raw.rows.loc[whole["row"]])
        single = [_not_told_yet(problems, whole, needed) for problems in part.problems]
        pieces = [piece for piece in (whole, *single) if len(piece)]
        if pieces:
            out.append(pd.concat(pieces, ignore_index=True).assign(place=part.raw.place, table=table))
    return out


def _not_told_yet(problems: pd.DataFrame, whole: pd.DataFrame, needed: set[str]) -> pd.DataFrame:
    """Bad cells but those that are the reason why their whole row is set aside."""
    return problems[~(problems["column"].isin(needed) & problems["row"].isin(whole["row"]))]


def _whole_rows(rows: pd.DataFrame) -> list[str]:
    there = cells.filled(rows)
    columns = rows.columns
    return [
        "; ".join(f"{columns[at]}={cells.shown(row[at])}" for at in np.flatnonzero(mask).tolist())
        for row, mask in zip(rows.itertuples(index=False, name=None), there, strict=True)
    ]


def _in_order(pieces: Sequence[pd.DataFrame], raw: Sequence[RawTable]) -> pd.DataFrame:
    """What is set aside, by place in the order read, then table, row and column; each cell once."""
    columns = [*SET_ASIDE, "asked"]
    if not pieces:
        empty = pd.DataFrame(
            {name: pd.Series([], dtype="str") for name in SET_ASIDE} | {"asked": pd.Series([], dtype=bool)}
        )
        return empty.astype({"row": "int64"})[columns]
    told = pd.concat(pieces, ignore_index=True).drop_duplicates(["place", "table", "row", "column"], ignore_index=True)
    order = {one.place: at for at, one in reversed(list(enumerate(raw)))}
    tables = {table: at for at, table in enumerate(TABLES)}
    told = told.assign(_place=told["place"].map(order), _table=told["table"].map(tables))
    told = told.sort_values(["_place", "_table", "row", "column"], kind="stable", ignore_index=True)
    types = dict.fromkeys(("place", "table", "column", "value", "reason", "do"), "str")
    return told[columns].astype({**types, "row": "int64", "asked": bool})


def _set_aside_told(told: pd.DataFrame, kept: dict[str, pd.DataFrame]) -> list[Finding]:
    """One finding for each table of a place that lost rows, and for each column that lost cells."""
    found = []
    rows = told[told["column"] == ""]
    for (place, table), group in rows.groupby(["place", "table"], sort=False):
        first = group.iloc[0]
        here = int((kept[str(table)]["place"] == place).sum())
        found.append(
            finding(
                "rows_set_aside",
                {"place": place, "table": table},
                count=len(group),
                read=here + len(group),
                row=first["row"],
                reason=first["reason"],
                do=_sentence(first["do"]),
                table=table,
            )
        )
    whole = set(zip(rows["place"], rows["table"], rows["row"], strict=True))
    single = told[(told["column"] != "") & ~told["reason"].str.startswith("its row has no ")]
    alone = [tuple(key) not in whole for key in single[["place", "table", "row"]].itertuples(index=False)]
    single = single[np.array(alone, dtype=bool)]
    for (place, table, name, asked), group in single.groupby(["place", "table", "column", "asked"], sort=False):
        first = group.iloc[0]
        found.append(
            finding(
                "cells_asked_about" if asked else "cells_set_aside",
                {"place": place, "table": table, "column": name},
                count=len(group),
                column=name,
                row=first["row"],
                value=first["value"],
                reason=first["reason"],
                do=_sentence(first["do"]),
            )
        )
    return found


def _sentence(do: str) -> str:
    return do[:1].upper() + do[1:]


def _described_told(read_parts: Sequence[Part]) -> list[Finding]:
    verbs = {"readings": "read", "scores": "tasted"}
    return [
        finding(
            "described_not_measured",
            {"place": part.raw.place, "table": part.raw.table},
            count=sum(part.described.values()),
            table=part.raw.table,
            columns=", ".join(part.described),
            verb=verbs.get(part.raw.table, "measured"),
        )
        for part in read_parts
        if part.described
    ]

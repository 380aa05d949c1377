"""Suspects: what was kept and yet looks wrong, or teaches nothing: dates, damaged names, scores of half-told shots.

Nothing is set aside here. Dates are judged by each other and never by today, so that a log says the same every day.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from tastefield.records import Records
from tastefield.slug import shortened
from tastefield.tables.doubts import NAMED, alike
from tastefield.words.findings import Finding, finding

FAR_YEARS = 5
"""Years between a date and every other of its log from which it is told. Ours, no source."""
MOST_FAR = 3
"""At most one date in so many is told: where more lie apart, nobody can say which of them are wrong."""
DAMAGED = "\N{REPLACEMENT CHARACTER}"
LOST = 3
"""Characters that one damaged one may stand for; none, where it was put in."""
FEW = 5
"""Rows that are told one by one before the rest are only counted."""


def suspects(records: Records) -> Records:
    """The records, with a finding for each thing in them that its owner should look at again.

    :param records: with weights and times that recordings gave already filled in.
    """
    shots = records.tables["shots"]
    told = [*_far_dates(shots), *_damaged_names(records), *_unused_scores(records)]
    return replace(records, findings=(*records.findings, *told)) if told else records


def _far_dates(shots: pd.DataFrame) -> Iterator[Finding]:
    """Dates of shots that lie years before or after all others."""
    far_away, days = np.timedelta64(FAR_YEARS * 365, "D"), shots["pulled_at"]
    if not days.max() - days.min() >= far_away:  # nor where there are none
        return
    days = days.dropna().sort_values(kind="stable")
    apart = np.diff(days.to_numpy()) >= far_away
    spell = np.concatenate([[0], np.cumsum(apart)])
    usual = int(np.bincount(spell).argmax())
    far = spell != usual
    if not 0 < far.sum() * MOST_FAR <= len(days):
        return
    first, last = (f"{day:%Y-%m-%d}" for day in days[~far].agg(["min", "max"]))
    rows = shots.loc[days.index[far], ["pulled_at", "row", "place"]].itertuples(index=False, name=None)
    told = [f"{day:%Y-%m-%d} in row {row} of {place}" for day, row, place in rows]
    values = {"years": FAR_YEARS, "first": first, "last": last, "count": len(told), "list": _few(told)}
    yield finding("dates_far_off", {"table": "shots", "column": "pulled_at"}, **values)


def _damaged_names(records: Records) -> Iterator[Finding]:
    """Names with a character that could not be read, each with the whole name it may be."""
    for column, tables in NAMED.items():
        found = [records.tables[table] for table in tables]
        bad = [rows[rows[column].str.contains(DAMAGED, regex=False, na=False)] for rows in found]
        if not any(map(len, bad)):
            continue
        uses = pd.concat([rows[column].dropna() for rows in found]).value_counts()
        whole = sorted((name for name in uses.index if DAMAGED not in name), key=lambda name: (-uses[name], name))
        for name, rows in pd.concat(bad).groupby(column, sort=True):
            like = next((one for one in whole if _may_be(str(name), one)), "")
            told = [f"row {row} of {place}" for row, place in zip(rows["row"], rows["place"], strict=True)]
            values = {"what": column, "name": shortened(str(name)), "count": len(told), "list": _few(told)}
            maybe, do = "", "Write the whole name there"
            if like:
                maybe, do = f'; it may be "{shortened(like)}"', f'Write "{shortened(like)}" there, if it is that one'
            yield finding("name_damaged", {column: str(name)}, maybe=maybe, do=do, **values)


def _may_be(damaged: str, whole: str) -> bool:
    """Whether a name is another one with some characters damaged, whatever its capitals and spaces."""
    name, ends = alike(whole), {0}  # where in the whole name what was compared so far may end
    for piece in re.split(f"({DAMAGED}+)", alike(damaged)):
        if DAMAGED in piece:
            ends = {end for at in ends for end in range(at, min(at + LOST * len(piece), len(name)) + 1)}
        else:
            ends = {at + len(piece) for at in ends if name.startswith(piece, at)}
    return len(name) in ends


def _unused_scores(records: Records) -> Iterator[Finding]:
    """Scores of shots without weight out or time although nothing says why: they teach nothing."""
    shots, scores = records.tables["shots"], records.tables["scores"]
    bare = shots[shots["beverage_g"].isna() | shots["shot_time_s"].isna()]
    bare = bare[bare["outcome"].astype("object").fillna("ok") == "ok"]
    if bare.empty:
        return
    modelled = scores["attribute"].astype("object").str.casefold() == records.taste.attribute.casefold()
    count = scores.loc[modelled, "shot_id"].value_counts()
    half = bare[bare["shot_id"].isin(count.index)]
    if half.empty:
        return
    told = []
    for out, time, row, place in half[["beverage_g", "shot_time_s", "row", "place"]].itertuples(index=False, name=None):
        lacks = " and ".join(name for name, value in (("weight out", out), ("time", time)) if pd.isna(value))
        told.append(f"row {row} of {place}: no {lacks}")
    unused = int(count.reindex(half["shot_id"]).sum())
    yield finding("scores_unused", {"table": "scores", "unused": unused}, count=unused, list=_few(told, "; "))


def _few(told: Iterable[str], between: str = ", ") -> str:
    every = list(told)
    return between.join(every[:FEW]) + (f"{between}and {len(every) - FEW} more" if len(every) > FEW else "")

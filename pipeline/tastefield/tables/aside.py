"""Set aside: everything not kept, written out whole with its reason and what to do, and the findings about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from tastefield.tables import cells
from tastefield.tables.headings import unit_of
from tastefield.tables.judge import Verdicts, needed_columns
from tastefield.tables.parts import Raw
from tastefield.tables.typed import Part
from tastefield.tables.units import said
from tastefield.words.columns import SET_ASIDE, TABLES, column
from tastefield.words.findings import Finding, finding


def written_out(table: str, verdicts: Verdicts, of_table: Sequence[Part]) -> list[pd.DataFrame]:
    """Everything of one table that is set aside: whole rows, rows that repeat one, and single cells."""
    if not of_table:
        return []
    against = verdicts.frame[["place", "row"]].iloc[list(verdicts.why)].itertuples(index=False, name=None)
    why = dict(zip(against, verdicts.why.values(), strict=True))
    needed = {name for group in needed_columns(table) for name in group}
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
            whole["value"] = _whole_rows(part.raw.rows.loc[whole["row"]], part)
        single = [_with_unit(_not_told_yet(problems, whole, needed), part) for problems in part.problems]
        pieces = [piece for piece in (whole, *single) if len(piece)]
        if pieces:
            out.append(pd.concat(pieces, ignore_index=True).assign(place=part.raw.place, table=table))
    return out


def _not_told_yet(problems: pd.DataFrame, whole: pd.DataFrame, needed: set[str]) -> pd.DataFrame:
    """Bad cells but those that are the reason why their whole row is set aside."""
    return problems[~(problems["column"].isin(needed) & problems["row"].isin(whole["row"]))]


def _with_unit(problems: pd.DataFrame, part: Part) -> pd.DataFrame:
    """Bad cells of a column in another unit with that unit in their reason: 27000 beside seconds misleads."""
    written = problems["column"].isin(list(part.units)) & (problems["reason"] != cells.NOBODY_MEASURED)
    written &= ~problems["reason"].str.startswith("its row has no ")
    if not written.any():
        return problems
    units = [part.units.get(name, "") for name in problems["column"]]
    headings = [part.raw.headings.get(name, name) for name in problems["column"]]
    under = [f'; it stands under "{heading}", in {said(unit)}' for heading, unit in zip(headings, units, strict=True)]
    reason = problems["reason"].where(~written, problems["reason"] + pd.Series(under, index=problems.index))
    return problems.assign(reason=reason)


def _whole_rows(rows: pd.DataFrame, part: Part) -> list[str]:
    """Rows written out, each cell under its column; one in another unit under its heading, which names that unit."""
    there = cells.filled(rows)
    columns = [_under(str(name), part) if name in part.units else name for name in rows.columns]
    return [
        "; ".join(f"{columns[at]}={cells.shown(row[at])}" for at in np.flatnonzero(mask).tolist())
        for row, mask in zip(rows.itertuples(index=False, name=None), there, strict=True)
    ]


def _under(name: str, part: Part) -> str:
    """The heading of a column in another unit; with that unit, where the configuration says it and not the heading."""
    heading, unit = part.raw.headings.get(name, name), part.units[name]
    return heading if unit_of(heading, column(part.raw.table, name)) == unit else f"{heading} ({unit})"


def in_order(pieces: Sequence[pd.DataFrame], raw: Sequence[Raw]) -> pd.DataFrame:
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


def set_aside_told(told: pd.DataFrame, kept: Mapping[str, pd.DataFrame]) -> list[Finding]:
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
    kinds = ["place", "table", "column", "asked", "unmeasured"]
    single = single.assign(unmeasured=single["reason"] == cells.NOBODY_MEASURED)
    for (place, table, name, asked, unmeasured), group in single.groupby(kinds, sort=False):
        first = group.iloc[0]
        found.append(
            finding(
                "cells_not_measured" if unmeasured else "cells_asked_about" if asked else "cells_set_aside",
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


def described_told(read_parts: Sequence[Part]) -> list[Finding]:
    """One finding for each place that describes readings or scores in rows that have none."""
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

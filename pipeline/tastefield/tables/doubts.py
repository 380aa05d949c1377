"""Doubts about kept tables: names that differ only in capitals, targets typed as weights, TDS typed as a fraction."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from tastefield.tables import units
from tastefield.tables.cells import folded, is_filled, occurring, shown, written
from tastefield.tables.judge import UNNAMED_TASTER
from tastefield.tables.parts import Raw, by_place, labels
from tastefield.tables.typed import Part
from tastefield.words import columns
from tastefield.words.findings import Finding, finding

NAMED = {
    "machine": ("shots", "checks"),
    "coffee": ("shots", "coffees"),
    "grinder": ("shots", "grinders"),
    "taster": ("scores",),
}
LEAST_IN_GRAMS, MOST_IN_OUNCES = 5.0, 3.0
"""No dose weighs less than 5 g, none as much as 3 oz: common practice, no source."""
ENOUGH_SHOTS = 5
"""Below this many shots alike weights may be chance."""
WEIGHED = ["dose_g", "beverage_g", "shot_time_s"]
DAY_S, MINUTE_OF_DAY, MOST_SECONDS = 86_400.0, 1_440.0, 90.0
"""No shot is over in a sixteenth of a second, which as a fraction of a day is 90 min, or 90 s typed as 1:30."""
FRACTION_BELOW = 0.3
"""No espresso is as thin as 0.3 % TDS, and none as strong as 30 %: common practice, no source."""


def about(tables: Mapping[str, pd.DataFrame]) -> list[Finding]:
    """Every doubt about the kept tables together but names."""
    return [*typed_targets(tables["shots"]), *fraction_tds(tables["readings"])]


def names_alike(tables: Mapping[str, pd.DataFrame], raw: Sequence[Raw]) -> list[Finding]:
    """Names that differ only in case, width or spaces. They are kept apart: only their owner knows.

    :param raw: the raw tables; their cells, which may be few different ones, tell where names need not be counted.
    """
    found = []
    for column, where in NAMED.items():
        cells = (cell for one in raw if column in one.rows for cell in occurring(one.rows[column]) if is_filled(cell))
        spelled_ = {folded(shown(cell)) for cell in cells} | {UNNAMED_TASTER}
        if len({alike(name) for name in spelled_}) == len(spelled_):
            continue
        uses = pd.concat([tables[table][column].dropna() for table in where]).value_counts(sort=False)
        groups: dict[str, list[str]] = {}
        for name in uses.index:
            groups.setdefault(alike(name), []).append(name)
        for group in groups.values():
            if len(group) > 1:
                ranked = sorted(group, key=lambda name: (-int(uses[name]), name))
                spelled = ", ".join(f'"{name}" ({uses[name]})' for name in ranked)
                where_ = {column: ranked[0]}
                found.append(finding("names_differ_only_in_case", where_, what=column, list=spelled, first=ranked[0]))
    return found


def alike(name: str) -> str:
    """A name without case, width and spaces."""
    return "".join(unicodedata.normalize("NFKC", name).casefold().split())


def names_folded(raw: Sequence[Raw], told: Sequence[Finding] = ()) -> list[Finding]:
    """Names written now with one space, now with more, or with spaces about them: taken as one.

    :param told: findings about names; those of the same group are not told again.
    """
    groups = {(column, alike(str(name))) for one in told for column, name in one.where.items() if column in NAMED}
    spelled: dict[tuple[str, str], set[str]] = {}
    for one in raw:
        for name in NAMED.keys() & set(one.rows.columns):
            for cell in written(one.rows[name]):
                spelled.setdefault((name, folded(cell)), set()).add(cell)
    merged = [
        f'"{words}"'
        for (name, words), ways in sorted(spelled.items())
        if words and len(ways) > 1 and (name, alike(words)) not in groups
    ]
    return [finding("names_folded", count=len(merged), list=_few(merged))] if merged else []


def typed_targets(shots: pd.DataFrame) -> list[Finding]:
    """Places with machines whose every dose is exactly the same; and whether every weight out is, or is the target."""
    found = []
    weighed = shots[["place", "machine", "dose_g", "beverage_g", "target_beverage_g"]]
    there = weighed["dose_g"].notna()
    weighed = weighed if there.all() else weighed[there]
    for place, here in by_place(weighed).items():
        doses, outs = [], []
        by_machine = here.groupby("machine", sort=False)
        doses_told = by_machine["dose_g"].agg(["size", "min", "max"])
        same = doses_told[(doses_told["size"] >= ENOUGH_SHOTS) & (doses_told["min"] == doses_told["max"])]
        for machine, group in here[here["machine"].isin(same.index)].groupby("machine", sort=False):
            doses.append(f"{machine} ({len(group)} of {group['dose_g'].iloc[0]:.1f} g)")
            out = group["beverage_g"].dropna()
            if len(out) >= ENOUGH_SHOTS and (out.nunique() == 1 or out.eq(group["target_beverage_g"]).all()):
                outs.append(str(machine))
        if doses:
            also = f"; so is every weight out of {_few(outs)}, or it is the target" if outs else ""
            found.append(finding("targets_typed_as_weights", {"place": place}, list=_few(doses), also=also))
    return found


def identical_rows(raw: Sequence[Raw]) -> list[Finding]:
    """Places where a shot was written twice in a row, every cell alike: pasted, or weighed alike by chance."""
    found = []
    for one in raw:
        if one.table != "shots" or "shot_id" in one.rows or not set(WEIGHED) <= set(one.rows):
            continue
        weighed = pd.DataFrame({name: labels(one.rows, name) for name in WEIGHED})
        alike = np.flatnonzero(((weighed == weighed.shift()) & (weighed != "")).to_numpy().all(axis=1))
        above, below = one.rows.iloc[alike - 1], one.rows.iloc[alike]
        same = [np.equal(labels(above, name), labels(below, name)) for name in one.rows.columns] if alike.size else []
        rows = [str(row) for row in below.index[np.all(same, axis=0)]] if same else []
        if rows:
            listed = f"Row {rows[0]} is" if len(rows) == 1 else f"{len(rows)} rows ({_few(rows)}) are"
            found.append(finding("rows_identical", {"place": one.place}, rows=listed))
    return found


def taken_otherwise(read_parts: Sequence[Part]) -> list[Finding]:
    """Values that are not simply what was written: about, a range, another unit, in, out and time in one cell."""
    found = []
    codes = {"about": "cells_about", "range": "cells_range", "converted": "cells_converted"}
    for part in read_parts:
        where = {"place": part.raw.place, "table": part.raw.table}
        groups: dict[tuple[str, str], list[tuple[int, str]]] = {}
        for row, name, value, how in part.taken:
            groups.setdefault((name, how), []).append((row, value))
        for (name, how), told in groups.items():
            row, value = told[0]
            values = {"column": name, "count": len(told), "row": row, "value": value}
            values["unit"] = unit_word(part.raw.table, name)
            found.append(finding(codes[how], {**where, "column": name}, **values))
        for name, unit in part.units.items():
            heading = part.raw.headings.get(name, name)
            values = {
                "column": name,
                "theirs": units.said(unit),
                "heading": heading,
                "unit": unit_word(part.raw.table, name),
            }
            found.append(finding("units_converted", {**where, "column": name}, **values))
        if part.combined:
            row = part.combined[0]
            value = shown(part.raw.rows["dose_g"].loc[row])
            found.append(finding("cells_combined", where, count=len(part.combined), row=row, value=value))
    return found


def unit_word(table: str, name: str) -> str:
    """The canonical unit of a column as people say it."""
    return columns.column(table, name).unit or "plain numbers"


def ask_about_ounces(read_parts: Sequence[Part]) -> None:
    """Set weights aside that look like ounces where the others of their column are in grams."""
    for part in read_parts:
        if part.raw.table != "shots":
            continue
        for name in ("dose_g", "beverage_g"):
            if name in part.units:
                continue
            grams = part.frame[name].to_numpy(dtype=float)
            usual = grams[grams >= LEAST_IN_GRAMS]
            low = (grams > 0) & (grams < MOST_IN_OUNCES)
            if not usual.size or not low.any():
                continue
            as_grams = grams * units.FACTORS["g"]["oz"]
            low &= (as_grams >= usual.min()) & (as_grams <= usual.max())
            named = {row for row, of, _, how in part.taken if of == name and how == "converted"}
            low &= ~part.raw.rows.index.isin(named)
            reason = "it looks like ounces, and other weights of this column are in grams"
            part.set_cells_aside(
                name, low, reason, "write oz behind it, or the weight in grams: 0.63 oz is 17.9 g", True
            )
            part.frame[name] = part.frame[name].mask(low)


def zones_mixed(read_parts: Sequence[Part]) -> list[Finding]:
    """Places whose times name several time zones, or in some rows none: each keeps the clock on the wall."""
    found = []
    for part in read_parts:
        if len(part.zones) > 1:
            told = ", ".join(sorted(zone or "none" for zone in part.zones))
            found.append(finding("zones_mixed", {"place": part.raw.place, "table": part.raw.table}, list=told))
    return found


def _few(items: Sequence[str], most: int = 8) -> str:
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return ", ".join(items[:most]) + more


def ask_about_days(read_parts: Sequence[Part]) -> None:
    """Set times aside that look like fractions of a day, as spreadsheets hold them: 27 s is 0.0003125."""
    for part in read_parts:
        for name in ("shot_time_s", "target_time_s", "first_drip_s", "preinfusion_s"):
            if part.raw.table != "shots" or name not in part.raw.rows or name in part.units:
                continue
            days = part.frame[name].to_numpy(dtype=float)
            low = (days > 0) & (days <= MOST_SECONDS / MINUTE_OF_DAY)
            if not low.any():
                continue
            seconds = np.where(days * DAY_S <= MOST_SECONDS, days * DAY_S, days * DAY_S / 60)
            reasons = [f"it looks like a fraction of a day: {second:.3g} s as a time" for second in seconds]
            do = f'if so, write {name} = "day" under [source.units], or format the cells as text and type seconds'
            part.set_cells_aside(name, low, reasons, do, True)
            part.frame[name] = part.frame[name].mask(low)


def ask_about_fractions(read_parts: Sequence[Part]) -> None:
    """Set TDS cells aside that look like fractions of 1 where others of their place are in percent.

    A spreadsheet shows 0.091 in a cell formatted as percent just as it shows 9.1 % typed beside it.
    """
    for part in read_parts:
        if part.raw.table == "readings":
            tds = (part.frame["tds_pct"] * part.frame["dilution"].fillna(1.0)).to_numpy(dtype=float)
            low = (tds > 0) & (tds < FRACTION_BELOW)
            if (tds >= FRACTION_BELOW).any() and low.any():
                reason = "it looks like a fraction of 1, and other TDS cells here are in percent"
                part.set_cells_aside("tds_pct", low, reason, "write it in percent like the others: 0.091 is 9.1", True)
                part.frame["tds_pct"] = part.frame["tds_pct"].mask(low)


def fraction_tds(readings: pd.DataFrame) -> list[Finding]:
    """Places whose every TDS is below what any espresso reads."""
    found = []
    for place, group in readings[readings["tds_pct"].notna()].groupby("place", sort=False):
        highest = float(np.max(group["tds_pct"]))
        if highest < FRACTION_BELOW:
            found.append(finding("tds_looks_like_fraction", {"place": place}, count=len(group), high=f"{highest:g}"))
    return found

"""Doubts about kept tables: names that differ only in capitals, targets typed as weights, TDS typed as a fraction."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping

import numpy as np
import pandas as pd

from tastefield.words.findings import Finding, finding

NAMED = {"machine": ("shots", "checks"), "coffee": ("shots",), "grinder": ("shots",), "taster": ("scores",)}
ENOUGH_SHOTS = 5
"""Below this many shots alike weights may be chance."""
FRACTION_BELOW = 0.3
"""No espresso is as thin as 0.3 % TDS, and none as strong as 30 %: common practice, no source."""


def about(tables: Mapping[str, pd.DataFrame]) -> list[Finding]:
    """Every doubt about the kept tables together."""
    return [*names_alike(tables), *typed_targets(tables["shots"]), *fraction_tds(tables["readings"])]


def names_alike(tables: Mapping[str, pd.DataFrame]) -> list[Finding]:
    """Names that differ only in case, width or spaces. They are kept apart: only their owner knows."""
    found = []
    for column, where in NAMED.items():
        cells = pd.concat([tables[table][column].dropna().astype("object") for table in where])
        uses = cells.value_counts(sort=False)
        groups: dict[str, list[str]] = {}
        for name in uses.index:
            groups.setdefault("".join(unicodedata.normalize("NFKC", name).casefold().split()), []).append(name)
        for group in groups.values():
            if len(group) > 1:
                ranked = sorted(group, key=lambda name: (-int(uses[name]), name))
                spelled = ", ".join(f'"{name}" ({uses[name]})' for name in ranked)
                where_ = {column: ranked[0]}
                found.append(finding("names_differ_only_in_case", where_, what=column, list=spelled, first=ranked[0]))
    return found


def typed_targets(shots: pd.DataFrame) -> list[Finding]:
    """Machines whose every dose is the same and whose every weight out is the same, or is the target."""
    found = []
    weighed = shots[shots["dose_g"].notna() & shots["beverage_g"].notna()]
    for (place, machine), group in weighed.groupby(["place", "machine"], sort=False):
        if len(group) < ENOUGH_SHOTS or group["dose_g"].nunique() > 1:
            continue
        out, target = group["beverage_g"], group["target_beverage_g"]
        same, as_aimed = out.nunique() == 1, bool((out == target).all())
        if same or as_aimed:
            found.append(
                finding(
                    "targets_typed_as_weights",
                    {"place": place, "machine": machine},
                    count=len(group),
                    dose=f"{group['dose_g'].iloc[0]:.1f}",
                    out=f"{out.iloc[0]:.1f} g" if same else "the target",
                )
            )
    return found


def fraction_tds(readings: pd.DataFrame) -> list[Finding]:
    """Places whose every TDS is below what any espresso reads."""
    found = []
    for place, group in readings[readings["tds_pct"].notna()].groupby("place", sort=False):
        highest = float(np.max(group["tds_pct"]))
        if highest < FRACTION_BELOW:
            found.append(
                finding("tds_looks_like_fraction", {"place": place}, count=len(group), high=f"{highest:g}")
            )
    return found

"""Checks: what was checked on each machine, by whom and how, before and after, and what of it failed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from tastefield.config import CheckConfig
from tastefield.records import Checked, Found, Setup
from tastefield.slug import shortened
from tastefield.tables.numbers import plain, split_unit
from tastefield.words.checks import fault
from tastefield.words.findings import finding


def checks(table: pd.DataFrame, limits: Sequence[CheckConfig]) -> tuple[Checked, ...]:
    """Every check of every machine: the first time it was made and the last, and what is to be thought of the last.

    Only leaks, trips, pressure that stays and what somebody called failed fail by themselves; else what the
    configuration sets limits to.

    :param table: the kept table ``checks``.
    """
    rows = table.assign(named=[_named(name) for name in table["check"]])
    rows = rows.sort_values(["place", "row"], kind="stable")
    found = []
    for (machine, _), those in rows.groupby(["machine", "named"], sort=True):
        if those["when"].notna().all():  # without every date the order of the sheet tells what came last
            those = those.sort_values("when", kind="stable")
        first, last = _found(those.iloc[0]), _found(those.iloc[-1])
        name = str(those["check"].iloc[-1])
        verdict, why = _verdict(name, last, limits)
        found.append(Checked(str(machine), name, first if len(those) > 1 else None, last, verdict, why))
    return tuple(found)


def with_failed(setups: Sequence[Setup], found: Sequence[Checked]) -> tuple[Setup, ...]:
    """The setups, those of a machine of which a check failed with a finding about it.

    Machines are matched however their names are capitalised: a sheet of checks is often written by somebody else.
    """
    failed: dict[str, list[str]] = {}
    for one in found:
        if one.verdict == "fails":
            value = " ".join(part for part in (one.after.value, one.after.unit) if part)
            failed.setdefault(_named(one.machine), []).append(f"{shortened(one.check)}: {shortened(value)}")
    notes = {machine: finding("check_failed", checks="; ".join(told)) for machine, told in failed.items()}
    return tuple(
        replace(setup, findings=(*setup.findings, notes[name])) if (name := _named(setup.machine)) in notes else setup
        for setup in setups
    )


def _named(text: object) -> str:
    """A name as it is compared."""
    return plain(str(text)).casefold()


def _found(row: pd.Series) -> Found:
    text = {name: None if pd.isna(row[name]) else str(row[name]) for name in ("unit", "by", "method")}
    when = None if pd.isna(row["when"]) else pd.Timestamp(row["when"]).date().isoformat()
    return Found(value=str(row["value"]), when=when, **text)


def _verdict(check: str, found: Found, limits: Sequence[CheckConfig]) -> tuple[str, str]:
    """``fails``, ``within`` or ``recorded``, and why."""
    said = _named(found.value)
    named = next((one for one in limits if _named(one.name) == _named(check)), None)
    if fault(check, found.value):
        return "fails", "by its own words"
    if named is None:
        return "recorded", ""
    if said in {_named(word) for word in named.fails}:
        return "fails", "by the configuration"
    if named.lowest is None and named.highest is None:
        return "recorded", ""
    value, unit = _number(found)
    if math.isnan(value):
        return "recorded", "its value is no number, so its limits say nothing"
    if named.unit and unit and _named(unit) != _named(named.unit):
        return "recorded", f"its limits are in {named.unit}"
    low = -math.inf if named.lowest is None else named.lowest
    high = math.inf if named.highest is None else named.highest
    ends = f"{low:g} to {high:g}" if math.isfinite(low + high) else f"at least {low:g}" if low > -math.inf else ""
    ends = f"{ends or f'at most {high:g}'} {named.unit}".strip()
    return ("within" if low <= value <= high else "fails"), f"limits {ends}"


def _number(found: Found) -> tuple[float, str]:
    """The number of a value and its unit; NaN where it is none."""
    parts = split_unit(found.value)
    try:
        value = math.nan if parts is None else float(parts[0].replace(",", "."))
    except ValueError:
        value = math.nan
    return value, found.unit or (parts[1] if parts else "")

"""Pours: what recordings of mass against time say of shots, filled in where the log says nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from tastefield.errors import FitError
from tastefield.records import Records, Setup
from tastefield.stats.pour import Pour, read
from tastefield.words.findings import Finding, finding

DIFFERENT_G = 1.5
"""A log and a recording of one shot differ by no more: the cup is weighed after the last drip. Common practice."""
DIFFERENT_S = 3.0
NEW = ("time_from_first_drip_s", "mass_at_stop_g", "pour_flow_g_per_s", "flow_drift_g_per_s2")
"""Columns that only a recording fills: first drip to stop; mass when the steady flow stopped, before it dripped on;
mean flow between the two; and how much the flow grew each second."""


@dataclass(eq=False)
class _Told:
    """What there is to say in the end."""

    filled: dict[str, Any] = field(default_factory=lambda: dict.fromkeys(("weights", "pump", "drip"), 0))
    cut: list[str] = field(default_factory=list)
    unread: list[tuple[str, str, str]] = field(default_factory=list)
    apart: list[tuple[str, str, str]] = field(default_factory=list)


def pours(records: Records) -> Records:
    """Read every recording, and fill weight out, shot time with its clock and first drip where the log has none.

    :returns: the records, shots with the columns :data:`NEW` where anything was recorded.
    """
    traces = records.tables["traces"]
    if traces.empty:
        return records
    shots = records.tables["shots"].reset_index(drop=True)
    for name in NEW:
        shots[name] = np.nan
    at = {shot: row for row, shot in enumerate(shots["shot_id"])}
    told, count = _Told(), 0
    for shot, rows in traces.groupby("shot_id", sort=True):
        try:
            pour = read(rows["t_s"], rows["mass_g"], rows["pressure_bar"])
        except FitError as error:
            told.unread.append((str(shot), error.problems[0].why, error.problems[0].do))
            continue
        count += 1
        if not pour.ended:
            told.cut.append(str(shot))
        clock = rows["clock"].dropna()
        _fill(shots, at[shot], _on_clock(pour, str(clock.iloc[0]) if len(clock) else "unknown"), told)
    findings = (*records.findings, *_findings(told, count))
    return replace(records, tables={**records.tables, "shots": shots}, findings=findings)


def with_recordings(setups: Sequence[Setup], traces: pd.DataFrame) -> tuple[Setup, ...]:
    """The setups, each with the recordings of its shots, for those who draw them."""
    if traces.empty:
        return tuple(setups)
    mine = [traces[traces["shot_id"].isin(set(setup.shots["shot_id"]))] for setup in setups]
    return tuple(
        replace(setup, traces=rows.reset_index(drop=True)) if len(rows) else setup
        for setup, rows in zip(setups, mine, strict=True)
    )


def _on_clock(pour: Pour, clock: str) -> Pour:
    """The pour with what is known of the moment at which the recording's clock stood at zero."""
    if clock == "pump":
        return replace(pour, pump_on_s=0.0)
    if clock == "first_drip":
        return replace(pour, first_drip_s=0.0, pump_on_s=None)
    return pour


def _fill(shots: pd.DataFrame, at: int, pour: Pour, told: _Told) -> None:
    drip, pump = pour.first_drip_s, pour.pump_on_s
    from_drip = math.nan if drip is None else pour.stop_s - drip
    from_pump = math.nan if pump is None else pour.stop_s - pump
    values = (from_drip, pour.mass_at_stop_g, pour.flow_g_per_s, pour.flow_drift_g_per_s2)
    for name, value in zip(NEW, values, strict=True):
        shots.at[at, name] = round(value, 4)
    shot, clock = str(shots.at[at, "shot_id"]), shots.at[at, "clock"]
    out, time, first = (float(shots[name].to_numpy()[at]) for name in ("beverage_g", "shot_time_s", "first_drip_s"))
    known = from_pump if clock == "pump" else from_drip if clock == "first_drip" else math.nan
    if abs(out - pour.beverage_g) > DIFFERENT_G:
        told.apart.append((shot, f"{out:g} g", f"{pour.beverage_g:.1f} g"))
    elif abs(time - known) > DIFFERENT_S:
        told.apart.append((shot, f"{time:g} s", f"{known:.1f} s"))
    if math.isnan(out):
        shots.at[at, "beverage_g"] = round(pour.beverage_g, 1)
        told.filled["weights"] += 1
    if math.isnan(time) and not math.isnan(from_pump):
        shots.at[at, "shot_time_s"], shots.at[at, "clock"] = round(from_pump, 1), "pump"
        told.filled["pump"] += 1
    elif math.isnan(time) and not math.isnan(from_drip):
        shots.at[at, "shot_time_s"], shots.at[at, "clock"] = round(from_drip, 1), "first_drip"
        told.filled["drip"] += 1
    if math.isnan(first) and drip is not None and pump is not None and drip >= pump:
        shots.at[at, "first_drip_s"] = round(drip - pump, 1)


def _findings(told: _Told, count: int) -> Iterator[Finding]:
    if count:
        yield finding("recordings_read", count=count, **told.filled)
    if told.unread:
        shot, why, do = told.unread[0]
        yield finding("recording_not_read", count=len(told.unread), shot=shot, why=why, do=do[:1].upper() + do[1:])
    if told.cut:
        yield finding("recording_cut_short", count=len(told.cut), shot=told.cut[0])
    if told.apart:
        shot, log, recorded = told.apart[0]
        limits: dict[str, Any] = {"grams": f"{DIFFERENT_G:g}", "seconds": f"{DIFFERENT_S:g}"}
        yield finding("recording_disagrees", count=len(told.apart), shot=shot, log=log, recorded=recorded, **limits)

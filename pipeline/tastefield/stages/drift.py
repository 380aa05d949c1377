"""Drift: doses that creep, first shots unlike the next, the old grind, coffee that ages: told beyond chance."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tastefield.records import Floats, Setup
from tastefield.stats import steady
from tastefield.stats.dial_line import TIME_PER_OUT
from tastefield.tables.dial import not_ours, periods
from tastefield.tables.outcome import ran
from tastefield.words.findings import Finding, finding

DOSE_G, TIME, TEMPERATURE_C = 0.5, 0.06, 1.5
"""What is worth a word: change of dose, of log time, of brew temperature. Common practice, no source."""
SAME_RATIO = 0.08
"""Shots whose log ratios differ by more have no time in common."""
SHOTS_IN_A_ROW = 6
LONGEST_ROW = 12
"""Doses that are looked at: of the last shots, so that an old story is not told for ever."""


FEWEST_DAYS = 4
"""Days on which a coffee must have run for its age to be told."""
A_BAG_DAYS = 42
"""Without roast dates, days longer apart may be of different bags. Common practice, no source."""


@dataclass(frozen=True, eq=False)
class _Rows:
    """Shots of one setup in order, as arrays; ``spells``: first and last of each run of one sitting and burr zero."""

    setting: np.ndarray
    position: Floats
    log_time: Floats
    log_ratio: Floats
    temperature: Floats
    used: np.ndarray
    unpurged: np.ndarray
    spells: tuple[tuple[int, int], ...]
    slope: float


def with_drift(setups: Sequence[Setup]) -> tuple[Setup, ...]:
    """The setups, each with what has drifted on it, on its machine or on its grinder.

    First shots and old grounds are told by machine and by grinder, the age of coffee by coffee: one setup has too few.
    """
    machines: dict[str, list[_Rows]] = {}
    grinders: dict[str, list[_Rows]] = {}
    for setup in setups:
        rows = _rows(setup)
        machines.setdefault(setup.machine, []).append(rows)
        grinders.setdefault(_grinder(setup), []).append(rows)
    first = {name: tuple(_first(rows)) for name, rows in machines.items()}
    grounds = {name: tuple(_unpurged(rows)) for name, rows in grinders.items()}
    coffees: dict[str, list[Setup]] = {}
    for setup in setups:
        coffees.setdefault(_coffee(setup), []).append(setup)
    aging = {name: tuple(_aging(those)) for name, those in coffees.items()}
    return tuple(
        replace(
            setup,
            findings=(
                *setup.findings,
                *_creeping(setup.shots),
                *first[setup.machine],
                *grounds[_grinder(setup)],
                *aging[_coffee(setup)],
            ),
        )
        for setup in setups
    )


def _grinder(setup: Setup) -> str:
    return str(setup.shots["grinder"].iloc[0])


def _coffee(setup: Setup) -> str:
    return str(setup.shots["coffee"].iloc[0])


def _rows(setup: Setup) -> _Rows:
    shots, line = setup.shots, setup.bench.dial
    day = shots["pulled_at"].to_numpy().astype("datetime64[D]")
    session = shots["session"].astype("object").fillna("").to_numpy(dtype=object)
    zero = shots["grinder_zero"].astype("object").fillna("").to_numpy(dtype=object)
    known = ~np.isnat(day) | (session != "")  # without day and session nobody knows which shot was the first
    last = np.flatnonzero((day[1:] != day[:-1]) | (session[1:] != session[:-1]) | (zero[1:] != zero[:-1]))
    starts = np.concatenate([[0], last + 1]).astype(int)
    ends = np.concatenate([last + 1, [len(shots)]]).astype(int)
    with np.errstate(all="ignore"):
        log_time, log_ratio = (np.log(shots[name].to_numpy(dtype=float)) for name in ("shot_time_s", "ratio"))
    return _Rows(
        setting=shots["grind_setting"].astype("object").to_numpy(dtype=object),
        position=shots["dial_position"].to_numpy(dtype=float),
        log_time=log_time,
        log_ratio=log_ratio,
        temperature=shots["temp_measured_c"].to_numpy(dtype=float),
        used=(ran(shots) & ~not_ours(shots)).to_numpy(dtype=bool),
        unpurged=~shots["purged"].astype("boolean").fillna(True).to_numpy(dtype=bool),
        spells=tuple((int(a), int(b)) for a, b in zip(starts, ends, strict=True) if known[a]),
        slope=line.slope if line is not None and line.is_clear else 0.0,
    )


def _creeping(shots: pd.DataFrame) -> Iterator[Finding]:
    """Doses of the last shots of ours in a row with one dose setting, one basket and one purpose."""
    needed = ["dose_g", "dose_setting", "basket", "basket_g", "stage"]
    doses = shots[needed][~not_ours(shots) & shots["dose_g"].notna()].tail(LONGEST_ROW)
    if len(doses) < SHOTS_IN_A_ROW:
        return
    alike = np.ones(len(doses), dtype=bool)
    for name in ("dose_setting", "basket", "basket_g", "stage"):
        said = doses[name].astype("object").fillna("").to_numpy(dtype=object)
        alike &= said == said[-1]
    start = 0 if alike.all() else len(alike) - int(np.argmin(alike[::-1]))
    last = doses["dose_g"].to_numpy(dtype=float)[start:]
    if len(last) >= SHOTS_IN_A_ROW and (change := steady.creep(last, DOSE_G)) is not None:
        way = "up" if change > 0 else "down"
        yield finding("dose_creeps", way=way, change=f"{abs(change):.1f}", count=len(last), last=f"{last[-1]:.1f}")


def _first(machine: Iterable[_Rows]) -> Iterator[Finding]:
    """The first shot of a sitting beside the next ones at its own setting and about its weight out."""
    times, temperatures = [], []
    for rows in machine:
        for start, end in rows.spells:
            later = np.arange(start + 1, end)
            later = later[rows.used[later] & (rows.setting[later] == rows.setting[start])] if len(later) else later
            if not rows.used[start] or not isinstance(rows.setting[start], str) or not len(later):
                continue
            near = later[np.abs(rows.log_ratio[later] - rows.log_ratio[start]) <= SAME_RATIO]
            times.append(rows.log_time[start] - _mean(rows.log_time[near]))
            temperatures.append(rows.temperature[start] - _mean(rows.temperature[later]))
    times, temperatures = (list(np.array(one)[np.isfinite(one)]) for one in (times, temperatures))
    if (off := steady.lean(temperatures, TEMPERATURE_C)) is not None and off < 0:
        yield finding("first_shots_cold", degrees=f"{-off:.0f}", count=len(temperatures))
    elif (off := steady.lean(times, TIME)) is not None:
        how = "slower" if off > 0 else "faster"
        yield finding("first_shots_differ", percent=f"{100 * abs(np.expm1(off)):.0f}", how=how, count=len(times))


def _mean(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else np.nan


def _unpurged(grinder: Iterable[_Rows]) -> Iterator[Finding]:
    """The first shot after a change of grind without purge beside the next one at the same setting."""
    lags = []
    for rows in grinder:
        for start, end in rows.spells if rows.slope else ():
            for at in range(start + 1, end - 1):
                moved, stayed = rows.position[at] - rows.position[at - 1], rows.position[at + 1] == rows.position[at]
                near = abs(rows.log_ratio[at + 1] - rows.log_ratio[at]) <= SAME_RATIO
                if rows.unpurged[at] and moved and stayed and near and rows.used[at] and rows.used[at + 1]:
                    lags.append((rows.log_time[at + 1] - rows.log_time[at]) * np.sign(rows.slope * moved))
    lags = list(np.array(lags)[np.isfinite(lags)])
    if (off := steady.lean(lags, TIME)) is not None and off > 0:
        yield finding("old_grounds", percent=f"{100 * np.expm1(off):.0f}", count=len(lags))


def _aging(setups: Sequence[Setup]) -> Iterator[Finding]:
    """Whether a coffee runs faster or slower as it ages: days at one setting beside each other, on all its setups.

    A day counts once, by its mean: shots of one day share whatever else that day was like.
    """
    several = [setup for setup in setups if _count_days(setup) > 1]
    if not several:
        return
    days = pd.concat([_days(setup, number) for number, setup in enumerate(several)])
    dated = bool(len(days)) and bool(days["dated"].all())
    if days["day"].nunique() < FEWEST_DAYS or (not dated and np.ptp(days["age"]) > A_BAG_DAYS):
        return
    slope = steady.trend(days["log_time"], days["age"], days.groupby(["setup", "spell", "setting"]).ngroup(), TIME)
    if slope is not None:
        how = "slower" if slope > 0 else "faster"
        percent = f"{100 * abs(np.expm1(7 * slope)):.0f}"
        since = "of its age" if dated else "that passes"
        yield finding("coffee_ages", percent=percent, how=how, since=since, count=days["day"].nunique())


def _count_days(setup: Setup) -> int:
    """How many days a setup was pulled on: of one alone no age can be told."""
    days = setup.shots["pulled_at"].to_numpy().astype("datetime64[D]")
    return len(np.unique(days[~np.isnat(days)]))


def _days(setup: Setup, number: int) -> pd.DataFrame:
    """Mean log time of each day at each setting, brought to one ratio, with the age of the coffee or the day itself."""
    shots, held = setup.shots, periods(setup.shots)
    counts = ran(shots) & ~not_ours(shots)
    day = shots["pulled_at"].dt.normalize()
    dated = bool(shots["coffee_age_days"].notna().any()) if "coffee_age_days" in shots else False
    age = shots["coffee_age_days"] if dated else (day - pd.Timestamp(0)).dt.total_seconds() / 86400.0
    with np.errstate(all="ignore"):
        log_time = np.log(shots["shot_time_s"].astype(float)) - TIME_PER_OUT * np.log(shots["ratio"].astype(float))
    rows = pd.DataFrame(
        {
            "setup": number,
            "spell": held["zero"].astype(str) + "/" + held["visit"].astype(str),
            "setting": shots["grind_setting"].astype("object"),
            "day": day,
            "age": age,
            "log_time": log_time,
        }
    )[counts.to_numpy(dtype=bool)].dropna()
    means = rows.groupby(["setup", "spell", "setting", "day"], as_index=False, sort=True).mean()
    return means.assign(dated=dated)

"""Made-up setups and runs that every surface model and writer must cope with: many shots, few, none tasted, odd names.

The world behind them is invented: liking is a dome over log ratio and log time, tasters differ, shots scatter.
"""

from __future__ import annotations

import pickle
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from tastefield.records import (
    Aim,
    Bench,
    Floats,
    Lattice,
    NextShot,
    Records,
    RunResult,
    Scatter,
    Setup,
    SetupResult,
    SourceCount,
    Taste,
)
from tastefield.stages.report import report, summary
from tastefield.words.columns import SET_ASIDE, TABLES

TASTE = Taste(good=6.5)
BEST = np.array([2.1, 28.0])
DERIVED = (
    "ratio",
    "u_ratio",
    "tds_pct",
    "u_tds_pct",
    "extraction_pct",
    "u_extraction_pct",
    "mean_flow_g_per_s",
    "u_mean_flow_g_per_s",
    "coffee_age_days",
    "dial_position",
)
DTYPES = {
    "number": "float64",
    "duration": "float64",
    "score": "float64",
    "integer": "float64",
    "boolean": "boolean",
}
TASTERS = ("ana", "ben", "chi")


def sample_setups(machines: Sequence[str] = ("A", "B", "C")) -> tuple[Setup, ...]:
    """Three setups: 14 shots scored by three tasters, 5 by one, 2 that nobody tasted.

    :param machines: their names.
    """
    setups: tuple[Setup, ...] = pickle.loads(_pickled_setups(tuple(machines)))
    return setups


def empty_setup() -> Setup:
    """A setup of which nothing was recorded but its name."""
    return _setup("empty", 0, (), 0)


def sample_run(machines: Sequence[str] = ("A", "B", "C"), title: str = "Made-up bench") -> RunResult:
    """A run over :func:`sample_setups`: one setup with a window, one best guess, one that cannot say."""
    run: RunResult = pickle.loads(_pickled_run(tuple(machines), title))
    return run


@lru_cache(maxsize=8)
def _pickled_setups(machines: tuple[str, ...]) -> bytes:
    """Made once and handed out as copies: a check may spoil its copy."""
    sizes = ((14, TASTERS), (5, TASTERS[:1]), (2, ()))
    return pickle.dumps(
        tuple(
            _setup(machine, shots, tasters, seed)
            for seed, (machine, (shots, tasters)) in enumerate(zip(machines, sizes, strict=True), start=1)
        )
    )


@lru_cache(maxsize=8)
def _pickled_run(machines: tuple[str, ...], title: str) -> bytes:
    setups = sample_setups(machines)
    results = (_result(setups[0], "window"), _result(setups[1], "tentative"), _result(setups[2], "insufficient"))
    tables = {
        name: pd.concat([getattr(setup, name) for setup in setups], ignore_index=True)
        for name in ("shots", "scores", "readings")
    }
    tables |= {name: typed(name, []) for name in ("traces", "checks")}
    aside = pd.DataFrame(
        [("log.csv", "shots", 40, "dose_g", "-18", "the dose is not above 0 g", "weigh the dose again")],
        columns=list(SET_ASIDE),
    )
    counts = (SourceCount("log.csv", "shots", 21, 21, 0, 105, 104, 1), SourceCount("log.csv", "scores", 47, 47, 0))
    return pickle.dumps(RunResult(_head(title, counts), results, Records(tables, aside, counts, TASTE)))


def empty_run() -> RunResult:
    """A run in which every setup failed to be a setup: tables without rows, no results."""
    tables = {name: typed(name, []) for name in TABLES}
    return RunResult(_head("Nothing", ()), (), Records(tables, pd.DataFrame(columns=list(SET_ASIDE)), (), TASTE))


def typed(table: str, rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """A table as it is kept: every canonical column of its type, and where each row was read."""
    columns = {}
    for column in TABLES[table]:
        values = pd.Series([row.get(column.name) for row in rows], dtype=object)
        if column.kind in ("date", "datetime"):
            columns[column.name] = pd.to_datetime(values)
        else:
            columns[column.name] = values.astype(pd.api.types.pandas_dtype(DTYPES.get(column.kind, "str")))
    return pd.DataFrame({**columns, "place": "log.csv", "row": np.arange(2, len(rows) + 2)})


def liking(points: Floats) -> Floats:
    """Expected score at ratio and time, shape (n,)."""
    away = np.log(np.asarray(points, dtype=float) / BEST)
    return np.asarray(7.4 - 8.0 * (away**2).sum(axis=1))


def _setup(machine: str, shots: int, tasters: Sequence[str], seed: int) -> Setup:
    rng = np.random.default_rng(seed)
    points = BEST * np.exp(rng.normal(0.0, 0.18, (shots, 2)))
    dose = 18.0 + 0.1 * rng.integers(-2, 3, shots)
    frame = typed(
        "shots",
        [
            {
                "shot_id": f"{seed}-{number}",
                "machine": machine,
                "coffee": "house",
                "grinder": machine,
                "dose_g": dose[number],
                "beverage_g": round(dose[number] * ratio, 1),
                "shot_time_s": round(time, 1),
                "outcome": "ok",
                "clock": "pump",
                "grind_setting": f"{round(2 * (9 - 8 * np.log(time / 27))) / 2:g}",
                "pulled_at": f"2025-03-0{seed} 10:{number:02d}",
            }
            for number, (ratio, time) in enumerate(points)
        ],
    )
    scored = typed(
        "scores",
        [
            {"shot_id": shot, "taster": taster, "score": float(np.clip(np.round(score), 1, 9)), "attribute": "liking"}
            for level, taster in enumerate(tasters)
            for shot, score in zip(frame["shot_id"], liking(points) + rng.normal(0.2 * level, 0.6, shots), strict=True)
        ],
    )
    return Setup(
        key={"machine": machine, "grinder": machine, "coffee": "house"},
        shots=_derived(frame).assign(time_off=0.0, scored=frame["shot_id"].isin(set(scored["shot_id"]))),
        scores=scored,
        readings=typed("readings", []),
        bench=Bench(None, Scatter(np.diag([0.04**2, 0.07**2]), 0.0, "prior"), None),
        taste=TASTE,
        tasters=TASTERS,
    )


def _derived(shots: pd.DataFrame) -> pd.DataFrame:
    known: dict[str, Any] = {
        "ratio": shots["beverage_g"] / shots["dose_g"],
        "u_ratio": 0.02,
        "mean_flow_g_per_s": shots["beverage_g"] / shots["shot_time_s"],
        "u_mean_flow_g_per_s": 0.02,
        "dial_position": shots["grind_setting"].astype("float64"),
    }
    derived = {name: known.get(name, np.nan) for name in DERIVED}
    return shots.assign(**derived, shot_time_recorded_s=shots["shot_time_s"], setup=0)


def _result(setup: Setup, status: str) -> SetupResult:
    if status == "insufficient":
        return report(setup, None, None, None, (), (), status)
    ratio, time = np.linspace(1.5, 3.0, 9), np.linspace(18.0, 42.0, 9)
    grid = np.stack(np.meshgrid(ratio, time, indexing="ij"), axis=-1)
    mean = liking(grid.reshape(-1, 2)).reshape(9, 9)
    near = np.abs(np.log(grid / BEST)).max(axis=-1) < 0.3
    lattice = Lattice(ratio, time, mean, np.full((9, 9), 0.3), np.clip((mean - 5.0) / 3.0, 0.05, 0.95), near)
    sure = status == "window"
    aim = Aim(
        ratio=float(BEST[0]),
        shot_time_s=float(BEST[1]),
        dose_g=setup.usual_dose(),
        at_edge=False,
        assurance=0.84 if sure else 0.6,
        assurance_range=(0.7, 0.9) if sure else (0.4, 0.8),
        expected=(7.4, 6.9, 7.8),
        level=0.9,
        window=((1.95, 2.25), (25.0, 31.0)) if sure else None,
        status=status,
        flat=False,
        lattice=lattice,
    )
    following = NextShot("9", 18.0, 38.0, 2.1, 28.0, None, "Checks the best guess.", "confirm" if sure else "dial-in")
    return report(setup, None, aim, None, (following,) * (2 if sure else 1), (), status)


def _head(title: str, counts: Sequence[SourceCount]) -> dict[str, Any]:
    taste = {"attribute": TASTE.attribute, "scale": list(TASTE.scale), "good": TASTE.good, "inferred": False}
    head = {"title": title, "created_at": "2025-03-31T09:00:00+00:00", "versions": {"tastefield": "0"}, "seed": 1}
    return summary({**head, "taste": taste, "prior": None, "tasters": []}, counts, ())

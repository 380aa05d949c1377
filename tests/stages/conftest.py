"""Builders of small setups for the tests of the stages: every number is invented and stands in the test."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from tastefield.records import Bench, Scatter, Setup, Surface, SurfaceTables, Taste
from tastefield.tables.notation import positions
from tastefield.words import columns


def typed(table: str, rows: list[dict]) -> pd.DataFrame:
    """A kept table as reconcile leaves it: every canonical column, typed, with provenance."""
    told: dict[str, object] = {}  # a frame of all at once: one column after the other takes far longer
    for column in columns.TABLES[table]:
        values = [row.get(column.name) for row in rows]
        known = any(value is not None for value in values)
        if column.kind in ("number", "duration", "score", "integer"):
            told[column.name] = np.array(values, dtype=float)
        elif column.kind in ("date", "datetime"):
            told[column.name] = pd.to_datetime(pd.Series(values, dtype=None if known else float))
        elif column.kind == "boolean":
            told[column.name] = pd.array([None if pd.isna(value) else value for value in values], dtype="boolean")
        else:
            told[column.name] = pd.array([None if pd.isna(value) else str(value) for value in values], dtype="str")
    return pd.DataFrame({**told, "place": "log.csv", "row": range(2, len(rows) + 2)}, index=range(len(rows)))


def build_setup(shots: list[dict], scores: list[dict] | None = None, good: float = 6.5) -> Setup:
    base = {"machine": "A", "coffee": "house", "dose_g": 18.0, "clock": "pump"}
    frame = typed("shots", [{"shot_id": f"s{i}", **base, **shot} for i, shot in enumerate(shots)])
    frame["ratio"] = frame["beverage_g"] / frame["dose_g"]
    frame["dial_position"] = positions(frame["grind_setting"])
    frame["setup"] = 0
    frame["time_off"] = 0.0
    rows = scores if scores is not None else []
    scored = typed("scores", [{"taster": "me", **row} for row in rows])
    frame["scored"] = frame["shot_id"].isin(set(scored["shot_id"]))
    bench = Bench(None, Scatter(np.diag([0.04**2, 0.07**2]), 0.0, "prior"), None)
    return Setup(
        key={"machine": "A", "grinder": "A", "coffee": "house"},
        shots=frame,
        scores=scored,
        readings=typed("readings", []),
        bench=bench,
        taste=Taste(good=good),
        tasters=tuple(sorted(scored["taster"].unique())),
    )


class HillSurface(Surface):
    """A known surface: a hill in log ratio and log time, the same doubt everywhere."""

    model = "hill"

    def __init__(self, top=7.5, best=(2.0, 27.0), fall=8.0, doubt=0.2, shot_var=0.04, reaches=0.4):
        self.top, self.best, self.fall, self.doubt, self.reaches = top, np.asarray(best), fall, doubt, reaches
        self.shot_var, self.shot_var_range = shot_var, (shot_var, shot_var)
        self.draw_df = 30.0
        self.tables = SurfaceTables(pd.DataFrame(), pd.DataFrame([{"model": "hill"}]), pd.DataFrame())

    def mean(self, points):
        return self.top - self.fall * (np.log(points / self.best) ** 2).sum(axis=1)

    def sd(self, points):
        return np.full(len(points), self.doubt)

    def draws(self, points, n, seed):
        return self.mean(points) + self.doubt * np.random.default_rng(seed).standard_normal((n, 1))

    def speaks_for(self, points):
        return (np.abs(np.log(points / self.best)) < self.reaches).all(axis=1)


@pytest.fixture
def make_setup() -> Callable[..., Setup]:
    return build_setup


@pytest.fixture
def hill() -> type[HillSurface]:
    return HillSurface


@pytest.fixture
def make_table() -> Callable[..., pd.DataFrame]:
    return typed

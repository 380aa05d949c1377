"""The other ways to a recipe: each takes a bench and gives the point of the support to aim at, setup by setup."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel
from tests.benchmarks import joint
from tests.benchmarks.bench import Bench, Key

USUAL = np.array([2.0, 27.0])
FEWEST = 4
"""Tasted shots below which a model of the setup alone is not fitted: the best shot seen instead."""


def aims(bench: Bench, cheap: bool = False) -> tuple[dict[str, dict[Key, np.ndarray]], joint.Joint | None]:
    """Aims (2,) by method and setup; the joint process beside them.

    :param cheap: only what needs no model.
    """
    means = shot_means(bench)
    methods: dict[str, dict[Key, np.ndarray]] = {"best shot": {}, "usual": {}}
    for key in bench.setups:
        support, own = bench.support(key), _of(means, key)
        usual = nearest(support, USUAL)
        points = own[["ratio", "shot_time_s"]].to_numpy(dtype=float)
        methods["usual"][key] = usual
        methods["best shot"][key] = points[np.argmax(own["raw"])] if len(own) else usual
    if cheap:
        return methods, None
    for name, fitted in (("quadratic", quadratic), ("own process", own_process)):
        methods[name] = dict(methods["best shot"])
        for key in bench.setups:
            support, own = bench.support(key), _of(means, key)
            if len(own) >= FEWEST:
                points = own[["ratio", "shot_time_s"]].to_numpy(dtype=float)
                methods[name][key] = support[np.argmax(fitted(points, own["score"].to_numpy(dtype=float), support))]
    process = joint.fit(bench)
    recipe = bench.grid[np.argmax(process.mean("", "", bench.grid, parts=("shared",)))]
    methods |= {"joint process": {}, "one recipe": {}}
    for key in bench.setups:
        support = bench.support(key)
        methods["one recipe"][key] = nearest(support, recipe)
        methods["joint process"][key] = support[np.argmax(process.mean(key[0], key[2], support))]
    return methods, process


def _of(means: pd.DataFrame, key: Key) -> pd.DataFrame:
    return means[(means["machine"] == key[0]) & (means["coffee"] == key[2])]


def nearest(support: np.ndarray, point: np.ndarray) -> np.ndarray:
    """The point of the support nearest to this one, in logs."""
    return support[np.argmin(((np.log(support) - np.log(point)) ** 2).sum(axis=1))]


def shot_means(bench: Bench) -> pd.DataFrame:
    """One row a tasted shot: ``raw``, the mean of its scores, and ``score``, that less what its tasters usually add."""
    rows = bench.scores.merge(bench.shots.drop(columns="session"), on="shot_id")
    dummies = pd.get_dummies(rows[["taster"]].assign(setup=rows["machine"] + rows["coffee"]), dtype=float)
    found = np.linalg.lstsq(dummies.to_numpy(), rows["score"].to_numpy(dtype=float), rcond=None)[0]
    by_taster = dict(zip((name.removeprefix("taster_") for name in dummies), found, strict=True))
    usual = np.mean([by_taster[name] for name in rows["taster"].unique()])
    rows["level"] = rows["score"] - rows["taster"].map(by_taster).astype(float) + usual
    grouped = rows.groupby("shot_id")
    columns = {"machine": "first", "coffee": "first", "ratio": "first", "shot_time_s": "first"}
    return grouped.agg(columns).assign(raw=grouped["score"].mean(), score=grouped["level"].mean())


def quadratic(points: np.ndarray, score: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Classical least squares of one setup, second order where nine shots or more carry it, fewer terms below."""

    def terms(of: np.ndarray) -> np.ndarray:
        a, b = joint.coded(of).T
        columns = [np.ones_like(a), a, b, a * a, b * b, a * b]
        return np.column_stack(columns[: 6 if len(points) >= 9 else 5 if len(points) >= 7 else 3])

    return terms(at) @ np.linalg.lstsq(terms(points), score, rcond=None)[0]


def own_process(points: np.ndarray, score: np.ndarray, at: np.ndarray) -> np.ndarray:
    """A Gaussian process of one setup, from a general library."""
    kernel = ConstantKernel(1.0, (0.05, 10.0)) * RBF([0.9, 0.9], (0.2, 5.0)) + WhiteKernel(0.5, (0.05, 3.0))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        process = GaussianProcessRegressor(kernel, random_state=0).fit(joint.coded(points), score - score.mean())
    return process.predict(joint.coded(at))

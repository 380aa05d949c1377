"""The exact joint Gaussian process: every score of a bench in one dense model, slow and plain, to compare with.

    score = c + fall away from the usual recipe + shared + coffee + machine + setup (smooth, squared exponential)
            + levels of coffee, machine, setup + taster + taster x coffee + taster x session + shot + noise

Standard deviations and lengths by penalised marginal likelihood (half-normal and log-normal priors, in logs).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import linalg, optimize, special

CENTRE, UNIT = np.log([2.0, 27.0]), np.log(1.5)
SMOOTH = ("shared", "coffee", "machine", "setup")
LEVELS = ("coffee", "machine", "setup", "taster", "taster_coffee", "taster_session", "shot", "noise")
HALF_NORMAL = {
    "shared": 0.8, "coffee": 0.4, "machine": 0.3, "setup": 0.3,
    "level coffee": 0.4, "level machine": 0.3, "level setup": 0.3,
    "level taster": 0.6, "level taster_coffee": 0.4, "level taster_session": 0.2,
}  # fmt: skip
LOG_NORMAL = {"level shot": 0.35, "level noise": 0.8, "length ratio": 0.9, "length time": 0.9}
LOG_SD = 0.35
NAMES = (*SMOOTH, *(f"level {name}" for name in LEVELS), "length ratio", "length time")
FALL_MEAN, FALL_SD = np.array([6.0, -0.5, -0.5]), np.array([1.5, 0.4, 0.4])
"""Prior of the level and of the fall with the square of each coded factor: weak, towards 1:2 in 27 s."""
SCATTER = np.array([0.04, 0.07]) / UNIT
STEPS = 60


def coded(points: np.ndarray) -> np.ndarray:
    return (np.log(points) - CENTRE) / UNIT


def rows_of(bench) -> pd.DataFrame:
    """One row a score, with the codes of everything it depends on."""
    rows = bench.scores.merge(bench.shots.drop(columns="session"), on="shot_id")
    rows["setup"] = rows["machine"] + "|" + rows["coffee"]
    rows["taster_coffee"] = rows["taster"] + "|" + rows["coffee"]
    rows["taster_session"] = rows["taster"] + "|" + rows["session"]
    rows["shot"], rows["noise"] = rows["shot_id"], np.arange(len(rows))
    return rows


@dataclass(eq=False)
class Joint:
    """The fitted process."""

    rows: pd.DataFrame
    x: np.ndarray
    sd: dict[str, float]
    factor: np.ndarray  # lower Cholesky factor of the scores' covariance
    weights: np.ndarray

    def _lengths(self) -> np.ndarray:
        return np.array([self.sd["length ratio"], self.sd["length time"]])

    def _cross(self, machine: str, coffee: str, points: np.ndarray, scatter: np.ndarray, parts=SMOOTH) -> np.ndarray:
        """Covariance (m, n) of the surface at points, blurred by the scatter, with the scores."""
        own = {"coffee": coffee, "machine": machine, "setup": f"{machine}|{coffee}"}
        same = {name: (self.rows[name] == value).to_numpy(dtype=float) for name, value in own.items()}
        x, length = coded(points), self._lengths()
        wide = length**2 + scatter**2
        apart = (x[:, None] - self.x[None]) ** 2 / wide
        bell = np.prod(length / np.sqrt(wide)) * np.exp(-0.5 * apart.sum(axis=2))
        amount = sum(self.sd[part] ** 2 * same.get(part, 1.0) for part in parts)
        level = 0.0
        if "setup" in parts:
            level = sum(self.sd[f"level {name}"] ** 2 * same[name] for name in own)
            tasters = self.rows["taster"].nunique()
            level = level + self.sd["level taster"] ** 2 / tasters
            level = level + self.sd["level taster_coffee"] ** 2 / tasters * same["coffee"]
        return bell * amount + level + (_fall(x, scatter) * FALL_SD**2) @ _fall(self.x).T

    def mean(self, machine: str, coffee: str, points: np.ndarray, scatter=SCATTER, parts=SMOOTH) -> np.ndarray:
        """Expected score (m,), averaged over the scatter."""
        cross = self._cross(machine, coffee, points, scatter, parts)
        return _fall(coded(points), scatter) @ FALL_MEAN + cross @ self.weights

    def variance(self, machine: str, coffee: str, points: np.ndarray) -> np.ndarray:
        cross = self._cross(machine, coffee, points, np.zeros(2))
        tasters = self.rows["taster"].nunique()
        own = sum(self.sd[name] ** 2 for name in (*SMOOTH, "level coffee", "level machine", "level setup"))
        own = own + (self.sd["level taster"] ** 2 + self.sd["level taster_coffee"] ** 2) / tasters
        own = own + (_fall(coded(points)) ** 2) @ FALL_SD**2
        solved = linalg.solve_triangular(self.factor, cross.T, lower=True)
        return np.maximum(own - (solved**2).sum(axis=0), 1e-9)

    def chance(self, machine: str, coffee: str, point: np.ndarray, good: float) -> float:
        """Chance that a shot made with this ratio and time (2,) in mind deserves good."""
        nodes, weights = np.polynomial.hermite_e.hermegauss(7)
        off = np.stack([axis.ravel() for axis in np.meshgrid(nodes, nodes)], axis=1) * SCATTER * UNIT
        points = np.exp(np.log(point) + off)
        mean = self.mean(machine, coffee, points, np.zeros(2))
        doubt = np.sqrt(self.variance(machine, coffee, points) + self.sd["level shot"] ** 2)
        weight = np.outer(weights, weights).ravel() / weights.sum() ** 2
        return float(weight @ special.ndtr((mean - good) / doubt))


def _fall(x: np.ndarray, scatter: np.ndarray | float = 0.0) -> np.ndarray:
    return np.column_stack([np.ones(len(x)), x**2 + np.square(scatter)])


def fit(bench) -> Joint:
    """Fit the process to all scores of a bench."""
    likelihood = Likelihood(rows_of(bench))
    start = np.log([0.7 * HALF_NORMAL[name] if name in HALF_NORMAL else LOG_NORMAL[name] for name in NAMES])
    found = optimize.minimize(
        likelihood.loss, start, jac=True, method="L-BFGS-B", options={"maxiter": STEPS, "ftol": 1e-7}
    )
    return likelihood.at(found.x)


class Likelihood:
    """Scores ready for the process at any standard deviations and lengths, all in logs and in the order of NAMES."""

    def __init__(self, rows: pd.DataFrame) -> None:
        self.rows = rows
        self.x = coded(rows[["ratio", "shot_time_s"]].to_numpy(dtype=float))
        self.target = rows["score"].to_numpy(dtype=float) - _fall(self.x) @ FALL_MEAN
        codes = {name: pd.factorize(rows[name])[0] for name in LEVELS if name != "noise"}
        self.same = {name: (code[:, None] == code[None]).astype(float) for name, code in codes.items()}
        self.apart = [(self.x[:, None, axis] - self.x[None, :, axis]) ** 2 for axis in (0, 1)]
        self.fixed = (_fall(self.x) * FALL_SD**2) @ _fall(self.x).T

    def at(self, log_sd: np.ndarray) -> Joint:
        factor = linalg.cholesky(self._covariance(log_sd)[0], lower=True)
        weights = linalg.cho_solve((factor, True), self.target)
        return Joint(self.rows, self.x, dict(zip(NAMES, np.exp(log_sd), strict=True)), factor, weights)

    def _covariance(self, log_sd: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Covariance of the scores; the bell of distance alone; the smooth part of the covariance."""
        sd = dict(zip(NAMES, np.exp(log_sd), strict=True))
        bell = np.exp(-0.5 * (self.apart[0] / sd["length ratio"] ** 2 + self.apart[1] / sd["length time"] ** 2))
        smooth = bell * (sd["shared"] ** 2 + sum(sd[part] ** 2 * self.same[part] for part in SMOOTH[1:]))
        total = self.fixed + smooth + sum(sd[f"level {name}"] ** 2 * same for name, same in self.same.items())
        total[np.diag_indices_from(total)] += sd["level noise"] ** 2
        return total, bell, smooth

    def loss(self, log_sd: np.ndarray) -> tuple[float, np.ndarray]:
        """Minus the penalised log likelihood, and its slope."""
        total, bell, smooth = self._covariance(log_sd)
        factor = linalg.cholesky(total, lower=True, overwrite_a=True, check_finite=False)
        weights = linalg.cho_solve((factor, True), self.target, check_finite=False)
        inverse = np.tril(linalg.lapack.dpotri(factor, lower=1)[0])
        pull = np.outer(weights, weights) - inverse - np.tril(inverse, -1).T
        on_bell, slopes = pull * bell, []
        for name, of in zip(NAMES, np.exp(log_sd), strict=True):
            part = name.removeprefix("level ")
            if name == "shared":
                slope = of**2 * on_bell.sum()
            elif name in SMOOTH:
                slope = of**2 * np.vdot(on_bell, self.same[name])
            elif part == "noise":
                slope = of**2 * np.trace(pull)
            elif part in self.same:
                slope = of**2 * np.vdot(pull, self.same[part])
            else:
                slope = 0.5 * np.vdot(pull * smooth, self.apart[name == "length time"]) / of**2
            slopes.append(slope)
        value = 0.5 * self.target @ weights + np.log(np.diag(factor)).sum()
        prior, prior_slope = _prior(log_sd)
        return value - prior, -np.array(slopes) - prior_slope


def _prior(log_sd: np.ndarray) -> tuple[float, np.ndarray]:
    """Log density of the log standard deviations and its slope."""
    value, slopes = 0.0, []
    for name, at in zip(NAMES, log_sd, strict=True):
        if name in HALF_NORMAL:
            share = (np.exp(at) / HALF_NORMAL[name]) ** 2
            value, slope = value - 0.5 * share + at, 1.0 - share
        else:
            off = (at - np.log(LOG_NORMAL[name])) / LOG_SD
            value, slope = value - 0.5 * off**2, -off / LOG_SD
        slopes.append(slope)
    return value, np.array(slopes)

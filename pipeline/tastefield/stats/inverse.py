"""Inverse prediction: which setting gives a wanted response, from a straight line, with honest limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from tastefield.errors import FitError, Problem

Array = NDArray[np.float64]
Kind = Literal["interval", "two_rays", "whole_line"]
NO_SLOPE = 1e-100  # below this the square of the estimate would leave the range of a float


@dataclass(frozen=True, eq=False)
class Line:
    """A fitted straight line: ``cov`` (2, 2) of (intercept, slope), residual SD ``sigma`` at weight 1, ``df``."""

    intercept: float
    slope: float
    cov: Array
    sigma: float
    df: int


@dataclass(frozen=True, eq=False)
class Ancova:
    """Straight lines of one slope with an intercept for each group.

    :param groups: names, in the order of ``intercepts`` (k,).
    :param cov: (k + 1, k + 1) covariance of the intercepts and, last, the slope.
    :param parallel: F statistic of different slopes against one, its two degrees of freedom and its p value; NaN where
        no group but one has two settings, or nothing is left to judge it by.
    """

    groups: tuple[str, ...]
    intercepts: Array
    slope: float
    cov: Array
    sigma: float
    df: int
    parallel: tuple[float, int, int, float]

    def of(self, group: str) -> Line:
        """The line of one group, for :func:`fieller`."""
        at = self.groups.index(group)
        both = np.ix_([at, -1], [at, -1])
        return Line(float(self.intercepts[at]), self.slope, self.cov[both], self.sigma, self.df)


@dataclass(frozen=True)
class Inverse:
    """The setting that gives the target.

    ``estimate``: (target - intercept) / slope, ``None`` where the slope is zero. ``kind`` and ``limits`` give
    the Fieller set: ``interval`` [low, high]; ``two_rays``: at or below limits[0], or at or above limits[1];
    ``whole_line``: the data exclude nothing. ``g`` below 1 means the slope differs from zero at this level.
    ``delta_se`` and ``delta_limits``: the symmetric first-order approximation, ``None`` with a zero slope.
    """

    estimate: float | None
    kind: Kind
    limits: tuple[float, float]
    g: float
    delta_se: float | None
    delta_limits: tuple[float, float] | None


def line(x: ArrayLike, y: ArrayLike, weights: ArrayLike | None = None) -> Line:
    """Weighted least-squares line y = intercept + slope x.

    :param x: (n,). :param y: (n,). :param weights: (n,) positive, inverse to the variances; equal where ``None``.
    :raises FitError: shapes, missing values, fewer than two points, or all x the same. Two points give a line
        of no known error: ``df`` 0, ``sigma`` and ``cov`` NaN.

    >>> line([0, 1, 2, 3], [1.0, 3.1, 4.9, 7.0]).df
    2
    """
    xv, yv = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    w = np.ones(xv.shape) if weights is None else np.asarray(weights, dtype=float)
    if xv.ndim != 1 or xv.shape != yv.shape or w.shape != xv.shape:
        raise FitError(Problem("x, y and weights differ in length", why=f"shapes {xv.shape}, {yv.shape}, {w.shape}"))
    if not (np.isfinite(xv).all() and np.isfinite(yv).all() and np.isfinite(w).all() and (w > 0).all()):
        raise FitError(Problem("a value is missing, infinite or has no weight", do="Leave that shot out."))
    if xv.size < 2 or np.ptp(xv) == 0:
        why = f"{xv.size} points at {np.unique(xv).size} settings"
        raise FitError(Problem("no line", why=why, do="Pull shots at two settings or more."))
    total = float(w.sum())
    x_mean, y_mean = float(w @ xv) / total, float(w @ yv) / total
    spread = float(w @ (xv - x_mean) ** 2)
    slope = float(w @ ((xv - x_mean) * (yv - y_mean))) / spread
    residual = yv - y_mean - slope * (xv - x_mean)
    df = xv.size - 2
    s2 = float(w @ residual**2) / df if df else math.nan
    cov = s2 * np.array([[1 / total + x_mean**2 / spread, -x_mean / spread], [-x_mean / spread, 1 / spread]])
    return Line(y_mean - slope * x_mean, slope, cov, math.sqrt(s2), df)


def ancova(x: ArrayLike, y: ArrayLike, groups: Sequence[str]) -> Ancova:
    """Least-squares lines y = intercept of the group + slope x, slope and variance shared.

    :param x: (n,). :param y: (n,). :param groups: (n,) names.
    :raises FitError: shapes, missing values, no group with two settings, or no degree of freedom left.

    Source: analysis of covariance, e.g. Draper & Smith, Applied Regression Analysis.

    >>> ancova([0, 1, 0, 1, 2], [1.0, 2.0, 5.0, 6.0, 7.0], ["a", "a", "b", "b", "b"]).intercepts.round(6).tolist()
    [1.0, 5.0]
    """
    xv, yv = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if xv.ndim != 1 or xv.shape != yv.shape or len(groups) != len(xv):
        raise FitError(Problem("x, y and groups differ in length", why=f"{xv.shape}, {yv.shape}, {len(groups)}"))
    if not (np.isfinite(xv).all() and np.isfinite(yv).all()):
        raise FitError(Problem("a value is missing or infinite", do="Leave that shot out."))
    names, codes = np.unique(np.asarray(groups, dtype=str), return_inverse=True)
    counts = np.bincount(codes)
    x_mean, y_mean = np.bincount(codes, xv) / counts, np.bincount(codes, yv) / counts
    dx, dy = xv - x_mean[codes], yv - y_mean[codes]
    spread, product = np.bincount(codes, dx**2), np.bincount(codes, dx * dy)
    df = len(xv) - len(names) - 1
    if not spread.sum() > 0 or df < 1:
        why = f"{len(xv)} points in {len(names)} groups, {np.unique(xv).size} settings"
        raise FitError(Problem("no common slope", why=why, do="Pull shots at two settings or more of one group."))
    slope = float(product.sum() / spread.sum())
    rss = float(((dy - slope * dx) ** 2).sum())
    s2 = rss / df
    # (intercept of g, slope) = (mean of y - slope x mean of x, slope): means and slope are independent
    A = np.column_stack([np.eye(len(names)), -x_mean])
    A = np.vstack([A, np.append(np.zeros(len(names)), 1.0)])
    cov = s2 * A @ np.diag([*(1 / counts), 1 / spread.sum()]) @ A.T
    moved = spread > 0
    df1, df2 = int(moved.sum()) - 1, df - int(moved.sum()) + 1
    gain = float((product[moved] ** 2 / spread[moved]).sum()) - slope**2 * float(spread.sum())
    left = rss - gain
    F = gain / df1 / (left / df2) if df1 > 0 and df2 > 0 and left > 0 else math.nan
    parallel = (F, df1, df2, float(stats.f.sf(F, df1, df2)) if math.isfinite(F) else math.nan)
    return Ancova(tuple(names.tolist()), y_mean - slope * x_mean, slope, cov, math.sqrt(s2), df, parallel)


def chance_between(
    intercept: float, slope: float, cov: ArrayLike, x: float, low: float, high: float, df: float, new_shot_var: float
) -> float:
    """Chance that one new response at x falls between low and high, by the t distribution of the prediction.

    >>> round(chance_between(0.0, 1.0, [[0.0, 0.0], [0.0, 0.0]], 1.0, 0.0, 2.0, math.inf, 1.0), 4)
    0.6827
    """
    at = np.array([1.0, x])
    sd = math.sqrt(float(at @ np.asarray(cov, dtype=float) @ at) + new_shot_var)
    lower, upper = (np.array([low, high]) - intercept - slope * x) / sd
    if math.isinf(df):
        return float(stats.norm.cdf(upper) - stats.norm.cdf(lower))
    return float(stats.t.cdf(upper, df) - stats.t.cdf(lower, df))


def fieller(
    intercept: float,
    slope: float,
    cov: ArrayLike,
    target: float,
    df: float,
    level: float,
    new_shot_var: float = 0.0,
) -> Inverse:
    """All x whose predicted response agrees with the target: (target - a - b x)^2 <= t^2 (Var(a + b x) + new_shot_var).

    :param intercept: a. :param slope: b. :param cov: (2, 2) covariance of (a, b).
    :param target: the wanted response, exact, or the mean of new readings.
    :param df: degrees of freedom behind ``cov``; infinite gives normal limits. :param level: e.g. 0.9.
    :param new_shot_var: variance of the target or of one new shot about the line; 0 asks for the mean response.
    :raises FitError: a covariance of another shape, or numbers that are missing or out of range.

    Source: Fieller (1954), J. R. Stat. Soc. B 16, 175; the kinds of set as in Draper & Smith, Applied Regression
    Analysis.

    >>> fieller(0.0, 2.0, [[0.01, 0.0], [0.0, 0.0001]], 4.0, 10, 0.9).kind
    'interval'
    """
    V = np.asarray(cov, dtype=float)
    if V.shape != (2, 2):
        raise FitError(Problem("covariance of another shape", why=f"expected (2, 2), found {V.shape}"))
    numbers = [intercept, slope, *V.ravel(), target, new_shot_var]
    if not all(math.isfinite(v) for v in numbers) or new_shot_var < 0 or not df > 0 or not 0 < level < 1:
        why = f"df {df}, level {level}, new_shot_var {new_shot_var}, others {numbers}"
        raise FitError(Problem("a number is missing or out of range", why=why))
    t = float(stats.norm.ppf((1 + level) / 2) if math.isinf(df) else stats.t.ppf((1 + level) / 2, df))
    gap = target - intercept
    kind, limits = _solution(
        slope**2 - t**2 * V[1, 1], -2 * (gap * slope + t**2 * V[0, 1]), gap**2 - t**2 * (V[0, 0] + new_shot_var)
    )
    if abs(slope) < NO_SLOPE:
        return Inverse(None, kind, limits, math.inf, None, None)
    x = gap / slope
    variance = new_shot_var + V[0, 0] + 2 * x * V[0, 1] + x**2 * V[1, 1]
    se = math.sqrt(max(variance, 0.0)) / abs(slope)
    return Inverse(x, kind, limits, t**2 * float(V[1, 1]) / slope**2, se, (x - t * se, x + t * se))


def _solution(a: float, b: float, c: float) -> tuple[Kind, tuple[float, float]]:
    """The set a x^2 + b x + c <= 0, which holds the estimate and so is never empty."""
    root = b**2 - 4 * a * c
    if a == 0:  # the slope is just at the edge of being told from zero: one ray
        if b == 0:
            return "whole_line", (-math.inf, math.inf)
        return "two_rays", ((-c / b, math.inf) if b > 0 else (-math.inf, -c / b))
    if root < 0 and a < 0:
        return "whole_line", (-math.inf, math.inf)
    # the root without cancellation first, the other from the product of both
    far = -0.5 * (b + math.copysign(math.sqrt(max(root, 0.0)), b))
    ends = sorted((far / a, c / far if far != 0 else 0.0))
    return ("interval" if a > 0 else "two_rays"), (float(ends[0]), float(ends[1]))

"""Inverse prediction: which setting gives a wanted response, from a straight line, with honest limits."""

from __future__ import annotations

import math
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

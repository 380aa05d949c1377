"""Errors line: a straight line through points with known errors in both coordinates, and how sure it is.

York's equations (D. York, N. M. Evensen, M. Lopez Martinez, J. De Basabe Delgado, 2004, American Journal of Physics
72, 367), errors of the two coordinates independent. Where the points stray farther than their errors say, the
covariance is widened by chi squared over its degrees of freedom, and the surplus is told as scatter of a new point
about the line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats as distributions

from tastefield.errors import FitError, Problem

Array = NDArray[np.float64]
FEWEST = 3
"""Points needed: two are always on a line, so that nothing would tell how well it fits."""
ROUNDS = 200


@dataclass(frozen=True, eq=False)
class ErrorsLine:
    """The line y = intercept + slope x.

    :param cov: (2, 2) covariance of intercept and slope, widened where ``chi2 > df``.
    :param scatter: standard deviation of a new point about the line beyond its own errors.
    :param chi2: weighted squares left; ``df`` = points - 2. :param p: chance of more where the errors are as stated.
    :param span: lowest and highest x of the points.
    """

    intercept: float
    slope: float
    cov: Array
    scatter: float
    chi2: float
    df: int
    p: float
    span: tuple[float, float]

    def at(self, x: ArrayLike) -> tuple[Array, Array]:
        """Value of the line and its standard uncertainty, scatter of a new point included."""
        where = np.asarray(x, dtype=float)
        design = np.stack([np.ones_like(where), where], axis=-1)
        variance = np.einsum("...i,ij,...j->...", design, self.cov, design) + self.scatter**2
        return self.intercept + self.slope * where, np.sqrt(variance)


def fit(x: ArrayLike, y: ArrayLike, u_x: ArrayLike, u_y: ArrayLike) -> ErrorsLine:
    """Fit the line.

    :param x: (n,) and ``y`` (n,) points. :param u_x: standard errors, (n,) or one for all; 0 where x is known exactly.
    :param u_y: likewise, above 0.
    :raises FitError: fewer than three points, all at one x, an error that is negative or missing.

    >>> line = fit([1, 2, 3], [2.1, 3.9, 6.0], 0.0, 0.1)
    >>> round(line.slope, 3), round(line.intercept, 3)
    (1.95, 0.1)
    """
    x, y, u_x, u_y = (np.array(one, dtype=float) for one in np.broadcast_arrays(x, y, u_x, u_y))
    _refuse(x, y, u_x, u_y)
    slope = float(np.polyfit(x, y, 1)[0])
    for _ in range(ROUNDS):
        weight = 1.0 / (u_y**2 + slope**2 * u_x**2)
        at_x, at_y = np.average(x, weights=weight), np.average(y, weights=weight)
        dx, dy = x - at_x, y - at_y
        beta = weight * (dx * u_y**2 + slope * dy * u_x**2)
        before, slope = slope, float(np.sum(weight * beta * dy) / np.sum(weight * beta * dx))
        if abs(slope - before) <= 1e-14 * abs(slope):
            break
    weight = 1.0 / (u_y**2 + slope**2 * u_x**2)
    at_x, at_y = float(np.average(x, weights=weight)), float(np.average(y, weights=weight))
    intercept = at_y - slope * at_x
    adjusted = at_x + weight * ((x - at_x) * u_y**2 + slope * (y - at_y) * u_x**2)
    centre = float(np.average(adjusted, weights=weight))
    var_slope = 1.0 / float(np.sum(weight * (adjusted - centre) ** 2))
    var_intercept = 1.0 / float(np.sum(weight)) + centre**2 * var_slope
    cov = np.array([[var_intercept, -centre * var_slope], [-centre * var_slope, var_slope]])
    chi2, df = float(np.sum(weight * (y - intercept - slope * x) ** 2)), len(x) - 2
    surplus = max(chi2 / df, 1.0)
    scatter = math.sqrt((surplus - 1.0) * len(x) / float(np.sum(weight)))
    p = float(distributions.chi2.sf(chi2, df))
    return ErrorsLine(intercept, slope, cov * surplus, scatter, chi2, df, p, (float(x.min()), float(x.max())))


def _refuse(x: Array, y: Array, u_x: Array, u_y: Array) -> None:
    problems = []
    if x.ndim != 1 or len(x) < FEWEST:
        problems.append(Problem("too few points for a line", why=f"{x.size}, and {FEWEST} are needed"))
    elif float(np.ptp(x)) == 0:
        problems.append(Problem("all points stand at one x", why=f"x = {x[0]:g}", do="take points that differ"))
    if not all(np.isfinite(one).all() for one in (x, y, u_x, u_y)):
        problems.append(Problem("a point or an error is missing", do="leave that point out"))
    elif (u_x < 0).any() or (u_y <= 0).any():
        problems.append(Problem("an error cannot be", why="u_x must be at least 0 and u_y above 0"))
    if problems:
        raise FitError(problems)

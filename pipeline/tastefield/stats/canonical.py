"""Shape of a quadratic f(x) = constant + linear'x + x'quadratic x: stationary point, axes, ridges, best of a box.

Where a covariance is asked, it is that of the coefficients in the order linear (k), two-way b_ij for i < j, squares
b_ii; ``b_ij`` is the coefficient of x_i x_j, twice the off-diagonal of ``quadratic``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from tastefield.errors import FitError, Problem

Array = NDArray[np.float64]
Nature = Literal["maximum", "minimum", "saddle", "ridge", "flat"]
FLAT = 1e-10  # a curvature below this share of the largest is no curvature: it is rounding


@dataclass(frozen=True, eq=False)
class Canonical:
    """Canonical analysis. ``point`` (k,); ``eigenvalues`` (k,) descending; ``eigenvectors`` (k, k), unit columns whose
    largest component is positive; ``value_shift`` = f(point) - f(0); ``distance`` of the point from the centre.

    ``nature`` is ``ridge`` where some axis has no curvature at all and ``flat`` where none has any: ``point`` is then
    the solution nearest to the centre, exact only if the slope along the straight axes is zero.
    """

    point: Array
    eigenvalues: Array
    eigenvectors: Array
    nature: Nature
    value_shift: float
    distance: float


@dataclass(frozen=True, eq=False)
class Ridge:
    """The ridge left when weak curvatures are set to zero: its ``point`` (k,) nearest to the centre and its ``axes``
    (k, m), one column for each dropped curvature (none where every axis is curved enough)."""

    point: Array
    axes: Array


@dataclass(frozen=True, eq=False)
class RidgePath:
    """Best point on each sphere about the centre: ``points`` (m, k), ``multipliers`` (m,), ``gains`` f(x) - f(0)."""

    radii: Array
    points: Array
    multipliers: Array
    gains: Array


@dataclass(frozen=True, eq=False)
class BoxOptimum:
    """Largest value in a box: ``point`` (k,), ``gain`` = f(point) - f(0), ``at_edge`` (k,) on a face of the box."""

    point: Array
    gain: float
    at_edge: NDArray[np.bool_]


def _form(linear: ArrayLike, quadratic: ArrayLike) -> tuple[Array, Array]:
    b, B = np.atleast_1d(np.asarray(linear, dtype=float)), np.atleast_2d(np.asarray(quadratic, dtype=float))
    k = b.size
    if b.ndim != 1 or B.shape != (k, k):
        raise FitError(
            Problem("not a quadratic form", why=f"shapes {b.shape} and {B.shape}", do="Give (k,) and (k, k).")
        )
    if not (np.isfinite(b).all() and np.isfinite(B).all()):
        raise FitError(Problem("a coefficient is missing or infinite", do="Leave that surface out."))
    if not np.allclose(B, B.T, rtol=1e-9, atol=1e-12 * (1 + np.abs(B).max())):
        raise FitError(Problem("the quadratic part is not symmetric", do="Put half of each interaction on each side."))
    return b, (B + B.T) / 2


def _axes(B: Array) -> tuple[Array, Array]:
    """Eigenvalues from large to small, and unit columns with their largest component positive."""
    values, vectors = np.linalg.eigh(B)
    values, vectors = values[::-1], vectors[:, ::-1]
    lead = vectors[np.argmax(np.abs(vectors), axis=0), np.arange(values.size)]
    return values, vectors * np.where(lead < 0, -1.0, 1.0)


def _value(b: Array, B: Array, x: Array) -> float:
    return float(b @ x + x @ B @ x)


def analyse(linear: ArrayLike, quadratic: ArrayLike) -> Canonical:
    """Stationary point x = -B^-1 b / 2, its nature, and the principal axes.

    :param linear: (k,) b. :param quadratic: (k, k) symmetric B, half of each interaction off the diagonal.
    :raises FitError: shapes, missing values, asymmetry.

    Source: Box & Wilson (1951), J. R. Stat. Soc. B 13, 1.

    >>> analyse([2.0, 0.0], [[-1.0, 0.0], [0.0, -1.0]]).point.tolist()
    [1.0, 0.0]
    """
    b, B = _form(linear, quadratic)
    values, vectors = _axes(B)
    size = float(np.max(np.abs(values)))
    curved = np.abs(values) > FLAT * size if size > 0 else np.zeros(b.size, dtype=bool)
    if curved.all():
        point = np.asarray(-0.5 * np.linalg.solve(B, b))
        nature: Nature = "maximum" if values[0] < 0 else "minimum" if values[-1] > 0 else "saddle"
    else:
        point = _solve_along(b, values, vectors, curved)
        nature = "ridge" if curved.any() else "flat"
    return Canonical(point, values, vectors, nature, _value(b, B, point), float(np.linalg.norm(point)))


def _solve_along(b: Array, values: Array, vectors: Array, keep: NDArray[np.bool_]) -> Array:
    U = vectors[:, keep]
    return np.asarray(-0.5 * U @ ((U.T @ b) / values[keep]))


def ridge(linear: ArrayLike, quadratic: ArrayLike, share: float = 0.1) -> Ridge:
    """The ridge of a nearly degenerate surface: curvatures below ``share`` of the largest are set to zero.

    A stationary point far outside the data says only that one axis is almost straight; what the data support is the
    line of points along it, given here by its point nearest to the centre and its direction.

    >>> ridge([0.0, -2.0], [[0.01, 0.0], [0.0, -1.0]]).point.round(9).tolist()
    [0.0, -1.0]
    """
    b, B = _form(linear, quadratic)
    values, vectors = _axes(B)
    keep = np.abs(values) > share * np.max(np.abs(values))
    return Ridge(_solve_along(b, values, vectors, keep), vectors[:, ~keep])


def ridge_path(linear: ArrayLike, quadratic: ArrayLike, radii: Sequence[float]) -> RidgePath:
    """Highest point on each sphere |x| = r about the centre (ridge analysis).

    With the multiplier m above the largest eigenvalue, x solves (m I - B) x = b / 2 and m is found from |x| = r. Where
    the slope has no part along the steepest axis the point moves out along that axis (either way is as good).

    :param radii: (m,) positive, coded units.

    Source: Hoerl (1959), Chem. Eng. Prog. 55, 69; Draper (1963), Technometrics 5, 469.

    >>> ridge_path([2.0, 0.0], [[-1.0, 0.0], [0.0, -1.0]], [0.5]).points.round(9).tolist()
    [[0.5, 0.0]]
    """
    b, B = _form(linear, quadratic)
    values, vectors = _axes(B)
    found = [_on_sphere(vectors.T @ b, values, float(r)) for r in radii]
    points = np.array([vectors @ z for z, _ in found]).reshape(-1, b.size)
    gains = np.array([_value(b, B, x) for x in points])
    return RidgePath(np.asarray(radii, dtype=float), points, np.array([m for _, m in found]), gains)


def _on_sphere(c: Array, values: Array, radius: float) -> tuple[Array, float]:
    """Highest point of sum(c z + values z^2) on |z| = radius, in the canonical axes, with its multiplier."""
    if not radius > 0:
        raise FitError(Problem("a radius is not positive", why=f"found {radius}", do="Give radii above zero."))
    top = float(values[0])
    size = max(float(np.max(np.abs(values))), float(np.max(np.abs(c))) / radius, 1e-300)
    leading = values >= top - FLAT * size
    rest = np.where(leading, 0.0, c / np.where(leading, 1.0, 2 * (top - values)))
    if np.linalg.norm(c[leading]) <= FLAT * size * radius and np.linalg.norm(rest) <= radius:
        z = rest.copy()
        z[0] = np.sqrt(max(radius**2 - float(rest @ rest), 0.0))
        return z, top

    def excess(m: float) -> float:
        return radius - float(np.linalg.norm(c / (2 * (m - values))))

    # |x| falls from infinity to below r between these two bounds of the multiplier
    low = top + max(float(np.linalg.norm(c[leading])) / (2 * radius), FLAT * size) * 0.5
    while excess(low) > 0:
        low = top + (low - top) / 10
    high = top + float(np.linalg.norm(c)) / (2 * radius) * 1.0000001 + FLAT * size
    m = float(optimize.brentq(excess, low, high, xtol=1e-300, rtol=4 * np.finfo(float).eps, maxiter=500))
    return c / (2 * (m - values)), m


def box_maximum(linear: ArrayLike, quadratic: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> BoxOptimum:
    """Global maximum over a box, by solving on every face (3^k of them: meant for k <= 6).

    :param lower: (k,) or a number. :param upper: (k,) or a number.
    :raises FitError: a lower limit above its upper one.

    >>> box_maximum([1.0], [[1.0]], -1, 1).point.tolist()
    [1.0]
    """
    b, B = _form(linear, quadratic)
    k = b.size
    lo, hi = (
        np.broadcast_to(np.asarray(lower, dtype=float), (k,)),
        np.broadcast_to(np.asarray(upper, dtype=float), (k,)),
    )
    if not (lo <= hi).all():
        raise FitError(Problem("the box is empty", why=f"lower {lo.tolist()}, upper {hi.tolist()}"))
    best, best_gain = lo.astype(float), -np.inf
    for face in product((0, -1, 1), repeat=k):
        side = np.array(face)
        x = np.where(side < 0, lo, np.where(side > 0, hi, 0.0))
        free = side == 0
        if free.any():
            Bf, slope = B[np.ix_(free, free)], b[free] + 2 * B[np.ix_(free, ~free)] @ x[~free]
            if np.linalg.matrix_rank(Bf, tol=1e-12 * max(float(np.abs(B).max()), 1e-300)) < free.sum():
                continue  # straight along this face: its best lies on a smaller face, tried as well
            x[free] = -0.5 * np.linalg.solve(Bf, slope)
            if (x < lo - 1e-12).any() or (x > hi + 1e-12).any():
                continue
        gain = _value(b, B, x)
        if gain > best_gain:
            best, best_gain = x, gain
    return BoxOptimum(best, best_gain, np.isclose(best, lo, atol=1e-12) | np.isclose(best, hi, atol=1e-12))


def _gradient_rows(points: Array) -> Array:
    """d(gradient of f) / d(coefficients) at each point: (m, k, number of coefficients)."""
    m, k = points.shape
    pairs = list(combinations(range(k), 2))
    G = np.zeros((m, k, 2 * k + len(pairs)))
    for i in range(k):
        G[:, i, i] = 1.0
        G[:, i, k + len(pairs) + i] = 2 * points[:, i]
    for at, (i, j) in enumerate(pairs, start=k):
        G[:, i, at], G[:, j, at] = points[:, j], points[:, i]
    return G


def _checked_cov(cov: ArrayLike, k: int) -> Array:
    V, size = np.asarray(cov, dtype=float), 2 * k + k * (k - 1) // 2
    if V.shape != (size, size):
        why = f"expected {(size, size)} for {k} factors without the constant, found {V.shape}"
        raise FitError(Problem("covariance of another size", why=why))
    return V


def stationary_statistic(linear: ArrayLike, quadratic: ArrayLike, cov: ArrayLike, points: ArrayLike) -> Array:
    """How strongly the data deny that each point is stationary: g' Var(g)^-1 g / k, g the gradient there.

    Points whose statistic is at most :func:`stationary_limit` form the confidence region of the stationary point,
    which may be open. :param points: (m, k). :returns: (m,).

    Source: Box & Hunter (1954), Biometrika 41, 190.
    """
    b, B = _form(linear, quadratic)
    x = np.atleast_2d(np.asarray(points, dtype=float))
    g = b + 2 * x @ B
    G = _gradient_rows(x)
    V = G @ _checked_cov(cov, b.size) @ np.swapaxes(G, 1, 2)
    return np.asarray(np.sum(g * np.linalg.solve(V, g[:, :, None])[:, :, 0], axis=1) / b.size)


def stationary_limit(k: int, df: float, level: float = 0.95) -> float:
    """Quantile of F(k, df) (chi-squared / k where ``df`` is infinite) that bounds the confidence region."""
    return float(stats.chi2.ppf(level, k) / k if np.isinf(df) else stats.f.ppf(level, k, df))

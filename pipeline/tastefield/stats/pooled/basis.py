"""Smooth surfaces over two coded factors as sums of sines on a fixed box.

The box is turned: one axis runs along equal flow, where ratio and time grow together, t1 = (x1 + x2) / sqrt 2, the
other across it, t2 = (x1 - x2) / sqrt 2, from slow to fast. A Gaussian process with squared-exponential covariance,
variance 1 and lengths l, m along them is, inside the box, nearly

    f(x) = sum_j w_j phi_j(x),   w_j ~ N(0, S_j),   phi_ab(x) = sin(pi a (t1 + L) / 2L) sin(pi b (t2 + L) / 2L) / L,
    S_ab = 2 pi l m exp(-pi^2 (l^2 a^2 + m^2 b^2) / 8L^2)

(Solin and Sarkka 2020, Statistics and Computing 30:419; Riutort-Mayol et al. 2023, Statistics and Computing 33:17, from
memory). The functions depend on no data, so that what two benches learned of a surface can be added up.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

HALF_WIDTH = 3.6
"""L in coded units ln(ratio/2)/ln 1.5 and ln(time/27)/ln 1.5, beyond every espresso along both axes."""
REACH = 2.5
"""Points farther out are answered as the nearest one within: near the box's wall every sine is 0."""
HIGHEST = 9
"""Most half waves of a function in all directions together: sqrt(a^2 + b^2) <= HIGHEST + 1/2."""
Length = tuple[float, float]
"""Lengths along and across equal flow, coded units."""
LENGTHS: tuple[Length, ...] = ((0.9, 0.9), (0.65, 0.65), (1.25, 1.25), (1.4, 0.65))
"""Those that are tried: below them the sines cannot follow, above them hardly anything bends. The last is of a ridge:
more coffee in more time tastes much the same, a faster or slower flow does not."""
FALL_WIDTH = 0.8
"""Coded units (1 is half as much again) at which the fall from the usual recipe has made 39 % of its way."""

TILT = 1.0
"""SD of a tilt where that of the sines together is 1: that the best place moves is the commonest departure."""

_ORDER = sorted(
    ((a, b) for a in range(1, HIGHEST + 1) for b in range(1, HIGHEST + 1) if np.hypot(a, b) <= HIGHEST + 0.5),
    key=lambda ab: (ab[0] ** 2 + ab[1] ** 2, ab),
)
WAVES = np.array(_ORDER, dtype=float)
"""(K, 2) half waves of each function along the two axes, the slowest first."""
COUNT = 2 + len(WAVES)
"""Functions of a surface: two tilts, then the sines."""


def inside(points: ArrayLike) -> Array:
    """Points (n, 2), those outside the answered region moved to its border."""
    return np.asarray(np.clip(np.asarray(points, dtype=float), -REACH, REACH))


def functions(points: ArrayLike) -> Array:
    """Values (n, COUNT) of the functions at coded points (n, 2)."""
    x = inside(points)
    first, second = WAVES.astype(int).T - 1
    along = _sines(x)
    return np.column_stack([_tilts(x), along[:, 0, first] * along[:, 1, second] / HALF_WIDTH])


def _sines(x: Array) -> Array:
    """Sines (n, 2, HIGHEST) along each of the two axes at points within: few sines for many products."""
    turned = np.column_stack([x[:, 0] + x[:, 1], x[:, 0] - x[:, 1]]) / np.sqrt(2.0)
    angle = np.pi * (turned[:, :, None] + HALF_WIDTH) / (2 * HALF_WIDTH) * np.arange(1, HIGHEST + 1)
    return np.asarray(np.sin(angle))


def _tilts(x: Array) -> Array:
    """What a small move of a hill does to it, for each direction (n, 2): the slope of the fall, 1 where steepest."""
    return np.asarray(x / FALL_WIDTH * np.exp(0.5 - 0.5 * (x**2).sum(axis=1, keepdims=True) / FALL_WIDTH**2))


def weights(length: Length) -> Array:
    """Prior variances (COUNT,) of the functions' coefficients for a surface of variance 1 and tilts of as much."""
    waves = ((np.pi * WAVES * length / (2 * HALF_WIDTH)) ** 2).sum(axis=1)
    return np.concatenate([[TILT**2] * 2, 2 * np.pi * length[0] * length[1] * np.exp(-0.5 * waves)])


def fall(points: ArrayLike) -> Array:
    """How far (n,) a coded point lies from the usual recipe at 0, from 0 to 1: 1 - exp(-|x|^2 / 2 FALL_WIDTH^2)."""
    return np.asarray(1 - np.exp(-0.5 * (inside(points) ** 2).sum(axis=1) / FALL_WIDTH**2))


def expand(points: ArrayLike) -> Array:
    """Columns (n, COUNT + 2): 1, the fall, and the functions."""
    phi = functions(points)
    return np.column_stack([np.ones(len(phi)), fall(points), phi])


def at(points: ArrayLike, coefficients: Array) -> Array:
    """``expand(points) @ coefficients`` (n,) for one surface, without its columns: a quarter of the work."""
    x = inside(points)
    first, second = WAVES.astype(int).T - 1
    waves = np.zeros((HIGHEST, HIGHEST))
    waves[first, second] = coefficients[4:] / HALF_WIDTH
    along = _sines(x)
    told = coefficients[0] + coefficients[1] * fall(x) + _tilts(x) @ coefficients[2:4]
    return np.asarray(told + ((along[:, 0] @ waves) * along[:, 1]).sum(axis=1))


def leading(points: ArrayLike, length: Length, most: int) -> Array:
    """Directions (COUNT, k), k <= ``most``, of prior variance 1 that carry most of a surface's variance at points.

    Left out are directions below one part in 100,000 of the first. What they leave of the covariance is
    diag(weights) - leading leading'.
    """
    root = np.sqrt(weights(length))
    values, vectors = np.linalg.eigh((functions(points) * root).T @ (functions(points) * root))
    kept = int(min((values > 1e-5 * values[-1]).sum(), most)) if len(np.asarray(points)) else 0
    chosen = vectors[:, ::-1][:, :kept]
    return np.asarray(root[:, None] * chosen * np.where(chosen.sum(axis=0) < 0, -1.0, 1.0))

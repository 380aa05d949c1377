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
_FIRST, _SECOND = WAVES.astype(int).T - 1
COUNT = 2 + len(WAVES)
"""Functions of a surface: two tilts, then the sines."""


def inside(points: ArrayLike) -> Array:
    """Points (n, 2), those outside the answered region moved to its border."""
    return np.asarray(np.clip(np.asarray(points, dtype=float), -REACH, REACH))


def functions(points: ArrayLike) -> Array:
    """Values (n, COUNT) of the functions at coded points (n, 2)."""
    return expand(points)[:, 2:]


def _waves(x: Array) -> Array:
    """The sines of each direction alone, (2, HIGHEST, n) at points (n, 2): few of them make many products.

    Those of more half waves by sin (k + 1) a = 2 cos a sin k a - sin (k - 1) a: far cheaper than so many sines.
    """
    angle = np.pi * (np.stack([x[:, 0] + x[:, 1], x[:, 0] - x[:, 1]]) / np.sqrt(2.0) + HALF_WIDTH) / (2 * HALF_WIDTH)
    waves, twice = np.empty((2, HIGHEST, len(x))), 2.0 * np.cos(angle)
    waves[:, 0] = np.sin(angle)
    waves[:, 1] = twice * waves[:, 0]
    for k in range(2, HIGHEST):
        waves[:, k] = twice * waves[:, k - 1] - waves[:, k - 2]
    return waves


def _hill(x: Array) -> Array:
    """What is left (n,) of the fall at points within: 1 at the usual recipe."""
    return np.asarray(np.exp(-0.5 * (x[:, 0] ** 2 + x[:, 1] ** 2) / FALL_WIDTH**2))


def _tilts(x: Array, hill: Array) -> Array:
    """What a small move of a hill does to it, for each direction (2, n): the slope of the fall, 1 where steepest."""
    return np.asarray(x.T * (np.exp(0.5) / FALL_WIDTH * hill))


def weights(length: Length) -> Array:
    """Prior variances (COUNT,) of the functions' coefficients for a surface of variance 1 and tilts of as much."""
    waves = ((np.pi * WAVES * length / (2 * HALF_WIDTH)) ** 2).sum(axis=1)
    return np.concatenate([[TILT**2] * 2, 2 * np.pi * length[0] * length[1] * np.exp(-0.5 * waves)])


def fall(points: ArrayLike) -> Array:
    """How far (n,) a coded point lies from the usual recipe at 0, from 0 to 1: 1 - exp(-|x|^2 / 2 FALL_WIDTH^2)."""
    return 1.0 - _hill(inside(points))


def expand(points: ArrayLike) -> Array:
    """Columns (n, COUNT + 2): 1, the fall, and the functions."""
    x = inside(points)
    (along, across), hill = _waves(x), _hill(x)
    columns = np.empty((COUNT + 2, len(x)))  # a function is a row here: written and multiplied in one piece
    columns[0], columns[1], columns[2:4] = 1.0, 1.0 - hill, _tilts(x, hill)
    np.take(along / HALF_WIDTH, _FIRST, axis=0, out=columns[4:], mode="clip")  # any other mode writes elsewhere first
    columns[4:] *= across[_SECOND]
    return columns.T


def at(points: ArrayLike, coefficients: ArrayLike) -> Array:
    """``expand(points) @ coefficients``, (n,), in a fraction of its time: no column is made."""
    x, of = inside(points), np.asarray(coefficients, dtype=float)
    (along, across), hill = _waves(x), _hill(x)
    products = np.zeros((HIGHEST, HIGHEST))
    products[_FIRST, _SECOND] = of[4:] / HALF_WIDTH
    smooth = np.einsum("kn,kn->n", products.T @ along, across)
    return np.asarray(of[0] + of[1] * (1.0 - hill) + of[2:4] @ _tilts(x, hill) + smooth)


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

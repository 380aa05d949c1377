"""Where a surface may speak: the convex hull of the shots in two coded factors, with a margin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tastefield.errors import FitError, Problem

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Support:
    """Points within ``margin`` of the convex hull with these ``vertices`` (v, 2), counter-clockwise.

    One vertex makes a disc, two (one shot repeated on a line, or shots in a row) a capsule.
    """

    vertices: Array
    margin: float

    @classmethod
    def around(cls, points: ArrayLike, margin: float) -> Support:
        """Support of these points.

        :param points: (n, 2), n >= 1, coded units. :param margin: >= 0, coded units.
        :raises FitError: no points, another shape, missing values, a negative margin.

        >>> Support.around([[0, 0], [2, 0], [0, 2], [0.5, 0.5]], 0.1).vertices.tolist()
        [[0.0, 0.0], [2.0, 0.0], [0.0, 2.0]]
        """
        p = np.asarray(points, dtype=float)
        if p.ndim != 2 or p.shape[1] != 2 or p.shape[0] == 0 or not np.isfinite(p).all():
            why = f"expected (n, 2) finite numbers, n >= 1; found shape {p.shape}"
            raise FitError(Problem("no points to stand on", why=why))
        if not (margin >= 0 and np.isfinite(margin)):
            raise FitError(Problem("the margin is not a length", why=f"found {margin}"))
        return cls(_hull(p), float(margin))

    @property
    def bounds(self) -> tuple[Array, Array]:
        """Lower and upper corner (2,) of the smallest box that holds the support."""
        return self.vertices.min(axis=0) - self.margin, self.vertices.max(axis=0) + self.margin

    def contains(self, points: ArrayLike) -> NDArray[np.bool_]:
        """Which points (m, 2) lie in the support, its edge included (m,)."""
        return np.asarray(self.distance(points) <= self.margin * (1 + 1e-9) + 1e-9)

    def distance(self, points: ArrayLike) -> Array:
        """Distance (m,) of points (m, 2) from the hull, zero inside it."""
        p = np.asarray(points, dtype=float)
        if p.ndim != 2 or p.shape[1] != 2:
            raise FitError(Problem("points of another shape", why=f"expected (m, 2), found {p.shape}"))
        best, inside = np.full(p.shape[0], np.inf), np.full(p.shape[0], len(self.vertices) > 2)
        for a, b in zip(self.vertices, np.roll(self.vertices, -1, axis=0), strict=True):
            edge, away = b - a, p - a
            length2 = float(edge @ edge)
            along = np.clip(away @ edge / length2, 0.0, 1.0) if length2 > 0 else np.zeros(p.shape[0])
            best = np.minimum(best, np.linalg.norm(away - along[:, None] * edge, axis=1))
            inside &= edge[0] * away[:, 1] - edge[1] * away[:, 0] >= 0
        return np.where(inside, 0.0, best)


def _hull(points: Array) -> Array:
    """Vertices counter-clockwise from the leftmost: two monotone chains (Andrew, 1979, Inf. Process. Lett. 9, 216)."""
    p = np.unique(points, axis=0)
    if len(p) < 3:
        return p
    straight = 1e-12 * float(np.ptp(p, axis=0).max()) ** 2  # turns below this are rounding
    chains = []
    for ordered in (p, p[::-1]):
        chain: list[Array] = []
        for q in ordered:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], q) <= straight:
                chain.pop()
            chain.append(q)
        chains.append(chain[:-1])
    return np.array(chains[0] + chains[1])


def _turn(a: Array, b: Array, c: Array) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))

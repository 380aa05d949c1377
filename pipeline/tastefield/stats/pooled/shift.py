"""Where the best of each coffee lies, so that what coffees share is not blurred by where they have it.

The same hill stands elsewhere for another coffee. Added up in place, hills of many coffees make a lower and wider one,
and each coffee's departure from it must build the hill anew; moved onto one another they are one hill, departures are
small. So the surfaces of a setup run over its points less a shift: how far the best of its coffee lies from that of
all, as a first look at surfaces not moved sees it. A part of it is left to the departures, which carry its doubt.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay, QhullError

from tastefield.stats.pooled import basis
from tastefield.stats.pooled.answer import Unit
from tastefield.stats.pooled.evidence import Evidence
from tastefield.stats.pooled.layout import Layout

Array = NDArray[np.float64]

EARNED = 8.0
"""Tasted shots of a coffee at which half of what the first look sees is taken: it sees a best with an error. A share
that is the same for all makes recipes of coffees with few tasted shots promise too much (simulated benches)."""
GRID = 41
"""Points along each side of the shots' box at which a best is looked for."""
BLUR = 0.1
"""Points of appeal by which places of nearly the same worth share in being the best."""
FEWEST = 2
"""Of fewer coffees none lies elsewhere than all."""
USUAL_SD = 0.25
"""How far the bests of coffees lie apart along each factor, coded (about 10 %), where too few coffees tell."""


def places(plan: Layout, found: Evidence) -> Array:
    """Where the best of each setup's coffee lies, (S, 2) coded points: the same for all setups of a coffee.

    Not a number where none of the coffee was tasted.
    """
    bench = plan.bench
    shots = bench.shot_points
    axes = [np.linspace(low, high, GRID) for low, high in zip(shots.min(axis=0), shots.max(axis=0), strict=True)]
    grid = np.column_stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")])
    grid = np.vstack([grid[_among(grid, shots)], shots])
    columns = basis.expand(grid)
    tasted = np.bincount(bench.setup[bench.tasted], minlength=len(bench.names))
    total = np.zeros((len(bench.coffee_names), len(grid)))
    for number in range(int(plan.unit.max(initial=-1)) + 1):
        unit = Unit(plan, found, number)
        for setup in np.flatnonzero((plan.unit == number) & (tasted > 0)).tolist():
            total[bench.coffee[setup]] += tasted[setup] * (columns @ unit.expected(setup))
    count = np.bincount(bench.coffee, tasted, minlength=len(total))[:, None]
    with np.errstate(invalid="ignore"):
        mean = total / count
        weight = np.exp((mean - mean.max(axis=1, keepdims=True)) / BLUR)
        best = weight @ grid / weight.sum(axis=1, keepdims=True)
    return np.asarray(best[bench.coffee])


def _among(points: Array, shots: Array) -> NDArray[np.bool_]:
    """Whether points (n, 2) lie in the hull of the shots (m, 2); none where these lie on a line."""
    try:
        return np.asarray(Delaunay(shots).find_simplex(points) >= 0)
    except QhullError:
        return np.zeros(len(points), dtype=bool)


def share(shots: Array) -> Array:
    """Share of what the first look sees that is taken, of coffees of so many tasted ``shots``."""
    return np.asarray(shots / (shots + EARNED))


def shifts(bests: Array, coffee: NDArray[np.int64], taken: Array) -> Array:
    """Shift (S, 2) of every setup.

    :param bests: (S, 2) of :func:`places`. :param coffee: (S,) codes. :param taken: (S,) of :func:`share`.
    """
    first = np.unique(coffee, return_index=True)[1]
    known = bests[first][np.isfinite(bests[first]).all(axis=1)]
    if len(known) < FEWEST:
        return np.zeros_like(bests)
    return np.asarray(np.nan_to_num(taken[:, None] * (bests - known.mean(axis=0))))


def spread(moved: Array, taken: Array) -> Array:
    """How far bests lie apart along each factor, (2,), leaning on ``USUAL_SD``.

    A best seen with an error is apart^2 + error^2 from the middle in the mean square, of which the right share takes
    apart^2: the square of what was taken over the share is apart^2 in the mean.

    :param moved: (k, 2) shifts of k coffees. :param taken: (k,) of :func:`share`.
    """
    if not len(moved):
        return np.full(2, USUAL_SD)
    lean = 2.0  # coffees that what is usual counts for
    squares = (moved**2 / taken[:, None]).sum(axis=0)
    return np.asarray(np.sqrt((lean * USUAL_SD**2 + squares) / (lean + max(len(moved) - 1, 0))))

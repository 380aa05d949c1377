"""How much scores flatter a shot for having run about the usual time.

Who sees the clock while tasting may write down more than is liked where a shot ran as shots are said to have to. Such a
halo is narrow and stands at one time, as written down, for all coffees. Liking may have a narrow ridge at the usual
time as well, and smooth surfaces would leave it over; but it moves with the hill of the coffee, and it is felt of a
shot's setting of the dial rather than of its time. So both are asked for at once, and what either explains as well as
the other is shared out by how likely each was beforehand. What is expected of the halo is taken off the scores.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tastefield.stats.pooled import basis, parts
from tastefield.stats.pooled.evidence import Message, evaluate
from tastefield.stats.pooled.layout import batches, laid_out
from tastefield.stats.pooled.rows import Bench
from tastefield.stats.pooled.search import searched

Array = NDArray[np.float64]

WIDTH = 0.3
"""Standard deviation of halo and ridge along coded time: 12 % of the usual time (a judgement of ours)."""
HEIGHTS = np.linspace(0.0, 1.5, 151)
"""Heights in points over which densities are summed."""


@dataclass(frozen=True)
class Halo:
    """Mean height in points, and how likely there is any."""

    height: float
    chance: float


def shapes(bench: Bench) -> Array:
    """What a halo and a ridge of height 1 add to each row, (N, 2): a halo to scores alone, by their written times."""
    halo = np.where(bench.tasted, _bell(bench.points[:, 1]), 0.0)
    ridge = np.where(bench.read, 0.0, bench.slope * _bell(bench.moved[:, 1]))
    return np.column_stack([halo, ridge])


def without(bench: Bench, halo: Halo) -> Bench:
    """The bench with the halo taken off its scores."""
    return replace(bench, value=bench.value - halo.height * shapes(bench)[:, 0])


def seen(bench: Bench, theta: Array, message: Message | None, length: basis.Length) -> Halo:
    """What the scores of a bench say of a halo.

    :param theta: (15,) log standard deviations and effect at which the likelihood is asked.
    """
    some = searched(bench)
    shape = shapes(some)
    plan = laid_out(some, length)

    def log_likelihood(halo: float, ridge: float) -> float:
        tried = replace(plan, bench=replace(some, value=some.value - shape @ np.array([halo, ridge])))
        return evaluate(tried, batches(tried), theta, message, with_gradient=False).value

    # scores less heights x shapes are normal: the log likelihood is a quadratic of the heights, which six points tell
    none, halo, ridge = log_likelihood(0, 0), log_likelihood(1, 0), log_likelihood(0, 1)
    bend = np.array([log_likelihood(2, 0) - 2 * halo + none, log_likelihood(0, 2) - 2 * ridge + none]) / 2
    slope = np.array([halo, ridge]) - none - bend
    return believed(slope, bend, log_likelihood(1, 1) - halo - ridge + none)


def believed(slope: Array, bend: Array, both: float) -> Halo:
    """The halo under its prior and that of a ridge, of log likelihood slope . heights + bend . heights^2 + both h r.

    :param slope: (2,) and :param bend: (2,) of the height h of the halo and r of the ridge.
    """
    h, r = HEIGHTS[:, None], HEIGHTS[None, :]
    log_density = slope[0] * h + bend[0] * h**2 + slope[1] * r + bend[1] * r**2 + both * h * r
    weight = np.exp(log_density - log_density.max()) * np.outer(_prior(*parts.HALO), _prior(*parts.RIDGE))
    of_halo = weight.sum(axis=1) / weight.sum()
    any_at_all = 1.0 - of_halo[0] * parts.HALO[0] / _prior(*parts.HALO)[0]
    return Halo(float(of_halo @ HEIGHTS), float(any_at_all))


def _prior(none: float, scale: float) -> Array:
    """Probability of each of ``HEIGHTS``: 0 with probability ``none``, else half-normal."""
    some = np.exp(-0.5 * (HEIGHTS / scale) ** 2)
    return np.asarray((1 - none) * some / some.sum() + none * (HEIGHTS == 0.0))


def _bell(coded_time: Array) -> Array:
    return np.asarray(np.exp(-0.5 * (coded_time / WIDTH) ** 2))

"""How much scores flatter a shot for having run about the usual time.

Who sees the clock while tasting may write down more than is liked where a shot ran as shots are said to have to. Such a
halo stands at one time for all coffees and is narrow; where hills of liking lie differs by coffee. So scores tell it
from liking. Most benches have none, says the prior; one that is likelier than none is taken off the scores before
surfaces are learned.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import CubicSpline

from tastefield.stats.pooled import basis, parts
from tastefield.stats.pooled.evidence import Message, evaluate
from tastefield.stats.pooled.layout import batches, laid_out
from tastefield.stats.pooled.rows import Bench
from tastefield.stats.pooled.search import searched

Array = NDArray[np.float64]

WIDTH = 0.3
"""Standard deviation of the halo along coded time: 12 % of the usual time (a judgement of ours)."""
TRIED = np.linspace(0.0, 1.5, 7)
"""Heights, in points, at which the likelihood is asked; between them its log is a cubic spline."""
FINE = np.linspace(0.0, 1.5, 301)


def shape(bench: Bench) -> Array:
    """The halo of each row (N,) for a height of 1: by its time as written down; 0 for a reading."""
    return np.where(bench.read, 0.0, np.exp(-0.5 * (bench.points[:, 1] / WIDTH) ** 2))


def without(bench: Bench, height: float) -> Bench:
    """The bench with a halo of this height, in points, taken off its scores."""
    return replace(bench, value=bench.value - height * shape(bench))


def seen(bench: Bench, theta: Array, message: Message | None, length: basis.Length) -> float:
    """Height of the halo, points: the median of what is likely; 0 where nothing was tasted.

    :param theta: log standard deviations and effect at which the likelihood is asked.
    """
    some = searched(bench)
    if not shape(some).any():
        return 0.0
    plan = laid_out(some, length)
    told = [
        evaluate(tried, batches(tried), theta, message, with_gradient=False).value
        for tried in (replace(plan, bench=without(some, float(height))) for height in TRIED)
    ]
    return median(CubicSpline(TRIED, told)(FINE))


def median(log_likelihood: Array) -> float:
    """Median height under the prior of :data:`parts.HALO`, for the log likelihood (301,) at the heights :data:`FINE`.

    So it is 0 as long as none at all is more likely than some.
    """
    none, sd = parts.HALO
    likelihood = np.exp(log_likelihood - log_likelihood.max())
    weight = (1 - none) * np.exp(-0.5 * (FINE / sd) ** 2) * likelihood * 2.0 / (np.sqrt(2 * np.pi) * sd)
    up_to = none * likelihood[0] + cumulative_trapezoid(weight, FINE, initial=0.0)
    return float(np.interp(0.5 * up_to[-1], up_to, FINE))

"""How much of what a shot's time is off at one setting of the dial its taste shows.

A finer grind makes a shot longer and offers more surface; a shot that merely runs long at the same grind offers no
more. So it tastes less unlike its like than its time says. How much less, the scores show: a share of the time that
the dial line does not account for, the same for all shots.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from tastefield.stats.pooled import basis, parts
from tastefield.stats.pooled.evidence import Message, evaluate
from tastefield.stats.pooled.layout import batches, laid_out
from tastefield.stats.pooled.rows import Bench
from tastefield.stats.pooled.search import searched

Array = NDArray[np.float64]

TRIED = np.linspace(0.0, 1.0, 6)
"""Shares at which the likelihood is asked; between them its log is a cubic spline."""
FINE = np.linspace(0.0, 1.0, 201)


@dataclass(frozen=True)
class Felt:
    """Mean and standard deviation of the share, from 0 to 1."""

    mean: float
    sd: float

    def told(self) -> Felt:
        """As another bench may take it: a little less sure, because benches differ."""
        return Felt(self.mean, float(np.hypot(self.sd, BENCHES_DIFFER)))


BENCHES_DIFFER = 0.1
"""Standard deviation of the share between benches: machines, grinders and hands are others (a judgement of ours)."""
PRIOR = Felt(*parts.TIME_FELT)


def seen(bench: Bench, theta: Array, message: Message | None, length: basis.Length, prior: Felt) -> Felt:
    """What the scores of a bench add to ``prior``.

    :param theta: (15,) log standard deviations and effect at which the likelihood is asked.
    """
    some = searched(bench)
    if not some.off.any():
        return prior
    told = []
    for share in TRIED:
        plan = laid_out(replace(some, time_felt=float(share)), length)
        told.append(evaluate(plan, batches(plan), theta, message, with_gradient=False).value)
    log_density = CubicSpline(TRIED, told)(FINE) - 0.5 * ((FINE - prior.mean) / prior.sd) ** 2
    weight = np.exp(log_density - log_density.max())
    mean = float(np.average(FINE, weights=weight))
    return Felt(mean, float(np.sqrt(np.average((FINE - mean) ** 2, weights=weight))))


def joined(shares: Sequence[Felt], weights: Sequence[float]) -> Felt:
    """What several benches found, the stated prior that each of them used divided out once; as ``parts.joined``."""
    means, sds = np.array([(one.mean, one.sd) for one in shares]).T
    learned = np.maximum((PRIOR.sd / sds) ** 2 - 1.0, 0.0)
    precision = 1.0 + learned @ weights
    mean = PRIOR.mean + ((1.0 + learned) * (means - PRIOR.mean)) @ weights / precision
    return Felt(float(np.clip(mean, means.min(), means.max())), float(PRIOR.sd / np.sqrt(precision)))

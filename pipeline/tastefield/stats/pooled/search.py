"""Which standard deviations and which length scores and prior make likely, and a few that stand for them all."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, optimize

from tastefield.stats.pooled import basis, parts
from tastefield.stats.pooled.evidence import Evidence, Message, Prior, evaluate
from tastefield.stats.pooled.layout import Batch, Layout, batches, laid_out
from tastefield.stats.pooled.rows import Bench, Codes

Array = NDArray[np.float64]

MOST_SEARCHED = 2000
"""Scores that standard deviations are searched with; beyond, they are as good as known and every setup is answered
at the likeliest ones alone."""
LIKELY = 0.1
"""Lengths with less than this share of the weight are dropped."""
GOLDEN = 0.6180339887
"""Multiples of it, less their whole part, fall evenly: coffees are taken in that order."""
UNLIKELY = 4.0
"""A length whose highest log density is this far below that of the best is dropped without a further look."""
BOUNDS = [(np.log(0.01), np.log(5.0))] * len(parts.NAMES) + [(-3.0, 3.0)]
STEP = 0.05
"""Of the differences that give the curvature, in log sd."""
SIGNS = linalg.hadamard(16)[(5 * np.arange(16)) % 16, 1:].astype(float)
"""Sixteen points that have mean 0 and covariance 1 in fifteen directions, a standard deviation off along each."""


@dataclass(frozen=True, eq=False)
class Peak:
    """The likeliest standard deviations at one length.

    :param theta: (15,) their logs in the order of ``parts.NAMES``, then the effect of extraction.
    :param value: log density there, the doubt about the standard deviations counted (Laplace). :param cov: (15, 15).
    """

    length: basis.Length
    theta: Array
    cov: Array
    value: float


@dataclass(frozen=True, eq=False)
class Spread:
    """What stands for all likely standard deviations.

    :param peaks: one for each likely length. :param weights: of each, summing to 1.
    :param sure: whether the scores are so many that the likeliest stand for all.
    """

    peaks: tuple[Peak, ...]
    weights: tuple[float, ...]
    sure: bool

    def points(self) -> list[tuple[basis.Length, Array]]:
        """Length and log standard deviations of points of equal weight; lengths by their share."""
        if self.sure:
            best = self.best
            return [(best.length, best.theta)]
        share = np.cumsum(self.weights)
        found = []
        for number, signs in enumerate(SIGNS):
            peak = self.peaks[int(np.searchsorted(share, (number + 0.5) / len(SIGNS)))]
            # Cholesky: eigenvectors turn their sign, and equal ones any way, with the order of rows
            moved = peak.theta + np.linalg.cholesky(peak.cov) @ signs
            found.append((peak.length, np.clip(moved, *np.array(BOUNDS).T)))
        return found

    @property
    def best(self) -> Peak:
        """The likeliest length."""
        return self.peaks[int(np.argmax(self.weights))]

    def summary(self) -> tuple[Array, Array]:
        """Mean (15,) and covariance (15, 15) of the log standard deviations over all lengths."""
        means = np.array([peak.theta for peak in self.peaks])
        mean = np.asarray(self.weights) @ means
        covs = [peak.cov + np.outer(peak.theta - mean, peak.theta - mean) for peak in self.peaks]
        return mean, np.einsum("k,kij->ij", np.asarray(self.weights), np.array(covs))


def spread_of(
    bench: Bench,
    message: Message | None = None,
    prior: Prior | None = None,
    length: basis.Length | None = None,
    begin: Array | None = None,
) -> Spread:
    """Search at every length, each from where the last one ended; then see how sure the likely ones are.

    :param length: the only length to try, where another bench told it.
    :param begin: (15,) where to start, else at the stated prior's mode.
    """
    some = searched(bench)
    tops, begin = [], parts.start() if begin is None else begin
    for tried in (length,) if length is not None else basis.LENGTHS:
        tops.append(_Top(laid_out(some, tried), begin, message, prior))
        begin = tops[-1].theta
    height = np.array([top.value + _log_length(top.length) for top in tops])
    peaks = [top.peak() for top in (top for top, at in zip(tops, height, strict=True) if at > height.max() - UNLIKELY)]
    value = np.array([peak.value + _log_length(peak.length) for peak in peaks])
    weights = np.exp(value - value.max()) / np.exp(value - value.max()).sum()
    kept = weights >= LIKELY
    return Spread(
        tuple(peak for peak, keep in zip(peaks, kept, strict=True) if keep),
        tuple((weights[kept] / weights[kept].sum()).tolist()),
        some is not bench,
    )


def first_look(bench: Bench, message: Message | None = None, length: basis.Length | None = None) -> Array:
    """The likeliest standard deviations (15,) of surfaces not moved, at one length alone.

    Their prior is as stated: what another bench told is of surfaces that were moved.
    """
    return _Top(laid_out(searched(bench), length or basis.LENGTHS[0]), parts.start(), message, None).theta


def _log_length(length: basis.Length) -> float:
    median, width = parts.LENGTH
    return float(-0.5 * ((np.log(length).mean() - np.log(median)) / width) ** 2)


class _Top:
    """The highest density at one length. :param begin: where to start."""

    def __init__(self, plan: Layout, begin: Array, message: Message | None, prior: Prior | None) -> None:
        units: tuple[Batch, ...] = tuple(batches(plan))
        self._at = partial(evaluate, plan, units, message=message, prior=prior)
        options = {"ftol": 1e-8, "gtol": 1e-3}
        minimise: Any = optimize.minimize
        found = minimise(self._down, begin, jac=True, method="L-BFGS-B", bounds=BOUNDS, options=options)
        self.length, self.theta, self.value = plan.length, np.asarray(found.x), -float(found.fun)

    def _down(self, theta: Array) -> tuple[float, Array]:
        found: Evidence = self._at(theta)
        return -found.value, -found.gradient

    def peak(self) -> Peak:
        """With the doubt about it, by differences of the gradient."""
        here = self._down(self.theta)[1]
        moves = STEP * np.eye(len(self.theta))
        curvature = np.array([(self._down(self.theta + move)[1] - here) / STEP for move in moves])
        values, vectors = np.linalg.eigh(0.5 * (curvature + curvature.T))
        values = np.maximum(values, 1.0)  # no doubt wider than a factor of e: there the curvature says nothing
        value = self.value - 0.5 * float(np.log(values).sum())
        return Peak(self.length, self.theta, (vectors / values) @ vectors.T, value)


def searched(bench: Bench) -> Bench:
    """The bench, or so much of it as standard deviations are searched with."""
    some = _some(bench)
    return bench.only(some) if len(some) < len(bench.names) else bench


def _some(bench: Bench) -> Codes:
    """Setups to search with: all, or those of some coffees, so that what setups of one coffee share is seen.

    Rows that say whether a shot was served do not count: they are worth less than a score.
    """
    setup = bench.setup[bench.served == 0]
    if len(setup) <= MOST_SEARCHED:
        return np.arange(len(bench.names))
    of_coffee = np.bincount(bench.coffee[setup], minlength=int(bench.coffee.max()) + 1)
    spread = np.argsort((np.arange(len(of_coffee)) * GOLDEN) % 1.0, kind="stable")
    taken = spread[: max(int((np.cumsum(of_coffee[spread]) <= MOST_SEARCHED).sum()), 1)]
    some = np.flatnonzero(np.isin(bench.coffee, taken))
    enough = np.searchsorted(np.cumsum(np.bincount(setup, minlength=len(bench.names))[some]), MOST_SEARCHED) + 1
    return some[:enough]

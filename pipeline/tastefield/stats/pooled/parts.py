"""The parts that a score is made of, and what is assumed of the size of each before anything was tasted.

    score = fall + shared + coffee + machine + setup + roast            surfaces over ratio and time
          + levels of coffee, machine, setup, and of kinds of roast, machine and grinder
          + taster + taster x coffee + session of a taster + shot + noise + slopes of dose, serving order, coffee age
          + halo of the usual time

    shot = effect x departure of its extraction from what ratio and time predict + the rest
    extraction = line in ratio and time + levels and tilts of unit and setup + departure + error of the reading

Every part is normal about 0 with a standard deviation of its own; these are found from the data and a stated prior.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

HALF_NORMAL: Mapping[str, float] = {
    "shared": 0.5,
    "coffee": 0.4,
    "machine": 0.2,
    "setup": 0.2,
    "roast": 0.3,
    "coffee level": 0.4,
    "machine level": 0.2,
    "setup level": 0.2,
    "kind level": 0.2,
    "taster": 0.6,
    "taster x coffee": 0.4,
    "session": 0.2,
}
"""Scale of the half-normal prior of each standard deviation, points on a scale from 1 to 9 (assumptions of ours)."""
LOG_NORMAL: Mapping[str, tuple[float, float]] = {"shot": (0.35, 0.35), "noise": (0.8, 0.35)}
"""Median and log-sd of the prior of a standard deviation that is never 0: no two shots or tastes are alike."""
NAMES = (*HALF_NORMAL, *LOG_NORMAL)
EFFECT_SD = 0.7
"""Prior SD of the effect: points by which a shot tastes better for a tenth more extraction than its like."""
EXTRACTION_LINE_SD = 3.0
"""Prior SD of level and slopes of log extraction over the bench, tenths: wide, readings tell them."""
EXTRACTION_SD: Mapping[str, float] = {"unit": 0.7, "setup": 0.7, "tilt": 0.5}
"""SD by which levels of machines (or coffees) and setups, and slopes of setups, differ, in tenths of the extraction."""
LENGTH = (0.9, 0.35)
"""Median and log-sd of the prior of the surfaces' common length (of two, their geometric mean), coded units."""

CENTRE = (6.3, 1.2)
"""Prior mean and SD of the level at the usual recipe: a score from 1 to 9."""
FALL = (-3.0, 1.2)
"""Prior mean and SD of how far liking falls away from 1:2 in 27 s (that recipe is common practice, no source)."""
SLOPE_SD: Mapping[str, float] = {"dose": 0.2, "order": 0.05, "age": 0.2}
"""Prior SD of what a tenth more dose, a place later in the serving and ten days of age change, in points."""

SERVED_SD: Mapping[str, float] = {"habit": 3.0, "per point": 2.0}
"""Prior SD of what the log odds of being served change by: with ratio, time and turn, and with a point of score."""

TIME_FELT = (0.75, 0.25)
"""Prior mean and SD of the share of what a shot's time is off at its setting of the dial that its taste shows: most of
it (a judgement of ours)."""

HALO = (0.95, 0.5)
"""Prior of the points by which scores flatter a shot for having run about the usual time: none at all with this
probability, else half-normal with this scale (a judgement of ours)."""
RIDGE = (0.8, 0.5)
"""The same of the points by which it is liked for that, beyond what smooth surfaces have (a judgement of ours)."""


def start() -> Array:
    """Log standard deviations at the prior's mode, and no effect."""
    half = [np.log(scale) for scale in HALF_NORMAL.values()]
    return np.array([*half, *(np.log(median) for median, _ in LOG_NORMAL.values()), 0.0])


def log_prior(theta: Array) -> tuple[float, Array]:
    """Log density of the log standard deviations and the effect, up to a constant, and its gradient."""
    log_sd, effect = theta[:-1], float(theta[-1])
    half = len(HALF_NORMAL)
    ratio = np.exp(2 * (log_sd[:half] - np.log(list(HALF_NORMAL.values()))))
    median, width = np.array(list(LOG_NORMAL.values())).T
    off = (log_sd[half:] - np.log(median)) / width
    value = float((log_sd[:half] - 0.5 * ratio).sum() - 0.5 * (off**2).sum() - 0.5 * (effect / EFFECT_SD) ** 2)
    return value, np.concatenate([1 - ratio, -off / width, [-effect / EFFECT_SD**2]])


def log_prior_peak() -> tuple[Array, Array]:
    """Mode (15,) of the stated prior of the log standard deviations and the effect, and inverse curvature (15,) there.

    As a bench tells what it found: the normal density of that mode and curvature. At its mode, log s = log scale, the
    log of a half-normal variable has second derivative -2.
    """
    _, width = np.array(list(LOG_NORMAL.values())).T
    return start(), np.concatenate([np.full(len(HALF_NORMAL), 0.5), width**2, [EFFECT_SD**2]])


def joined(means: Sequence[Array], covs: Sequence[Array], weights: Sequence[float]) -> tuple[Array, Array]:
    """Mean and covariance of what several benches found, the stated prior that each of them used divided out once.

    With normal densities: precision = sum of theirs - (k - 1) x prior's, where a bench that learned nothing of a
    direction takes nothing away, and one of weight w counts as w of its like. No mean leaves the range of the benches'
    own: the densities are not quite normal.
    """
    mean, variance = log_prior_peak()
    root = np.sqrt(variance)
    precision, shift = np.eye(len(mean)), np.zeros(len(mean))
    for own, cov, weight in zip(means, covs, weights, strict=True):
        values, vectors = np.linalg.eigh(root[:, None] * np.linalg.inv(cov) * root)
        learned = (vectors * np.maximum(values - 1.0, 0.0)) @ vectors.T
        precision = precision + weight * learned
        shift = shift + weight * (np.eye(len(mean)) + learned) @ ((own - mean) / root)
    together = mean + root * np.linalg.solve(precision, shift)
    limits = np.array(means)
    found = np.clip(together, limits.min(axis=0), limits.max(axis=0))
    return found, root[:, None] * np.linalg.inv(precision) * root

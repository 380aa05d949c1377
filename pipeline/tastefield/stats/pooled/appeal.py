"""Scores of a scale with ends, and the appeal behind them, which has none and adds up.

    score = LOWEST + (HIGHEST - LOWEST) / (1 + exp(-(a + b (appeal - USUAL))))

with a and b such that at USUAL both are alike and as steep. The curve ends beyond the scale: tasters come to its ends.

What a better coffee, machine or recipe adds is added to the appeal. Near the top of the scale it shows less in the
score: the best recipes of good coffees lie on a plateau, and few coffees are far better than good. Were scores
themselves taken to add up, the best of a poor coffee would be expected too low, and that of an excellent one too high.

What makes one shot better than another of the same recipe is added to the appeal too. What tasters differ by and noise
are of the score as it is told. For these sums the curve is replaced by its tangent at what is expected of each score
(Gauss and Newton): see :func:`tastefield.stats.pooled.learn`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]

LOWEST, HIGHEST = 0.0, 10.0
"""Scores that no appeal reaches, an eighth of a 1-9 scale beyond its ends."""
USUAL = 6.3
"""Score at which appeal and score are alike."""
ENDS = (1.0, 9.0)
"""Tangents are laid within the scale."""
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
WEIGHTS = WEIGHTS / WEIGHTS.sum()

_SHARE = (USUAL - LOWEST) / (HIGHEST - LOWEST)
_STEEPNESS = 1.0 / ((HIGHEST - LOWEST) * _SHARE * (1.0 - _SHARE))


def score_of(appeal: ArrayLike) -> Array:
    """Score that an appeal deserves, on a scale from 1 to 9."""
    share = special.expit(special.logit(_SHARE) + _STEEPNESS * (np.asarray(appeal, dtype=float) - USUAL))
    return np.asarray(LOWEST + (HIGHEST - LOWEST) * share)


def appeal_of(score: ArrayLike) -> Array:
    """Appeal behind a score; infinite at the ends of the curve and beyond."""
    share = np.clip((np.asarray(score, dtype=float) - LOWEST) / (HIGHEST - LOWEST), 0.0, 1.0)
    return np.asarray(USUAL + (special.logit(share) - special.logit(_SHARE)) / _STEEPNESS)


def slope_at(appeal: ArrayLike) -> Array:
    """Points of score that a point of appeal adds: 1 at ``USUAL``, less toward the ends."""
    share = (score_of(appeal) - LOWEST) / (HIGHEST - LOWEST)
    return np.asarray((HIGHEST - LOWEST) * _STEEPNESS * share * (1.0 - share))


def moments(mean: Array, sd: Array) -> tuple[Array, Array]:
    """Mean and standard deviation of the score of an appeal that is normal, by quadrature. Shapes as of ``mean``."""
    scores = score_of(mean[..., None] + sd[..., None] * NODES)
    expected = scores @ WEIGHTS
    return expected, np.sqrt(np.maximum((scores**2) @ WEIGHTS - expected**2, 0.0))

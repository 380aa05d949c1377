"""The highest of many points of a fitted surface: it is partly luck which one stands out, and how much can be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tastefield.stats.mixed.bootstrap import refits
from tastefield.stats.mixed.fit import MixedFit, own_errors


@dataclass(frozen=True)
class Best:
    """The highest candidate: (truth there - ``mean``) / ``sd`` is about t with ``df``.

    ``index`` among the candidates; ``luck``: what the fit there overstates the truth by on average, already taken
    off ``mean``.
    """

    index: int
    mean: float
    sd: float
    df: float
    luck: float


def best(fit: MixedFit, candidates: ArrayLike, times: int, seed: int) -> Best:
    """Expected response where the fit is highest, less what choosing the highest adds.

    Each refit to made-up responses (:func:`bootstrap`) chooses its own highest candidate; how far it then overstates
    the known truth, in its own standard errors, is averaged.

    :param candidates: (m, p) rows to choose from: only where data speak. :param times: refits; 200 know the luck to
        about 0.07 standard errors. :param seed: of the refits.
    :raises FitError: candidates of another shape; what :func:`bootstrap` refuses.

    Source: bias by the bootstrap: Efron & Tibshirani (1993), An Introduction to the Bootstrap, chapter 10 (from
    memory), of a studentised error; how it does is measured in tests and benchmarks.
    """
    A = fit.points(candidates)
    fixed, fixed_cov = refits(fit, times, seed)
    chosen = A[np.argmax(fixed @ A.T, axis=1)]
    overstated = np.einsum("sp,sp->s", chosen, fixed - fit.fixed)
    own = np.sqrt(np.einsum("sp,spq,sq->s", chosen, fixed_cov, chosen))
    index = int(np.argmax(A @ fit.fixed))
    point = A[index : index + 1]
    sd = float(own_errors(fit.fixed_cov[None], point)[0, 0])
    luck = float(np.mean(overstated / own)) * sd
    return Best(index, float(point[0] @ fit.fixed) - luck, sd, float(fit.point_df(point)[0]), luck)

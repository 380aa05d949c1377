"""Draws of what a fit expects at chosen points: the uncertainty of its variances left out, or carried in two ways."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from tastefield.errors import FitError, Problem
from tastefield.stats.mixed.bootstrap import refits
from tastefield.stats.mixed.fit import MixedFit, own_errors
from tastefield.stats.mixed.stack import Array


def draws(
    fit: MixedFit,
    X_new: ArrayLike,
    n: int,
    seed: int,
    variances: Literal["fixed", "satterthwaite", "refitted"] = "satterthwaite",
) -> Array:
    """Joint draws (n, m) of the expected responses X_new fixed at m points; the same seed gives the same draws.

    ``fixed``: normal, the variances taken as estimated. ``satterthwaite``: at each point t with that point's own
    degrees of freedom: the normal draw times sqrt(df / q), q the same quantile of each point's chi-squared law.
    ``refitted``: the whole model refitted to made-up responses (:func:`bootstrap`), the error of each refit in units
    of its own standard error.

    :param X_new: (m, p). :param n: draws. :param seed: of the draws.
    :raises FitError: points of another shape, no draws; what :func:`bootstrap` refuses.

    Source: Satterthwaite (1946), Biometrics Bulletin 2, 110; the refits are Efron's bootstrap-t: Efron & Tibshirani
    (1993), An Introduction to the Bootstrap, section 12.5 (from memory).
    """
    A = fit.points(X_new)
    if n < 1:
        raise FitError(Problem("no draws", why=f"{n} draws asked for"))
    if variances == "refitted":
        fixed, fixed_cov = refits(fit, n, seed)
        own, error = (own_errors(cov, A) for cov in (fixed_cov, fit.fixed_cov[None]))
        # the truth is taken to lie as far from the fit, the other way, as the fit from its refit
        return np.asarray(A @ fit.fixed + (fit.fixed - fixed) @ A.T / own * error)
    rng = np.random.default_rng(seed)
    away = rng.standard_normal((n, A.shape[1])) @ np.linalg.cholesky(fit.fixed_cov).T @ A.T
    if variances == "satterthwaite":
        away *= _widening(fit.point_df(A), rng.random((n, 1)))
    return np.asarray(A @ fit.fixed + away)


def _widening(df: Array, share: Array) -> Array:
    """sqrt(df / chi-squared quantile) of the lower tail ``share`` (n, 1) at each df (m,): (n, m)."""
    finite = np.minimum(df, 1e8)  # beyond this the quantile is df to three digits and more
    return np.asarray(np.sqrt(finite / (2 * special.gammaincinv(finite / 2, share))))

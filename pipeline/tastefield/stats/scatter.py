"""How far a shot lands from its intent: the covariance of log ratio and log time, pooled with a stated prior."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tastefield.errors import FitError, Problem

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Scatter:
    """``covariance`` (2, 2), its ``sd`` (2,) and the ``df`` of data and prior together."""

    covariance: Array
    sd: Array
    df: float


def pooled_covariance(
    residuals: ArrayLike, df: int, prior_sd: tuple[float, float] = (0.04, 0.07), prior_df: float = 4
) -> Scatter:
    """(prior_df x prior + sum of squares and products) / (prior_df + df).

    The prior counts as ``prior_df`` shots that scattered by ``prior_sd`` without correlation. Its defaults, 4 % in
    ratio and 7 % in time, are common practice, no source; few repeats move them little, many replace them.

    :param residuals: (n, 2) departures of log ratio and log time from intent or from their group's mean; may be empty.
    :param df: degrees of freedom of the residuals: n about a known intent, n less groups about means.
    :param prior_sd: of log ratio and of log time. :param prior_df: > 0.
    :raises FitError: shapes, missing values, a prior that is not positive.

    Source: the conjugate (inverse-Wishart) form, e.g. Gelman et al., Bayesian Data Analysis, ch. 3 (from memory).

    >>> pooled_covariance(np.empty((0, 2)), 0).sd.round(3).tolist()
    [0.04, 0.07]
    """
    r = _table(residuals)
    if not (prior_df > 0 and all(np.isfinite(s) and s > 0 for s in prior_sd)) or not 0 <= df <= max(len(r), 0):
        why = f"prior_sd {prior_sd}, prior_df {prior_df}, df {df} from {len(r)} rows"
        raise FitError(Problem("prior or degrees of freedom out of range", why=why))
    covariance = (prior_df * np.diag(np.square(prior_sd)) + r.T @ r) / (prior_df + df)
    return Scatter(covariance, np.sqrt(np.diag(covariance)), float(prior_df + df))


def from_dial(ratio_var: float, time_per_ratio: float, noise_var: float, walk_var: float, df: float) -> Scatter:
    """Scatter where the dial is known: time = time_per_ratio x ratio + noise about the dial line + one step of drift.

    The drift belongs to it because nobody can dial it out before it shows.

    :param time_per_ratio: change of log time per unit of log ratio.
    :param noise_var: variance of log time about the dial line. :param walk_var: of the level's step a shot.

    >>> from_dial(0.0016, 0.5, 0.003, 0.001, 10.0).covariance.round(6).tolist()
    [[0.0016, 0.0008], [0.0008, 0.0044]]
    """
    both = time_per_ratio * ratio_var
    covariance = np.array([[ratio_var, both], [both, time_per_ratio * both + noise_var + walk_var]])
    return Scatter(covariance, np.sqrt(np.diag(covariance)), df)


def pooled_noise(residual: ArrayLike, shown: ArrayLike, prior_var: float, prior_df: float) -> tuple[float, float]:
    """Noise variance of some shots of a bench, drawn towards that of the bench; and its degrees of freedom.

    :param residual: (n,) and :param shown: (n,) as a fit of the whole bench gives them: sum(residual^2) / sum(shown)
        estimates the variance.
    """
    r, df = np.asarray(residual, dtype=float), float(np.asarray(shown, dtype=float).sum())
    return (prior_df * prior_var + float(r @ r)) / (prior_df + df), prior_df + df


def _table(values: ArrayLike) -> Array:
    v = np.asarray(values, dtype=float)
    if v.ndim != 2 or v.shape[1] != 2:
        raise FitError(Problem("not a table of log ratio and log time", why=f"expected (n, 2), found {v.shape}"))
    if not np.isfinite(v).all():
        raise FitError(Problem("a ratio or time is missing or infinite", do="Leave that shot out."))
    return v


def felt(cov: Array, share: float) -> Array:
    """Covariance (2, 2) as taste shows it: what goes with the ratio whole, of the rest of log time this share.

    :param share: from 0 to 1.

    >>> felt(np.array([[0.0016, 0.0008], [0.0008, 0.0044]]), 0.5).round(6).tolist()
    [[0.0016, 0.0008], [0.0008, 0.0014]]
    """
    with_ratio = cov[0, 1] ** 2 / cov[0, 0]
    shown = np.array(cov, dtype=float)
    shown[1, 1] = with_ratio + share**2 * (cov[1, 1] - with_ratio)
    return shown


def quadrature(cov: Array) -> tuple[Array, Array]:
    """Nodes (25, 2) and weights (25,) of a 5 x 5 Gauss-Hermite rule for a bivariate normal of this covariance."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(5)
    root = np.linalg.cholesky(cov)
    grid = np.array([(a, b) for a in nodes for b in nodes])
    joint = np.array([u * v for u in weights for v in weights])
    return grid @ root.T, joint / joint.sum()


def landings(cov: Array, share: float) -> tuple[Array, Array]:
    """Where shots land about their aim, as taste shows it: nodes (25, 2) and weights of :func:`quadrature`."""
    return quadrature(felt(cov, share))

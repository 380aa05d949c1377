"""Standard uncertainty of derived values after the Guide to the Expression of Uncertainty in Measurement (JCGM 100)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tastefield.errors import FitError, Problem

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Extraction:
    """Extraction yield ``value`` and standard uncertainty ``u`` in percent (arrays of the inputs' shape), with
    ``sensitivity`` (..., 3) to beverage (percent per g), TDS (percent per percent) and dose (percent per g)."""

    value: Array
    u: Array
    sensitivity: Array


@dataclass(frozen=True, eq=False)
class Propagated:
    """Outputs ``value`` (k,), standard uncertainties ``u`` (k,), their ``covariance`` (k, k) and the derivatives
    ``sensitivity`` (k, m); a function with one output gives 0-dimensional ``value`` and ``u``."""

    value: Array
    u: Array
    covariance: Array
    sensitivity: Array


@dataclass(frozen=True)
class Repeated:
    """Mean of repeated readings; ``type_a`` from their spread, ``type_b`` from the display, ``u`` of both, and the
    ``df`` of ``type_a`` and (Welch-Satterthwaite) of ``u``."""

    mean: float
    type_a: float
    type_b: float
    u: float
    df_a: int
    df: float


def extraction(
    beverage_g: ArrayLike,
    tds_pct: ArrayLike,
    dose_g: ArrayLike,
    u_beverage_g: ArrayLike,
    u_tds_pct: ArrayLike,
    u_dose_g: ArrayLike,
    correlation: ArrayLike | None = None,
) -> Extraction:
    """Extraction yield of percolation, beverage x TDS / dose, with first-order uncertainty.

    All six may be numbers or arrays that broadcast; a missing value (NaN) gives a missing result.

    :param beverage_g: mass in the cup, g. :param tds_pct: dissolved solids, % by mass. :param dose_g: dry coffee, g.
    :param u_beverage_g: standard uncertainty, g. :param u_tds_pct: in percent. :param u_dose_g: g.
    :param correlation: (3, 3) of the errors of beverage, TDS and dose (one scale weighs both); independent where
        ``None``.
    :raises FitError: a dose that is not positive, a negative uncertainty, no correlation matrix.

    Source: JCGM 100:2008, 5.1.2 (eq. 10) and 5.2.2 (eq. 13).

    >>> round(float(extraction(36.0, 9.5, 18.0, 0.1, 0.05, 0.1).value), 2)
    19.0
    """
    given = (beverage_g, tds_pct, dose_g, u_beverage_g, u_tds_pct, u_dose_g)
    beverage, tds, dose, *us = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in given))
    r = np.eye(3) if correlation is None else np.asarray(correlation, dtype=float)
    problems = []
    if np.any(dose <= 0):
        problems.append(Problem("a dose is not positive", why=f"smallest {np.nanmin(dose)}", do="Set that shot aside."))
    if any(np.any(u < 0) for u in us):
        problems.append(Problem("an uncertainty is negative"))
    if r.shape != (3, 3) or not np.allclose(r, r.T) or not np.allclose(np.diag(r), 1) or np.any(np.abs(r) > 1):
        problems.append(Problem("not a correlation matrix", why="expected (3, 3), symmetric, ones on the diagonal"))
    if problems:
        raise FitError(problems)
    sensitivity = np.stack([tds / dose, beverage / dose, -beverage * tds / dose**2], axis=-1)
    part = sensitivity * np.stack(us, axis=-1)
    variance = np.einsum("...i,ij,...j->...", part, r, part)
    return Extraction(np.asarray(beverage * tds / dose), np.asarray(np.sqrt(np.maximum(variance, 0.0))), sensitivity)


def propagate(f: Callable[[Array], Any], values: ArrayLike, cov: ArrayLike) -> Propagated:
    """First-order propagation through any smooth function; derivatives by extrapolated central differences.

    :param f: takes (m,) and returns a number or (k,). :param values: (m,) best estimates.
    :param cov: (m, m) covariance of their errors; a row of zeros is a constant.
    :raises FitError: shapes, or a function that is not finite around the estimates.

    Source: JCGM 100:2008, 5.2.2; JCGM 102:2011, 6.2 for several outputs. Differences: Ridders (1982), Adv. Eng. Softw.
    4, 75.

    >>> round(float(propagate(lambda x: x[0] * x[1], [2.0, 3.0], [[0.01, 0], [0, 0.04]]).u), 6)
    0.5
    """
    x, V = np.asarray(values, dtype=float), np.asarray(cov, dtype=float)
    if x.ndim != 1 or V.shape != (x.size, x.size):
        raise FitError(Problem("values and covariance do not match", why=f"shapes {x.shape} and {V.shape}"))
    value = np.asarray(f(x), dtype=float)
    spread = np.sqrt(np.diag(V))
    J = np.column_stack([_derivative(f, x, i, spread[i]) for i in range(x.size)])
    if not (np.isfinite(value).all() and np.isfinite(J).all()):
        raise FitError(Problem("the function is not finite around these values", why=f"value {value}"))
    covariance = J @ V @ J.T
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return Propagated(value, u.reshape(value.shape), covariance, J)


def _derivative(f: Callable[[Array], Any], x: Array, i: int, spread: float) -> Array:
    """d f / d x_i (k,): central differences at steps h, h/2, ... extrapolated to zero, stopped where most stable."""
    h = 0.02 * max(abs(float(x[i])), 1e-3 * spread) or 0.02

    def central(step: float) -> Array:
        up, down = x.copy(), x.copy()
        up[i] += step
        down[i] -= step
        return np.atleast_1d(np.asarray(f(up), dtype=float) - np.asarray(f(down), dtype=float)) / (2 * step)

    before = [central(h)]
    best, least = before[0], math.inf
    for row in range(1, 6):
        current = [central(h / 2**row)]
        for k in range(row):
            better = current[k] + (current[k] - before[k]) / (4.0 ** (k + 1) - 1)
            change = float(np.max(np.abs(np.stack([better - current[k], better - before[k]]))))
            if change <= least:
                best, least = better, change
            current.append(better)
        before = current
    return best


def repeated(readings: Sequence[float], display_step: float = 0.0) -> Repeated:
    """Mean of readings of one sample: spread of the mean (Type A) and rounding of the display (Type B).

    :param readings: two or more. :param display_step: smallest step of the display; its error is uniform over it.
    :raises FitError: fewer than two readings, missing values, a negative step.

    Source: JCGM 100:2008, 4.2.3 (Type A), F.2.2.1 (display), G.4.1 (effective degrees of freedom).

    >>> repeated([9.31, 9.38, 9.35]).df_a
    2
    """
    r = np.asarray(readings, dtype=float)
    if r.ndim != 1 or r.size < 2 or not np.isfinite(r).all() or not display_step >= 0:
        why = f"{r.size} readings, step {display_step}"
        raise FitError(Problem("no spread of readings", why=why, do="Give two readings or more, none missing."))
    a, b = float(r.std(ddof=1)) / math.sqrt(r.size), display_step / math.sqrt(12)
    df_a = r.size - 1
    return Repeated(float(r.mean()), a, b, math.hypot(a, b), df_a, effective_df([a, b], [df_a, math.inf]))


def effective_df(contributions: Sequence[float], dfs: Sequence[float]) -> float:
    """Welch-Satterthwaite degrees of freedom of a combined uncertainty.

    :param contributions: standard uncertainty each input adds to the output (sensitivity x u).
    :param dfs: their degrees of freedom, infinite for Type B. :returns: infinite where no finite input contributes.

    Source: JCGM 100:2008, G.4.1 (eq. G.2b).

    >>> effective_df([3.0, 4.0], [9, float("inf")]) == 5**4 / (3**4 / 9)
    True
    """
    terms = sum(c**4 / v for c, v in zip(contributions, dfs, strict=True))
    total = sum(c**2 for c in contributions)
    return math.inf if terms == 0 else total**2 / terms

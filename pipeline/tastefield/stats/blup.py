"""Best linear unbiased prediction at known variances: y = X b + sum of crossed random intercepts + noise.

Used where the variances come from elsewhere (pooled over setups, drawn towards a prior) and only the surface is new.
Source: Henderson 1975, Biometrics 31:423; Robinson 1991, Statistical Science 6:15 (both from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Blup:
    """Fixed effects and random effects with the joint covariance of their errors.

    :param fixed: (p,) estimates of b.
    :param effects: factor -> (levels,) predicted effects.
    :param joint_cov: (p + all levels) square covariance of (estimate of b - b, predicted effects - effects), factors in
        the order given.
    :param loglik: log-likelihood at these variances, constants kept: restricted for effects without prior, marginal
        over those with one.
    :param left_out: (n,) score less its prediction from all rows of other groups; see :func:`fit`.
    """

    fixed: Array
    effects: Mapping[str, Array]
    joint_cov: Array
    loglik: float
    left_out: Array

    def predict(self, X_new: ArrayLike, effect_weights: Mapping[str, ArrayLike] | None = None) -> tuple[Array, Array]:
        """Mean (m,) and covariance of the error (m, m) of X_new b + weights times effects.

        :param X_new: (m, p).
        :param effect_weights: factor -> (m, levels); a factor left out has weight zero.
        """
        X_new = np.asarray(X_new, dtype=float)
        weights = effect_weights or {}
        blocks = [X_new]
        for name, effect in self.effects.items():
            blocks.append(np.asarray(weights.get(name, np.zeros((len(X_new), len(effect)))), dtype=float))
        contrast = np.hstack(blocks)
        solution = np.concatenate([self.fixed, *self.effects.values()])
        return contrast @ solution, contrast @ self.joint_cov @ contrast.T


def fit(
    y: ArrayLike,
    X: ArrayLike,
    factors: Mapping[str, NDArray[np.int64]],
    variances: Mapping[str, float],
    groups: NDArray[np.int64] | None = None,
    prior: tuple[ArrayLike, ArrayLike] | None = None,
) -> Blup:
    """Solve the mixed-model equations through the covariance of y, which stays regular at a variance of zero.

        V = noise I + sum of variance_f Z_f Z_f',   phi = (X' V^-1 X + L)^-1,   P = V^-1 - V^-1 X phi X' V^-1
        b = m + phi X' V^-1 (y - X m),   u_f = variance_f Z_f' P (y - X m)

    where m and the diagonal L are the prior's mean and precision; without prior both are zero and b is generalised
    least squares.

    Rows of a group left out together are predicted from the others without refitting: their errors are
    (P_gg)^-1 (P y)_g.

    :param y: (n,). :param X: (n, p), of full column rank among columns of which the prior knows nothing.
    :param factors: name -> (n,) integer levels 0 ... k-1.
    :param variances: by factor, and ``noise`` (positive).
    :param prior: mean (p,) and precision (p,) of the fixed effects, normal and independent; precision 0 knows nothing.
    :param groups: (n,) integer groups for ``left_out``; each row alone where ``None``. NaN where a group cannot be left
        out because the others do not carry the terms.
    """
    y, X = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    n, p = X.shape
    designs = {name: np.eye(int(codes.max()) + 1)[codes] for name, codes in factors.items()}
    V = variances["noise"] * np.eye(n)
    for name, Z in designs.items():
        V += variances[name] * Z @ Z.T
    chol = linalg.cho_factor(V, lower=True)
    Vi = linalg.cho_solve(chol, np.eye(n))
    XtVi = X.T @ Vi
    mean, precision = (np.zeros(p), np.zeros(p)) if prior is None else (np.asarray(a, dtype=float) for a in prior)
    information = XtVi @ X + np.diag(precision)
    phi = np.linalg.inv(information)
    P = Vi - XtVi.T @ phi @ XtVi
    about = y - X @ mean
    fixed = mean + phi @ XtVi @ about
    Py = P @ about
    effects = {name: variances[name] * Z.T @ Py for name, Z in designs.items()}
    # error of (b, u): b - b^ = -phi X'V^-1 e, u^ - u = G Z'P e - u with e = Zu + noise
    Z_all = np.hstack([np.empty((n, 0)), *designs.values()])
    G = np.concatenate([np.empty(0), *(np.full(Z.shape[1], variances[name]) for name, Z in designs.items())])
    GZt = G[:, None] * Z_all.T
    joint = np.block([[phi, -phi @ XtVi @ GZt.T], [-(phi @ XtVi @ GZt.T).T, np.diag(G) - GZt @ P @ GZt.T]])
    known = precision > 0
    logdet = 2 * np.log(np.diag(chol[0])).sum() + np.linalg.slogdet(information)[1] - np.log(precision[known]).sum()
    loglik = -0.5 * ((n - p + known.sum()) * np.log(2 * np.pi) + logdet + about @ Py)
    return Blup(fixed, effects, joint, float(loglik), _left_out(P, Py, np.arange(n) if groups is None else groups))


def _left_out(P: Array, Py: Array, groups: NDArray[np.int64]) -> Array:
    errors = np.full(len(Py), np.nan)
    for group in np.unique(groups):
        rows = np.flatnonzero(groups == group)
        block = P[np.ix_(rows, rows)]
        if np.linalg.cond(block) < 1e10:
            errors[rows] = np.linalg.solve(block, Py[rows])
    return errors

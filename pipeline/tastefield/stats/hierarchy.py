"""How the regressions of many small groups differ: mean and standard deviation of each coefficient over the groups.

    y_i = X_i b_i + e_i,   b_i ~ normal(m, diag(t^2)),   e_i ~ normal(0, s V_i),   V_i known

found by EM (Dempster, Laird and Rubin 1977, J. Royal Statist. Soc. B 39:1, from memory): given m, t and s each b_i has
mean u_i = C_i (X'V^-1 y / s + m / t^2) and covariance C_i = (X'V^-1 X / s + diag(1 / t^2))^-1; then

    m = mean of u_i,   t^2 = mean of (u_i - m)^2 + diag C_i,   s = mean of the squares left, in units of V, a row

A stated prior keeps one group, or a coefficient that nobody's data show, near what was stated: for m it counts as
``worth`` further groups; t has density t^2 exp(-t^2 / sd^2), whose peak is the stated sd and which, unlike an inverse
chi-square, lets many groups that do not differ say so.
Groups enter by their sums only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

Array = NDArray[np.float64]

MOST_ROUNDS = 300
SETTLED = 1e-5
"""Rounds end when no mean or deviation moves by more than this, relative to the stated deviation."""


@dataclass(frozen=True, eq=False)
class Sums:
    """What one group tells: X'V^-1 X (p, p), X'V^-1 y (p,), y'V^-1 y, and its number of rows."""

    information: Array
    told: Array
    square: float
    rows: int

    def plain(self) -> list[float]:
        """As numbers in a row, p of p (p + 1) / 2 + p + 2."""
        upper = self.information[np.triu_indices(len(self.told))]
        return [float(value) for value in (*upper, *self.told, self.square, self.rows)]


def sums(y: ArrayLike, X: ArrayLike, V: ArrayLike) -> Sums:
    """Sums of one group. :param y: (n,). :param X: (n, p). :param V: (n, n), positive definite."""
    y, X = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    root = linalg.cholesky(np.asarray(V, dtype=float), lower=True)
    both = linalg.solve_triangular(root, np.column_stack([X, y]), lower=True)
    squares = both.T @ both
    return Sums(squares[:-1, :-1], squares[:-1, -1], float(squares[-1, -1]), len(y))


@dataclass(frozen=True, eq=False)
class Population:
    """Mean (p,) and standard deviation (p,) of the coefficients over the groups, scale of the noise, rounds taken."""

    mean: Array
    sd: Array
    scale: float
    rounds: int


def learn(
    groups: Sequence[Sequence[float]], mean: ArrayLike, sd: ArrayLike, worth: ArrayLike, worth_rows: float
) -> Population:
    """Mean and spread of the coefficients of all groups, and the scale of their noise.

    :param groups: :meth:`Sums.plain` of each group.
    :param mean: (p,) and ``sd`` (p,) stated beforehand, worth ``worth`` (p,) groups.
    :param worth_rows: rows that a stated scale of 1 is worth.
    """
    stated, spread, prior_groups = (np.asarray(values, dtype=float) for values in (mean, sd, worth))
    if not len(groups):
        return Population(stated, spread, 1.0, 0)
    p = len(stated)
    table = np.asarray(groups, dtype=float)
    upper = np.triu_indices(p)
    A = np.zeros((len(table), p, p))
    A[:, upper[0], upper[1]] = A[:, upper[1], upper[0]] = table[:, : len(upper[0])]
    b, square, rows = table[:, len(upper[0]) : -2], table[:, -2], table[:, -1]
    m, var, scale = stated.copy(), spread**2, 1.0
    rounds = 0
    while rounds < MOST_ROUNDS:
        rounds += 1
        C = np.linalg.inv(A / scale + np.diag(1 / var))
        u = np.einsum("sij,sj->si", C, b / scale + m / var)
        left = square - 2 * (u * b).sum(axis=1) + np.einsum("si,sij,sj->s", u, A, u) + np.einsum("sij,sji->s", A, C)
        before = np.concatenate([m, np.sqrt(var), [scale]])
        m = (u.sum(axis=0) + prior_groups * stated) / (len(u) + prior_groups)
        squares = ((u - m) ** 2).sum(axis=0) + np.einsum("sii->i", C) + prior_groups * (m - stated) ** 2
        # the root of t^4 2 / sd^2 + (groups - 2) t^2 - squares = 0
        fewer = len(u) - 2.0
        var = spread**2 / 4 * (np.sqrt(fewer**2 + 8 * squares / spread**2) - fewer)
        scale = float((left.sum() + worth_rows) / (rows.sum() + worth_rows))
        moved = np.abs(np.concatenate([m, np.sqrt(var), [scale]]) - before) / np.concatenate([spread, spread, [1.0]])
        if moved.max() <= SETTLED:
            break
    return Population(m, np.sqrt(var), scale, rounds)

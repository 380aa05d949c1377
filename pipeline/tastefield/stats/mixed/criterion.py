"""The deviance of many stacked setups with its exact derivatives; the algebra is in the docstring of the package."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from tastefield.stats.mixed.stack import Array, Bools, Codes, Stack


@dataclass(frozen=True, eq=False)
class Levels:
    """The eliminated factor at its relative covariance T, level by level (D its squares, S its products)."""

    G: Array  # T (I + D T)^-1, (setups, levels, width, width)
    N: Array  # (I + D T)^-1 D
    keep: Array  # (I + D T)^-1
    logdet: Array  # log |I + D T| summed over levels


@dataclass(frozen=True, eq=False)
class State:
    """The dense system once the largest factor is eliminated, and its solution."""

    levels: Levels
    M: Array  # (setups, m, m): dense columns' cross-products in the metric of (I + Z_a T_a Z_a')^-1
    factor: Array  # lower factor of the dense T: (setups, k, k), or its diagonal (setups, k)
    C: Array  # inverse of the mixed-model equations' matrix, (setups, p + k, p + k); singular where T is
    logdet: Array  # log |H| + log |X'H^-1 X|
    r2: Array
    W: Array  # (setups, m, k + 1): dense random columns and y less their prediction
    P: Array  # (setups, k + 1, k + 1): Z'PZ, Z'Py, y'Py
    good: Bools  # (setups,)
    kept: Array  # K = (I + D T)^-1 S, (setups, levels, width, m)


@dataclass(frozen=True, eq=False)
class Pieces:
    """log-determinant part and y'P y with gradient and Hessian in the entries of T, and whether they exist."""

    logdet: Array
    logdet_g: Array
    logdet_h: Array
    r2: Array
    r2_g: Array
    r2_h: Array
    good: Bools


def eliminate(stack: Stack, factors: list[Array]) -> Levels:
    """Algebra of the eliminated factor, one small matrix a level."""
    D, apart = stack.level_squares, stack.eliminated
    L = factors[apart] if apart is not None else np.zeros((stack.size, 1, 1))
    if D.shape[2] == 1:
        tau = (L**2)[:, None]
        keep = 1 / (1 + tau * D)
        return Levels(tau * keep, D * keep, keep, -np.log(keep).sum(axis=(1, 2, 3)))
    L = L[:, None]
    Lt = L.swapaxes(-1, -2)
    eye = np.eye(D.shape[2])
    inner = eye + Lt @ D @ L
    G = L @ np.linalg.solve(inner, Lt)
    keep = eye - D @ G
    return Levels(G, keep @ D, keep, np.linalg.slogdet(inner)[1].sum(axis=1))


def _products(left: Array, right: Array) -> Array:
    """(setups, m, m): sum over levels (and coefficients) of outer products of rows."""
    shape = (left.shape[0], -1, left.shape[-1])
    return np.asarray(left.reshape(shape).swapaxes(1, 2) @ right.reshape(shape))


def _level_times(small: Array, S: Array) -> Array:
    """One small matrix a level times that level's rows."""
    return np.asarray(small * S if S.shape[2] == 1 else small @ S)


def dense_products(stack: Stack, levels: Levels) -> Array:
    """M: the dense cross-products with the eliminated factor taken out."""
    return stack.products - _products(stack.level_products, _level_times(levels.G, stack.level_products))


def block_factor(stack: Stack, factors: list[Array]) -> Array:
    """Lower factor of the dense T from the (width, width) lower factor of each part; its diagonal if that is all."""
    k, dense = stack.dense, [(part, L) for part, L in zip(stack.parts, factors, strict=True) if part.start is not None]
    if not any(part.full for part, _ in dense):
        diagonals = [np.repeat(np.diagonal(L, axis1=1, axis2=2), part.levels, axis=1) for part, L in dense]
        return np.concatenate(diagonals, axis=1) if diagonals else np.zeros((stack.size, 0))
    out = np.zeros((stack.size, k, k))
    for part, small in dense:
        at = np.arange(part.levels) - stack.p
        for a in range(part.width):
            for b in range(a + 1):
                out[:, part.columns(a).start + at, part.columns(b).start + at] = small[:, a, b, None]
    return out


def _times(F: Array, A: Array) -> Array:
    """F A, F a stack of matrices or of diagonals."""
    return np.asarray(F[:, :, None] * A if F.ndim == 2 else F @ A)


def _transposed(F: Array) -> Array:
    return F if F.ndim == 2 else F.swapaxes(1, 2)


def cholesky(matrices: Array) -> Array:
    """Lower Cholesky factors; NaN where a matrix is not positive definite."""
    try:
        return np.asarray(np.linalg.cholesky(matrices))
    except np.linalg.LinAlgError:
        pass
    out = np.full_like(matrices, np.nan)
    for i, matrix in enumerate(matrices):
        try:
            out[i] = np.linalg.cholesky(matrix)
        except np.linalg.LinAlgError:
            continue
    return out


def _scaled(stack: Stack, M: Array, F: Array) -> Array:
    """I + F'M F on the random columns, F'M beside them: regular whatever T is."""
    random = slice(stack.p, stack.p + stack.dense)
    Ft = _transposed(F)
    out = M.copy()
    out[:, random] = _times(Ft, M[:, random])
    out[:, :, random] = _times(Ft, out[:, :, random].swapaxes(1, 2)).swapaxes(1, 2)
    at = np.arange(random.start, random.stop)
    out[:, at, at] += 1.0
    return out


def _pivots(scaled: Array) -> tuple[Array, Array, Bools]:
    """log |leading block|, y'P y and whether they exist, from the Cholesky factor with y last."""
    pivots = np.diagonal(cholesky(scaled), axis1=1, axis2=2)
    good = np.asarray(np.isfinite(pivots).all(axis=1))
    pivots = np.where(good[:, None], pivots, 1.0)
    return 2 * np.log(pivots[:, :-1]).sum(axis=1), pivots[:, -1] ** 2, good


def value(stack: Stack, levels: Levels, M: Array, factors: list[Array], reml: bool) -> tuple[Array, Array, Bools]:
    """log-determinant part, y'P y and whether they exist, without derivatives."""
    scaled = _scaled(stack, M, block_factor(stack, factors))
    logdet, r2, good = _pivots(scaled)
    if not reml:
        logdet = _random_logdet(stack, scaled)
    return levels.logdet + logdet, r2, good


def _random_logdet(stack: Stack, scaled: Array) -> Array:
    """log |H| of the dense columns."""
    k = slice(stack.p, stack.p + stack.dense)
    return np.asarray(np.linalg.slogdet(scaled[:, k, k])[1])


def state(stack: Stack, factors: list[Array]) -> State:
    """Eliminate, invert, solve."""
    levels = eliminate(stack, factors)
    M, F = dense_products(stack, levels), block_factor(stack, factors)
    p, theta = stack.p, stack.p + stack.dense
    scaled = _scaled(stack, M, F)
    logdet, r2, good = _pivots(scaled)
    if not good.all():
        scaled[~good] = np.eye(theta + 1)
    C = np.asarray(np.linalg.inv(scaled[:, :theta, :theta]), dtype=float)
    C[:, p:] = _times(F, C[:, p:])
    C[:, :, p:] = _times(F, C[:, :, p:].swapaxes(1, 2)).swapaxes(1, 2)
    W = np.zeros((stack.size, theta + 1, theta + 1 - p))
    np.matmul(C, -M[:, :theta, p:], out=W[:, :theta])
    at = np.arange(theta + 1 - p)
    W[:, p + at, at] += 1.0
    kept = _level_times(levels.keep, stack.level_products)
    return State(levels, M, F, C, levels.logdet + logdet, r2, W, M[:, p:] @ W, good, kept)


def given_fixed(stack: Stack, s: State) -> Array:
    """C of the random columns alone, the fixed effects taken as known."""
    k = slice(stack.p, stack.p + stack.dense)
    inner = np.asarray(np.linalg.inv(_scaled(stack, s.M, s.factor)[:, k, k]), dtype=float)
    half = _times(s.factor, inner)
    return _times(s.factor, half.swapaxes(1, 2))


def places(stack: Stack, component: int) -> list[tuple[int, int]]:
    """Entries of a part's covariance that a component fills."""
    _, a, b = stack.components[component]
    return [(a, b)] if a == b else [(a, b), (b, a)]


def first_derivatives(stack: Stack, s: State) -> dict[int, Array]:
    """dM by each component of the eliminated factor, (setups, m, m)."""
    return {
        i: _first_derivative(stack, s, i) for i, (part, _, _) in enumerate(stack.components) if part == stack.eliminated
    }


def _first_derivative(stack: Stack, s: State, i: int) -> Array:
    kept = s.kept
    terms = [_products(kept[:, :, a], kept[:, :, b]) for a, b in places(stack, i)]
    return np.negative(terms[0]) if len(terms) == 1 else -(terms[0] + terms[1])


def second_derivative(stack: Stack, s: State, i: int, j: int) -> Array:
    """d2M by two components of the eliminated factor, (setups, m, m)."""
    kept, N = s.kept, s.levels.N
    half = np.zeros_like(s.M)
    for a, b in places(stack, i):
        for c, d in places(stack, j):
            half += _products(kept[:, :, a], N[:, :, b, c, None] * kept[:, :, d])
    return half + half.swapaxes(1, 2)


def _trace(matrices: Array) -> Array:
    return np.asarray(np.einsum("sii->s", matrices))


def _both(one: Array, other: Array) -> Array:
    """tr(one' other) of stacked matrices."""
    return np.asarray(np.einsum("sij,sij->s", one, other))


def _dot(one: Array, other: Array) -> Array:
    return np.asarray(np.einsum("si,si->s", one, other))


def _form(left: Array, matrix: Array, right: Array) -> Array:
    """left' matrix right of stacked vectors and matrices."""
    return _dot(left, (matrix @ right[:, :, None])[:, :, 0])


def pieces(stack: Stack, s: State, reml: bool) -> Pieces:
    """Log-determinant and y'P y with their derivatives; the formulas are in the package's docstring."""
    p, k, theta = stack.p, stack.dense, stack.dense + stack.p
    m = len(stack.components)
    random = slice(p, theta)
    if reml:
        logdet, E, within, A, free = s.logdet, s.C, slice(0, theta), s.P[:, :k, :k], s.W[:, :theta, :k]
    else:
        logdet = s.levels.logdet + _random_logdet(stack, _scaled(stack, s.M, s.factor))
        E, within = given_fixed(stack, s), random
        free = np.eye(k) - E @ s.M[:, random, random]
        A = s.M[:, random, random] @ free
    shape = stack.size, m
    good = np.asarray(s.good & (s.r2 > 0))
    out = Pieces(logdet, np.zeros(shape), np.zeros((*shape, m)), s.r2, np.zeros(shape), np.zeros((*shape, m)), good)
    _add_dense(stack, s, A, out)
    for i, dM in first_derivatives(stack, s).items():
        _add_eliminated(stack, s, i, dM, E, within, free, out)
    for i in range(m):
        for j in range(i):
            out.logdet_h[:, j, i], out.r2_h[:, j, i] = out.logdet_h[:, i, j], out.r2_h[:, i, j]
    return out


def _add_dense(stack: Stack, s: State, A: Array, out: Pieces) -> None:
    """Derivatives by the dense components: blocks of A, of Q = Z'PZ and of u = Z'Py."""
    k = stack.dense
    Q, u = s.P[:, :k, :k], s.P[:, :k, k]
    dense = [i for i, (part, _, _) in enumerate(stack.components) if part != stack.eliminated]
    for i in dense:
        for r, c in stack.slices(i):
            out.logdet_g[:, i] += _trace(A[:, r, c])
            out.r2_g[:, i] -= _dot(u[:, r], u[:, c])
            for j in (j for j in dense if j <= i):
                for r2, c2 in stack.slices(j):
                    out.logdet_h[:, i, j] -= _both(A[:, r, c2], A[:, c, r2])
                    out.r2_h[:, i, j] += 2 * _form(u[:, r], Q[:, c, r2], u[:, c2])


def _add_eliminated(
    stack: Stack, s: State, i: int, dM: Array, E: Array, within: slice, free: Array, out: Pieces
) -> None:
    """Derivatives by one component of the eliminated factor, alone and with every other component.

    Entries [larger, smaller] of the Hessians are filled.
    """
    k, theta = stack.dense, stack.dense + stack.p
    N, w, u = s.levels.N, s.W[:, :, k], s.P[:, :k, k]
    moved = dM @ s.W
    dP = s.W.swapaxes(1, 2) @ moved
    dA = free.swapaxes(1, 2) @ dM[:, within, within] @ free if within.start else dP[:, :k, :k]
    times = E @ dM[:, within, within]
    out.logdet_g[:, i] = _trace(times) + sum(N[:, :, a, b].sum(axis=1) for a, b in places(stack, i))
    out.r2_g[:, i] = dP[:, k, k]
    for j, (part, _, _) in enumerate(stack.components):
        at = max(i, j), min(i, j)
        if part != stack.eliminated:
            for r, c in stack.slices(j):
                out.logdet_h[:, *at] += _trace(dA[:, r, c])
                out.r2_h[:, *at] -= _dot(dP[:, r, k], u[:, c]) + _dot(u[:, r], dP[:, c, k])
        elif j <= i:
            dM2 = dM if i == j else _first_derivative(stack, s, j)
            bend = second_derivative(stack, s, i, j)
            other = times if i == j else E @ dM2[:, within, within]
            out.logdet_h[:, i, j] = _both(E, bend[:, within, within]) - _both(times.swapaxes(1, 2), other)
            for a, b in places(stack, i):
                for e, d in places(stack, j):
                    out.logdet_h[:, i, j] -= _dot(N[:, :, d, a], N[:, :, b, e])
            half = moved[:, :theta, k] if i == j else (dM2 @ w[:, :, None])[:, :theta, 0]
            out.r2_h[:, i, j] = _form(w, bend, w) - 2 * _form(moved[:, :theta, k], s.C, half)


Deviance = tuple[Array, Array, Array, Array]
"""Value, gradient, Hessian, and a Hessian never indefinite to step by far from the optimum: the expected one."""


class Criterion(Protocol):
    """A deviance made of the pieces, for each setup."""

    def take(self, setups: Codes) -> Criterion:
        """The same for some of the setups."""

    def __call__(self, c: Pieces, tau: Array) -> Deviance:
        """At the components ``tau`` (setups, c) of T."""


@dataclass(frozen=True, eq=False)
class Profiled:
    """Deviance with the noise variance at its best value; ``size`` (setups,) = n - p (REML) or n (ML)."""

    size: Array

    def take(self, setups: Codes) -> Profiled:
        """The same for some of the setups."""
        return Profiled(self.size[setups])

    def value(self, logdet: Array, r2: Array) -> Array:
        """Without derivatives."""
        return np.asarray(logdet + self.size * (1 + np.log(2 * math.pi * r2 / self.size)))

    def __call__(self, c: Pieces, tau: Array) -> Deviance:
        """At the components ``tau`` of T."""
        n, r2 = self.size[:, None], c.r2[:, None]
        slope = c.r2_g / r2
        g = c.logdet_g + n * slope
        h = c.logdet_h + n[:, None] * (c.r2_h / r2[:, None] - slope[:, :, None] * slope[:, None])
        # tr(A V_i A V_j) - tr(A V_i) tr(A V_j) / N
        expected = -c.logdet_h - c.logdet_g[:, :, None] * c.logdet_g[:, None] / n[:, None]
        return self.value(c.logdet, c.r2), g, h, expected


@dataclass(frozen=True, eq=False)
class NoiseFixed:
    """Deviance at a given noise variance."""

    size: Array
    noise: float

    def take(self, setups: Codes) -> NoiseFixed:
        """The same for some of the setups."""
        return NoiseFixed(self.size[setups], self.noise)

    def __call__(self, c: Pieces, tau: Array) -> Deviance:
        """At the components ``tau`` of T."""
        f = c.logdet + self.size * math.log(2 * math.pi * self.noise) + c.r2 / self.noise
        return f, c.logdet_g + c.r2_g / self.noise, c.logdet_h + c.r2_h / self.noise, -c.logdet_h


@dataclass(frozen=True, eq=False)
class ComponentFixed:
    """Deviance with one absolute variance held: the noise is then ``variance / tau[at]``."""

    size: Array
    at: int
    variance: float

    def take(self, setups: Codes) -> ComponentFixed:
        """The same for some of the setups."""
        return ComponentFixed(self.size[setups], self.at, self.variance)

    def __call__(self, c: Pieces, tau: Array) -> Deviance:
        """At the components ``tau`` of T."""
        at, variance = self.at, self.variance
        t = tau[:, at]
        f = c.logdet + self.size * np.log(2 * math.pi * variance / t) + t * c.r2 / variance
        g = c.logdet_g + t[:, None] * c.r2_g / variance
        h = c.logdet_h + t[:, None, None] * c.r2_h / variance
        g[:, at] += c.r2 / variance - self.size / t
        h[:, at] += c.r2_g / variance
        h[:, :, at] += c.r2_g / variance
        h[:, at, at] += self.size / t**2
        return f, g, h, h

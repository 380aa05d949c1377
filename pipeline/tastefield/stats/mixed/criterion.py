"""The deviance of many stacked setups with its exact derivatives; the algebra is in the docstring of the package."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tastefield.stats.mixed.stack import Array, Stack


@dataclass(frozen=True, eq=False)
class Levels:
    """The eliminated factor at its relative covariance T, level by level (D its squares, S its products)."""

    G: Array  # T (I + D T)^-1, (setups, levels, width, width)
    N: Array  # (I + D T)^-1 D
    kept: Array  # (I + D T)^-1 S, (setups, levels, width, m)
    logdet: Array  # log |I + D T| summed over levels


@dataclass(frozen=True, eq=False)
class State:
    """The dense system once the largest factor is eliminated, and its solution."""

    levels: Levels
    M: Array  # (setups, m, m): dense columns' cross-products in the metric of (I + Z_a T_a Z_a')^-1
    factor: Array  # (setups, k, k) lower factor of the dense T
    C: Array  # inverse of the mixed-model equations' matrix, (setups, k + p, k + p); singular where T is
    logdet_h: Array
    logdet_x: Array
    r2: Array
    W: Array  # (setups, m, k + 1): dense random columns and y less their prediction
    P: Array  # (setups, k + 1, k + 1): Z'PZ, Z'Py, y'Py
    good: Array  # (setups,) bool


@dataclass(frozen=True, eq=False)
class Pieces:
    """log-determinant part and y'P y with gradient and Hessian in the entries of T, and whether they exist."""

    logdet: Array
    logdet_g: Array
    logdet_h: Array
    r2: Array
    r2_g: Array
    r2_h: Array
    good: Array


def eliminate(stack: Stack, factors: list[Array]) -> Levels:
    """Algebra of the eliminated factor, one small matrix a level."""
    D, S, apart = stack.level_squares, stack.level_products, stack.eliminated
    L = factors[apart] if apart is not None else np.zeros((stack.size, 1, 1))
    if D.shape[2] == 1:
        tau = (L**2)[:, None]
        kept = 1 / (1 + tau * D)
        return Levels(tau * kept, D * kept, S * kept, np.log1p(tau * D).sum(axis=(1, 2, 3)))
    L = L[:, None]
    Lt = L.swapaxes(-1, -2)
    eye = np.eye(D.shape[2])
    inner = eye + Lt @ D @ L
    G = L @ np.linalg.solve(inner, Lt)
    keep = eye - D @ G
    return Levels(G, keep @ D, keep @ S, np.linalg.slogdet(inner)[1].sum(axis=1))


def _products(left: Array, right: Array) -> Array:
    """(setups, m, m): sum over levels (and coefficients) of outer products of rows."""
    shape = (left.shape[0], -1, left.shape[-1])
    return np.asarray(left.reshape(shape).swapaxes(1, 2) @ right.reshape(shape))


def dense_products(stack: Stack, levels: Levels) -> Array:
    """M: the dense cross-products with the eliminated factor taken out."""
    S = stack.level_products
    weighted = levels.G * S if S.shape[2] == 1 else levels.G @ S
    return stack.products - _products(S, weighted)


def block_factor(stack: Stack, factors: list[Array]) -> Array:
    """Lower factor of the dense T from the (width, width) lower factor of each part."""
    L = np.zeros((stack.size, stack.dense, stack.dense))
    for part, small in zip(stack.parts, factors, strict=True):
        if part.start is None:
            continue
        at = np.arange(part.levels)
        for a in range(part.width):
            for b in range(a + 1):
                L[:, part.columns(a).start + at, part.columns(b).start + at] = small[:, a, b, None]
    return L


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


def _scaled(stack: Stack, M: Array, L: Array) -> Array:
    """I + L' M L on the random columns, L' M beside them: regular whatever T is."""
    k = stack.dense
    out = M.copy()
    out[:, :k] = L.swapaxes(1, 2) @ M[:, :k]
    out[:, :, :k] = out[:, :, :k] @ L
    at = np.arange(k)
    out[:, at, at] += 1.0
    return out


def _logdets(stack: Stack, scaled: Array) -> tuple[Array, Array, Array, Array]:
    """log |inner|, log |X'H^-1 X|, y'P y and whether they exist, from the pivots of the augmented matrix."""
    k, p = stack.dense, stack.p
    pivots = np.diagonal(cholesky(scaled), axis1=1, axis2=2)
    good = np.isfinite(pivots).all(axis=1)
    pivots = np.where(good[:, None], pivots, 1.0)
    logs = 2 * np.log(pivots)
    return logs[:, :k].sum(axis=1), logs[:, k : k + p].sum(axis=1), pivots[:, -1] ** 2, good


def value(stack: Stack, levels: Levels, M: Array, factors: list[Array], reml: bool) -> tuple[Array, Array, Array]:
    """log-determinant part, y'P y and whether they exist, without derivatives."""
    logdet_h, logdet_x, r2, good = _logdets(stack, _scaled(stack, M, block_factor(stack, factors)))
    return levels.logdet + logdet_h + (logdet_x if reml else 0.0), r2, good


def state(stack: Stack, factors: list[Array]) -> State:
    """Eliminate, invert, solve."""
    levels = eliminate(stack, factors)
    M, L = dense_products(stack, levels), block_factor(stack, factors)
    k, theta = stack.dense, stack.dense + stack.p
    scaled = _scaled(stack, M, L)
    logdet_h, logdet_x, r2, good = _logdets(stack, scaled)
    scaled[~good] = np.eye(theta + 1)
    C = np.linalg.inv(scaled[:, :theta, :theta])
    C[:, :k] = L @ C[:, :k]
    C[:, :, :k] = C[:, :, :k] @ L.swapaxes(1, 2)
    asked = np.r_[0:k, theta]
    W = np.zeros((stack.size, theta + 1, k + 1))
    W[:, :theta] = -C @ M[:, :theta][:, :, asked]
    W[:, asked, np.arange(k + 1)] += 1.0
    P = M[:, asked] @ W
    return State(levels, M, L, C, levels.logdet + logdet_h, logdet_x, r2, W, P, good)


def given_fixed(stack: Stack, s: State) -> Array:
    """C of the random columns alone, the fixed effects taken as known."""
    k = stack.dense
    inner = np.linalg.inv(np.eye(k) + s.factor.swapaxes(1, 2) @ s.M[:, :k, :k] @ s.factor)
    return np.asarray(s.factor @ inner @ s.factor.swapaxes(1, 2))


def places(stack: Stack, component: int) -> list[tuple[int, int]]:
    """Entries of a part's covariance that a component fills."""
    _, a, b = stack.components[component]
    return [(a, b)] if a == b else [(a, b), (b, a)]


def first_derivatives(stack: Stack, s: State) -> dict[int, Array]:
    """dM by each component of the eliminated factor, (setups, m, m)."""
    kept = s.levels.kept
    return {
        i: -sum((_products(kept[:, :, a], kept[:, :, b]) for a, b in places(stack, i)), np.zeros(()))
        for i, (part, _, _) in enumerate(stack.components)
        if part == stack.eliminated
    }


def second_derivative(stack: Stack, s: State, i: int, j: int) -> Array:
    """d2M by two components of the eliminated factor, (setups, m, m)."""
    kept, N = s.levels.kept, s.levels.N
    half = np.zeros_like(s.M)
    for a, b in places(stack, i):
        for c, d in places(stack, j):
            half += _products(kept[:, :, a], N[:, :, b, c, None] * kept[:, :, d])
    return half + half.swapaxes(1, 2)


def _trace(matrices: Array) -> Array:
    return np.asarray(np.einsum("sii->s", matrices))


def _both(one: Array, other: Array) -> Array:
    """tr(one other) of stacked square matrices."""
    return np.asarray(np.einsum("sij,sji->s", one, other))


def pieces(stack: Stack, s: State, reml: bool) -> Pieces:
    """Log-determinant and y'P y with their derivatives; the formulas are in the package's docstring."""
    k, theta = stack.dense, stack.dense + stack.p
    m = len(stack.components)
    lg, rg = np.zeros((stack.size, m)), np.zeros((stack.size, m))
    lh, rh = np.zeros((stack.size, m, m)), np.zeros((stack.size, m, m))
    if reml:
        E, A, free = s.C, s.P[:, :k, :k], s.W[:, :theta, :k]
    else:
        E = given_fixed(stack, s)
        free = np.eye(k) - E @ s.M[:, :k, :k]
        A = s.M[:, :k, :k] @ free
    size = E.shape[1]
    Q, u = s.P[:, :k, :k], s.P[:, :k, k]
    slopes = first_derivatives(stack, s)
    times = {i: E @ slope[:, :size, :size] for i, slope in slopes.items()}
    moved = {i: slope @ s.W for i, slope in slopes.items()}
    for i, slope in slopes.items():
        dP = s.W.swapaxes(1, 2) @ moved[i]
        dA = dP[:, :k, :k] if reml else free.swapaxes(1, 2) @ slope[:, :k, :k] @ free
        lg[:, i] = _trace(times[i])
        rg[:, i] = dP[:, k, k]
        for a, b in places(stack, i):
            lg[:, i] += s.levels.N[:, :, a, b].sum(axis=1)
        for j in slopes:
            if j > i:
                continue
            bend = second_derivative(stack, s, i, j)
            lh[:, i, j] = _both(E, bend[:, :size, :size]) - _both(times[i], times[j])
            for a, b in places(stack, i):
                for c, d in places(stack, j):
                    lh[:, i, j] -= (s.levels.N[:, :, d, a] * s.levels.N[:, :, b, c]).sum(axis=1)
            w, left, right = s.W[:, :, k], moved[i][:, :theta, k], moved[j][:, :theta, k]
            rh[:, i, j] = np.einsum("si,sij,sj->s", w, bend, w)
            rh[:, i, j] -= 2 * np.einsum("si,sij,sj->s", left, s.C, right)
            lh[:, j, i], rh[:, j, i] = lh[:, i, j], rh[:, i, j]
        for j in range(m):
            if j not in slopes:
                for r, c in stack.slices(j):
                    lh[:, i, j] += _trace(dA[:, r, c])
                    rh[:, i, j] -= (dP[:, r, k] * u[:, c]).sum(axis=1) + (u[:, r] * dP[:, c, k]).sum(axis=1)
                lh[:, j, i], rh[:, j, i] = lh[:, i, j], rh[:, i, j]
    for i in range(m):
        if i in slopes:
            continue
        for r, c in stack.slices(i):
            lg[:, i] += _trace(A[:, r, c])
            rg[:, i] -= (u[:, r] * u[:, c]).sum(axis=1)
            for j in range(i + 1):
                if j in slopes:
                    continue
                for r2, c2 in stack.slices(j):
                    lh[:, i, j] -= np.einsum("sij,sij->s", A[:, r, c2], A[:, c, r2])
                    rh[:, i, j] += 2 * np.einsum("si,sij,sj->s", u[:, r], Q[:, c, r2], u[:, c2])
        for j in range(i):
            if j not in slopes:
                lh[:, j, i], rh[:, j, i] = lh[:, i, j], rh[:, i, j]
    return Pieces(s.logdet_h + (s.logdet_x if reml else 0.0), lg, lh, s.r2, rg, rh, s.good & (s.r2 > 0))


Deviance = tuple[Array, Array, Array]


@dataclass(frozen=True, eq=False)
class Profiled:
    """Deviance with the noise variance at its best value; ``size`` (setups,) = n - p (REML) or n (ML)."""

    size: Array

    def take(self, setups: Array) -> Profiled:
        return Profiled(self.size[setups])

    def value(self, logdet: Array, r2: Array) -> Array:
        """Without derivatives."""
        return np.asarray(logdet + self.size * (1 + np.log(2 * math.pi * r2 / self.size)))

    def __call__(self, c: Pieces, tau: Array) -> Deviance:
        n, r2 = self.size[:, None], c.r2[:, None]
        g = c.logdet_g + n * c.r2_g / r2
        outer = c.r2_g[:, :, None] * c.r2_g[:, None]
        h = c.logdet_h + n[:, None] * (c.r2_h / r2[:, None] - outer / r2[:, None] ** 2)
        return self.value(c.logdet, c.r2), g, h


@dataclass(frozen=True, eq=False)
class NoiseFixed:
    """Deviance at a given noise variance."""

    size: Array
    noise: float

    def take(self, setups: Array) -> NoiseFixed:
        return NoiseFixed(self.size[setups], self.noise)

    def __call__(self, c: Pieces, tau: Array) -> Deviance:
        f = c.logdet + self.size * math.log(2 * math.pi * self.noise) + c.r2 / self.noise
        return f, c.logdet_g + c.r2_g / self.noise, c.logdet_h + c.r2_h / self.noise


@dataclass(frozen=True, eq=False)
class ComponentFixed:
    """Deviance with one absolute variance held: the noise is then ``variance / tau[at]``."""

    size: Array
    at: int
    variance: float

    def take(self, setups: Array) -> ComponentFixed:
        return ComponentFixed(self.size[setups], self.at, self.variance)

    def __call__(self, c: Pieces, tau: Array) -> Deviance:
        at, variance = self.at, self.variance
        t = tau[:, at]
        f = c.logdet + self.size * np.log(2 * math.pi * variance / t) + t * c.r2 / variance
        g = c.logdet_g + t[:, None] * c.r2_g / variance
        h = c.logdet_h + t[:, None, None] * c.r2_h / variance
        g[:, at] += c.r2 / variance - self.size / t
        h[:, at] += c.r2_g / variance
        h[:, :, at] += c.r2_g / variance
        h[:, at, at] += self.size / t**2
        return f, g, h


Criterion = Callable[[Pieces, Array], Deviance]

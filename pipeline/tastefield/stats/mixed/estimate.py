"""Estimates of stacked setups at the variances a search ended with."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tastefield.stats.mixed import criterion
from tastefield.stats.mixed.criterion import State
from tastefield.stats.mixed.search import Optimum, entries, factors_of
from tastefield.stats.mixed.stack import Array, Bools, Stack

SINGULAR = 1e-7  # eigenvalues of a scaled information below this share of the largest are taken as zero


@dataclass(frozen=True, eq=False)
class Estimates:
    """What the setups of a stack say; the first axis of every array is the setup.

    :param noise: (setups,). :param covariances: by part, (setups, width, width), natural units of the covariates.
    :param variance_cov: (setups, c + 1, c + 1) error covariance of the components and, last, the noise; zero where a
        component stands at zero.
    :param fixed_slopes: (setups, c + 1, p, p) derivatives of fixed_cov by the same, in natural units.
    :param tau: (setups, c) relative variances.
    """

    fixed: Array
    fixed_cov: Array
    noise: Array
    covariances: tuple[Array, ...]
    loglik: Array
    variance_cov: Array
    fixed_slopes: Array
    tau: Array
    state: State


def degrees(stack: Stack, reml: bool) -> Array:
    """(setups,) what the noise is averaged over: n - p, or n for ML."""
    return stack.n - stack.p if reml else stack.n


def estimate(stack: Stack, found: Optimum, reml: bool) -> Estimates:
    """Fixed effects, variances and their errors at the optimum."""
    k = stack.dense
    small = factors_of(stack, found.x)
    s = criterion.state(stack, small)
    noise = s.r2 / degrees(stack, reml)
    back = np.asarray(np.linalg.inv(stack.R), dtype=float)
    fixed = stack.ordinary - (back @ s.W[:, : stack.p, k:])[:, :, 0]
    unit_cov = back @ s.C[:, : stack.p, : stack.p] @ back.swapaxes(1, 2)
    tau = entries(stack, small)
    units = component_units(stack)
    slopes = _fixed_slopes(stack, s, back, tau, unit_cov)
    constant = -stack.log_weights
    if reml:
        constant = constant + 2 * np.log(np.abs(np.diagonal(stack.R, axis1=1, axis2=2))).sum(axis=1)
    # a variance in natural units is that of the scaled covariates over their units
    covariance = _variance_cov(stack, s, small, tau, noise, reml)
    return Estimates(
        fixed=fixed,
        fixed_cov=noise[:, None, None] * unit_cov,
        noise=noise,
        covariances=tuple(
            noise[:, None, None] * (L @ L.swapaxes(1, 2)) / (scale[:, :, None] * scale[:, None])
            for L, scale in zip(small, stack.scales, strict=True)
        ),
        loglik=-0.5 * (found.value + constant),
        variance_cov=covariance / (units[:, :, None] * units[:, None]),
        fixed_slopes=slopes * units[:, :, None, None],
        tau=tau,
        state=s,
    )


def component_units(stack: Stack) -> Array:
    """(setups, c + 1): what a component of the scaled covariates is divided by to be in natural units."""
    units = np.ones((stack.size, len(stack.components) + 1))
    for i, (k, a, b) in enumerate(stack.components):
        units[:, i] = stack.scales[k][:, a] * stack.scales[k][:, b]
    return units


def _fixed_slopes(stack: Stack, s: State, back: Array, tau: Array, unit_cov: Array) -> Array:
    """d(fixed_cov) by each variance; by the noise from fixed_cov being homogeneous of degree one."""
    k, theta, m = stack.dense, stack.dense + stack.p, len(stack.components)
    slopes = np.zeros((stack.size, m + 1, stack.p, stack.p))
    for i, dM in criterion.first_derivatives(stack, s).items():
        half = back @ s.C[:, : stack.p]
        slopes[:, i] = -half @ dM[:, :theta, :theta] @ half.swapaxes(1, 2)
    B = back @ s.W[:, : stack.p, :k]
    for i, (part, _, _) in enumerate(stack.components):
        if part != stack.eliminated:
            for r, c in stack.slices(i):
                slopes[:, i] += B[:, :, r] @ B[:, :, c].swapaxes(1, 2)
    slopes[:, m] = unit_cov - np.einsum("si,sipq->spq", tau, slopes[:, :m])
    return slopes


def noise_traces(c: criterion.Pieces, tau: Array, size: Array) -> Array:
    """tr(A V_i A V_j) of all components and, last, the noise V_0 = V - sum tau_i V_i; A V A = A, tr(A V) = size."""
    m = tau.shape[1]
    G = np.empty((len(tau), m + 1, m + 1))
    G[:, :m, :m] = -c.logdet_h
    G[:, m, :m] = G[:, :m, m] = c.logdet_g + (c.logdet_h @ tau[:, :, None])[:, :, 0]
    G[:, m, m] = size - (c.logdet_g * tau).sum(axis=1) - (G[:, m, :m] * tau).sum(axis=1)
    return G


def free_components(stack: Stack, small: list[Array]) -> Bools:
    """(setups, c + 1): components off zero, and the noise."""
    diagonal = [np.sum(L**2, axis=2) for L in small]
    free = np.ones((stack.size, len(stack.components) + 1), dtype=bool)
    for i, (k, a, b) in enumerate(stack.components):
        free[:, i] = (diagonal[k][:, a] > 0) & (diagonal[k][:, b] > 0)
    return free


def inverse_on(information: Array, free: Bools) -> Array:
    """Inverse on the free rows and columns, zero elsewhere; directions without information are left out."""
    diagonal = np.abs(np.diagonal(information, axis1=1, axis2=2))
    scale = np.where(free, 1 / np.sqrt(np.maximum(diagonal, 1e-300)), 0.0)
    values, vectors = np.linalg.eigh(information * scale[:, :, None] * scale[:, None])
    good = values > SINGULAR * np.maximum(values[:, -1:], 1e-300)
    half = vectors * np.where(good, 1 / np.sqrt(np.where(good, values, 1.0)), 0.0)[:, None]
    half = half * scale[:, :, None]
    return np.asarray(half @ half.swapaxes(1, 2))


def _variance_cov(stack: Stack, s: State, small: list[Array], tau: Array, noise: Array, reml: bool) -> Array:
    """Twice the inverse Hessian of the deviance in the variances; worked in units of the noise variance."""
    c = criterion.pieces(stack, s, reml)
    c = replace(c, r2_g=c.r2_g / noise[:, None], r2_h=c.r2_h / noise[:, None, None])
    m = tau.shape[1]
    quad = np.empty((stack.size, m + 1, m + 1))  # y'P V_i P V_j P y
    quad[:, :m, :m] = c.r2_h / 2
    quad[:, m, :m] = quad[:, :m, m] = -c.r2_g - (quad[:, :m, :m] @ tau[:, :, None])[:, :, 0]
    quad[:, m, m] = s.r2 / noise + (c.r2_g * tau).sum(axis=1) - (quad[:, m, :m] * tau).sum(axis=1)
    hessian = 2 * quad - noise_traces(c, tau, degrees(stack, reml))
    return 2 * noise[:, None, None] ** 2 * inverse_on(hessian, free_components(stack, small))


def satterthwaite(contrast: Array, fixed_cov: Array, slopes: Array, variance_cov: Array) -> Array:
    """(setups,) degrees of freedom 2 V^2 / Var(V) of contrasts (setups, p); infinite where V is known."""
    g = np.einsum("sp,stpq,sq->st", contrast, slopes, contrast)
    spread = np.einsum("st,stu,su->s", g, variance_cov, g)
    V = np.einsum("sp,spq,sq->s", contrast, fixed_cov, contrast)
    return np.where(spread > 0, 2 * V**2 / np.where(spread > 0, spread, 1.0), np.inf)


def adjusted_cov(stack: Stack, e: Estimates, small: list[Array]) -> tuple[Array, Array]:
    """Kenward and Roger's covariance of the fixed effects and the expected covariance of the variances (REML).

    The adjustment is less the sum over pairs of variances of their covariance times the second derivative of
    fixed_cov; those by the noise follow from the first derivatives being homogeneous of degree zero.
    """
    k, theta, m = stack.dense, stack.dense + stack.p, len(stack.components)
    s, tau = e.state, e.tau
    back = np.linalg.inv(stack.R)
    c = criterion.pieces(stack, s, reml=True)
    expected = 2 * inverse_on(noise_traces(c, tau, stack.n - stack.p), free_components(stack, small))
    bends = np.zeros((stack.size, m + 1, m + 1, stack.p, stack.p))
    slopes = criterion.first_derivatives(stack, s)
    X, Q = back @ s.W[:, : stack.p, :k], s.P[:, :k, :k]
    half = back @ s.C[:, : stack.p]
    for i, dM in slopes.items():
        left = half @ dM[:, :theta, :theta]
        for j, dM2 in slopes.items():
            cross = left @ s.C @ dM2[:, :theta, :theta] @ half.swapaxes(1, 2)
            bend = criterion.second_derivative(stack, s, i, j)[:, :theta, :theta]
            bends[:, i, j] = cross + cross.swapaxes(2, 1) - half @ bend @ half.swapaxes(1, 2)
        moved = half @ (dM @ s.W)[:, :theta, :k]
        for j in (j for j in range(m) if j not in slopes):
            for r, q in stack.slices(j):
                term = -moved[:, :, r] @ X[:, :, q].swapaxes(1, 2)
                bends[:, i, j] += term + term.swapaxes(1, 2)
            bends[:, j, i] = bends[:, i, j]
    for i in (i for i in range(m) if i not in slopes):
        for j in (j for j in range(m) if j not in slopes):
            for r, q in stack.slices(i):
                for r2, q2 in stack.slices(j):
                    term = X[:, :, r] @ Q[:, q, r2] @ X[:, :, q2].swapaxes(1, 2)
                    # each (i, j) term stands for both orders of the two factors
                    bends[:, i, j] -= term + term.swapaxes(1, 2)
    bends[:, :m, m] = -np.einsum("sj,sijpq->sipq", tau, bends[:, :m, :m])
    bends[:, m, :m] = bends[:, :m, m]
    bends[:, m, m] = -np.einsum("si,sipq->spq", tau, bends[:, :m, m])
    noise = e.noise[:, None, None]
    adjusted = e.fixed_cov - noise * np.einsum("sij,sijpq->spq", expected, bends)
    units = component_units(stack)
    return adjusted, noise**2 * expected / (units[:, :, None] * units[:, None])

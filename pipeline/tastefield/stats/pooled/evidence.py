"""How well standard deviations of the parts explain the scores, and what is then known of the unknowns.

With units taken out (V factored, one at a time) and u solved for:

    precision = prior^-1 + sum D' V^-1 D,   mean of u = precision^-1 sum D' V^-1 y
    -2 log p(y) = sum [log|V| + y' V^-1 y] + log|precision| - log|prior^-1| - b' precision^-1 b     (b = sum D' V^-1 y)

The gradient is Fisher's identity: the expected gradient of log p(y, u) over u given y,

    d/dlog sd of a part in u:  sum_j (E[u_j^2] / prior_j - 1),
    of a part B in V:          -tr(B sd^2 (V^-1 - V^-1 (r r' + D P D') V^-1)),   r = y - D mean(u), P = precision^-1
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from tastefield.stats.pooled import parts
from tastefield.stats.pooled.layout import HUB, Batch, Layout, local_parts

Array = NDArray[np.float64]


BENCHES_DIFFER = 0.15
"""Log standard deviations of two benches are taken to differ by about so much."""


@dataclass(frozen=True, eq=False)
class Message:
    """What is known of the hub beside the stated prior: precision (HUB, HUB) and precision times shift (HUB,).

    In the units of the functions' own coefficients, about the stated prior mean; nothing of the prior is in it, so
    messages of benches that share no shot add up.
    """

    precision: Array
    told: Array

    @classmethod
    def nothing(cls) -> Message:
        """Nothing was told."""
        return cls(np.zeros((HUB, HUB)), np.zeros(HUB))

    @classmethod
    def joined(cls, messages: Sequence[Message], weights: Sequence[float]) -> Message:
        """What benches that share no shot tell together: the sum, since no message holds the stated prior.

        :param weights: how much of each counts.
        """
        return cls(
            np.sum([weight * one.precision for one, weight in zip(messages, weights, strict=True)], axis=0),
            np.sum([weight * one.told for one, weight in zip(messages, weights, strict=True)], axis=0),
        )


@dataclass(frozen=True, eq=False)
class Evidence:
    """Log density of the scores and of the standard deviations, gradient, and the unknowns.

    :param u: (size,) mean of the unknowns less the prior mean. :param P: (size, size) their covariance.
    :param precision: (size, size) and :param told: (size,) what the scores say of them without any prior.
    """

    theta: Array
    value: float
    gradient: Array
    u: Array
    P: Array
    precision: Array
    told: Array


@dataclass(frozen=True, eq=False)
class Prior:
    """Of the log standard deviations and the effect: as stated, or a normal density that another bench told.

    :param mean: (15,) and :param precision: (15, 15) of that density; zero where nothing was told.
    """

    mean: Array
    precision: Array
    with_stated: bool = True

    @classmethod
    def told(cls, mean: Array, cov: Array) -> Prior:
        """What another bench told, widened because benches differ, in place of what was stated."""
        wide = np.asarray(cov, dtype=float) + BENCHES_DIFFER**2 * np.eye(len(mean))
        return cls(np.asarray(mean, dtype=float), np.asarray(np.linalg.inv(wide), dtype=float), False)

    @classmethod
    def stated(cls) -> Prior:
        """Nothing was told beside the stated prior."""
        return cls(np.zeros(len(parts.NAMES) + 1), np.zeros((len(parts.NAMES) + 1,) * 2))

    def log_density(self, theta: Array) -> tuple[float, Array]:
        """Log density, up to a constant, and its gradient."""
        value, gradient = parts.log_prior(theta) if self.with_stated else (0.0, np.zeros(len(theta)))
        off = theta - self.mean
        return value - 0.5 * float(off @ self.precision @ off), gradient - self.precision @ off


def evaluate(
    plan: Layout,
    units: Iterable[Batch],
    theta: Array,
    message: Message | None = None,
    prior: Prior | None = None,
    with_gradient: bool = True,
) -> Evidence:
    """Evaluate one set of standard deviations.

    :param theta: (15,) log of each in the order of ``parts.NAMES``, then the effect of extraction.
    :param message: what another bench told of the hub.
    :param with_gradient: else the gradient is left NaN, and no unit is held in memory after it was used.
    """
    value, gradient = (prior or Prior.stated()).log_density(theta)
    variance, effect = np.exp(2 * theta[:-1]), float(theta[-1])
    local = np.array([parts.NAMES.index(name) for name in local_parts(plan)])
    common = plan.common
    precision, told = np.zeros((plan.size + 1, plan.size + 1)), np.zeros(plan.size + 1)
    solved = []
    for batch in units:
        V = np.tensordot(variance[local], batch.masks, 1)
        if batch.extraction is not None:
            V += batch.extraction.fixed + effect * batch.extraction.slope + effect**2 * batch.extraction.square
        V += batch.padding[:, :, None] * np.eye(V.shape[1])
        inverse = np.linalg.inv(V)
        logdet = 2 * np.log(np.einsum("gii->gi", np.linalg.cholesky(V))).sum()
        weighted = inverse @ np.concatenate([batch.D, batch.y[:, :, None]], axis=2)
        crossed = np.swapaxes(batch.D, 1, 2) @ weighted
        value -= 0.5 * float(logdet + (batch.y * weighted[:, :, -1]).sum())
        precision[:common, :common] += crossed[:, :common, :common].sum(axis=0)
        told[:common] += crossed[:, :common, -1].sum(axis=0)
        for columns, cross in zip(batch.columns, crossed[:, common:], strict=True):
            precision[columns, :common] += cross[:, :common]
            precision[np.ix_(columns, columns)] += cross[:, common:-1]
            told[columns] += cross[:, -1]
        if with_gradient:
            solved.append((batch, inverse, weighted))
    precision, told = precision[:-1, :-1], told[:-1]
    precision[:common, common:] = precision[common:, :common].T
    prior_sd = plan.prior_sd(theta)
    before = hub_before(prior_sd[:HUB], message)
    # scaled by the prior SDs the matrix is 1 plus what was learned: well behaved whatever the SDs
    scaled = prior_sd[:, None] * precision * prior_sd
    scaled[np.diag_indices(plan.size)] += 1.0
    target = prior_sd * told
    if before is not None:
        scaled[:HUB, :HUB] += before.extra
        target[:HUB] += before.target
    root, low = linalg.cho_factor(scaled, lower=True)
    whitened = linalg.cho_solve((root, low), target)
    P = linalg.cho_solve((root, low), np.eye(plan.size))
    value -= float(np.log(np.diag(root)).sum()) - 0.5 * float(target @ whitened)
    squares = whitened**2 + np.diag(P) - 1.0
    if before is not None:
        value -= before.value
        squares[:HUB] -= before.squares
    ruled = plan.group >= 0
    np.add.at(gradient, plan.group[ruled], squares[ruled])
    u, P = prior_sd * whitened, prior_sd[:, None] * P * prior_sd
    if not with_gradient:
        return Evidence(theta, value, np.full(len(theta), np.nan), u, P, precision, told)
    open_u, open_P = np.append(u, 0.0), np.pad(P, ((0, 1), (0, 1)))
    for batch, inverse, weighted in solved:
        own = batch.columns
        shared, rest = weighted[:, :, :common], weighted[:, :, common:-1]
        across, within = open_P[own, :common], open_P[own[:, :, None], own[:, None, :]]
        left = weighted[:, :, -1] - shared @ u[:common] - (rest @ open_u[own][:, :, None])[:, :, 0]
        G = inverse - left[:, :, None] * left[:, None, :]
        G -= (shared @ P[:common, :common] + rest @ across) @ np.swapaxes(shared, 1, 2)
        G -= (shared @ np.swapaxes(across, 1, 2) + rest @ within) @ np.swapaxes(rest, 1, 2)
        slopes = batch.masks.reshape(len(local), -1) @ G.ravel()
        np.add.at(gradient, local, -variance[local] * slopes)
        if batch.extraction is not None:
            bend = batch.extraction.slope + 2 * effect * batch.extraction.square
            gradient[-1] -= 0.5 * float(bend.ravel() @ G.ravel())
    return Evidence(theta, value, gradient, u, P, precision, told)


@dataclass(frozen=True, eq=False)
class Before:
    """What a message alone says at some prior SDs, in whitened units; its own evidence is not counted again."""

    extra: Array
    target: Array
    value: float
    squares: Array


def hub_before(prior_sd: Array, message: Message | None) -> Before | None:
    """The message in whitened units. :param prior_sd: (HUB,)."""
    if message is None:
        return None
    extra, target = prior_sd[:, None] * message.precision * prior_sd, prior_sd * message.told
    root, low = linalg.cho_factor(extra + np.eye(HUB), lower=True)
    mean = linalg.cho_solve((root, low), target)
    spread = np.diag(linalg.cho_solve((root, low), np.eye(HUB)))
    value = -float(np.log(np.diag(root)).sum()) + 0.5 * float(target @ mean)
    return Before(extra, target, value, mean**2 + spread - 1.0)


def hub_message(plan: Layout, found: Evidence, before: Message | None) -> Message:
    """All that the scores and the message before them told of the hub, the stated prior divided out."""
    rest = found.precision[HUB:, HUB:] + np.diag(plan.prior_sd(found.theta)[HUB:] ** -2.0)
    across = found.precision[HUB:, :HUB]
    moved = linalg.solve(rest, np.column_stack([across, found.told[HUB:]]), assume_a="pos")
    precision = found.precision[:HUB, :HUB] - across.T @ moved[:, :-1]
    told = found.told[:HUB] - across.T @ moved[:, -1]
    if before is None:
        return Message(0.5 * (precision + precision.T), told)
    return Message(0.5 * (precision + precision.T) + before.precision, told + before.told)

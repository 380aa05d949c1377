"""Newton's method in the relative variances of many setups at once, with an active set at zero."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tastefield.stats.mixed import criterion
from tastefield.stats.mixed.criterion import Deviance
from tastefield.stats.mixed.stack import Array, Bools, Codes, Stack

STARTS = (0.05, 1.0, 30.0)  # relative variances to start from; small data sets may have two local optima
MOST_CROSSED = 3  # components; up to here the deviance is mapped at all combinations of STARTS
UNBOUNDED = 1e6  # a relative variance above this means that the noise has vanished
FINISHED = 1e-8  # gain in deviance still to be had, below which one last Newton step ends the search
FAR = 0.1  # promised gain in deviance above which steps go by the expected Hessian

Evaluate = Callable[[Codes, Array], Deviance]  # (which setups, their parameters) -> value, derivatives


@dataclass(frozen=True, eq=False)
class Optimum:
    """Where the searches ended: parameters (setups, c), deviance, whether an optimum was verified, else why not."""

    x: Array
    value: Array
    converged: Bools
    detail: tuple[str, ...]

    def take(self, setups: Codes) -> Optimum:
        """The same for some of the setups."""
        return Optimum(
            self.x[setups], self.value[setups], self.converged[setups], tuple(self.detail[i] for i in setups)
        )


# --- parameters: variances themselves, or the Cholesky factor of a full covariance ----------------------------------


def factors_of(stack: Stack, x: Array) -> list[Array]:
    """(setups, width, width) lower factor of every part at the search parameters."""
    small = [np.zeros((len(x), part.width, part.width)) for part in stack.parts]
    for i, (k, a, b) in enumerate(stack.components):
        small[k][:, a, b] = x[:, i] if stack.parts[k].full else np.sqrt(x[:, i])
    return small


def entries(stack: Stack, small: list[Array]) -> Array:
    """(setups, c): the components of T (entries of each part's covariance) from the lower factors."""
    T = [L @ L.swapaxes(1, 2) for L in small]
    out = np.empty((stack.size, len(stack.components)))
    for i, (k, a, b) in enumerate(stack.components):
        out[:, i] = T[k][:, a, b]
    return out


def bounded(stack: Stack) -> Bools:
    """(c,): which search parameters may not be negative."""
    return np.array([a == b for _, a, b in stack.components], dtype=bool)


def _chain(stack: Stack, small: list[Array], g: Array, h: Array, expected: Array) -> tuple[Array, Array, Array]:
    """Derivatives in the entries of T turned into derivatives in the search parameters (T = L L' for full parts)."""
    if not any(part.full for part in stack.parts):
        return g, h, expected
    m = len(stack.components)
    J = np.broadcast_to(np.eye(m), h.shape).copy()
    bend = np.zeros_like(h)
    for i, (k, a, b) in enumerate(stack.components):
        if not stack.parts[k].full:
            continue
        L = small[k]
        for j, (k2, c, d) in enumerate(stack.components):
            J[:, i, j] = (a == c) * L[:, b, d] + (b == c) * L[:, a, d] if k == k2 else 0.0
            for j2, (k3, e, f) in enumerate(stack.components):
                if k == k2 == k3 and d == f:
                    bend[:, j, j2] += g[:, i] * ((a == c) * (b == e) + (b == c) * (a == e))
    Jt = J.swapaxes(1, 2)
    return (Jt @ g[:, :, None])[:, :, 0], Jt @ h @ J + bend, Jt @ expected @ J


def objective(stack: Stack, deviance: criterion.Criterion, reml: bool) -> Evaluate:
    """The deviance of the stack's setups in the search parameters."""

    def evaluate(setups: Codes, x: Array) -> Deviance:
        part = stack.take(setups)
        small = factors_of(part, x)
        c = criterion.pieces(part, criterion.state(part, small), reml)
        f, g, h, expected = deviance.take(setups)(c, entries(part, small))
        g, h, expected = _chain(part, small, g, h, expected)
        bad = ~(c.good & np.isfinite(f))
        f[bad], g[bad], h[bad], expected[bad] = math.inf, 0.0, np.eye(x.shape[1]), np.eye(x.shape[1])
        return f, g, h, expected

    return evaluate


# --- Newton ---------------------------------------------------------------------------------------------------------


def _newton(x: Array, g: Array, h: Array, active: Bools) -> Array:
    """Newton step on the free parameters; negative curvature is taken with its size, so that the step descends."""
    c = x.shape[1]
    diagonal = np.abs(np.diagonal(h, axis1=1, axis2=2))
    scale = 1 / np.sqrt(np.maximum(diagonal, 1e-8 / (np.abs(x) + 1e-3) ** 2))
    scale = np.where(active, 0.0, scale)
    H = h * scale[:, :, None] * scale[:, None]
    at = np.arange(c)
    H[:, at, at] += active
    values, vectors = np.linalg.eigh(H)
    least = np.where(values[:, :1] > 0, 1e-8, 1e-4)
    along = (vectors.swapaxes(1, 2) @ (scale * g)[:, :, None])[:, :, 0] / np.maximum(np.abs(values), least)
    return np.asarray(-scale * (vectors @ along[:, :, None])[:, :, 0])


def _step(x: Array, g: Array, h: Array, at_bound: Bools, held: Bools) -> Array:
    """Newton step that leaves no bound to the wrong side; ``at_bound``: parameters that stand at their bound."""
    active = held | (at_bound & (g >= 0))
    step = _newton(x, g, h, active)
    while (wrong := at_bound & (step < 0)).any():
        rows = wrong.any(axis=1)
        active |= wrong
        step[rows] = _newton(x[rows], g[rows], h[rows], active[rows])
    return step


def minimise(evaluate: Evaluate, start: Array, limits: Bools, held: Bools, barrier: int | None = None) -> Optimum:
    """Minimise all setups at once; finished ones drop out.

    :param start: (setups, c). :param limits: (c,) parameters that may not be negative.
    :param held: (setups, c) parameters that stay at their start.
    :param barrier: a parameter that must stay above zero.
    """
    x = np.array(start, dtype=float)
    everyone = np.arange(len(x))
    at: Deviance = evaluate(everyone, x)
    f = at[0]
    converged, detail = np.zeros(len(x), dtype=bool), np.full(len(x), "too many steps", dtype=object)
    detail[~np.isfinite(f)] = "no start"
    live = everyone[np.isfinite(f)]
    for _ in range(300):
        off = np.max(x[live], axis=1, initial=0.0) > UNBOUNDED
        detail[live[off]] = "the noise variance vanishes"
        live = live[~off]
        if not live.size:
            break
        step, gain = _direction(x[live], [part[live] for part in at], limits, held[live])
        done = gain < FINISHED
        if done.any():
            _finish(evaluate, live[done], x, f, step[done], limits)
            converged[live[done]], detail[live[done]] = True, ""
            live, step, gain = live[~done], step[~done], gain[~done]
        stuck = _descend(evaluate, live, x, at, step, gain, limits, barrier)
        converged[live[stuck]] = gain[stuck] < 1e-6
        detail[live[stuck]] = np.where(gain[stuck] < 1e-6, "", "no further descent")
        live = live[~stuck]
    return Optimum(x, f, converged, tuple(str(text) for text in detail))


def _direction(x: Array, at: list[Array], limits: Bools, held: Bools) -> tuple[Array, Array]:
    """Step and the gain it promises: Newton's near the optimum, by the expected Hessian (scoring) far from it."""
    _, g, h, expected = at
    at_bound = limits & (x <= 0)
    step = _step(x, g, h, at_bound, held)
    gain = -np.sum(g * step, axis=1)
    far = gain > FAR
    if far.any():
        step[far] = _step(x[far], g[far], expected[far], at_bound[far], held[far])
        gain[far] = -np.sum(g[far] * step[far], axis=1)
    return step, gain


def _finish(evaluate: Evaluate, ends: Codes, x: Array, f: Array, step: Array, limits: Bools) -> None:
    """One last Newton step, written into x and f where it does no harm; what it gains is known when it is short."""
    last = np.where(limits, np.maximum(x[ends] + step, 0.0), x[ends] + step)
    far = (np.abs(last - x[ends]) > 1e-3 * (np.abs(x[ends]) + 1e-3)).any(axis=1)
    value = f[ends].copy()
    if far.any():
        value[far] = evaluate(ends[far], last[far])[0]
    better = value <= f[ends] + 1e-9
    x[ends[better]], f[ends[better]] = last[better], value[better]


def _descend(
    evaluate: Evaluate,
    live: Codes,
    x: Array,
    at: Deviance,
    step: Array,
    gain: Array,
    limits: Bools,
    barrier: int | None,
) -> Bools:
    """Step back by quarters until each setup descends, writing into x and ``at``; who never does is told."""
    f = at[0]
    shrinking = limits & (step < 0)
    room = np.where(shrinking, x[live] / np.where(shrinking, -step, 1.0), np.inf)
    if barrier is not None:
        room[:, barrier] *= 0.9
    t = np.minimum(1.0, room.min(axis=1, initial=np.inf))
    waiting = np.ones(live.size, dtype=bool)
    for _ in range(40):
        if not waiting.any():
            break
        rows = np.flatnonzero(waiting)
        setups, size = live[rows], t[rows, None]
        trial = x[setups] + size * step[rows]
        reached = limits & (room[rows] <= size * (1 + 1e-12))
        if barrier is not None:
            reached[:, barrier] = False
        trial = np.where(limits & ((trial < 0) | reached), 0.0, trial)
        new = evaluate(setups, trial)
        fine = new[0] <= f[setups] - 1e-4 * t[rows] * gain[rows] + 1e-12 * np.abs(f[setups])
        x[setups[fine]] = trial[fine]
        for part, values in zip(at, new, strict=True):
            part[setups[fine]] = values[fine]
        waiting[rows[fine]] = False
        t[rows[~fine]] /= 4
    return waiting


# --- the whole search -----------------------------------------------------------------------------------------------


def search(stack: Stack, deviance: criterion.Profiled, reml: bool, held: Bools) -> Optimum:
    """Best optimum from several starts; a full covariance stuck at a singular point is pushed off it.

    :param held: (setups, c) components that stay at zero.
    """
    full = np.array([stack.parts[k].full for k, _, _ in stack.components], dtype=bool)
    limits = bounded(stack)
    setups, start = _starts(stack, deviance, reml, held, full, limits)
    many = stack.take(setups)
    spread = deviance.take(setups)
    found = minimise(objective(many, spread, reml), start, limits, held[setups])
    if full.any():
        found = _freed(many, spread, reml, held[setups], found, limits)
    return found.take(_best(found, setups, stack.size))


def _starts(
    stack: Stack, deviance: criterion.Profiled, reml: bool, held: Bools, full: Bools, limits: Bools
) -> tuple[Codes, Array]:
    """(setups, parameters): where to start; where the deviance is cheap to map, only from the map's local minima."""
    c = len(stack.components)
    everyone = np.arange(stack.size)
    if c == 0 or c > MOST_CROSSED or full.any():
        taus = STARTS if c else (0.0,)
        start = [np.where(limits, np.where(full, math.sqrt(tau), tau), 0.0) for tau in taus]
        x = np.repeat(start, stack.size, axis=0)
        setups = np.tile(everyone, len(taus))
        return setups, np.where(held[setups], 0.0, x)
    levels = np.array(STARTS)
    value = np.empty((stack.size, *(levels.size,) * c))
    apart = [i for i, (k, _, _) in enumerate(stack.components) if k == stack.eliminated]
    dense = [i for i in range(c) if i not in apart]
    x = np.empty((stack.size, c))
    for outer in itertools.product(range(levels.size), repeat=len(apart)):
        x[:, apart], x[:, dense] = levels[list(outer)], 1.0
        x[held] = 0.0
        small = factors_of(stack, x)
        part = criterion.eliminate(stack, small)
        M = criterion.dense_products(stack, part)
        for inner in itertools.product(range(levels.size), repeat=len(dense)):
            x[:, dense] = levels[list(inner)]
            x[held] = 0.0
            logdet, r2, good = criterion.value(stack, part, M, factors_of(stack, x), reml)
            f = np.where(good, deviance.value(logdet, r2), np.inf)
            at = np.empty(c, dtype=int)
            at[apart], at[dense] = outer, inner
            value[(slice(None), *at)] = f
    least = np.isfinite(value)
    for axis in range(1, c + 1):
        for ahead in (1, -1):
            neighbour = np.full_like(value, np.inf)
            to = [slice(None)] * (c + 1)
            to[axis], frm = slice(0, -1) if ahead == 1 else slice(1, None), list(to)
            frm[axis] = slice(1, None) if ahead == 1 else slice(0, -1)
            neighbour[tuple(to)] = value[tuple(frm)]
            # of neighbours alike the first counts
            least &= value < neighbour if ahead == -1 else value <= neighbour
    least[~least.reshape(stack.size, -1).any(axis=1)] = False
    none = ~least.reshape(stack.size, -1).any(axis=1)
    least[(none, *(0,) * c)] = True
    setups, *places = np.nonzero(least)
    return setups, np.where(held[setups], 0.0, levels[np.column_stack(places)])


def _best(found: Optimum, setups: Codes, count: int) -> Codes:
    """For each setup the search that ended best: verified before not verified, then the lower deviance."""
    # of deviances alike the first start counts, so that rounding does not choose
    least = np.full(count, np.inf)
    value = np.where(found.converged, found.value, np.inf)
    np.minimum.at(least, setups, value)
    unverified = ~np.isfinite(least)
    any_value = np.full(count, np.inf)
    np.minimum.at(any_value, setups, found.value)
    least = np.where(unverified, any_value, least)
    eligible = found.converged | unverified[setups]
    good = np.flatnonzero(eligible & ((found.value <= least[setups] + 1e-7) | ~np.isfinite(least[setups])))
    best = np.empty(count, dtype=np.intp)
    best[setups[good[::-1]]] = good[::-1]
    return best


def _freed(
    stack: Stack, deviance: criterion.Profiled, reml: bool, held: Bools, found: Optimum, limits: Bools
) -> Optimum:
    """Searches of a full covariance that ended at a false edge, pushed off it and taken up again."""
    x, value, converged, detail = found.x.copy(), found.value.copy(), found.converged.copy(), list(found.detail)
    open_ = np.flatnonzero(np.isfinite(value))
    for _ in range(5):
        open_, start = _pushed(stack, deviance, reml, x, open_)
        if not open_.size:
            break
        again = minimise(objective(stack.take(open_), deviance.take(open_), reml), start, limits, held[open_])
        better = again.value <= value[open_] - 1e-9
        open_ = open_[better]
        x[open_], value[open_], converged[open_] = again.x[better], again.value[better], again.converged[better]
        for i, j in zip(open_, np.flatnonzero(better), strict=True):
            detail[i] = again.detail[j]
    return Optimum(x, value, converged, tuple(detail))


def _pushed(stack: Stack, deviance: criterion.Profiled, reml: bool, x: Array, setups: Codes) -> tuple[Codes, Array]:
    """Which of the setups stand at a false optimum of a full covariance, and a better start for them.

    At a true optimum the gradient with respect to each covariance is a matrix without negative eigenvalues; the
    Cholesky factor hides a negative one where the covariance is singular.
    """
    some = stack.take(setups)
    small = factors_of(some, x[setups])
    c = criterion.pieces(some, criterion.state(some, small), reml)
    g = deviance.take(setups)(c, entries(some, small))[1]
    pushed = np.zeros(setups.size, dtype=bool)
    for k, part in enumerate(stack.parts):
        if not part.full:
            continue
        G = np.zeros((setups.size, part.width, part.width))
        for i, (k2, a, b) in enumerate(stack.components):
            if k2 == k:
                G[:, a, b] += g[:, i] / 2
                G[:, b, a] += g[:, i] / 2
        values, vectors = np.linalg.eigh(G)
        here = ~pushed & c.good & (values[:, 0] < -1e-4)
        away = 0.05 * vectors[here, :, :1] @ vectors[here, :, :1].swapaxes(1, 2) + 1e-9 * np.eye(part.width)
        small[k][here] = np.linalg.cholesky(small[k][here] @ small[k][here].swapaxes(1, 2) + away)
        pushed |= here
    start = np.column_stack(
        [small[k][:, a, b] if stack.parts[k].full else x[setups, i] for i, (k, a, b) in enumerate(stack.components)]
    )
    return setups[pushed], start[pushed]

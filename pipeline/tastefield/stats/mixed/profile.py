"""Profile-likelihood limits of one setup."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy import optimize, stats

from tastefield.errors import FitError, Problem
from tastefield.stats.mixed import stack as stacks
from tastefield.stats.mixed.criterion import ComponentFixed, Criterion, NoiseFixed, Profiled, state
from tastefield.stats.mixed.search import STARTS, bounded, factors_of, minimise, objective, search
from tastefield.stats.mixed.stack import Array, Bools, Rows, Stack


@dataclass(frozen=True, eq=False)
class Profile:
    """Profile-likelihood limits at ``level``: ``sds`` by part and "noise" (standard deviations), ``fixed`` (p, 2).

    Slopes are called ``factor[1]``, ``factor[2]`` ...; parts held at zero as confounded have no limits.
    """

    level: float
    sds: Mapping[str, tuple[float, float]]
    fixed: Array


def limits(rows: Rows, stack: Stack, held: Bools, fixed: Array, fixed_cov: Array, level: float) -> Profile:
    """All limits; see :meth:`tastefield.stats.mixed.MixedFit.profile`."""
    if any(part.full for part in stack.parts):
        why = "intercepts and slopes of a factor are correlated"
        raise FitError(Problem("no profile limits", why=why, do="Fit with covariance='diagonal'."))
    best = search(stack, Profiled(stack.n), False, held)
    centre, least = best.x[0], float(best.value[0])
    noise = float(state(stack, factors_of(stack, best.x)).r2[0] / stack.n[0])
    sigma, rise = math.sqrt(noise), float(stats.chi2.ppf(level, 1))
    free = [i for i in range(len(stack.components)) if not held[0, i]]

    def at_noise(sd: float) -> float:
        return _least(stack, NoiseFixed(stack.n, sd**2), centre, held)

    def at_component(i: int, sd: float) -> float:
        start = centre.copy()
        start[i] = sd**2 / noise
        return _least(stack, ComponentFixed(stack.n, i, sd**2), start, held, barrier=i)

    sds = {}
    for i in free:
        k, a, _ = stack.components[i]
        excess = _excess(partial(at_component, i), least, rise)
        middle = math.sqrt(centre[i] * noise)
        absent = middle == 0 or _least_without(stack, held, i) - least <= rise
        low = 0.0 if absent else _crossing(excess, middle, lambda x: x / 2)
        high = _crossing(excess, max(middle, 1e-3 * sigma), lambda x: x * 1.5)
        scale = float(stack.scales[k][0, a])
        sds[stack.parts[k].label(a)] = (low / scale, high / scale)
    excess = _excess(at_noise, least, rise)
    sds["noise"] = (_crossing(excess, sigma, lambda x: x / 1.3), _crossing(excess, sigma, lambda x: x * 1.3))
    errors = np.sqrt(np.diag(fixed_cov))
    found = [_fixed_limits(rows, held, j, fixed[j], errors[j], centre, least, rise) for j in range(stack.p)]
    return Profile(level, sds, np.array(found).reshape(-1, 2))


def _least(stack: Stack, deviance: Criterion, start: Array, held: Bools, barrier: int | None = None) -> float:
    """Least ML deviance in the variances from one start."""
    evaluate = objective(stack, deviance, reml=False)
    return float(minimise(evaluate, start[None], bounded(stack), held, barrier).value[0])


def _excess(deviance: Callable[[float], float], least: float, rise: float) -> Callable[[float], float]:
    """Root of the deviance's rise less the root of the rise looked for: nearly straight in the parameter."""
    return lambda value: math.sqrt(max(deviance(value) - least, 0.0)) - math.sqrt(rise)


def _crossing(excess: Callable[[float], float], centre: float, further: Callable[[float], float]) -> float:
    """First zero of ``excess`` when going from the optimum ``further`` and further; infinite where there is none."""
    inner, outer = centre, further(centre)
    for _ in range(60):
        if excess(outer) > 0:
            return float(optimize.brentq(excess, inner, outer, xtol=1e-6 * abs(outer - inner), rtol=1e-8))
        inner, outer = outer, further(outer)
    return math.copysign(math.inf, outer - inner)


def _least_without(stack: Stack, held: Bools, component: int) -> float:
    """Least ML deviance with one variance held at zero."""
    without = held.copy()
    without[0, component] = True
    starts = (np.where(without[0], 0.0, tau) for tau in STARTS)
    return min(_least(stack, Profiled(stack.n), start, without) for start in starts)


def _fixed_limits(
    rows: Rows, held: Bools, j: int, estimate: float, error: float, start: Array, least: float, rise: float
) -> tuple[float, float]:
    """Limits of one fixed effect: take its part off the responses and refit all else."""
    others = np.delete(rows.X, j, axis=1)
    # the effect's column as one more fixed column, then added to the responses in any amount
    both = stacks.build(replace(rows, X=np.column_stack([others, rows.X[:, j]])), full=False)
    m = both.dense + both.p + 1
    keep = np.delete(np.eye(m), both.p - 1, axis=1)
    per_unit = both.R[0, -1, -1]  # the effect's column is this much of its own direction, beside other fixed columns
    offset = both.ordinary[0, -1]

    def deviance(value: float) -> float:
        change = keep.copy()
        change[both.p - 1, -1] = (offset - value) * per_unit
        return _least(both.recombined(change), Profiled(both.n), start, held)

    # the ML estimate differs a little from a REML one: go out from where this deviance is least
    middle = optimize.minimize_scalar(deviance, (estimate - 0.1 * error, estimate + 0.1 * error)).x
    excess = _excess(deviance, least, rise)
    return _crossing(excess, float(middle), lambda v: v - error), _crossing(excess, float(middle), lambda v: v + error)

"""Whether a shot was served at all, as evidence of how it tastes.

Who pours poor shots away writes no score for them, and those that are scored make coffees and machines look better than
they are. So where some shots were scored and others not, it is asked what that hung on:

    log odds of being served = habit . (1, ratio, time, their squares, |time|, turn) + per_point score

Which shots are left unscored for the time they ran, or because they were the first ones, tells nothing about taste that
ratio and time do not. What it tells beyond them is ``per_point``: coffees, machines and recipes that scores make look
poor have more unscored shots than habit accounts for. Where that is much likelier than none, every shot adds a row: the
normal density nearest to the chance of what was done with it, as all other rows see its score (expectation propagation:
Minka 2001; Rasmussen and Williams 2006, section 3.6).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from tastefield.stats.pooled import basis, parts
from tastefield.stats.pooled.answer import Unit
from tastefield.stats.pooled.evidence import Message, evaluate
from tastefield.stats.pooled.layout import batches, laid_out
from tastefield.stats.pooled.rows import NOTHING_TOLD, Bench

Array = NDArray[np.float64]

GAIN = 6.0
"""So much likelier, as a log, must it be that being served hung on taste: by chance it is on one bench in 4,000 (half
of a chi-squared variable of one degree of freedom beyond 12; Self and Liang 1987)."""
LEAST_VAR = 1e-3
"""No score is known better than this beforehand, points squared."""
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


@dataclass(frozen=True, eq=False)
class Before:
    """The score that each shot deserves as all but its own row of being served see it: mean and variance (k,)."""

    mean: Array
    var: Array

    def nodes(self) -> Array:
        """Scores (k, nodes) about the usual one at which densities are summed, with ``WEIGHTS``."""
        return self.mean[:, None] + np.sqrt(self.var)[:, None] * NODES - parts.CENTRE[0]


@dataclass(frozen=True, eq=False)
class Served:
    """What being served hung on. :param habit: (7,) of ratio, time and turn. :param per_point: of a point of score.

    :param gain: how much likelier, as a log, than without ``per_point``.
    """

    habit: Array
    per_point: float
    gain: float

    @property
    def tells(self) -> bool:
        """Whether being served tells of taste."""
        return self.gain > GAIN


HABIT_ALONE = Served(np.zeros(7), 0.0, 0.0)


def asked(
    bench: Bench, told: Bench, theta: Array, message: Message | None, length: basis.Length
) -> tuple[Bench, Bench, Served]:
    """Both benches with what being served tells, and what it hung on.

    :param bench: as laid on tangents, :param told: as told.
    :param theta: (15,) log standard deviations and effect with which it is asked.
    """
    known = before(bench, told, theta, message, length)
    hung_on = seen(bench, known)
    return *taken(bench, told, hung_on, known), hung_on


def before(bench: Bench, told: Bench, theta: Array, message: Message | None, length: basis.Length) -> Before:
    """What is expected of the shots by all rows but their own, by leaving one out (Rasmussen and Williams 2006, 5.4.2).

    A row of being served of which nothing was made yet has a boundless error, and takes no part.
    """
    plan = laid_out(bench, length)
    found = evaluate(plan, batches(plan), theta, message, with_gradient=False)
    mean, var = np.zeros(len(bench.value)), np.zeros(len(bench.value))
    for number in range(int(plan.unit.max(initial=-1)) + 1):
        unit = Unit(plan, found, number)
        at, columns = unit.rows, unit.unit.columns
        shared = found.P[np.ix_(columns, columns)]
        own = np.diag(unit.inverse) - ((unit.seen @ shared) * unit.seen).sum(axis=1)
        mean[at] = bench.value[at] - unit.told / own
        var[at] = 1.0 / own - bench.error_var[at]
    rows = bench.served != 0
    return Before((mean + told.value - bench.value)[rows], np.maximum(var[rows], LEAST_VAR))


def seen(bench: Bench, known: Before) -> Served:
    """What being served hung on: the likeliest, with a weak prior, and whether taste is of it."""
    sign, features, scores = _sign(bench), _features(bench), known.nodes()
    sds = np.append(np.full(features.shape[1], parts.SERVED_SD["habit"]), parts.SERVED_SD["per point"])

    def down(weights: Array) -> tuple[float, Array]:
        odds = (features @ weights[:-1])[:, None] + weights[-1] * scores
        chance = special.expit(sign * odds) * WEIGHTS
        total = chance.sum(axis=1)
        slope = sign * chance * special.expit(-sign * odds) / total[:, None]
        gradient = np.append(slope.sum(axis=1) @ features, (slope * scores).sum())
        value = float(np.log(total).sum()) - 0.5 * float(((weights / sds) ** 2).sum())
        return -value, -gradient + weights / sds**2

    free = [(None, None)] * features.shape[1]
    without = optimize.minimize(down, np.zeros(len(sds)), jac=True, method="L-BFGS-B", bounds=[*free, (0.0, 0.0)])
    best = optimize.minimize(down, without.x, jac=True, method="L-BFGS-B", bounds=[*free, (0.0, None)])
    return Served(best.x[:-1], float(best.x[-1]), float(without.fun - best.fun))


def taken(bench: Bench, told: Bench, served: Served, known: Before) -> tuple[Bench, Bench]:
    """Both benches with the rows of being served as normal densities of the score."""
    scores = known.nodes()
    odds = (_features(bench) @ served.habit)[:, None] + served.per_point * scores
    chance = special.expit(_sign(bench) * odds) * WEIGHTS
    chance = chance / chance.sum(axis=1, keepdims=True)
    mean = (chance * scores).sum(axis=1, keepdims=True)
    var = (chance * (scores - mean) ** 2).sum(axis=1)
    precision = np.maximum(1.0 / var - 1.0 / known.var, 1.0 / NOTHING_TOLD)
    value = known.mean + (mean[:, 0] + parts.CENTRE[0] - known.mean) / (var * precision)
    rows = bench.served != 0
    moved, error_var = np.zeros(len(rows)), bench.error_var.copy()
    moved[rows], error_var[rows] = value - told.value[rows], 1.0 / precision
    return (
        replace(bench, value=bench.value + moved, error_var=error_var),
        replace(told, value=told.value + moved, error_var=error_var),
    )


def _sign(bench: Bench) -> Array:
    return np.asarray(bench.served[bench.served != 0][:, None], dtype=float)


def _features(bench: Bench) -> Array:
    """What habit may hang on, (k, 7); coded times, so that 0 is the usual one."""
    rows = bench.served != 0
    points = bench.points[rows]
    return np.column_stack([np.ones(len(points)), points, points**2, np.abs(points[:, 1]), bench.turn[rows]])

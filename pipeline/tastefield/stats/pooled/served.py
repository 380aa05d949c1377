"""Whether a shot was served at all, as evidence of how it tastes.

Who pours poor shots away writes no score for them, and those that are scored make coffees and machines look better than
they are. So where some shots were scored and others not, it is asked what that hung on:

    log odds of being served = habit . (1, ratio, time, their squares, |time|, turn) + setup + per_point score

Which shots are left unscored for the time they ran, because they were the first ones, or because little was scored of
a setup, tells nothing about taste that ratio and time do not. What it tells beyond them is ``per_point``: coffees,
machines and recipes that scores make look poor have more unscored shots than habit accounts for. Where that is much
likelier than none, every shot adds a row: the normal density nearest to the chance of what was done with it, as all
other rows see its score (expectation propagation: Minka 2001; Rasmussen and Williams 2006, section 3.6).
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

GAIN = 5.0
"""So much likelier, as a log, must it be that being served hung on taste: by chance it is on one bench in 1,250 (half
of a chi-squared variable of one degree of freedom beyond 10; Self and Liang 1987)."""
LEAST_VAR = 1e-3
"""No score is known better than this beforehand, points squared."""
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
WEIGHTS = WEIGHTS / WEIGHTS.sum()
OF_SETUP = np.linspace(-4.0, 4.0, 41)
"""What setups differ by in habit, in standard deviations, over which densities are summed."""
LOG_NORMAL = -0.5 * OF_SETUP**2 - np.log(np.exp(-0.5 * OF_SETUP**2).sum())
MOST_ASKED = 3000
"""Shots of which it is asked what being served hung on: more would not show it better."""
MOST_APART = 3.0
"""Largest standard deviation of what setups differ by that is tried, in log odds."""


@dataclass(frozen=True, eq=False)
class Before:
    """The score that each shot deserves as all but its own row of being served see it: mean and variance (k,)."""

    mean: Array
    var: Array


@dataclass(frozen=True, eq=False)
class Served:
    """What being served hung on.

    :param habit: (k,) log odds of each shot at the usual score, by its ratio, time, turn and setup.
    :param per_point: what a point of score adds to them.
    :param gain: how much likelier, as a log, than without ``per_point``.
    """

    habit: Array
    per_point: float
    gain: float

    @property
    def tells(self) -> bool:
        """Whether being served tells of taste."""
        return self.gain > GAIN


HABIT_ALONE = Served(np.zeros(0), 0.0, 0.0)


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
    """What being served hung on: the likeliest, with a weak prior, and whether taste is of it.

    What is unknown of a score is averaged over by the usual approximation, expit(mean / sqrt(1 + pi variance / 8))
    (MacKay 1992); what setups differ by, with a standard deviation that is found as well, by a sum. Of a large bench
    some setups tell it, and what each setup differs by is then seen of all.
    """
    every = _Shots.told(bench, known)
    shots = every.some()
    many = shots.features.shape[1]
    sds = np.append(np.full(many, parts.SERVED_SD["habit"]), parts.SERVED_SD["per point"])

    def down(weights: Array) -> tuple[float, Array]:
        value, gradient, _ = shots.log_likelihood(weights)
        value -= 0.5 * float(((weights[:-1] / sds) ** 2).sum())
        return -value, -gradient + np.append(weights[:-1] / sds**2, 0.0)

    free: list[tuple[float | None, float | None]] = [(None, None)] * many

    def likeliest(most_per_point: float | None) -> optimize.OptimizeResult:
        bounds = [*free, (0.0, most_per_point), (0.0, MOST_APART)]
        begin = np.array([*np.zeros(many), 0.0 if most_per_point == 0.0 else 1.0])
        tried = [
            optimize.minimize(down, np.append(begin, apart), jac=True, method="L-BFGS-B", bounds=bounds)
            for apart in (0.2, 1.0)
        ]
        return min(tried, key=lambda found: float(found.fun))

    without, best = likeliest(0.0), likeliest(None)
    of_setup = every.log_likelihood(best.x)[2]
    habit = every.features @ best.x[:many] + of_setup[every.of]
    return Served(habit, float(best.x[many]), max(float(without.fun - best.fun), 0.0))


def taken(bench: Bench, told: Bench, served: Served, known: Before) -> tuple[Bench, Bench]:
    """Both benches with the rows of being served as normal densities of the score."""
    rows = bench.served != 0
    scores = known.mean[:, None] + np.sqrt(known.var)[:, None] * NODES - parts.CENTRE[0]
    odds = served.habit[:, None] + served.per_point * scores
    chance = special.expit(bench.served[rows][:, None] * odds) * WEIGHTS
    chance = chance / chance.sum(axis=1, keepdims=True)
    mean = (chance * scores).sum(axis=1, keepdims=True)
    var = (chance * (scores - mean) ** 2).sum(axis=1)
    precision = np.maximum(1.0 / var - 1.0 / known.var, 1.0 / NOTHING_TOLD)
    value = known.mean + (mean[:, 0] + parts.CENTRE[0] - known.mean) / (var * precision)
    moved, error_var = np.zeros(len(rows)), bench.error_var.copy()
    moved[rows], error_var[rows] = value - told.value[rows], 1.0 / precision
    return (
        replace(bench, value=bench.value + moved, error_var=error_var),
        replace(told, value=told.value + moved, error_var=error_var),
    )


@dataclass(frozen=True, eq=False)
class _Shots:
    """Shots that were served, ``sign`` 1, or not, -1; their setups numbered from 0, those of one together.

    :param features: (k, 7) what habit may hang on; coded times, so that 0 is the usual one.
    :param score: (k,) about the usual one, with its variance ``var``.
    """

    sign: Array
    features: Array
    score: Array
    var: Array
    of: NDArray[np.int64]

    @classmethod
    def told(cls, bench: Bench, known: Before) -> _Shots:
        rows = bench.served != 0
        points = bench.points[rows]
        features = np.column_stack([np.ones(len(points)), points, points**2, np.abs(points[:, 1]), bench.turn[rows]])
        of = np.unique(bench.setup[rows], return_inverse=True)[1]
        return cls(bench.served[rows].astype(float), features, known.mean - parts.CENTRE[0], known.var, of)

    def some(self) -> _Shots:
        """Those of every n-th setup, so that they are about ``MOST_ASKED``."""
        step = -(-len(self.of) // MOST_ASKED)
        kept = self.of % max(step, 1) == 0
        of = np.unique(self.of[kept], return_inverse=True)[1]
        return _Shots(self.sign[kept], self.features[kept], self.score[kept], self.var[kept], of)

    def log_likelihood(self, weights: Array) -> tuple[float, Array, Array]:
        """Of habit, per point and how far setups lie apart, (9,); its gradient; and what each setup differs by."""
        habit, per_point, apart = weights[:-2], float(weights[-2]), float(weights[-1])
        shrunk = 1.0 / np.sqrt(1.0 + np.pi / 8.0 * per_point**2 * self.var)
        by = (self.sign * shrunk)[:, None]
        odds = (self.features @ habit + per_point * self.score)[:, None] + apart * OF_SETUP
        density = np.tile(LOG_NORMAL, (int(self.of.max(initial=-1)) + 1, 1))
        np.add.at(density, self.of, special.log_expit(by * odds))
        total = special.logsumexp(density, axis=1)
        likely = np.exp(density - total[:, None])
        slope = by * special.expit(-by * odds) * likely[self.of]
        by_odds = slope.sum(axis=1)
        by_shrinking = (slope * odds).sum(axis=1) * -(shrunk**2) * np.pi / 8.0 * per_point * self.var
        gradient = [*(by_odds @ self.features), by_odds @ self.score + by_shrinking.sum(), (slope * OF_SETUP).sum()]
        return float(total.sum()), np.array(gradient), apart * (likely @ OF_SETUP)

"""All setups of a bench as one Gaussian process over ratio and time, shared and departing part by part.

What a score is made of stands in :mod:`~tastefield.stats.pooled.parts`, how a smooth surface becomes a sum of sines in
``basis``, what is solved for together in ``layout``, the likelihood in ``evidence``, the doubt about the standard
deviations in ``search``, and what is then known of one setup in ``answer``. :func:`learn` puts them in a row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tastefield.stats.pooled import appeal, basis, felt, halo, parts, served, shift
from tastefield.stats.pooled.answer import WIDTH, Moments, Unit
from tastefield.stats.pooled.evidence import Evidence, Message, Prior, evaluate, hub_message
from tastefield.stats.pooled.felt import Felt
from tastefield.stats.pooled.halo import Halo
from tastefield.stats.pooled.layout import Layout, batches, laid_out
from tastefield.stats.pooled.rows import (
    COVARIATES,
    EXTRACTION_UNIT,
    KINDS,
    USUAL_EXTRACTION_PCT,
    Bench,
    Pulled,
    Readings,
    SetupRows,
    gathered,
)
from tastefield.stats.pooled.search import Spread, first_look, searched, spread_of
from tastefield.stats.pooled.served import Served

Array = NDArray[np.float64]

__all__ = [
    "COVARIATES",
    "EXTRACTION_UNIT",
    "KINDS",
    "USUAL_EXTRACTION_PCT",
    "Felt",
    "Known",
    "Learned",
    "Message",
    "Prior",
    "Pulled",
    "Readings",
    "SetupRows",
    "basis",
    "learn",
    "parts",
]

FEWEST_COFFEES, MOST_COFFEES = 3, 12
"""Of fewer coffees nobody knows of what kinds they come; more would not show it better."""
GRID = 13
"""Points along each side of the shots' box at which what is left out of a covariance is measured."""
TANGENTS = 2
"""How often the tangents are laid anew: a third time moves no expected score by more than a few hundredths."""
AGAIN = 2
"""How often it is asked again what being served hung on, once it tells of taste: it settles."""
LEFT_OUT = 1e-4
"""Share of the variance, summed over that grid, that a stored surface may leave out."""


@dataclass(frozen=True, eq=False)
class Known:
    """The appeal to a typical taster: coefficients of :func:`basis.expand`, in points as at a score of 6.3.

    :param mean: (WIDTH,). :param root: (WIDTH, r), whose product with its transpose is the covariance.
    :param shift: (2,) to be taken from coded points beforehand.
    """

    mean: Array
    root: Array
    shift: Array


@dataclass(frozen=True, eq=False)
class Learned:
    """What all setups teach.

    :param setups: by name. :param machines: by name, each with a coffee that nobody tasted on it.
    :param coffees: (k, WIDTH) what the coffees tasted most change, 0 on average: a new one may be like any of them. The
        covariance of a machine is about these changes, that of a setup is whole. :param moves: (k, 2) their shifts.
    :param apart: (2,) how far the bests of coffees lie apart along each factor, coded.
    :param felt: how much of what a shot's time is off at its setting its taste shows.
    :param halo: how much scores flatter a shot that ran the usual time; taken off before all else was learned.
    :param served: what it hung on whether a shot was served.
    :param spread: likely standard deviations. :param message: what the scores told of the hub.
    :param sds: (points, parts) standard deviations at the points that stand for all.
    :param support: (m, 2) coded points of the tasted shots.
    """

    setups: dict[str, Known]
    machines: dict[str, Known]
    coffees: Array
    moves: Array
    apart: Array
    felt: Felt
    halo: Halo
    served: Served
    spread: Spread
    message: Message
    sds: Array
    support: Array


def learn(
    setups: Sequence[SetupRows],
    message: Message | None = None,
    prior: Prior | None = None,
    length: basis.Length | None = None,
    apart: Array | None = None,
    time_felt: Felt = felt.PRIOR,
) -> Learned:
    """Learn from all setups at once.

    :param setups: one entry a setup, those without a tasted shot too: they are answered from what others show.
    :param message: with ``prior``, ``length``, ``apart`` and ``time_felt``, what an earlier bench told.
    """
    first = length or basis.LENGTHS[0]
    everything = replace(gathered(setups), time_felt=time_felt.mean)
    told = bench = everything.without_served()
    begin = first_look(bench, message, length)
    for _ in range(TANGENTS):
        bench = _laid_on(bench, told, begin, message, first)
    hung_on = served.HABIT_ALONE
    if (everything.served < 0).any() and len(bench.shot_points):
        _, _, hung_on = _asked(searched(everything), begin, message, first)
        if hung_on.tells:
            bench, told = _with_served(everything, begin, message, first)
    bench = _moved(bench, begin, message, first)
    time_felt = felt.seen(bench, begin, message, first, time_felt)
    bench = replace(bench, time_felt=time_felt.mean)
    flattered = halo.seen(bench, begin, message, first) if len(bench.shot_points) else Halo(0.0, 0.0)
    bench, told = halo.without(bench, flattered), halo.without(told, flattered)
    if hung_on.tells:  # asked once more, of scores without the halo; that it tells is settled
        bench, _, again = served.asked(bench, told, begin, message, first)
        hung_on = replace(again, gain=hung_on.gain)
    spread = spread_of(bench, message, prior, length, begin)
    points = spread.points()
    sums: dict[tuple[str, str], list[Array]] = {}
    plans = {tried: laid_out(bench, tried) for tried in {*(tried for tried, _ in points), spread.best.length}}
    for tried, theta in points:
        plan = plans[tried]
        found = evaluate(plan, batches(plan), theta, message, prior, with_gradient=False)
        for name, moments in _answers(plan, found):
            mean, square = sums.setdefault(name, [np.zeros(WIDTH), np.zeros((WIDTH, WIDTH))])
            mean += moments.mean / len(points)
            square += (moments.cov + np.outer(moments.mean, moments.mean)) / len(points)
    if not spread.sure:
        plan = plans[spread.best.length]
        found = evaluate(plan, batches(plan), spread.best.theta, message, prior, with_gradient=False)
    learned = hub_message(plan, found, message)
    grid = basis.expand(_grid(bench.moved_shots))
    means = {name: mean for name, (mean, _) in sums.items()}
    covs = {name: square - np.outer(mean, mean) for name, (mean, square) in sums.items()}
    coffees, moves, taken = _coffees(bench, means)
    apart = shift.spread(moves, taken) if len(coffees) or apart is None else apart
    if not len(coffees):  # of what kinds coffees come nobody knows; that their bests lie apart is known
        moves = np.sqrt(2.0) * apart * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
        coffees = np.zeros((len(moves), WIDTH))
    between = coffees.T @ coffees / len(coffees)
    moved_by = dict(zip(bench.names, bench.shift, strict=True))
    return Learned(
        setups={
            name: _stored(means[kind, name], covs[kind, name], grid, moved_by[name])
            for kind, name in sums
            if kind == "setup"
        },
        machines={
            name: _stored(means[kind, name], covs[kind, name] - between, grid, np.zeros(2))
            for kind, name in sums
            if kind == "machine"
        },
        coffees=coffees,
        moves=moves,
        apart=apart,
        felt=time_felt,
        halo=flattered,
        served=hung_on,
        spread=spread,
        message=learned,
        sds=_sds(bench, np.array([theta for _, theta in points])),
        support=bench.shot_points,
    )


def _laid_on(bench: Bench, told: Bench, theta: Array, message: Message | None, length: basis.Length) -> Bench:
    """The bench with the curve from appeal to score replaced, row by row, by its tangent at what is expected there.

    score = curve(at) + slope (appeal - at): the value is turned to score - curve(at) + slope at.

    :param bench: as last laid on tangents, whose fit says what is expected; at first as told, scores for appeals.
    :param told: as told.
    """
    if not len(bench.shot_points):
        return bench
    plan = laid_out(bench, length)
    found = evaluate(plan, batches(plan), theta, message, with_gradient=False)
    at = np.zeros(len(bench.value))
    for number in range(int(plan.unit.max(initial=-1)) + 1):
        unit = Unit(plan, found, number)
        for setup in np.unique(bench.setup[unit.rows]).tolist():
            rows = np.flatnonzero(bench.setup == setup)
            at[rows] = basis.expand(bench.moved[rows]) @ unit.expected(setup)
    if bench is told:
        at = appeal.appeal_of(np.clip(at, *appeal.ENDS))
    at = np.clip(at, *appeal.appeal_of(appeal.ENDS))
    slope = np.where(bench.read, 1.0, appeal.slope_at(at))
    turned = told.value - appeal.score_of(at) + slope * at
    return replace(bench, slope=slope, value=np.where(bench.read, told.value, turned))


def _asked(told: Bench, theta: Array, message: Message | None, length: basis.Length) -> tuple[Bench, Bench, Served]:
    """The bench on its tangents and as told, with what being served tells, and what that hung on."""
    bench = told
    for _ in range(TANGENTS):
        bench = _laid_on(bench, told, theta, message, length)
    return served.asked(bench, told, theta, message, length)


def _with_served(told: Bench, theta: Array, message: Message | None, length: basis.Length) -> tuple[Bench, Bench]:
    """The bench on its tangents and as told, once what being served hung on is seen with what it tells."""
    bench, told, _ = _asked(told, theta, message, length)
    for _ in range(AGAIN):
        bench = _laid_on(bench, told, theta, message, length)
        bench, told, _ = served.asked(bench, told, theta, message, length)
    return bench, told


def _moved(bench: Bench, theta: Array, message: Message | None, length: basis.Length) -> Bench:
    """The bench with every setup's shift."""
    if not len(bench.shot_points):
        return bench
    plan = laid_out(bench, length)
    found = evaluate(plan, batches(plan), theta, message, with_gradient=False)
    return replace(bench, shift=shift.shifts(shift.places(plan, found), bench.coffee, _taken(bench)))


def _taken(bench: Bench) -> Array:
    """Share (S,) of what is seen of its coffee's best that every setup's shift takes."""
    return shift.share(bench.coffee_shots)[bench.coffee]


def _sds(bench: Bench, thetas: Array) -> Array:
    """Standard deviations (points, parts); that of a shot with what its extraction does."""
    sds = np.exp(thetas[:, :-1])
    sds[:, parts.NAMES.index("shot")] = np.hypot(
        sds[:, parts.NAMES.index("shot")], thetas[:, -1] * np.sqrt(bench.departure_var)
    )
    return sds


def _answers(plan: Layout, found: Evidence) -> list[tuple[tuple[str, str], Moments]]:
    """Moments of every setup, and of every machine with a new coffee."""
    bench = plan.bench
    answers = []
    first = dict(zip(*(values.tolist() for values in np.unique(bench.machine, return_index=True)), strict=True))
    for number in range(int(plan.unit.max(initial=-1)) + 1):
        unit = Unit(plan, found, number)
        for setup in np.flatnonzero(plan.unit == number).tolist():
            answers.append((("setup", bench.names[setup]), unit.answer(setup)))
            if first[int(bench.machine[setup])] == setup:
                answers.append((("machine", bench.machine_names[bench.machine[setup]]), unit.answer(setup, True)))
    return answers


def _coffees(bench: Bench, means: dict[tuple[str, str], Array]) -> tuple[Array, Array, Array]:
    """What each of the coffees tasted most adds to a machine's surface, in the mean over its setups, and over all 0.

    :returns: (k, WIDTH), none where the coffees are too few; their shifts (k, 2) and the share (k,) these take.
    """
    tasted = np.bincount(bench.setup[bench.tasted], minlength=len(bench.names))
    of = [np.flatnonzero((bench.coffee == coffee) & (tasted > 0)) for coffee in range(len(bench.coffee_names))]
    most = sorted((setups for setups in of if len(setups)), key=lambda setups: -int(tasted[setups].sum()))
    if len(most) < FEWEST_COFFEES:
        return np.zeros((0, WIDTH)), np.zeros((0, 2)), np.zeros(0)
    names, machines = bench.names, bench.machine_names
    found = [
        np.mean([means["setup", names[s]] - means["machine", machines[int(bench.machine[s])]] for s in setups], axis=0)
        for setups in most[:MOST_COFFEES]
    ]
    first = [setups[0] for setups in most[:MOST_COFFEES]]
    return np.asarray(np.array(found) - np.mean(found, axis=0)), bench.shift[first], _taken(bench)[first]


def _grid(points: Array) -> Array:
    if not len(points):
        return np.zeros((1, 2))
    axes = [np.linspace(low, high, GRID) for low, high in zip(points.min(axis=0), points.max(axis=0), strict=True)]
    return np.column_stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")])


def _stored(mean: Array, cov: Array, grid: Array, moved: Array) -> Known:
    """The covariance by as few directions as carry nearly all of it over the grid."""
    values, vectors = np.linalg.eigh(0.5 * (cov + cov.T))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    squares, turn = np.linalg.eigh((grid @ root).T @ (grid @ root))
    squares, turn = np.maximum(squares[::-1], 0.0), turn[:, ::-1]
    carried = np.cumsum(squares) / max(float(squares.sum()), 1e-300)
    kept = int(np.searchsorted(carried, 1 - LEFT_OUT)) + 1
    return Known(mean, np.asarray(root @ turn[:, :kept]), moved)

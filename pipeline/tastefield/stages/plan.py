"""Plan: up to three next shots, on real steps and safe doses, that most raise what the next owner can expect."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tastefield.records import Aim, Floats, NextShot, Settings, Setup, Surface
from tastefield.tables.dial import positions_in_force, recorded, since_zero
from tastefield.tables.notation import as_written

DRAWS = 1000
MOST = 3
USUAL_RATIO, USUAL_TIME_S = 2.0, 27.0
"""Where to start on a machine nobody has tasted yet: 1:2 in 25-30 s. Common practice, no source."""
SAME = 0.03
"""Ratios or times nearer than this in logs are called the same."""
BEYOND = 0.12
"""How far past what was tried, in logs, a next shot may go: about one step of a dial."""
STRIDE = 0.25
"""Where only the bench speaks no next shot lies farther from the aim, in logs: nobody pulls 1:3 to check 1:2."""
A_LITTLE = 0.2
"""How far from the aim, in logs, the shot past the edge may lie."""
A_CHANCE = 0.2
"""The shot past the edge is asked for from this share of what other shots must be worth: what lies there is unknown."""
STEPS_AWAY = 2
"""Steps of the dial between two shots that are to show what a step does: one step drowns in the scatter."""


def plan(
    setup: Setup, surface: Surface | None, aim: Aim | None, settings: Settings | None, worth: float, seed: int
) -> tuple[NextShot, ...]:
    """Choose the next shots.

    A window is confirmed by two shots at the aim. Otherwise the aim is pulled once more; then a shot that shows what
    the dial does, where that is unknown; a shot past the edge, where the best lies on it; and, one after the other, the
    recipe of which one taste is expected to raise the best expected score most, while that is ``worth`` it.
    """
    if aim is None or surface is None or settings is None:
        return (_start(setup),)
    if aim.status == "confirmed":
        return ()
    if aim.status == "window":
        return (_at_aim(aim, settings, "Confirms the recipe."), _at_aim(aim, settings, "Confirms that it repeats."))
    repeats = aim.flat and setup.best_shot() is not None
    why = "Repeats your best shot: taste it once more." if repeats else "Taste it: checks the best guess."
    shots = [_at_aim(aim, settings, why), *_for_the_dial(setup, aim, settings)]
    return (*shots, *_explore(setup, surface, aim, worth, seed))[:MOST]


def _start(setup: Setup) -> NextShot:
    dose = setup.usual_dose()
    why = "Nothing was tasted yet: a usual starting point (common practice, no source). Taste it and write a score."
    if len(setup.scores):
        why = (
            "No tasted shot has dose, weight out and time all three, so no taste can be placed: a usual starting point "
            "(common practice, no source). Write down all three."
        )
    setting, time = _start_setting(setup, dose)
    return NextShot(
        grind_setting=setting,
        dose_g=dose,
        beverage_g=None if dose is None else dose * USUAL_RATIO,
        ratio=USUAL_RATIO,
        shot_time_s=USUAL_TIME_S,
        expected_gain=None,
        why=why if setting is None else f"{why} Of the settings known here this one is nearest: about {time:.0f} s.",
    )


def _start_setting(setup: Setup, dose_g: float | None) -> tuple[str | None, float]:
    """The setting that gives the usual time by the dial's line, or ran nearest to it; and its seconds."""
    line = setup.bench.dial
    if setup.pressurised():
        return None, np.nan
    if line is not None and len(line.settable):
        times = line.times(np.array([USUAL_RATIO]), dose_g)[:, 0]
        at = int(np.argmin(np.abs(np.log(times / USUAL_TIME_S))))
        return as_written(float(line.settable[at]), line.step, setup.bench.notation), float(times[at])
    means = recorded(setup.shots, line.higher_is if line else None)
    if means.empty:
        return None, np.nan
    label = (means - np.log(USUAL_TIME_S)).abs().idxmin()
    return str(label), float(np.exp(means[label]))


def _at_aim(aim: Aim, settings: Settings, why: str) -> NextShot:
    out = None if aim.dose_g is None else aim.dose_g * aim.ratio
    return NextShot(settings.grind_setting, aim.dose_g, out, aim.ratio, aim.shot_time_s, None, why)


def _for_the_dial(setup: Setup, aim: Aim, settings: Settings) -> Iterator[NextShot]:
    """A coarser shot away from the settings used, where numbers are written but do not show what a step does.

    Which way is coarser must be known, or a choke must lie beyond one side: nobody is sent towards a choke.
    """
    line, here = setup.bench.dial, since_zero(setup.shots)
    used = positions_in_force(setup.shots)[setup.shots["shot_time_s"].notna()].dropna().to_numpy(dtype=float)
    if settings.line is not None or not len(used) or settings.step is None or setup.pressurised():
        return
    choked = here["dial_position"][here["outcome"].astype("object") == "choked"].dropna().to_numpy(dtype=float)
    higher_is = settings.higher_is or (line.higher_is if line and line.is_clear else None)
    if higher_is is not None:
        up = higher_is == "coarser"
    elif len(choked) and (choked.max() < used.min() or choked.min() > used.max()):
        up = bool(choked.max() < used.min())
    else:
        return
    low, high = line.ends if line else setup.bench.notation.ends
    edge = used.max() if up else used.min()
    for steps in range(STEPS_AWAY, 0, -1):
        position = float(edge + (steps if up else -steps) * settings.step)
        on_dial = (low is None or position >= low) and (high is None or position <= high)
        finer = [position <= choke if up else position >= choke for choke in choked]
        if on_dial and not any(finer):
            out = None if aim.dose_g is None else aim.dose_g * aim.ratio
            why = "Shows what a step of the dial does: write down its time."
            text = as_written(position, settings.step, setup.bench.notation)
            yield NextShot(text, aim.dose_g, out, aim.ratio, None, None, why)
            return


def _explore(setup: Setup, surface: Surface, aim: Aim, worth: float, seed: int) -> Iterator[NextShot]:
    points, labels, beyond = _candidates(setup, aim)
    if not len(points) or setup.pressurised():  # a pressurised basket gives the time it gives
        return
    here = np.array([[aim.ratio, aim.shot_time_s]])
    draws = surface.draws(np.vstack([here, points]), DRAWS, seed)
    mean, cov = draws.mean(axis=0), np.cov(draws.T)
    noise = surface.shot_var + surface.noise_var
    cov = observed(cov, 0, noise)  # the shot at the aim comes first
    beyond &= (np.abs(np.log(points / here)) <= A_LITTLE).all(axis=1)
    if aim.at_edge and beyond.any():
        gain = gains(mean, cov, noise)[1:]
        index = int(np.argmax(np.where(beyond, gain, -1.0)))
        if gain[index] >= A_CHANCE * worth:
            yield _try(aim, points[index], labels[index], float(gain[index]), "Past the edge of what was tried")
            cov = observed(cov, index + 1, noise)
    for _ in range(MOST):
        gain = gains(mean, cov, noise)[1:]
        index = int(np.argmax(gain))
        if gain[index] < worth:
            return
        yield _try(aim, points[index], labels[index], float(gain[index]), "Worth a taste")
        cov = observed(cov, index + 1, noise)


def observed(cov: Floats, index: int, noise: float) -> Floats:
    """Covariance of the surface at all points once one shot at point ``index`` has been tasted."""
    return np.asarray(cov - np.outer(cov[index], cov[index]) / (cov[index, index] + noise))


def gains(mean: Floats, cov: Floats, noise: float) -> Floats:
    """What one tasted shot at each point is worth: how far it is expected to raise the best expected score.

        E[max_i (mean_i + b_i Z)] - max_i mean_i,  b_i = cov_ij / sqrt(cov_jj + noise),  Z standard normal

    Source: the value of one correlated measurement, Frazier, Powell and Dayanik 2009, INFORMS J. Computing 21:599
    (from memory); the expectation by Gauss-Hermite quadrature.

    :param mean: (n,). :param cov: (n, n). :returns: (n,), not negative.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    weights = weights / weights.sum()
    step = cov / np.sqrt(np.maximum(np.diag(cov), 0.0) + noise + 1e-12)
    best: Floats = np.array([(mean[:, None] + step * node).max(axis=0) for node in nodes])
    return np.asarray(np.maximum(weights @ best - mean.max(), 0.0))


def _try(aim: Aim, point: Floats, label: str | None, gain: float, where: str) -> NextShot:
    ratio, time = float(point[0]), float(point[1])
    changes = []
    if abs(np.log(time / aim.shot_time_s)) > SAME:
        changes.append("slower" if time > aim.shot_time_s else "faster")
    if abs(np.log(ratio / aim.ratio)) > SAME:
        changes.append("more out" if ratio > aim.ratio else "less out")
    why = f"{where}: {', '.join(changes) or 'the same once more'}; may move the recipe."
    out = None if aim.dose_g is None else aim.dose_g * ratio
    return NextShot(label, aim.dose_g, out, ratio, time, gain, why)


def _candidates(setup: Setup, aim: Aim) -> tuple[Floats, list[str | None], NDArray[np.bool_]]:
    """Recipes in or just past the support: times of real settings where the dial has a line, lattice times elsewhere.

    :returns: points (n, 2), the setting of each as written, and which lie past the support.
    """
    lattice, line = aim.lattice, setup.bench.dial
    ratios = _past(lattice.ratio)
    if line is not None and len(line.settable):
        times = line.times(ratios, aim.dose_g)
        notation = setup.bench.notation
        texts: list[str | None] = [as_written(float(position), line.step, notation) for position in line.settable]
    else:
        times = np.repeat(_past(lattice.shot_time_s)[:, None], len(ratios), axis=1)
        texts = [None] * len(times)
    points = np.column_stack([np.broadcast_to(ratios, times.shape).ravel(), times.ravel()])
    labels = [text for text in texts for _ in ratios]
    supported = np.column_stack(
        [axis.ravel() for axis in np.meshgrid(lattice.ratio, lattice.shot_time_s, indexing="ij")]
    )
    supported = supported[lattice.supported.ravel()]
    if not len(supported):
        return points[:0], [], np.zeros(0, dtype=bool)
    away, _ = cKDTree(np.log(supported)).query(np.log(points))
    mesh = float(np.hypot(np.diff(np.log(lattice.ratio)).max(), np.diff(np.log(lattice.shot_time_s)).max()))
    strides = np.abs(np.log(points / [aim.ratio, aim.shot_time_s])).max(axis=1)
    own = setup.shots[["ratio", "shot_time_s"]].dropna().to_numpy(dtype=float)
    if len(own):
        strides = np.where(cKDTree(np.log(own)).query(np.log(points))[0] <= BEYOND, 0.0, strides)
    near: NDArray[np.bool_] = np.asarray((away <= BEYOND) & (strides <= STRIDE))
    return points[near], [labels[i] for i in np.flatnonzero(near)], np.asarray(away > mesh)[near]


def _past(axis: Floats) -> Floats:
    """Every fourth line of an axis, and on past both ends as far as a next shot may go."""
    logs = np.log(axis[::4])
    step = logs[1] - logs[0]
    more = step * np.arange(1, int(np.ceil(BEYOND / step)) + 1)
    return np.asarray(np.exp(np.concatenate([logs[0] - more[::-1], logs, logs[-1] + more])))

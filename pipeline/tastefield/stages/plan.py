"""Plan: up to three next shots, on real steps and safe doses, that most raise what the next owner can expect."""

from __future__ import annotations

import numpy as np

from tastefield.records import Aim, Floats, NextShot, Settings, Setup, Surface
from tastefield.tables.dial import as_written, choke_position, since_zero

DRAWS = 1000
MOST = 3
USUAL_RATIO, USUAL_TIME_S = 2.0, 27.0
"""Where to start on a machine nobody has tasted yet: 1:2 in 25-30 s. Common practice, no source."""
SAME = 0.03
"""Ratios or times nearer than this in logs are called the same."""


def plan(
    setup: Setup, surface: Surface | None, aim: Aim | None, settings: Settings | None, worth: float, seed: int
) -> tuple[NextShot, ...]:
    """Choose the next shots.

    A window is confirmed by two shots at the aim. Otherwise the aim is pulled once more, then, one after the other, the
    supported recipe of which one taste is expected to raise the best expected score most, while that is ``worth`` it.
    """
    if aim is None or surface is None or settings is None:
        return (_start(setup),)
    if aim.status == "confirmed":
        return ()
    if aim.status == "window":
        return (_at_aim(aim, settings, "Confirms the recipe."), _at_aim(aim, settings, "Confirms that it repeats."))
    why = "Repeats your best shot: taste it once more." if aim.flat else "Taste it: checks the best guess."
    return (_at_aim(aim, settings, why), *_explore(setup, surface, aim, settings, worth, seed))[:MOST]


def _start(setup: Setup) -> NextShot:
    dose = setup.usual_dose()
    return NextShot(
        grind_setting=None,
        dose_g=dose,
        beverage_g=None if dose is None else dose * USUAL_RATIO,
        ratio=USUAL_RATIO,
        shot_time_s=USUAL_TIME_S,
        expected_gain=None,
        why="Nothing was tasted yet: a usual starting point (common practice, no source). Taste it and write a score.",
    )


def _at_aim(aim: Aim, settings: Settings, why: str) -> NextShot:
    out = None if aim.dose_g is None else aim.dose_g * aim.ratio
    return NextShot(settings.grind_setting, aim.dose_g, out, aim.ratio, aim.shot_time_s, None, why)


def _explore(
    setup: Setup, surface: Surface, aim: Aim, settings: Settings, worth: float, seed: int
) -> tuple[NextShot, ...]:
    points, labels = _candidates(setup, aim, settings)
    if not len(points):
        return ()
    here = np.array([[aim.ratio, aim.shot_time_s]])
    draws = surface.draws(np.vstack([here, points]), DRAWS, seed)
    mean, cov = draws.mean(axis=0), np.cov(draws.T)
    noise = surface.shot_var + surface.noise_var
    cov = observed(cov, 0, noise)  # the shot at the aim comes first
    chosen: list[NextShot] = []
    while len(chosen) < MOST - 1:
        gain = gains(mean, cov, noise)[1:]
        index = int(np.argmax(gain))
        if gain[index] < worth:
            break
        chosen.append(_try(aim, points[index], labels[index], float(gain[index])))
        cov = observed(cov, index + 1, noise)
    return tuple(chosen)


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


def _try(aim: Aim, point: Floats, label: str | None, gain: float) -> NextShot:
    ratio, time = float(point[0]), float(point[1])
    changes = []
    if abs(np.log(time / aim.shot_time_s)) > SAME:
        changes.append("longer" if time > aim.shot_time_s else "shorter")
    if abs(np.log(ratio / aim.ratio)) > SAME:
        changes.append("with more out" if ratio > aim.ratio else "with less out")
    why = f"A shot {' and '.join(changes) or 'like it'}: what it tells may move the recipe."
    out = None if aim.dose_g is None else aim.dose_g * ratio
    return NextShot(label, aim.dose_g, out, ratio, time, gain, why)


def _candidates(setup: Setup, aim: Aim, settings: Settings) -> tuple[Floats, list[str | None]]:
    """Supported recipes: times of the dial's real steps where it has a line, lattice times elsewhere."""
    lattice = aim.lattice
    ratios = lattice.ratio[::4]
    if settings.line is None or settings.step is None or settings.higher_is is None:
        times = lattice.shot_time_s[::4]
        texts: list[str | None] = [None] * len(times)
    else:
        tried = setup.shots["dial_position"].dropna().to_numpy(dtype=float)
        steps = np.arange(tried.min() - settings.step, tried.max() + 1.5 * settings.step, settings.step)
        here = since_zero(setup.shots)
        choke = choke_position(here["outcome"], here["dial_position"], settings.higher_is)
        if choke is not None:
            steps = steps[steps < choke - 1e-9] if settings.higher_is == "finer" else steps[steps > choke + 1e-9]
        times = np.exp(settings.line[0] + settings.line[1] * steps)
        texts = [as_written(float(position), settings.step) for position in steps]
    points = np.array([(ratio, time) for time in times for ratio in ratios]).reshape(-1, 2)
    labels = [text for text in texts for _ in ratios]
    inside = _supported(lattice.supported, lattice.ratio, lattice.shot_time_s, points)
    return points[inside], [label for label, keep in zip(labels, inside, strict=True) if keep]


def _supported(supported: np.ndarray, ratio: Floats, time: Floats, points: Floats) -> np.ndarray:
    """Whether the nearest lattice point of each point is supported; points off the lattice are not."""
    on = (
        (points[:, 0] >= ratio[0])
        & (points[:, 0] <= ratio[-1])
        & (points[:, 1] >= time[0])
        & (points[:, 1] <= time[-1])
    )
    row = np.abs(np.log(ratio)[None, :] - np.log(points[:, [0]])).argmin(axis=1)
    col = np.abs(np.log(time)[None, :] - np.log(points[:, [1]])).argmin(axis=1)
    return np.asarray(on & supported[row, col])

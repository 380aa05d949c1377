"""Window: from a surface to the recipe to aim for, the chance of a good shot there, and how far it may drift."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy import stats as distributions

from tastefield.records import Aim, Floats, Lattice, Setup, Surface
from tastefield.words.findings import Finding, finding

LATTICE = 41
"""Grid lines on each axis: over a usual spread of shots one step is about 1 % of ratio and 2 % of time."""
LEVEL = 0.9
MARGIN = 0.08
"""How far the lattice reaches beyond the shots, in log units."""
FEWEST_TASTED = 3
"""Below this many tasted shots no window is claimed, whatever the chance: one lucky taste must not promise one."""
AGREES_WITHIN = 0.12
"""A confirm shot counts as pulled at the aim when log ratio and log time both lie this near (about 12 %)."""


def window(setup: Setup, surface: Surface, asked: float) -> Aim:
    """Find the aim, its assurance and its window.

    The chance at a point averages over the machine's scatter about it: for each of 25 quadrature points of the scatter,
    the chance that surface + shot effect reaches good, as a t probability with the surface's degrees of freedom.

    :param asked: the assurance asked for, between 0.5 and 1.
    """
    ratio, time = axes(setup)
    points = np.column_stack([axis.ravel() for axis in np.meshgrid(ratio, time, indexing="ij")])
    supported = surface.speaks_for(points)
    mean, chance = reach(surface, points, setup, (surface.shot_var,))
    if not supported.any():
        supported = _nearest(points, _tasted(setup))
    flat, best = _best(points, mean, supported, setup)
    findings: list[Finding] = []
    if chance[best] < asked and (supported & (chance >= asked)).any():
        assured = np.where(supported & (chance >= asked), mean, -np.inf)
        moved = int(np.argmax(assured))
        findings.append(finding("aim_moved_for_chance", given_up=f"{mean[best] - mean[moved]:.1f}"))
        best = moved
    shape = (len(ratio), len(time))
    good: NDArray[np.bool_] = (supported & (chance >= asked)).reshape(shape)
    cell = cast("tuple[int, int]", tuple(int(i) for i in np.unravel_index(best, shape)))
    overdosed = setup.overdosed()
    if overdosed:
        findings.append(finding("dose_over_basket", most=f"{setup.most_dose():.1f}"))
    enough = len(_tasted(setup)) >= FEWEST_TASTED and not overdosed
    box = largest_box(good, cell, np.log(ratio), np.log(time)) if good[cell] and enough else None
    limits = (
        None
        if box is None
        else (
            (float(ratio[box[0]]), float(ratio[box[1]])),
            (float(time[box[2]]), float(time[box[3]])),
        )
    )
    expected = _interval(surface, points[[best]], float(mean[best]), setup.taste.scale)
    at_edge = bool(not flat and _on_edge(supported.reshape(shape), cell))
    if at_edge:
        findings.append(finding("best_at_edge"))
    _, *ends = reach(surface, points[[best]], setup, surface.shot_var_range)
    low, high = sorted(float(end[0]) for end in ends)
    lattice = Lattice(
        ratio=ratio,
        shot_time_s=time,
        mean=_clip(surface.mean(points), setup.taste.scale).reshape(shape),
        sd=surface.sd(points).reshape(shape),
        chance=chance.reshape(shape),
        supported=supported.reshape(shape),
        extraction_pct=_extraction(setup, points, shape),
    )
    at = setup.best_shot() if flat else None
    aim = Aim(
        ratio=float(points[best, 0] if at is None else at["ratio"]),
        shot_time_s=float(points[best, 1] if at is None else at["shot_time_s"]),
        dose_g=setup.usual_dose(),
        at_edge=at_edge,
        assurance=float(chance[best]),
        assurance_range=(low, high),
        expected=expected,
        level=LEVEL,
        window=limits,
        status="",
        flat=flat,
        lattice=lattice,
    )
    status, notes = _status(setup, aim)
    return replace(aim, status=status, findings=(*findings, *notes))


def axes(setup: Setup) -> tuple[Floats, Floats]:
    """Grid lines of ratio and time, even in logs, a little beyond the shots; chokes and gushes do not stretch them."""
    shots = setup.shots
    flowed = shots["outcome"].astype("object").fillna("ok").isin(["ok", "stopped"])
    shots = shots[flowed | shots["shot_id"].isin(set(setup.scores["shot_id"]))]
    result = []
    for name in ("ratio", "shot_time_s"):
        values = np.log(shots[name].dropna().to_numpy(dtype=float))
        result.append(np.exp(np.linspace(values.min() - MARGIN, values.max() + MARGIN, LATTICE)))
    return result[0], result[1]


def quadrature(cov: Floats) -> tuple[Floats, Floats]:
    """Nodes (25, 2) and weights (25,) of a 5 x 5 Gauss-Hermite rule for a bivariate normal of this covariance."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(5)
    root = np.linalg.cholesky(cov)
    grid = np.array([(a, b) for a in nodes for b in nodes])
    joint = np.array([u * v for u in weights for v in weights])
    return grid @ root.T, joint / joint.sum()


def reach(surface: Surface, points: Floats, setup: Setup, shot_vars: tuple[float, ...]) -> list[Floats]:
    """Expected score of a shot aimed at each point, then its chance to deserve good for each shot variance.

    :param points: (n, 2) ratio and shot time.
    :returns: arrays of shape (n,): the mean, then one chance for each of ``shot_vars``.
    """
    nodes, weights = quadrature(setup.bench.scatter.cov)
    mean = np.zeros(len(points))
    chances = [np.zeros(len(points)) for _ in shot_vars]
    for node, weight in zip(nodes, weights, strict=True):
        landed = points * np.exp(node)
        m, sd = surface.mean(landed), surface.sd(landed)
        mean += weight * _clip(m, setup.taste.scale)
        for chance, shot_var in zip(chances, shot_vars, strict=True):
            with np.errstate(divide="ignore"):
                z = (m - setup.taste.good) / np.sqrt(sd**2 + shot_var)
            chance += weight * special.stdtr(surface.draw_df, z)
    return [mean, *chances]


def largest_box(good: NDArray[np.bool_], cell: tuple[int, int], x: Floats, y: Floats) -> tuple[int, int, int, int]:
    """Largest rectangle of lattice points that are all good and hold ``cell``; area is measured in coded units.

    :returns: first and last index of x, first and last index of y.
    """
    row, col = cell
    step_x, step_y = float(np.mean(np.diff(x))), float(np.mean(np.diff(y)))
    best, best_area = (row, row, col, col), 0.0
    for top in range(row, -1, -1):
        if not good[top, col]:
            break
        for bottom in range(row, good.shape[0]):
            if not good[bottom, col]:
                break
            line = np.asarray(good[top : bottom + 1].all(axis=0))
            bad = np.flatnonzero(~line)
            left = int(bad[bad < col].max(initial=-1)) + 1
            right = int(bad[bad > col].min(initial=good.shape[1])) - 1
            # half a step belongs to every point, so that a box one point wide still has an area
            area = (bottom - top + 1) * step_x * (right - left + 1) * step_y
            if area > best_area * (1 + 1e-12):
                best, best_area = (top, bottom, left, right), area
    return best


def _clip(mean: Floats, scale: tuple[float, float]) -> Floats:
    return np.clip(mean, scale[0], scale[1])


def _tasted(setup: Setup) -> Floats:
    shots = setup.shots[setup.shots["shot_id"].isin(set(setup.scores["shot_id"]))]
    return shots[["ratio", "shot_time_s"]].dropna().to_numpy(dtype=float)


def _nearest(points: Floats, shots: Floats) -> NDArray[np.bool_]:
    """The lattice points nearest to real shots, where the support is smaller than the lattice's mesh."""
    mask = np.zeros(len(points), dtype=bool)
    for shot in shots:
        mask[np.argmin(((np.log(points) - np.log(shot)) ** 2).sum(axis=1))] = True
    return mask


def _best(points: Floats, mean: Floats, supported: NDArray[np.bool_], setup: Setup) -> tuple[bool, int]:
    """Index of the highest supported mean; where the surface is flat, the point nearest to the best real shot."""
    inside = np.where(supported, mean, -np.inf)
    top = inside.max()
    shot = setup.best_shot()
    known = shot is not None and np.isfinite([shot["ratio"], shot["shot_time_s"]]).all()
    flat = bool(known and top - mean[supported].min() < 1e-6)
    if flat and shot is not None:
        goal = np.log([shot["ratio"], shot["shot_time_s"]])
        distance = ((np.log(points) - goal) ** 2).sum(axis=1)
        return True, int(np.argmin(np.where(supported, distance, np.inf)))
    return flat, int(np.argmax(inside))


def _interval(surface: Surface, point: Floats, mean: float, scale: tuple[float, float]) -> tuple[float, float, float]:
    half = float(distributions.t.ppf(0.5 + LEVEL / 2, surface.draw_df) * surface.sd(point)[0])
    centre = float(surface.mean(point)[0])
    low, high = (min(max(value, scale[0]), scale[1]) for value in (centre - half, centre + half))
    return min(max(mean, low), high), low, high


def _on_edge(supported: NDArray[np.bool_], cell: tuple[int, int]) -> bool:
    """Whether a neighbour of the aim is unsupported: the best may lie beyond what was tried."""
    row, col = cell
    near = supported[max(row - 1, 0) : row + 2, max(col - 1, 0) : col + 2]
    return near.size < 9 or not near.all()


def _extraction(setup: Setup, points: Floats, shape: tuple[int, int]) -> Floats | None:
    line = setup.bench.extraction
    if line is None:
        return None
    design = np.column_stack([np.ones(len(points)), np.log(points[:, 0] / 2.0), np.log(points[:, 1] / 27.0)])
    return np.asarray(np.exp(design @ line.coefficients).reshape(shape), dtype=float)


def _status(setup: Setup, aim: Aim) -> tuple[str, list[Finding]]:
    low, high = setup.taste.scale
    _, lower, upper = aim.expected
    tasted = len(_tasted(setup))
    few = [finding("few_tasted", tasted=tasted)] if tasted < FEWEST_TASTED else []
    if upper - lower > (high - low) / 2:
        return "insufficient", [finding("expected_score_too_wide", lower=f"{lower:.1f}", upper=f"{upper:.1f}")]
    if aim.window is None:
        return "tentative", few
    shots = setup.shots[setup.shots["stage"].astype("object") == "confirm"]
    near = np.abs(np.log(shots[["ratio", "shot_time_s"]].to_numpy(dtype=float) / [aim.ratio, aim.shot_time_s]))
    confirm = shots[(near <= AGREES_WITHIN).all(axis=1)]
    scores = setup.scores[setup.scores["shot_id"].isin(set(confirm["shot_id"]))].groupby("shot_id")["score"].mean()
    if len(scores) < 2:
        return "window", []
    if scores.mean() >= setup.taste.good:
        return "confirmed", []
    return "window", [finding("confirm_shots_disagree", got=f"{scores.mean():.1f}", good=f"{setup.taste.good:g}")]

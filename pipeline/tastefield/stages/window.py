"""Window: from a surface to the recipe to aim for, the chance of a good shot there, and how far it may drift."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tastefield.records import Aim, Floats, Lattice, Setup, Surface, Taste
from tastefield.stats import hull
from tastefield.stats.scatter import landings
from tastefield.tables.confirming import (
    AGREES_WITHIN,
    MOST_TO_CONFIRM,
    TO_CONFIRM,
    at_recipe,
    decided,
    last_confirming,
    poor_pulls,
    recipe_of,
)
from tastefield.tables.dial import positions_in_force, recorded
from tastefield.tables.outcome import ran
from tastefield.words.findings import Finding, finding

LATTICE = 41
"""Grid lines on each axis: over a usual spread of shots one step is about 1 % of ratio and 2 % of time."""
LEVEL = 0.9
MARGIN = 0.08
"""How far the lattice reaches beyond the shots, in log units."""
ROOM_WORTH = 0.1
"""Points of expected score, on a scale from 1 to 9, that room for the scatter on all sides is worth."""
GIVEN_UP = 0.05
"""Points of expected score, on a scale from 1 to 9, that are told when they are given up for the chance asked for."""
FARTHER = 0.4
"""How far beyond the setup's own shots, in logs, the lattice reaches where the surface speaks there."""
FEWEST_TASTED = 3
"""Below this many tasted shots no window is claimed, whatever the chance: one lucky taste must not promise one."""
SAME_TIME = 0.10
"""A recorded setting whose shots ran within this of the wanted log time is repeated as written."""
SAME_RECIPE = 0.06
"""Recipes whose log ratios and log times differ by at most this are called the same: the scatter of one machine."""
NEAR_OWN = 0.07
"""A recipe within this, in logs, of the hull of the setup's own tasted shots rests on them: a usual scatter of time."""
SAME_DOSE_G = 0.75
"""A shot to confirm whose dose is farther off was not pulled at the recipe. Common practice, no source."""
UNLUCKY = 1.645
"""Confirm shots that miss what was expected of them by more standard errors than this are no bad luck: 1 in 20."""


def window(setup: Setup, surface: Surface, asked: float, tasted: int | None = None, surest: bool = False) -> Aim:
    """Find the aim, its assurance and its window.

    The chance at a point averages over the machine's scatter about it: for each of 25 quadrature points of the scatter,
    the chance that surface + shot effect reaches good, as a t probability with the surface's degrees of freedom.
    The aim is a recipe that can be set: where a dial line is trusted its time is that of a real step of the dial.

    :param asked: the assurance asked for, between 0.5 and 1.
    :param tasted: tasted shots that speak for a window, where they are not those of the setup alone.
    :param surest: aim where the chance is highest, not the expected score: of a coffee that may be of one kind or of
        another, what lies between the best of each may suit none.
    """
    tasted = len(setup.tasted_points) if tasted is None else tasted
    ratio, time = axes(setup, surface)
    shape = (len(ratio), len(time))
    points = np.column_stack([axis.ravel() for axis in np.meshgrid(ratio, time, indexing="ij")])
    supported = surface.speaks_for(points)
    mean, chance = reach(surface, points, setup, (surface.shot_var,))
    if not supported.any():
        supported = _nearest(points, setup.tasted_points) if len(setup.tasted_points) else ~supported
    findings: list[Finding] = []
    wanted = chance if surest else mean
    free = int(np.argmax(np.where(supported, wanted, -np.inf)))
    options, positions = _settable(setup, surface, ratio, time, float(points[free, 1]))
    longest = np.inf if positions is not None else _longest(setup, time)
    safe = points[:, 1] <= longest
    inside = supported & safe if (supported & safe).any() else safe
    if not safe[free]:
        findings.append(finding("held_short_of_choke", longest=f"{longest:.0f}"))
        free = int(np.argmax(np.where(inside, wanted, -np.inf)))
    options = options[options[:, 1] <= longest]
    if len(options):
        gain, sure = reach(surface, options, setup, (surface.shot_var,))
    else:
        options, gain, sure = points[inside], mean[inside], chance[inside]
    value = sure if surest else gain
    assured = (sure >= asked) & within(surface, options, setup.bench.scatter.cov)
    worse = _tasted_worse(options, positions, setup, surface)
    allowed = ~worse if (~worse).any() else np.ones(len(options), dtype=bool)
    disputed, again = _disputed(setup, surface)
    findings += again
    if disputed is not None and (kept := _as_disputed(options, positions, disputed)).any():
        allowed = kept
    good: NDArray[np.bool_] = (supported & (chance >= asked)).reshape(shape)
    assured &= allowed
    roomy = assured & roominess(good, options, ratio, time, setup.bench.scatter.cov)
    if roomy.any() and value[roomy].max() >= value[assured].max() - ROOM_WORTH * setup.taste.unit:
        assured = roomy
    best = _best(options, positions, np.where(allowed, value, -np.inf), assured, setup)
    if (given_up := float(gain[allowed].max() - gain[best])) >= GIVEN_UP * setup.taste.unit:
        findings.append(finding("aim_moved_for_chance", given_up=f"{given_up:.1f}"))
    aimed = options[[best]]
    overdosed = setup.overdosed()
    if overdosed:
        findings.append(finding("dose_over_basket", most=f"{setup.most_dose():.1f}"))
    limits = None
    if tasted >= FEWEST_TASTED and not overdosed and sure[best] >= asked:
        limits = limits_about(good, aimed[0], ratio, time, setup.bench.scatter.cov)
        if limits is None:
            findings.append(finding("window_too_narrow"))
        else:
            limits = limits[0], (limits[1][0], min(limits[1][1], max(longest, float(aimed[0, 1]))))
    # what is not safe is no edge to look beyond
    at_edge = bool(supported[free]) and _on_edge((supported | ~safe).reshape(shape), divmod(free, len(time)))
    if at_edge:
        findings.append(finding("best_at_edge"))
    _, *ends = reach(surface, aimed, setup, surface.shot_var_range)
    low, high = sorted(float(end[0]) for end in ends)
    lower, upper = (_clip(limit, setup.taste.scale) for limit in surface.interval(points, LEVEL))
    lattice = Lattice(
        ratio=ratio,
        shot_time_s=time,
        mean=_clip(surface.mean(points), setup.taste.scale).reshape(shape),
        sd=surface.sd(points).reshape(shape),
        chance=chance.reshape(shape),
        supported=supported.reshape(shape),
        extraction_pct=_extraction(setup, points, shape),
        own=(_own(points, setup) & supported).reshape(shape),
        expected=np.clip(mean, lower, upper).reshape(shape),
        lower=lower.reshape(shape),
        upper=upper.reshape(shape),
    )
    aim = Aim(
        ratio=float(aimed[0, 0]),
        shot_time_s=float(aimed[0, 1]),
        dose_g=setup.usual_dose(),
        at_edge=at_edge,
        assurance=float(sure[best]),
        assurance_range=(low, high),
        expected=_interval(surface, aimed, float(gain[best]), setup.taste.scale),
        level=LEVEL,
        window=limits,
        status="",
        flat=bool(np.ptp(mean[supported]) <= _tie(setup.taste)),
        lattice=lattice,
        position=None if positions is None else float(positions[best]),
        wanted_time_s=float(points[free, 1]),
        support="setup" if _own(aimed, setup)[0] else "bench",
    )
    status, notes, to_confirm = _status(setup, surface, aim, tasted)
    notes = [note for note in notes if note.code not in {told.code for told in findings}]
    if setup.mixed_doses():
        notes = [*notes, finding("doses_of_two_kinds", dose=f"{setup.usual_dose():.1f}")]
    held = aim.window if status in ("window", "confirmed") else None
    return replace(aim, status=status, window=held, findings=(*findings, *notes), to_confirm=to_confirm)


def within(surface: Surface, points: Floats, cov: Floats) -> NDArray[np.bool_]:
    """Points (n, 2) from which shots one standard deviation of the scatter off still land where the data speak."""
    ratio_sd, time_sd = np.sqrt(np.diag(cov))
    moves = [(0.0, 0.0), (ratio_sd, 0.0), (-ratio_sd, 0.0), (0.0, time_sd), (0.0, -time_sd)]
    return np.asarray(np.all([surface.speaks_for(points * np.exp(move)) for move in moves], axis=0))


def _settable(setup: Setup, surface: Surface, ratio: Floats, time: Floats, wanted_s: float) -> tuple[Floats, Any]:
    """Recipes (n, 2) whose time a real setting gives, and the dial position of each; ``None`` without a line.

    Without a trusted line: the recipes at the times of recorded settings, where one of them ran near the wanted time.
    """
    line = setup.bench.dial
    positions: Floats | None = None
    if setup.pressurised():
        return np.empty((0, 2)), None
    if line is not None and len(line.settable):
        times, positions = line.times(ratio, setup.usual_dose()), line.settable
    else:
        means = recorded(setup.shots, line.higher_is if line else None)
        if means.empty or (means - np.log(wanted_s)).abs().min() > SAME_TIME:
            return np.empty((0, 2)), None
        times = np.repeat(np.exp(means.to_numpy(dtype=float))[:, None], len(ratio), axis=1)
    points = np.column_stack([np.broadcast_to(ratio, times.shape).ravel(), times.ravel()])
    on = (points[:, 1] >= time[0]) & (points[:, 1] <= time[-1])
    if not on.any():
        return np.empty((0, 2)), None
    chosen = np.flatnonzero(on)[surface.speaks_for(points[on])]
    if not len(chosen):
        return np.empty((0, 2)), None
    return points[chosen], None if positions is None else positions[chosen // len(ratio)]


def _longest(setup: Setup, time: Floats) -> float:
    """The longest time that may be aimed for where no setting gives it; infinite where nothing bounds it.

    Where something choked and nothing else ran, whoever grinds until the time is right comes from the coarse side.
    """
    longest = setup.longest_time()
    return longest if longest >= time[0] else np.inf


def axes(setup: Setup, surface: Surface) -> tuple[Floats, Floats]:
    """Grid lines of ratio and time, even in logs, a little beyond the shots; chokes and gushes do not stretch them.

    Where the surface speaks beyond the setup's own shots, so far as one or two changes of the grinder reach; where
    nothing of the setup was tasted, as far as it speaks: the time its shots ran says nothing of how they should.
    """
    shots = setup.shots[["shot_id", "outcome", "ratio", "shot_time_s"]]
    shots = shots[ran(shots) | shots["shot_id"].isin(set(setup.scores["shot_id"]))]
    farther = FARTHER if len(setup.tasted_points) else np.inf
    result = []
    for name, limits in zip(("ratio", "shot_time_s"), surface.region or (None, None), strict=True):
        values = np.log(shots[name].dropna().to_numpy(dtype=float))
        far = np.log(limits) if limits else values
        low, high = far.min(), far.max()
        if len(values):
            low = min(max(low, values.min() - farther), values.min())
            high = max(min(high, values.max() + farther), values.max())
        result.append(np.exp(np.linspace(low - MARGIN, high + MARGIN, LATTICE)))
    return result[0], result[1]


def reach(surface: Surface, points: Floats, setup: Setup, shot_vars: tuple[float, ...]) -> list[Floats]:
    """Expected score of a shot aimed at each point, then its chance to deserve good for each shot variance.

    :param points: (n, 2) ratio and shot time.
    :returns: arrays of shape (n,): the mean, then one chance for each of ``shot_vars``.
    """
    nodes, weights = landings(setup.bench.scatter.cov, surface.time_felt)
    mean = np.zeros(len(points))
    chances = [np.zeros(len(points)) for _ in shot_vars]
    for node, weight in zip(nodes, weights, strict=True):
        landed, found = surface.outlook(points * np.exp(node), setup.taste.good, shot_vars)
        mean += weight * _clip(landed, setup.taste.scale)
        for chance, here in zip(chances, found, strict=True):
            chance += weight * here
    return [mean, *chances]


def largest_box(
    good: NDArray[np.bool_], core: tuple[int, int, int, int], x: Floats, y: Floats
) -> tuple[int, int, int, int]:
    """Largest rectangle of lattice points that are all good and hold ``core``; area is measured in coded units.

    :param core: first and last index of x, first and last index of y that the rectangle must hold, all good.
    :returns: first and last index of x, first and last index of y.
    """
    upper, lower, first, last = core
    step_x, step_y = float(np.mean(np.diff(x))), float(np.mean(np.diff(y)))
    best, best_area = core, 0.0
    for top in range(upper, -1, -1):
        if not good[top, first : last + 1].all():
            break
        for bottom in range(lower, good.shape[0]):
            if not good[bottom, first : last + 1].all():
                break
            line = np.asarray(good[top : bottom + 1].all(axis=0))
            bad = np.flatnonzero(~line)
            left = int(bad[bad < first].max(initial=-1)) + 1
            right = int(bad[bad > last].min(initial=good.shape[1])) - 1
            # half a step belongs to every point, so that a box one point wide still has an area
            area = (bottom - top + 1) * step_x * (right - left + 1) * step_y
            if area > best_area * (1 + 1e-12):
                best, best_area = (top, bottom, left, right), area
    return best


def _clip(mean: Floats, scale: tuple[float, float]) -> Floats:
    return np.clip(mean, scale[0], scale[1])


def _own(points: Floats, setup: Setup) -> NDArray[np.bool_]:
    """Which points (n, 2) lie among the setup's own tasted shots or about as near to them as shots scatter."""
    if not len(setup.tasted_points):
        return np.zeros(len(points), dtype=bool)
    return hull.Support.around(np.log(setup.tasted_points), NEAR_OWN).contains(np.log(points))


def _nearest(points: Floats, shots: Floats) -> NDArray[np.bool_]:
    """The lattice points nearest to real shots, where the support is smaller than the lattice's mesh."""
    mask = np.zeros(len(points), dtype=bool)
    for shot in shots:
        mask[np.argmin(((np.log(points) - np.log(shot)) ** 2).sum(axis=1))] = True
    return mask


def _tie(taste: Taste) -> float:
    """Recipes whose expected scores differ by less are told apart by nobody: 0.03 of a point on a scale from 1 to 9."""
    return 0.03 * taste.unit


def _best(points: Floats, positions: Floats | None, mean: Floats, assured: NDArray[np.bool_], setup: Setup) -> int:
    """The highest expected score, among those assured if any are.

    Where the best real shot was pulled at a recipe that nobody can tell from that one, it is repeated, at its own dial
    setting where that may be set: what is known to have tasted good goes before what should.
    """
    pool = assured if assured.any() else np.isfinite(mean)
    top = int(np.argmax(np.where(pool, mean, -np.inf)))
    shot = setup.best_shot()
    if shot is None or not np.isfinite([shot["ratio"], shot["shot_time_s"]]).all():
        return top
    away = np.abs(np.log(points) - np.log([shot["ratio"], shot["shot_time_s"]])).max(axis=1)
    if positions is not None:
        own = positions_in_force(setup.shots)[setup.shots["shot_id"] == shot["shot_id"]].iloc[0]
        away = np.where((positions == own) & (away <= SAME_TIME), 0.1 * away, away)
    nearest = int(np.argmin(away))
    repeats = away[nearest] <= SAME_RECIPE and pool[nearest] and mean[nearest] >= mean[top] - _tie(setup.taste)
    return nearest if repeats else top


def _tasted_worse(points: Floats, positions: Floats | None, setup: Setup, surface: Surface) -> NDArray[np.bool_]:
    """Recipes (n,) at which real shots tasted worse than about the best one by more than luck: one standard error.

    Shots count for a recipe when they were pulled at its setting (its time, without a line) and about its ratio.
    """
    mean = setup.scores.groupby("shot_id")["score"].mean()
    shots = setup.shots[["shot_id", "stage", "grinder_zero", "dial_position", "ratio", "shot_time_s"]]
    shots = shots.assign(score=shots["shot_id"].map(mean).astype(float))
    if positions is not None:
        shots["dial_position"] = positions_in_force(shots)
    shots = shots[shots[["score", "ratio", "shot_time_s"]].notna().all(axis=1)]
    best = setup.best_shot()
    if best is None or not np.isfinite([best["ratio"], best["shot_time_s"]]).all():
        return np.zeros(len(points), dtype=bool)
    logs, score = np.log(shots[["ratio", "shot_time_s"]].to_numpy(dtype=float)), shots["score"].to_numpy(dtype=float)
    luck = surface.shot_var + surface.noise_var

    def told(where: Floats, position: Floats | None) -> tuple[Floats, Floats]:
        off = np.abs(np.log(where)[:, None, :] - logs[None, :, :])
        same = off[:, :, 1] <= SAME_RECIPE
        if position is not None and np.isfinite(position).all():
            same = position[:, None] == shots["dial_position"].to_numpy(dtype=float)[None, :]
        near = same & (off[:, :, 0] <= AGREES_WITHIN)
        count = near.sum(axis=1)
        return np.where(count > 0, (near * score).sum(axis=1) / np.maximum(count, 1), np.inf), np.maximum(count, 1)

    at_best = (
        None
        if positions is None
        else shots.loc[shots["shot_id"] == best["shot_id"], "dial_position"].to_numpy(dtype=float)
    )
    (top,), (pulled,) = told(np.array([[best["ratio"], best["shot_time_s"]]], dtype=float), at_best)
    here, count = told(points, positions)
    return np.asarray(here < top - np.sqrt(luck * (1 / count + 1 / pulled)))


def limits_about(
    good: NDArray[np.bool_], aim: Floats, ratio: Floats, time: Floats, cov: Floats
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Limits of the window; ``None`` where recipes half a standard deviation of the scatter off are not all assured.

    A narrower window would call good shots bad.
    """
    lines = _rooms_about(aim[None, :], ratio, time, cov)[0]
    if not good[lines[0] : lines[1] + 1, lines[2] : lines[3] + 1].all():
        return None
    top, bottom, left, right = largest_box(good, (lines[0], lines[1], lines[2], lines[3]), np.log(ratio), np.log(time))
    return (float(ratio[top]), float(ratio[bottom])), (float(time[left]), float(time[right]))


def roominess(good: NDArray[np.bool_], options: Floats, ratio: Floats, time: Floats, cov: Floats) -> NDArray[np.bool_]:
    """Options (n, 2) about which recipes half a standard deviation of the scatter off are all assured."""
    rooms = _rooms_about(options, ratio, time, cov)
    return np.array([bool(good[a : b + 1, c : d + 1].all()) for a, b, c, d in rooms], dtype=bool)


def _rooms_about(aims: Floats, ratio: Floats, time: Floats, cov: Floats) -> list[tuple[int, int, int, int]]:
    """First and last lattice line of ratio and of time within half a standard deviation of the scatter, of each aim."""
    half = 0.5 * np.sqrt(np.diag(cov))
    lines = []
    for values, off, axis in zip(np.log(aims).T, half, (ratio, time), strict=True):
        at = np.interp(values + np.array([[-off], [off]]), np.log(axis), np.arange(len(axis)))
        lines += [np.floor(at[0] + 1e-6).astype(int).tolist(), np.ceil(at[1] - 1e-6).astype(int).tolist()]
    return list(zip(*lines, strict=True))


def _interval(surface: Surface, point: Floats, mean: float, scale: tuple[float, float]) -> tuple[float, float, float]:
    limits = surface.interval(point, LEVEL)
    low, high = (min(max(float(limit[0]), scale[0]), scale[1]) for limit in limits)
    return min(max(mean, low), high), low, high


def _on_edge(supported: NDArray[np.bool_], cell: tuple[int, int]) -> bool:
    """Whether a neighbour of the best point is unsupported: better may lie beyond what was tried."""
    row, col = cell
    near = supported[max(row - 1, 0) : row + 2, max(col - 1, 0) : col + 2]
    return near.size < 9 or not near.all()


def _extraction(setup: Setup, points: Floats, shape: tuple[int, int]) -> Floats | None:
    line = setup.bench.extraction
    if line is None:
        return None
    design = np.column_stack([np.ones(len(points)), np.log(points[:, 0] / 2.0), np.log(points[:, 1] / 27.0)])
    return np.asarray(np.exp(design @ line.coefficients).reshape(shape), dtype=float)


def _status(setup: Setup, surface: Surface, aim: Aim, tasted: int) -> tuple[str, list[Finding], int]:
    """Status, what there is to say of it, and how many shots are still wanted to confirm the recipe."""
    low, high = setup.taste.scale
    _, lower, upper = aim.expected
    few = [finding("few_tasted", tasted=tasted)] if tasted < FEWEST_TASTED else []
    shots = setup.shots[["shot_id", "stage", "ratio", "shot_time_s", "dose_g"]]
    confirm = shots[shots["stage"].astype("object") == "confirm"]
    points = confirm[["ratio", "shot_time_s"]].to_numpy(dtype=float)
    dose_off = confirm["dose_g"].sub(np.nan if aim.dose_g is None else aim.dose_g).abs() > SAME_DOSE_G
    at_aim = confirm["shot_id"][at_recipe(points, np.array([aim.ratio, aim.shot_time_s])) & ~dose_off.to_numpy()]
    wanted = max(TO_CONFIRM - int(at_aim.isin(set(setup.all_scores()["shot_id"])).sum()), 0)
    if upper - lower > (high - low) / 2:
        note = finding("expected_score_too_wide", lower=f"{lower:.1f}", upper=f"{upper:.1f}")
        return "insufficient", [note], TO_CONFIRM
    if aim.window is not None and len(confirm) and at_aim.empty:
        return "window", _elsewhere(confirm.iloc[-1], aim), TO_CONFIRM
    status, notes, to_confirm = _confirmed(setup, surface, aim, at_aim)
    if aim.window is not None:
        return status, notes, to_confirm
    if setup.denied is None:  # that a best guess is not good is no news
        notes = [note for note in notes if note.code == "confirm_shots_disagree"]
    return "tentative", [*few, *notes], to_confirm if notes else wanted


def _elsewhere(shot: pd.Series, aim: Aim) -> list[Finding]:
    """What the last shot pulled to confirm says where none of them ran as the recipe does."""
    if not np.isfinite([shot["ratio"], shot["shot_time_s"]]).all():
        return []
    got, asked = (
        f"{f'{dose:.1f} g in, ' if pd.notna(dose) else ''}1:{ratio:.1f} in {time:.0f} s"
        for dose, ratio, time in (
            (shot["dose_g"], shot["ratio"], shot["shot_time_s"]),
            (aim.dose_g, aim.ratio, aim.shot_time_s),
        )
    )
    return [finding("confirm_shots_elsewhere", got=got, asked=asked)]


def _as_disputed(options: Floats, positions: Floats | None, shots: pd.DataFrame) -> NDArray[np.bool_]:
    """Which recipes are the one that shots deny: at the setting they were pulled at, where that may be set."""
    kept = at_recipe(options, recipe_of(shots))
    if positions is None:
        return kept
    same = kept & (positions == shots["dial_position"].iloc[-1])
    return same if same.any() else kept


def _disputed(setup: Setup, surface: Surface) -> tuple[pd.DataFrame | None, list[Finding]]:
    """The last shots to confirm a recipe, where they say that it does not hold; ``None`` where none do.

    It is kept until they were pulled again: first it is asked what went wrong, then another recipe is told. Where the
    next pair says so too, or somebody went on with other shots, what they tasted moves the recipe like any other score.
    """
    scores = setup.all_scores()
    confirm = last_confirming(setup.shots, scores)
    if len(confirm) < TO_CONFIRM:
        return None, []
    points, recipe = confirm[["ratio", "shot_time_s"]].to_numpy(dtype=float), recipe_of(confirm)
    each = scores.groupby("shot_id")["score"].mean().reindex(confirm.loc[at_recipe(points, recipe), "shot_id"])
    poor = poor_pulls(setup.shots, scores, setup.taste.good, setup.taste.unit)
    if decided(poor):
        got = _told(pd.concat(poor))
        if len(poor[-1]) >= MOST_TO_CONFIRM:
            return None, [finding("confirm_shots_not_good", got=got, good=f"{setup.taste.good:g}")]
        asked = f"1:{recipe[0]:.1f} in {recipe[1]:.0f} s"
        return None, [finding("recipe_denied_twice", recipe=asked, got=got)]
    notes = []
    if setup.denied is None and any(len(pull) >= TO_CONFIRM for pull in poor):
        notes = [finding("recipe_not_confirmed", got=_told(pd.concat(poor)))]
    expected = float(reach(surface, recipe[None, :], setup, (surface.shot_var,))[0][0])
    last = each.tail(TO_CONFIRM)
    if len(last) < TO_CONFIRM or not _missed(setup, surface, recipe, expected, last):
        return None, notes
    return confirm, notes


def _missed(setup: Setup, surface: Surface, recipe: Floats, expected: float, each: pd.Series) -> bool:
    """Whether shots at a recipe scored less than was expected of them by more than luck.

    Of n shots of mean y with variance v, and a posterior mean m with variance s, y - m has the variance v + s where the
    surface was kept from learning of them. Where it has learned, that must not hide that they disagree: then m rests on
    them too, and y - m has the variance v - s, that of the residual of a measurement which was used (y less what was
    expected without them, shrunk by 1 - s/v).

    :param each: mean score by shot_id.
    """
    scores = setup.all_scores()
    tasted = scores[scores["shot_id"].isin(set(each.index))]
    learned = bool(setup.scores["shot_id"].isin(set(each.index)).any())
    known_var = float(surface.sd(recipe[None, :])[0]) ** 2
    taster_var = float(surface.tables.fit.get("taster_var", pd.Series([0.0])).fillna(0.0).iloc[0])
    luck_var = (surface.shot_var + surface.noise_var * len(each) / len(tasted)) / len(each)
    left_var = max(luck_var - known_var, luck_var / 2) if learned else luck_var + known_var
    left_var += taster_var / tasted["taster"].nunique(dropna=False)
    return bool(each.mean() < expected - UNLUCKY * np.sqrt(left_var))


def _confirmed(setup: Setup, surface: Surface, aim: Aim, shots: pd.Series) -> tuple[str, list[Finding], int]:
    """Whether the last shots pulled to confirm give what was expected of them, and are good."""
    good, scores = setup.taste.good, setup.all_scores()
    each = scores.groupby("shot_id")["score"].mean().reindex(shots).dropna()
    recipe, notes = np.array([aim.ratio, aim.shot_time_s]), []
    denied = each.index.isin([] if setup.denied is None else list(setup.denied["shot_id"]))
    if denied.any():
        before, each = each[denied], each.iloc[int(np.flatnonzero(denied).max()) + 1 :]
        if len(each) < TO_CONFIRM:
            return _denied(setup, surface, aim, before, len(each))
        notes = [finding("confirm_shots_held_again", got=_told(before), again=_told(each))]
    if len(each) < TO_CONFIRM:
        return "window", [], TO_CONFIRM - len(each)
    for count in range(TO_CONFIRM, MOST_TO_CONFIRM + 1):
        last = each.tail(count)
        if _missed(setup, surface, recipe, aim.expected[0], last):
            note = _disagree(setup, aim, last, "")
            return ("window" if last.mean() >= good else "tentative"), [note], TO_CONFIRM
        if last.mean() >= good:
            return "confirmed", notes, 0
        if len(each) == count:
            break
    got = _told(last)
    if len(last) < MOST_TO_CONFIRM:
        return "window", [finding("confirm_shots_leave_it_open", got=got, good=f"{good:g}")], 1
    return "tentative", [finding("confirm_shots_not_good", got=got, good=f"{good:g}")], 0


def _denied(setup: Setup, surface: Surface, aim: Aim, each: pd.Series, again: int) -> tuple[str, list[Finding], int]:
    """What shots to confirm say that were kept from teaching, while too few were pulled since.

    :param each: their mean scores by shot_id, in order. :param again: how many were pulled since.
    """
    recipe = np.array([aim.ratio, aim.shot_time_s])
    if len(each) < TO_CONFIRM or not _missed(setup, surface, recipe, aim.expected[0], each.head(TO_CONFIRM)):
        note = finding("confirm_shots_leave_it_open", got=_told(each), good=f"{setup.taste.good:g}")
        return "window", [note], 1
    note = _disagree(setup, aim, each, ", and these scores teach nothing")
    return "tentative", [note], max(2 * TO_CONFIRM - len(each) - again, 1)


def _told(each: pd.Series) -> str:
    return ", ".join(f"{score:.1f}" for score in each)


def _disagree(setup: Setup, aim: Aim, each: pd.Series, stays: str) -> Finding:
    """That shots to confirm scored less than was expected. :param stays: what is told of them beside the recipe."""
    got, expected, good = _told(each), f"{aim.expected[0]:.1f}", f"{setup.taste.good:g}"
    return finding("confirm_shots_disagree", got=got, expected=expected, good=good, stays=stays)

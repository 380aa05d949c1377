"""Plan: up to three next shots, on real steps and safe doses, that most raise what the next owner can expect."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, permutations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tastefield.records import Aim, Floats, NextShot, Settings, Setup, Surface
from tastefield.stats import gain
from tastefield.stats.scatter import landings
from tastefield.tables.dial import in_force, positions_in_force, recorded, since_zero
from tastefield.tables.notation import as_written
from tastefield.words.ladder import STOP

MOST = 3
PURGE = 0.3
"""What a turn of the dial costs beside its shot, in shots: the coffee that is ground and thrown away, about a third of
a dose. Common practice, no source."""
LEAST_NOISE_VAR = 1e-4
"""Of one taste, on a scale from 1 to 9, for a surface that knows of none: no taste is exact."""
USUAL_RATIO, USUAL_TIME_S = 2.0, 27.0
"""Where to start on a machine nobody has tasted yet: 1:2 in 25-30 s. Common practice, no source."""
SAME = 0.05
"""Ratios or times nearer than this in logs are called the same."""
BEYOND = 0.12
"""How far past what was tried, in logs, a next shot may go: about one step of a dial."""
STRIDE = 0.25
"""Where only the bench speaks no next shot lies farther from the aim, in logs: nobody pulls 1:3 to check 1:2."""
A_LITTLE = 0.2
"""How far from the aim, in logs, a shot past the edge may lie."""
STEPS_AWAY = 2
"""Steps of the dial between two shots that are to show what a step does: one step drowns in the scatter."""
ALIKE = 1e-9
"""Stands of the dial nearer than this are one."""


@dataclass(frozen=True, eq=False)
class Candidates:
    """Recipes that may be asked for, the aim first.

    :param points: (n, 2) ratio and shot time. :param settings: of each as written, ``None``: grind until the time.
    :param stands: (n,) where the grinder stands for each: the dial position, or the log of the time without a line.
    :param open: (n,) whether data speak there, so that it could be the recipe as things are.
    :param now: where the grinder stands, NaN where nobody knows.
    :param finer: 1 where a higher stand is finer, -1 where it is coarser.
    """

    points: Floats
    settings: tuple[str | None, ...]
    stands: Floats
    open: NDArray[np.bool_]
    now: float
    finer: float


def plan(
    setup: Setup, surface: Surface | None, aim: Aim | None, settings: Settings | None, worth: float, seed: int
) -> tuple[NextShot, ...]:
    """Choose the next shots, as :func:`_plan` does; of a grinder zeroed since, without the marks of the zero before."""
    shots = _plan(setup, surface, aim, settings, worth, seed)
    return tuple(_by_time(setup, shots)) if setup.bench.zeroed_since else shots


def _by_time(setup: Setup, shots: Iterable[NextShot]) -> Iterator[NextShot]:
    """Shots to grind for by their time alone, none longer than any that ran once something choked."""
    longest = setup.longest_time()
    for shot in shots:
        if shot.grind_setting is None or setup.pressurised():
            yield shot
        elif shot.shot_time_s is not None and not shot.shot_time_s > longest:
            care = "" if STOP in shot.why else f"; {STOP}"
            why = f"{shot.why} The burrs were zeroed since: find its mark anew, from the coarse side{care}."
            yield replace(shot, grind_setting=None, why=why)


def _plan(
    setup: Setup, surface: Surface | None, aim: Aim | None, settings: Settings | None, worth: float, seed: int
) -> tuple[NextShot, ...]:
    """Choose the next shots.

    One after the other the recipe, the aim among them, of which one taste is expected to raise the best expected score
    most for its coffee, while that is ``worth`` it; each as if the one before had been tasted. They come in the order
    that turns the dial least. Where nothing is worth a shot the recipe is final: it is pulled to confirm it. A shot
    that shows what a step of the dial does is added where that is unknown. Where nothing was tasted yet the recipe
    comes first, whatever it gains: it is what will be served. After shots to confirm that disagreed it is pulled again,
    and nothing else. On a machine that a failed check holds nothing is pulled.

    :param worth: points of expected score, on a scale from 1 to 9, that a shot must be expected to gain; a turn of the
        dial counts as coffee.
    """
    if setup.held():
        return ()
    if aim is None or surface is None or settings is None:
        return (_start(setup),)
    if aim.status == "confirmed":
        return ()
    candidates = _candidates(setup, aim, settings)
    dial = tuple(_for_the_dial(setup, aim, settings))
    finer = not setup.pressurised() and (candidates.stands[0] - candidates.now) * candidates.finer > ALIKE
    care = f" Finer than the last shot; {STOP}." if finer else ""
    guess = _at_aim(aim, settings, f"Taste it: checks the best guess.{care}", "dial-in")
    untasted = not len(setup.scores)
    if any(note.code == "confirm_shots_disagree" for note in aim.findings):
        return (*_to_confirm(aim, settings, care), *dial)  # first it is asked what went wrong
    chosen = _chosen(setup, surface, candidates, worth * setup.taste.unit, seed, MOST - len(dial), untasted)
    shots = _in_words(setup, aim, candidates, chosen)
    if untasted or (aim.status == "insufficient" and not chosen):
        return (guess, *shots, *dial)
    if chosen:
        return (*shots, *dial)
    return (*_to_confirm(aim, settings, care), *dial)


def _start(setup: Setup) -> NextShot:
    dose = setup.usual_dose()
    why = "Nothing was tasted yet: a usual starting point (common practice, no source). Taste it and write a score."
    if len(setup.scores):
        why = (
            "No tasted shot has dose, weight out and time all three, so no taste can be placed: a usual starting point "
            "(common practice, no source). Write down all three."
        )
    setting, time = _start_setting(setup, dose)
    here = since_zero(setup.shots)
    choked = here.loc[here["outcome"].astype("object") == "choked", "grind_setting"].dropna().astype(str)
    if setting is None and len(choked) and not setup.pressurised():
        why += f" Coarser than {', '.join(dict.fromkeys(choked))}, which choked; {STOP}."
    longest = setup.longest_time()
    return NextShot(
        grind_setting=setting,
        dose_g=dose,
        beverage_g=None if dose is None else dose * USUAL_RATIO,
        ratio=USUAL_RATIO,
        shot_time_s=min(USUAL_TIME_S, longest) if setting is None and np.isfinite(longest) else USUAL_TIME_S,
        expected_gain=None,
        why=why if setting is None else f"{why} Of the settings known here this one is nearest: about {time:.0f} s.",
        stage="dial-in",
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


def _at_aim(aim: Aim, settings: Settings, why: str, stage: str) -> NextShot:
    out = None if aim.dose_g is None else aim.dose_g * aim.ratio
    return NextShot(settings.grind_setting, aim.dose_g, out, aim.ratio, aim.shot_time_s, None, why, stage)


def _to_confirm(aim: Aim, settings: Settings, care: str) -> Iterator[NextShot]:
    """Shots on final settings, which show whether they give what is expected of them.

    :param care: what is to be minded on the way to them.
    """
    if any(note.code == "confirm_shots_disagree" for note in aim.findings):
        first = "Check purge, dose and warm-up first; then it shows whether the recipe holds: write stage confirm."
    else:
        first = "Confirms the recipe: write stage confirm."
    whys = [first + care, *["Confirms that it repeats: write stage confirm."] * (MOST - 1)]
    for why in whys[: aim.to_confirm]:
        yield _at_aim(aim, settings, why, "confirm")


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
            yield NextShot(text, aim.dose_g, out, aim.ratio, None, None, why, "dial-in")
            return


def _chosen(
    setup: Setup,
    surface: Surface,
    candidates: Candidates,
    worth: float,
    seed: int,
    most: int,
    aim_first: bool,
) -> list[tuple[int, float]]:
    """Numbers of the candidates worth a shot and what each gains, the best first.

    What a shot past the edge of what was tried shows opens its own recipe: that may be aimed at afterwards.

    :param aim_first: whether the aim is pulled before, whatever it gains, as one of the ``most``.
    """
    mean, directions = _landed(setup, surface, candidates.points, seed)
    known = np.isfinite(mean) & np.isfinite(directions).all(axis=1)
    mean, directions = np.where(known, mean, -np.inf), np.where(known[:, None], directions, 0.0)
    allowed = candidates.open & known
    noise_var = surface.shot_var + surface.noise_var / _tasters(setup)
    noise_var = max(noise_var, LEAST_NOISE_VAR * setup.taste.unit**2)
    chosen: list[tuple[int, float]] = []
    stood = [candidates.now]
    if aim_first:
        directions = gain.after(directions, directions[0], noise_var)
        stood.append(float(candidates.stands[0]))
    while len(chosen) + aim_first < most and allowed.any():
        opens = np.where(allowed, -np.inf, mean)
        gains = gain.worth(mean[allowed], directions[allowed], directions, noise_var, opens)
        turned = ~np.isclose(candidates.stands[:, None], stood, rtol=0, atol=1e-9).any(axis=1)
        rates = np.where(known, gains / (1 + PURGE * turned), -1.0)
        index = int(np.argmax(rates))
        if rates[index] < worth:
            break
        chosen.append((index, float(gains[index])))
        stood.append(float(candidates.stands[index]))
        directions = gain.after(directions, directions[index], noise_var)
        allowed[index] = True
    return chosen


def _landed(setup: Setup, surface: Surface, points: Floats, seed: int) -> tuple[Floats, Floats]:
    """Expected score (n,) and directions of doubt (n, r) of shots aimed at points (n, 2), averaged over the scatter."""
    low, high = setup.taste.scale
    nodes, weights = landings(setup.bench.scatter.cov, surface.time_felt)
    places = [points * np.exp(node) for node in nodes]
    mean = sum(w * np.clip(surface.mean(place), low, high) for w, place in zip(weights, places, strict=True))
    directions = sum(w * surface.directions(place, seed) for w, place in zip(weights, places, strict=True))
    return np.asarray(mean), np.asarray(directions)


def _tasters(setup: Setup) -> float:
    """How many taste a shot of this setup, on average; 1 where nobody did yet."""
    return float(len(setup.scores) / setup.scores["shot_id"].nunique()) if len(setup.scores) else 1.0


def _in_words(setup: Setup, aim: Aim, candidates: Candidates, chosen: Sequence[tuple[int, float]]) -> list[NextShot]:
    """The chosen in the order that turns the dial least, each with its reason."""
    stands = [float(candidates.stands[index]) for index, _ in chosen]
    stood = candidates.now if len(setup.scores) else float(candidates.stands[0])
    shots = []
    for at in least_turning(stood, stands):
        index, gained = chosen[at]
        turn = (stands[at] - stood) * candidates.finer if np.isfinite(stood) else 0.0
        past = (stands[at] - float(candidates.stands[0])) * candidates.finer > ALIKE
        shots.append(_try(setup, aim, candidates, index, gained, turn, past))
        stood = stands[at]
    return shots


def least_turning(now: float, stands: Sequence[float]) -> list[int]:
    """The order of shots that turns the dial least often, then turns back least often, then least far.

    Of orders that cost the same the first: shots are given the most worthwhile first.

    :param now: where the grinder stands, NaN where nobody knows.

    >>> least_turning(8.0, [6.0, 8.0, 7.0])
    [1, 2, 0]
    """

    def cost(order: Iterable[int]) -> tuple[int, int, float]:
        path = [at for at in (now, *(stands[number] for number in order)) if np.isfinite(at)]
        moves = [after - before for before, after in pairwise(path) if abs(after - before) > 1e-9]
        back = sum((one > 0) != (other > 0) for one, other in pairwise(moves))
        return len(moves), back, round(sum(abs(move) for move in moves), 9)

    return list(min(permutations(range(len(stands))), key=cost))


def _try(
    setup: Setup, aim: Aim, candidates: Candidates, index: int, gained: float, turn: float, past: bool
) -> NextShot:
    """One shot with its reason.

    :param turn: how far the dial is turned finer for it. :param past: whether it is finer than the recipe itself, at
        whose mark the grinder of whoever reads a card may stand.
    """
    ratio, time = (float(value) for value in candidates.points[index])
    changes = []
    if abs(np.log(time / aim.shot_time_s)) > SAME:
        changes.append("slower" if time > aim.shot_time_s else "faster")
    if abs(np.log(ratio / aim.ratio)) > SAME:
        changes.append("more out" if ratio > aim.ratio else "less out")
    if changes:
        where = "Worth a taste" if candidates.open[index] else "Past the edge of what was tried"
        why = f"{where}: {', '.join(changes)}; may move the recipe."
    elif aim.flat and setup.best_shot() is not None:
        why = "Repeats your best shot: taste it once more."
    else:
        why = "Taste it: checks the best guess."
    warned = f"; {STOP}" if turn > ALIKE or past else ""
    if abs(turn) > ALIKE:
        why += f" Purge after turning the dial{warned}."
    elif warned:
        why += f" Finer than the recipe{warned}."
    out = None if aim.dose_g is None else aim.dose_g * ratio
    return NextShot(candidates.settings[index], aim.dose_g, out, ratio, time, gained, why, "dial-in")


def _candidates(setup: Setup, aim: Aim, settings: Settings) -> Candidates:
    """The aim, and recipes in the support: times of real settings, lattice times without a dial line.

    Recipes just past the support too, where the best lies on its edge: elsewhere all that is known of them is that
    nobody knows them.
    """
    points, settings_of, stands = _grid(setup, aim)
    if setup.pressurised():  # a pressurised basket gives the time it gives
        points, settings_of, stands = points[:0], (), stands[:0]
    here = np.array([aim.ratio, aim.shot_time_s])
    lattice, line = aim.lattice, setup.bench.dial
    supported = np.column_stack(
        [axis.ravel() for axis in np.meshgrid(lattice.ratio, lattice.shot_time_s, indexing="ij")]
    )[lattice.supported.ravel()]
    away = _away(points, supported)
    mesh = float(np.hypot(np.diff(np.log(lattice.ratio)).max(), np.diff(np.log(lattice.shot_time_s)).max()))
    strides = np.abs(np.log(points / here)).max(axis=1)
    own = setup.shots[["ratio", "shot_time_s"]].dropna().to_numpy(dtype=float)
    strides = np.where(_away(points, own) <= BEYOND, 0.0, strides)
    opened = away <= mesh
    near = (away <= BEYOND) & (strides <= STRIDE)
    near &= opened | (aim.at_edge & (np.abs(np.log(points / here)) <= A_LITTLE).all(axis=1))
    at_aim, now = _stand(setup, aim, settings)
    return Candidates(
        points=np.vstack([here, points[near]]),
        settings=(settings.grind_setting, *(settings_of[i] for i in np.flatnonzero(near))),
        stands=np.append(at_aim, stands[near]),
        open=np.append(True, opened[near]),
        now=now,
        finer=-1.0 if line is not None and len(line.settable) and line.higher_is == "coarser" else 1.0,
    )


def _away(points: Floats, others: Floats) -> Floats:
    """Distance (n,) of points (n, 2) from the nearest of others (m, 2), in logs; infinite where there is none."""
    if not len(points) or not len(others):
        return np.full(len(points), np.inf)
    return np.asarray(cKDTree(np.log(others)).query(np.log(points))[0], dtype=float)


def _grid(setup: Setup, aim: Aim) -> tuple[Floats, tuple[str | None, ...], Floats]:
    """Points (n, 2), the setting of each, and where the grinder stands for it.

    Without a dial line nobody is told to grind until a time that none of the setup's shots reached, where one choked.
    """
    line, ratios = setup.bench.dial, _past(aim.lattice.ratio)
    if line is not None and len(line.settable):
        times, stands = line.times(ratios, aim.dose_g), line.settable
        texts: list[str | None] = [
            as_written(float(position), line.step, setup.bench.notation) for position in line.settable
        ]
    else:
        seconds = _past(aim.lattice.shot_time_s)
        seconds = seconds[seconds <= setup.longest_time()]  # none where nothing is known to run
        times, stands, texts = np.repeat(seconds[:, None], len(ratios), axis=1), np.log(seconds), [None] * len(seconds)
    points = np.column_stack([np.broadcast_to(ratios, times.shape).ravel(), times.ravel()])
    return points, tuple(text for text in texts for _ in ratios), np.repeat(stands, len(ratios))


def _stand(setup: Setup, aim: Aim, settings: Settings) -> tuple[float, float]:
    """Where the grinder stands for the aim and where it stands now: dial positions, logs of times without a line."""
    line = setup.bench.dial
    shots = setup.shots[["dial_position", "grind_setting", "shot_time_s"]][in_force(setup.shots)]
    if line is not None and len(line.settable):
        positions = shots["dial_position"].dropna()
        times = line.times(np.array([aim.ratio]), aim.dose_g)[:, 0]
        nearest = float(line.settable[int(np.argmin(np.abs(np.log(times / aim.shot_time_s))))])
        return aim.position if aim.position is not None else nearest, _last(positions)
    at_aim = float(np.log(aim.shot_time_s))
    written = shots["grind_setting"].dropna()
    if settings.grind_setting is not None and len(written) and str(written.iloc[-1]) == settings.grind_setting:
        return at_aim, at_aim
    return at_aim, float(np.log(_last(shots["shot_time_s"].dropna())))


def _last(values: pd.Series) -> float:
    return float(values.iloc[-1]) if len(values) else np.nan


def _past(axis: Floats) -> Floats:
    """Every fourth line of an axis, and on past both ends as far as a next shot may go."""
    logs = np.log(axis[::4])
    step = logs[1] - logs[0]
    more = step * np.arange(1, int(np.ceil(BEYOND / step)) + 1)
    return np.asarray(np.exp(np.concatenate([logs[0] - more[::-1], logs, logs[-1] + more])))

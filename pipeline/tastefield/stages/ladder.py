"""Ladder: what to turn when the coffee changes or it tastes wrong, one change a shot, and what each does here."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import stats as distributions

from tastefield.records import Aim, Floats, Ladder, Move, Settings, Setup, Surface
from tastefield.stats.dial_line import TIME_PER_OUT
from tastefield.tables.dial import choke_position, last_position, since_zero, towards_finer
from tastefield.tables.notation import as_written
from tastefield.words.ladder import MOVE_G

TIMES_SD = 2.0
"""Without a window, times within so many standard deviations of the scatter count as right."""
LEVEL = 0.9
DRAWS = 400
QUANTILES = np.linspace(0.05, 0.95, 10)
"""Parts of what is not known of a step that are tried one by one."""
SURE = 0.9
"""A change of score is told from this chance on that it has the sign it is given."""


def ladder(setup: Setup, surface: Surface, aim: Aim, settings: Settings, seed: int) -> Ladder:
    """What one change does from shot to shot, and which change suits which complaint.

    A finer grind is told from a shot that ran as much too fast as the change makes up for, a coarser one from one that
    ran too slow; more and less out from the recipe. A change of time is told where the dial's line is clear and the
    change not zero at 90 %, one of score where tasted shots speak on both sides of it and its sign is 9 in 10 sure.
    """
    grind = not setup.pressurised()
    room = _room(setup, aim, settings) if grind else 0.0
    table = "usual" if grind and room >= 1 else "no_finer" if grind else "no_grind"
    moves = dict(_moves(setup, surface, aim, settings, room, seed) if grind else ())
    moves |= dict(_out(setup, surface, aim, settings, seed))
    return Ladder(_right_time(setup, aim), moves, table, _choked(setup, settings) if grind else None)


def _right_time(setup: Setup, aim: Aim) -> tuple[float, float]:
    if aim.window is not None:
        return aim.window[1]
    sd = float(np.sqrt(setup.bench.scatter.cov[1, 1]))
    return float(aim.shot_time_s * np.exp(-TIMES_SD * sd)), float(aim.shot_time_s * np.exp(TIMES_SD * sd))


def _moves(
    setup: Setup, surface: Surface, aim: Aim, settings: Settings, room: float, seed: int
) -> Iterator[tuple[str, Move]]:
    """A finer and a coarser grind, by as many steps as show beside the scatter of single shots."""
    line, step = setup.bench.dial, settings.step
    if line is None or not line.tells_steps or not step:
        steps, change = 1, None
    else:
        sd = float(np.sqrt(setup.bench.scatter.cov[1, 1]))
        reach = max(1, round(np.ptp(line.settable) / step))
        steps = int(min(max(1, np.ceil(sd / abs(line.slope * step) - 0.25)), reach))
        change = step * (abs(line.slope) + np.sqrt(line.cov[1, 1]) * distributions.t.ppf(QUANTILES, line.df))
    for what, away in (("finer", 1.0), ("coarser", -1.0)):
        count = int(min(steps, room)) if what == "finer" else steps
        if count < 1:
            continue
        if change is None:
            yield what, Move(float(count), None, None)
            continue
        logs = away * count * change
        start = aim.shot_time_s * np.exp(-np.mean(logs))
        ends = np.column_stack([np.full(len(logs), aim.ratio), start * np.exp(logs)])
        seconds = _told(np.sort(start * np.expm1(logs)))
        points = _points(surface, np.array([aim.ratio, start]), ends, seed) if seconds else None
        yield what, Move(float(count), seconds, points)


def _out(setup: Setup, surface: Surface, aim: Aim, settings: Settings, seed: int) -> Iterator[tuple[str, Move]]:
    """More and less out at the same grind and dose."""
    if aim.dose_g is None:
        yield from ((what, Move(MOVE_G, None, None)) for what in ("more_out", "less_out"))
        return
    line, out = setup.bench.dial, aim.dose_g * aim.ratio
    power = np.full(len(QUANTILES), TIME_PER_OUT)
    known = line is not None and line.tells_steps and line.recipe is not None
    if known and line is not None and line.recipe is not None:
        sd = np.sqrt(line.recipe[1][2, 2])
        power = line.recipe[0][0] + sd * distributions.t.ppf(QUANTILES, line.df)
    for what, more in (("more_out", MOVE_G), ("less_out", -MOVE_G)):
        log_out = np.log1p(max(more / out, -0.5))
        times = aim.shot_time_s * np.exp(log_out * power)
        ends = np.column_stack([np.full(len(times), aim.ratio * np.exp(log_out)), times])
        points = _points(surface, np.array([aim.ratio, aim.shot_time_s]), ends, seed)
        yield what, Move(MOVE_G, _told(np.sort(times - aim.shot_time_s)) if known else None, points)


def _told(changes: Floats) -> tuple[float, float, float] | None:
    """Estimate and limits of a change whose quantiles these are; ``None`` where it may be nothing."""
    low, high = float(changes[0]), float(changes[-1])
    return (float(np.median(changes)), low, high) if low > 0 or high < 0 else None


def _points(surface: Surface, start: Floats, ends: Floats, seed: int) -> tuple[float, float, float] | None:
    """Change of the expected score from one recipe to another that is not exactly known."""
    middle = np.median(ends, axis=0)
    if not surface.speaks_for(np.vstack([start, middle])).all():
        return None
    draws = surface.draws(np.vstack([start, ends]), DRAWS, seed)
    change = draws[:, 1:] - draws[:, [0]]
    low, high = np.quantile(change, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    if max(float((change > 0).mean()), float((change < 0).mean())) < SURE:
        return None
    return float(change.mean()), float(low), float(high)


def _choked(setup: Setup, settings: Settings) -> str | None:
    """What is known to have choked, as written: the coarsest on the dial, or else all of them."""
    line, notation = setup.bench.dial, setup.bench.notation
    if line is not None and line.choke is not None:
        return as_written(line.choke, line.step or settings.step, notation)
    here = since_zero(setup.shots)
    written = here.loc[here["outcome"].astype("object") == "choked", "grind_setting"].dropna().astype(str)
    return ", ".join(dict.fromkeys(written)) or None


def _room(setup: Setup, aim: Aim, settings: Settings) -> float:
    """Whole steps from the recipe's setting towards finer before a choke or the end of the dial; infinite if unknown.

    Where nobody knows which way is finer, it is where the choke lies.
    """
    line, here, step = setup.bench.dial, since_zero(setup.shots), settings.step
    at = settings.position if aim.position is None else aim.position
    if line is not None and not len(line.settable) and line.choke is not None:
        return 0.0  # nothing on the dial is safe from the choke
    if at is None or not step:
        return np.inf
    higher_is = settings.higher_is or (line.higher_is if line and line.is_clear else None)
    choked = here.loc[here["outcome"].astype("object") == "choked", "dial_position"].dropna()
    if higher_is is None:
        near = (choked - at).abs().min() if len(choked) else np.inf
        return float(np.ceil(near / step - 1e-6) - 1)
    finer, ends = towards_finer(higher_is), setup.bench.notation.ends
    known = [choke_position(here["outcome"], here["dial_position"], higher_is), line.choke if line else None]
    last = min(last_position(ends, finer, choke, step) for choke in known)
    return float(max(np.floor((last - at * finer) / step + 1e-6), 0.0))

"""Pour: what a recording of mass against time says of a shot - first drip, stop, mass, flow and how the flow drifts.

Scales are tared, touched and robbed of their cup while coffee runs, and coffee drips on after the pump has stopped. So

1. single wild samples give way to the running median, and whatever rises faster than coffee can, or falls, is a step of
   the cup and taken out, the flow beside it put in its place;
2. the pour is the stretch of steady rise that gains most; a rinse or the next cup is not part of it;
3. the first drip is where a flat line turns into a rise that starts straight or bent (least squares over every moment);
4. the stop is where a bent line turns into a rise that dies away, its slope kept (least squares over every moment and
   several times of dying away); where pressure was recorded, where the pressure falls steepest.

A single drop that falls seconds before the flow is not taken for the first drip: its tenth of a gram is lost in
noise.

The limits below are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from tastefield.errors import FitError, Problem

Array = NDArray[np.float64]
Span = tuple[int, int]

FEWEST = 8
"""Samples that a recording needs."""
COARSEST_S = 2.0
LONGEST_S = 3600.0
LEAST_GAIN_G = 2.0
"""A rise smaller than this is no pour."""
FASTEST_G_PER_S = 15.0
"""Coffee runs no faster; what rises faster is a cup."""
FALL_G = 1.5
"""Mass falls by less only through noise."""
TOUCH_S = 3.0
"""A push at the cup lasts no longer."""
AWAY_S = 15.0
"""A cup taken away and put back in the same pour is away no longer."""
TAKEN_G = 20.0
"""A fall by this much more than was poured takes the cup away."""
PASSES = 3
GAP_S = 5.0
"""A pause this long parts two pours."""
TAIL_S = 10.0
"""How long after the stop drips are waited for."""
DYING_S = (0.15, 0.4, 0.8, 1.5, 2.5)
"""Times in which the flow after the stop falls to a third."""
SWELLING_S = (0.05, 0.3, 0.6, 1.0, 1.6)
"""Times in which the flow after the first drip grows to two thirds."""
PUMP_BAR = 0.5
"""The pump is on where pressure first rises by this much."""


@dataclass(frozen=True)
class Pour:
    """What a recording says; times in seconds on the clock of the recording.

    :param pump_on_s: start of pressure; ``None`` where no pressure, or no start of it, was recorded.
    :param first_drip_s: ``None`` where coffee ran already when the recording began.
    :param stop_s: end of the steady flow; ``ended`` tells whether the recording went on after it.
    :param beverage_g: mass gained in all, drips after the stop with it. :param mass_at_stop_g: gained up to the stop.
    :param flow_g_per_s: mean from first drip to stop.
    :param flow_drift_g_per_s2: how much the flow grows each second once a third has run; NaN for pours below 4 s.
    :param noise_g: standard deviation of one sample.
    """

    pump_on_s: float | None
    first_drip_s: float | None
    stop_s: float
    ended: bool
    beverage_g: float
    mass_at_stop_g: float
    flow_g_per_s: float
    flow_drift_g_per_s2: float
    noise_g: float


def read(t_s: ArrayLike, mass_g: ArrayLike, pressure_bar: ArrayLike | None = None) -> Pour:
    """Find the pour in one recording.

    :param t_s: (n,) times in any order. :param mass_g: (n,) what the scale showed.
    :param pressure_bar: (n,), or ``None``.
    :raises FitError: too few samples, too far apart, or nothing that looks like coffee running.
    """
    order = np.argsort(np.asarray(t_s, dtype=float), kind="stable")
    times, mass = np.asarray(t_s, dtype=float)[order], np.asarray(mass_g, dtype=float)[order]
    there = np.isfinite(times) & np.isfinite(mass)
    times, mass = times[there], mass[there]
    times, first = np.unique(times, return_index=True)
    mass = mass[first]
    _refuse_sparse(times)
    noise = noise_of(mass)
    step = float(np.clip(np.median(np.diff(times)), 0.05, COARSEST_S))
    t = np.arange(times[0], times[-1] + step / 2, step)
    even = np.interp(t, times, mass)
    y, cups = without_cups(even, step, noise)
    taken = [a for a, b in cups if even[a] - even[b] > y[a] - y[0] + TAKEN_G]
    start, end = _main_rise(y, cups, taken, step, noise)
    drip, base = _first_drip(t, y, start, end, step)
    last = _tail(y, cups, start, end, step, noise)
    pump_on, pump_off = None, None
    if pressure_bar is not None:
        pressure = np.asarray(pressure_bar, dtype=float)[order][there][first]
        pump_on, pump_off = _pump(times, pressure, t[start], t[min(last, len(t) - 1)], step)
    stop, at_stop, ended = _stop(t, y, base, start, last, step, pump_off)
    run = max(1, round(1.0 / step))
    whole = float(np.median(y[max(start, last - run) : last + 1])) if ended else at_stop
    since = drip if drip is not None else float(t[start])
    return Pour(
        pump_on_s=pump_on,
        first_drip_s=drip,
        stop_s=stop,
        ended=ended,
        beverage_g=max(whole, at_stop) - base,
        mass_at_stop_g=at_stop - base,
        flow_g_per_s=(at_stop - base) / max(stop - since, step),
        flow_drift_g_per_s2=_drift(t, y, base + (at_stop - base) / 3, stop, start),
        noise_g=noise,
    )


def _refuse_sparse(times: Array) -> None:
    if len(times) < FEWEST:
        why = f"it has {len(times)} samples, and at least {FEWEST} are needed"
        raise FitError(Problem("no pour can be read", why=why, do="record the whole shot"))
    gap = float(np.median(np.diff(times)))
    if gap > COARSEST_S:
        why = f"its samples are {gap:.2g} s apart, and {COARSEST_S:g} s is the most"
        raise FitError(Problem("no pour can be read", why=why, do="record more often; or give the unit of its times"))
    length = float(times[-1] - times[0])
    if length > LONGEST_S:
        why = f"it runs for {length:.4g} s, and {LONGEST_S:g} s is the most"
        do = "cut it into one recording a shot; or give the unit of its times"
        raise FitError(Problem("no pour can be read", why=why, do=do))


def noise_of(mass: Array) -> float:
    """Standard deviation of one sample: from second differences, which a smooth rise leaves alone; at least half a
    step of the display, rectangular (JCGM 100:2008, 4.3.7)."""
    bend = np.abs(np.diff(mass, 2))
    steps = np.diff(np.unique(np.round(mass, 6)))
    display = float(steps.min()) if len(steps) else 0.1
    return max(1.4826 * float(np.median(bend)) / math.sqrt(6.0), min(display, 1.0) / math.sqrt(12.0), 0.01)


def without_cups(mass: Array, step: float, noise: float) -> tuple[Array, list[Span]]:
    """Mass as if the cup had never been set down, tared, touched or lifted, and where that happened.

    :returns: (n,) and spans of samples, first and last.
    """
    y: Array = mass
    cups: list[Span] = []
    for _ in range(PASSES):  # what stood between two steps close together may be one itself
        y, found = _without_steps(_without_spikes(y, step, noise), step, noise)
        if not found:
            break
        cups += found
    return y, sorted(cups)


def _without_steps(mass: Array, step: float, noise: float) -> tuple[Array, list[Span]]:
    """One pass: a step is a cup that goes and returns, a push that ends where flow leads, or it stays and goes out."""
    y = mass.copy()
    x = ndimage.median_filter(y, size=2 * max(1, round(0.3 / step)) + 1, mode="nearest")
    lag, reach, beside = (max(1, round(seconds / step)) for seconds in (0.3, TOUCH_S, 1.0))
    move = x[lag:] - x[:-lag]
    odd = (move > FASTEST_G_PER_S * lag * step + 5 * noise) | (move < -(FALL_G + 5 * noise))
    cups: list[Span] = []
    shift = np.zeros(len(x))
    done = -1
    steps = [(max(first - 1, 0), min(last + lag + 1, len(x) - 1)) for first, last in _runs(odd)]
    for number, (a, b) in enumerate(steps):
        a = max(a, done)
        if b <= done:
            continue
        flow = _flow_beside(x, a, b, beside, step)
        back = [there for _, there in steps[number + 1 :] if (there - a) * step <= AWAY_S]
        fastest = FASTEST_G_PER_S * step
        returns = [(a, there) for there in back if 0 <= _gain(x, a, there, noise) <= fastest * (there - a)]
        jump = abs(float(x[b] - x[a]))
        for low, high in (*returns[:1], (max(a - reach, done, 0), b), (a, min(b + reach, len(x) - 1))):
            as_if_run = abs(float(x[high] - x[low]) - flow * (high - low) * step) < min(jump / 2, FALL_G + 5 * noise)
            if as_if_run or (low, high) in returns:
                y[low : high + 1] = np.linspace(y[low], x[high], high - low + 1)
                a, b = low, high
                break
        else:
            y[a : b + 1] = x[a] + flow * step * np.arange(b - a + 1)
            shift[b + 1 :] += x[b] - x[a] - flow * (b - a) * step
            shift[a + 1 : b + 1] = shift[a]
        cups.append((a, b))
        done = b
    return y - shift, cups


def _without_spikes(mass: Array, step: float, noise: float) -> Array:
    """Wild samples and short pushes at the cup, off the running median by more than noise, bridged by lines."""
    middle = ndimage.median_filter(mass, size=2 * max(1, round(TOUCH_S / 2 / step)) + 1, mode="nearest")
    y = mass.copy()
    gaps = np.ones(2 * round(0.2 / step) + 1, dtype=bool)
    odd = ndimage.binary_closing(np.abs(mass - middle) > 5 * noise + 0.6, structure=gaps)
    for a, b in _runs(odd):  # closed, as a sample half-way down a step lies near the median
        before, after = a - 1, b + 1
        if before < 0 or after >= len(y):
            y[a:after] = middle[a:after]
        elif -(FALL_G + 5 * noise) < y[after] - y[before] < FASTEST_G_PER_S * (after - before) * step:
            y[a:after] = np.linspace(y[before], y[after], after - before + 1)[1:-1]
    return y


def _runs(mask: NDArray[np.bool_]) -> list[Span]:
    """First and last place of every run of true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _gain(x: Array, a: int, b: int, noise: float) -> float:
    """By how much mass grew between two samples, a fall within noise counted as none."""
    gain = float(x[b] - x[a])
    return max(gain, 0.0) if gain > -(FALL_G + 5 * noise) else gain


def _flow_beside(x: Array, a: int, b: int, beside: int, step: float) -> float:
    """Flow just before and just after a stretch, the slower of the two that coffee can have."""
    before = (x[a] - x[max(a - beside, 0)]) / max(min(beside, a) * step, step)
    after = (x[min(b + beside, len(x) - 1)] - x[b]) / max(min(beside, len(x) - 1 - b) * step, step)
    likely = [float(flow) for flow in (before, after) if 0 <= flow <= FASTEST_G_PER_S]
    return min(likely, default=0.0)


def flow_of(y: Array, step: float, noise: float) -> tuple[Array, float]:
    """Flow at each sample by a straight line over 1.5 to 3 s, longer where noisy, and its standard deviation."""
    steady = (noise * math.sqrt(12.0 * step) / 0.12) ** (2 / 3)
    half = max(1, round(min(max(steady, 1.5), 3.0) / 2 / step))
    at = np.arange(-half, half + 1)
    weights = at / (np.sum(at**2) * step)
    flow = np.convolve(np.pad(y, half, mode="edge"), weights[::-1], mode="valid")
    return flow, noise * float(np.linalg.norm(weights))


def _main_rise(y: Array, cups: list[Span], taken: list[int], step: float, noise: float) -> Span:
    """The stretch of steady rise that gains most, short pauses within, but no moment at which the cup was taken."""
    flow, doubt = flow_of(y, step, noise)
    made_up = np.zeros(len(y), dtype=bool)
    for a, b in cups:
        made_up[max(a - round(1.0 / step), 0) : b + round(1.0 / step) + 1] = True
    joined: list[list[Span]] = []
    for a, b in _runs(flow > max(0.2, 4 * doubt)):
        if made_up[a : b + 1].all():
            continue
        before = joined[-1][-1][1] if joined else 0
        if joined and (a - before) * step <= GAP_S and not any(before <= there <= a for there in taken):
            joined[-1].append((a, b))
        else:
            joined.append([(a, b)])
    pour = max(joined, key=lambda runs: y[runs[-1][1]] - y[runs[0][0]], default=[(0, 0)])
    gain = float(y[pour[-1][1]] - y[pour[0][0]])
    # what a step of the cup leaves behind looks like a short rise of its own before the pour
    first = next((a for a, b in pour if y[b] - y[a] > max(0.05 * gain, 0.3 + 2 * noise)), pour[0][0])
    best = (first, pour[-1][1])
    if gain < LEAST_GAIN_G:
        why = f"nothing rises by {LEAST_GAIN_G:g} g as coffee does"
        raise FitError(Problem("no pour can be read", why=why, do="if the shot choked, write outcome = choked for it"))
    return best


def _first_drip(t: Array, y: Array, start: int, end: int, step: float) -> tuple[float | None, float]:
    """When the first drip fell, and the mass before it."""
    lead = max(0, start - round(6.0 / step))
    if start * step < 0.5:
        return None, float(y[0])
    low = float(np.median(y[lead : max(start - 1, lead + 1)]))
    rise = min(4.0, (float(y[end]) - low) / 4)
    over = np.flatnonzero(y[start : end + 1] > low + rise)
    stop = min(start + max(int(over[0]) if len(over) else 0, 4) + 1, len(y))
    at, mass = t[lead:stop], y[lead:stop]
    best = (math.inf, float(t[start]), low)
    for moment in np.arange(at[1], at[-2], min(step, 0.1)):
        since = np.maximum(at - moment, 0.0)
        for swelling in SWELLING_S:
            columns = np.stack([np.ones_like(at), since + swelling * np.expm1(-since / swelling)], axis=1)
            found, *_ = np.linalg.lstsq(columns, mass, rcond=None)
            left = float(np.sum((mass - columns @ found) ** 2))
            best = min(best, (left, float(moment), float(found[0])))
    return best[1], best[2]


def _tail(y: Array, cups: list[Span], start: int, end: int, step: float, noise: float) -> int:
    """The last sample that belongs to the pour: before the cup was taken away or something else ran in."""
    last = min(len(y) - 1, end + round(TAIL_S / step))
    lifted = [a - 1 for a, b in cups if end - round(1.0 / step) < a <= last]
    flow, doubt = flow_of(y, step, noise)
    again = [a - 1 for a, b in _runs(flow > max(0.5, 6 * doubt)) if end + round(2.0 / step) < a <= last]
    return max(min([last, *lifted, *again]), min(end, len(y) - 1) - round(1.0 / step), start + 1)


def _pump(times: Array, bar: Array, drip: float, end: float, step: float) -> tuple[float | None, float | None]:
    """When pressure rose and when it fell steepest."""
    known = np.isfinite(bar)
    if known.sum() < FEWEST or float(np.ptp(bar[known])) < 2 * PUMP_BAR:
        return None, None
    t = np.arange(times[0], times[-1] + step / 2, step)
    p = ndimage.median_filter(np.interp(t, times[known], bar[known]), size=2 * max(1, round(0.2 / step)) + 1)
    rest = float(np.min(p[t <= drip], initial=float(p[0])))
    high = np.flatnonzero(p > rest + max(PUMP_BAR, 0.05 * float(p.max())))
    on = float(t[high[0]]) if len(high) and high[0] > 0 and t[high[0]] <= drip + 1.0 else None
    half = max(1, round(0.3 / step))
    late = np.flatnonzero((t[half:-half] > (drip + end) / 2) if len(t) > 2 * half else np.zeros(0, dtype=bool))
    fall = p[2 * half :] - p[: -2 * half]
    if not len(late) or fall[late].min() > -max(PUMP_BAR, 0.15 * float(p.max())):
        return on, None
    at = int(late[np.argmin(fall[late])]) + half
    begin = np.flatnonzero(p[: at + 1] >= p[max(at - 2 * half, 0)] - 0.1 * (p[max(at - 2 * half, 0)] - p[at + half]))
    return on, float(t[begin[-1]])


def _stop(
    t: Array, y: Array, base: float, start: int, last: int, step: float, pump_off: float | None
) -> tuple[float, float, bool]:
    """When the steady flow ended, the mass then, and whether the recording shows the end."""
    gain = float(y[last]) - base
    near = start + int(np.argmax(y[start : last + 1] > base + 0.5 * gain))
    late = start + int(np.argmax(y[start : last + 1] > base + 0.85 * gain))
    settled = start + int(np.argmax(y[start : last + 1] > base + gain - max(0.5, 0.02 * gain)))
    after = min(last, settled + round(1.5 / step))
    at, mass = t[near : after + 1], y[near : after + 1]
    moments = t[late : after + 1]
    if pump_off is not None:
        moments = np.array([min(max(pump_off, float(t[start + 1])), float(t[last]))])
    best = (math.inf, float(moments[-1]), float(y[last]))
    for moment in moments:
        before, beyond = np.minimum(at - moment, 0.0), np.maximum(at - moment, 0.0)
        for dying in DYING_S:
            columns = np.stack([np.ones_like(at), before + dying * -np.expm1(-beyond / dying), before**2], axis=1)
            found, *_ = np.linalg.lstsq(columns, mass, rcond=None)
            left = float(np.sum((mass - columns @ found) ** 2))
            if left < best[0]:
                best = (left, float(moment), float(found[0]))
    ended = pump_off is not None or float(t[last]) - best[1] > max(0.5, step)
    return (best[1], best[2], True) if ended else (float(t[last]), float(y[last]), False)


def _drift(t: Array, y: Array, from_g: float, stop: float, start: int) -> float:
    """Growth of the flow, g/s each second, by a parabola through the mass."""
    first = start + int(np.argmax(y[start:] > from_g))
    part = (t >= t[first]) & (t <= stop)
    if stop - float(t[first]) < 4.0 or part.sum() < 5:
        return math.nan
    since = t[part] - t[first]
    found, *_ = np.linalg.lstsq(np.stack([np.ones_like(since), since, since**2], axis=1), y[part], rcond=None)
    return 2.0 * float(found[2])

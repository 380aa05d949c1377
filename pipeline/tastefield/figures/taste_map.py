"""The map of expected liking over ratio and time, with what was really pulled, faded where nothing speaks for it.

Where other setups speak too, a dotted line shows how far the setup's own tasted shots do.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from tastefield.figures import style
from tastefield.records import Floats, Lattice
from tastefield.words.phrases import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

OWN_LINE = (0, (1, 1.6))
"""Dots about the setup's own tasted shots, where other setups speak beyond them."""
EDGE = 0.7
"""Steps of the lattice over which an edge is drawn: its standard deviation."""
ROUND_STEPS = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
Point = tuple[float, float]
Box = tuple[tuple[float, float], tuple[float, float]]


def draw(
    lattice: Lattice,
    shots: tuple[Floats, Floats, Floats],
    *,
    scale: tuple[float, float],
    good: float,
    attribute: str,
    clock: str,
    dose_g: float | None = None,
    aim: Point | None = None,
    best: Point | None = None,
    window: Box | None = None,
    name: str = "map",
) -> style.Picture:
    """Draw the map.

    :param lattice: the stored surface.
    :param shots: ratio, time in seconds and mean score of each shot, (n,) each; score NaN where not tasted.
    :param scale: lowest and highest score.
    :param good: the score that counts as good.
    :param attribute: name of what was scored.
    :param clock: what the time is counted from, as words after "seconds".
    :param dose_g: where given, the ratio axis also tells the weight out.
    :param aim: ratio and time of the recipe.
    :param best: ratio and time of the best real shot.
    :param window: limits of ratio and of time.
    :param name: unique name within a page.
    """

    def on(axes: Axes) -> None:
        view = _view(lattice, shots)
        _surface(axes, lattice, view, scale, good)
        _shots(axes, shots, scale, good)
        if window is not None:
            _window(axes, window)
        if best is not None:
            axes.plot(*best, "o", ms=13, mfc="none", mec=style.INK, mew=1.2)
        if aim is not None:
            axes.plot(*aim, "+", ms=17, mec=style.PAPER, mew=4.5)
            axes.plot(*aim, "+", ms=16, mec=style.ACCENT, mew=2.2)
        _labels(axes, aim, best)
        _axes(axes, view, dose_g)
        style.heading(axes, f"seconds {clock}")
        _key(axes, lattice, scale, attribute, good)

    label = f"Map of expected {attribute} over ratio and shot time with {len(shots[0])} shots"
    return style.Picture(name, label, (5.3, 4.4), (0.07, 0.14, 0.92, 0.755), on)


def _surface(axes: Axes, lattice: Lattice, view: Box, scale: tuple[float, float], good: float) -> None:
    across, along = (
        _within(grid, limits) for grid, limits in zip((lattice.ratio, lattice.shot_time_s), view, strict=True)
    )
    x, y, mean = lattice.ratio[across], lattice.shot_time_s[along], np.clip(lattice.mean[across, along], *scale).T
    supported = lattice.supported[across, along].T
    levels = _levels(scale)
    colors = [style.score_color((low + high) / 2, scale, good) for low, high in pairwise(levels)]
    used = (levels[:-1] <= mean.max()) & (levels[1:] >= mean.min())
    first, last = np.flatnonzero(used)[[0, -1]]
    bands = axes.contourf(x, y, mean, levels=levels[first : last + 2], colors=colors[first : last + 1])
    bands.set(edgecolor=style.PAPER, linewidth=0.4)
    if not supported.all():
        unknown = smoothed(~supported)
        axes.contourf(x, y, unknown, levels=[0.5, 1.5], colors=[style.PAPER], alpha=0.78)
        axes.contour(x, y, unknown, levels=[0.5], colors=[style.SOFT], linewidths=0.7, linestyles=[(0, (2, 2))])
    if lattice.own is not None and (own := lattice.own[across, along].T).any() and (supported & ~own).any():
        axes.contour(x, y, smoothed(own), levels=[0.5], colors=[style.INK], linewidths=1.3, linestyles=[OWN_LINE])
    if mean.min() < good < mean.max():
        shown = np.where(supported, mean, np.nan)
        axes.contour(x, y, shown, levels=[good], colors=[style.INK], linewidths=1.8)


def smoothed(where: NDArray[np.bool_]) -> Floats:
    """What share of the surroundings of each point of a lattice is so, to draw its edge at one half.

    That an edge runs in steps is of the lattice, not of the data: it is known to half a step. The line moves by less
    than that, so each point of the lattice stays on its side unless most about it are on the other.
    """
    return np.asarray(gaussian_filter(where.astype(float), EDGE, mode="nearest"), dtype=float)


def _levels(scale: tuple[float, float]) -> Floats:
    """About sixteen even steps over the whole scale, so that a colour is a score in every figure."""
    low, high = scale
    step = next((s for s in ROUND_STEPS if (high - low) / s <= 17), (high - low) / 16)
    return np.append(np.arange(low, high - step / 2, step), high)


def _shots(axes: Axes, shots: tuple[Floats, Floats, Floats], scale: tuple[float, float], good: float) -> None:
    ratio, time_s, score = shots
    tasted = np.isfinite(score)
    axes.plot(ratio[~tasted], time_s[~tasted], "x", ms=5, mec=style.INK, mew=1.0)
    if tasted.any():
        colors = [style.score_color(value, scale, good) for value in score[tasted]]
        axes.scatter(ratio[tasted], time_s[tasted], s=38, c=colors, edgecolors=style.PAPER, linewidths=1.6, zorder=3)
        axes.scatter(ratio[tasted], time_s[tasted], s=52, c="none", edgecolors=style.INK, linewidths=0.8, zorder=3)


def _window(axes: Axes, window: Box) -> None:
    (left, right), (bottom, top) = window
    outline: tuple[Sequence[float], Sequence[float]] = (
        [left, right, right, left, left],
        [bottom, bottom, top, top, bottom],
    )
    axes.plot(*outline, color=style.PAPER, lw=3.6)
    axes.plot(*outline, color=style.ACCENT, lw=1.8)


def _labels(axes: Axes, aim: Point | None, best: Point | None) -> None:
    """Name recipe and best shot, each on its own side of the other."""
    right = best is not None and aim is not None and best[0] >= aim[0]
    if aim is not None:
        style.say(axes, aim, "set this", (-11 if right else 11, 0), bold=True)
    if best is not None:
        style.say(axes, best, "your best", (11 if right else -11, 0))


def _view(lattice: Lattice, shots: tuple[Floats, Floats, Floats]) -> Box:
    """Limits of ratio and time that show the supported part and every shot, with a margin."""
    inside = lattice.supported if lattice.supported.any() else np.ones_like(lattice.supported)
    limits = []
    for number, grid in enumerate((lattice.ratio, lattice.shot_time_s)):
        seen = np.concatenate([grid[inside.any(axis=1 - number)], shots[number][np.isfinite(shots[number])]])
        span = float(seen.max() - seen.min())
        beyond = 0.18 if number == 0 else 0.08  # words beside a point at the right need room
        low, high = float(seen.min()) - 0.08 * span, float(seen.max()) + beyond * span
        if grid[0] <= seen.min():
            low = max(low, float(grid[0]))  # beyond the grid the map has no colour
        if grid[-1] >= seen.max():
            high = min(high, float(grid[-1]))
        limits.append((low, high))
    return limits[0], limits[1]


def _within(grid: Floats, limits: tuple[float, float]) -> slice:
    """The part of a grid that covers the limits."""
    first = max(int(np.searchsorted(grid, limits[0])) - 1, 0)
    return slice(first, int(np.searchsorted(grid, limits[1])) + 1)


def _axes(axes: Axes, view: Box, dose_g: float | None) -> None:
    """Ratio ticks tell the weight out too."""
    axes.set(xlim=view[0], ylim=view[1])
    style.whole_numbers(axes.yaxis)
    low, high = view[0]
    step = next(s for s in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0) if (high - low) / s <= 7)
    ticks = np.arange(np.ceil(low / step) * step, high + 1e-9, step)
    out = [f"\n{tick * dose_g:.0f} g" if dose_g else "" for tick in ticks]
    axes.set_xticks(ticks, [f"1:{tick:.3g}{grams}" for tick, grams in zip(ticks, out, strict=True)])


def _key(axes: Axes, lattice: Lattice, scale: tuple[float, float], attribute: str, good: float) -> None:
    """Colour steps with their scores, and the line of good, above the map at the right."""
    seen = lattice.mean[lattice.supported] if lattice.supported.any() else lattice.mean
    low, high = (float(np.clip(end, *scale)) for end in (seen.min(), seen.max()))
    steps = _round_steps(low, high)
    width, height = 0.055, 1.057
    left = 1.0 - width * len(steps)
    for number, step in enumerate(steps):
        color = style.score_color(step, scale, good)
        dark = 0.3 * color[0] + 0.59 * color[1] + 0.11 * color[2] < 0.55
        start = left + number * width
        axes.fill(
            [start, start + width, start + width, start],
            [height - 0.032, height - 0.032, height + 0.032, height + 0.032],
            color=color,
            transform=axes.transAxes,
            clip_on=False,
            lw=0,
        )
        label = axes.text(
            start + width / 2, height - 0.004, f"{round(step, 2):g}", transform=axes.transAxes, ha="center", va="center"
        )
        label.set(fontsize=8.5, color="#ffffff" if dark else "#1c2023")
    if lattice.mean.min() < good < lattice.mean.max():
        axes.plot(
            [left - 0.32, left - 0.27], [height] * 2, transform=axes.transAxes, color=style.INK, lw=1.4, clip_on=False
        )
        axes.text(left - 0.26, height, f"good {good:g}", transform=axes.transAxes, va="center", color=style.SOFT)
    axes.text(
        left - 0.012,
        height,
        printable(attribute)[:14],
        transform=axes.transAxes,
        ha="right",
        va="center",
        color=style.SOFT,
    )


def _round_steps(low: float, high: float) -> Floats:
    """Two to four round scores between the ends, or the nearest one where they are too close."""
    step = next((s for s in ROUND_STEPS if (high - low) / s <= 4), high - low)
    steps = np.arange(np.ceil(low / step) * step, high + 1e-9, step) if step > 0 else np.array([])
    return steps if len(steps) else np.array([round((low + high) / 2, 1)])

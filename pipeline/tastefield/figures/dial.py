"""The dial line: shot time against the grinder's dial, and where on it the recipe's time lies."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from tastefield.figures import style
from tastefield.records import Floats

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw(
    position: Floats,
    shot_time_s: Floats,
    *,
    clock: str,
    line: tuple[float, float] | None = None,
    choked: Floats | None = None,
    aim_time_s: float | None = None,
    aim_position: float | None = None,
    position_range: tuple[float, float] | None = None,
    higher_is: str | None = None,
    written: Mapping[float, str] | None = None,
    name: str = "dial",
) -> style.Picture:
    """Draw the shots and the line through them.

    :param position: dial position of each shot, (n,); NaN where unknown.
    :param shot_time_s: its time in seconds, (n,); NaN where unknown.
    :param line: intercept and slope of log seconds in the position.
    :param choked: positions at which nothing came out.
    :param aim_time_s: time of the recipe.
    :param aim_position: dial position of the recipe.
    :param position_range: positions the data allow for that time.
    :param higher_is: ``coarser`` or ``finer``; names the direction of the dial.
    :param written: positions as the owner of the dial writes them, where those are no plain numbers.
    """
    known = np.isfinite(position) & np.isfinite(shot_time_s)
    stuck = np.asarray([] if choked is None else choked, dtype=float)
    stuck = stuck[np.isfinite(stuck)]

    def on(axes: Axes) -> None:
        if position_range is not None:
            axes.axvspan(*position_range, color=style.ACCENT, alpha=0.14, lw=0)
        seen = np.concatenate([position[known], stuck, [] if aim_position is None else [aim_position]])
        if line is not None and len(seen):
            reach = np.linspace(seen.min(), seen.max(), 40)
            axes.plot(reach, np.exp(line[0] + line[1] * reach), color=style.INK, lw=1.4)
        axes.plot(position[known], shot_time_s[known], "o", ms=6, mfc=style.PAPER, mec=style.INK, mew=1.2)
        if aim_time_s is not None:
            axes.axhline(aim_time_s, color=style.ACCENT, lw=1.2, ls=(0, (4, 3)))
            if aim_position is not None:
                axes.plot([aim_position], [aim_time_s], "+", ms=16, mec=style.PAPER, mew=4.5)
                axes.plot([aim_position], [aim_time_s], "+", ms=15, mec=style.ACCENT, mew=2.2)
                style.say(axes, (aim_position, aim_time_s), "set this", (10, 8), bold=True)
        if written:
            places = _apart(written)
            axes.set_xticks(places, [written[place] for place in places])
        axes.margins(0.08, 0.14)
        style.whole_numbers(axes.yaxis)
        for place in np.unique(stuck):
            axes.annotate("choked", (place, 1), (0, -8), ("data", "axes fraction"), "offset points", ha="center",
                          color=style.ACCENT)  # fmt: skip
        way = f" ({'to the right' if written else 'higher'} is {higher_is})" if higher_is else ""
        style.heading(axes, f"seconds {clock}, against the dial{way}")

    label = f"Shot time against the dial, {int(known.sum())} shots"
    return style.Picture(name, label, (5.3, 2.9), (0.07, 0.125, 0.92, 0.755), on)


def _apart(places: Iterable[float]) -> list[float]:
    """Places with room for a label each: no two nearer than a sixth of what they span."""
    kept: list[float] = []
    ordered = sorted(places)
    for place in ordered:
        if not kept or place - kept[-1] >= (ordered[-1] - ordered[0]) / 6:
            kept.append(place)
    return kept

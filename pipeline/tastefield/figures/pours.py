"""Pour curves: weight in the cup against time, one line a recorded shot, named at its end where there is room."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from tastefield.figures import style
from tastefield.records import Floats
from tastefield.words.phrases import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

POINTS = 90
"""Points of a line; more cannot be told apart at this size."""
NAMED = 6
"""Lines that can be named at their ends."""
LONGEST = 12
"""Letters of a name that fit there."""


def draw(
    pours: Mapping[str, tuple[Floats, Floats]],
    scores: Mapping[str, float],
    *,
    scale: tuple[float, float],
    good: float,
    attribute: str,
    clock: str,
    aim: tuple[float, float] | None = None,
    name: str = "pours",
) -> style.Picture:
    """Draw the recordings.

    :param pours: shot -> seconds (n,) and grams (n,) of its recording.
    :param scores: shot -> mean score; a shot without one was not tasted.
    :param clock: what the seconds are counted from, as words after "seconds".
    :param aim: time and weight out of the recipe.
    """
    ends = sorted(((float(t[-1]), float(g[-1]), shot) for shot, (t, g) in pours.items()), key=lambda end: end[1])

    def on(axes: Axes) -> None:
        for shot, (seconds, grams) in pours.items():
            at = np.unique(np.linspace(0, len(seconds) - 1, POINTS).astype(int))
            tasted = shot in scores and np.isfinite(scores[shot])
            color = style.score_color(scores[shot], scale, good) if tasted else style.SOFT
            axes.plot(seconds[at], grams[at], color=style.INK if tasted else style.SOFT, lw=2.6 if tasted else 1.0)
            if tasted:
                axes.plot(seconds[at], grams[at], color=color, lw=1.6)
        if aim is not None:
            axes.plot(*aim, "+", ms=16, mec=style.PAPER, mew=4.5)
            axes.plot(*aim, "+", ms=15, mec=style.ACCENT, mew=2.2)
            style.say(axes, aim, "set this", (-10, 8), bold=True)
        if len(ends) <= NAMED:
            gap, last = 0.06 * max(max(out for _, out, _ in ends), 1.0), -np.inf
            for stop, out, shot in ends:
                last = max(out, last + gap)
                text = printable(shot)
                short = text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}\u2026"
                style.say(axes, (stop, last), short, (5, 0))
        axes.margins(0.14, 0.08)
        axes.set_xlim(left=min(0.0, axes.get_xlim()[0]))
        style.whole_numbers(axes.yaxis)
        style.heading(axes, f"grams in the cup, against seconds {clock}")

    label = f"Weight in the cup against time of {len(pours)} recorded shots, coloured by {printable(attribute)}"
    return style.Picture(name, label, (5.3, 3.2), (0.07, 0.125, 0.92, 0.755), on)

"""Strength and extraction of each read shot: two upright rules, a line from one to the other, coloured by its score.

What is in the cup (strength, left) and what was taken from the coffee (extraction, right) of one shot are tied by its
ratio: lines of short shots fall, those of long ones rise. No region of either is marked as right: its score says
whether a shot is good.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tastefield.figures import style
from tastefield.records import Floats
from tastefield.words.phrases import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw(
    tds_pct: Floats,
    extraction_pct: Floats,
    score: Floats,
    *,
    scale: tuple[float, float],
    good: float,
    attribute: str,
    aim: tuple[float, float] | None = None,
    name: str = "strength",
) -> style.Picture:
    """Draw the shots that were read.

    :param tds_pct: strength of each shot, (n,); NaN where not read. :param extraction_pct: extraction, (n,).
    :param score: mean score, (n,); NaN where not tasted: those lines are thin and grey.
    :param aim: strength and extraction expected at the recipe.
    """
    known = np.isfinite(tds_pct) & np.isfinite(extraction_pct)
    strength, extraction, tasted = tds_pct[known], extraction_pct[known], score[known]
    both = [np.append(values, aim[at]) if aim else values for at, values in enumerate((strength, extraction))]
    (low, high), (few, much) = ((float(values.min()), float(values.max())) for values in both)

    def up(value: Floats | float, bottom: float, top: float) -> Floats:
        return np.asarray((value - bottom) / ((top - bottom) or 1.0))

    def on(axes: Axes) -> None:
        for tds, taken, points in sorted(
            zip(strength, extraction, tasted, strict=True), key=lambda one: one[2] == one[2]
        ):
            ends = [float(up(tds, low, high)), float(up(taken, few, much))]
            if np.isfinite(points):
                axes.plot([0, 1], ends, color=style.INK, lw=3.2)
                axes.plot([0, 1], ends, color=style.score_color(points, scale, good), lw=2.2)
            else:
                axes.plot([0, 1], ends, color=style.SOFT, lw=0.9)
        if aim is not None:
            ends = [float(up(aim[0], low, high)), float(up(aim[1], few, much))]
            axes.plot([0, 1], ends, color=style.PAPER, lw=5.0)
            axes.plot([0, 1], ends, color=style.ACCENT, lw=2.2, ls=(0, (6, 2)))
            style.say(axes, (0.5, sum(ends) / 2), "set this", bold=True)
        for x, bottom, top, side in ((0, low, high, "right"), (1, few, much, "left")):
            for share in (0.0, 0.25, 0.5, 0.75, 1.0):
                text = f"{bottom + share * (top - bottom):.1f} %"
                axes.annotate(text, (x, share), (-6 if x == 0 else 6, 0), "data", "offset points", ha=side, va="center",
                              color=style.INK)  # fmt: skip
            axes.plot([x, x], [0, 1], color=style.LINE, lw=1.2, zorder=0)
        axes.annotate("strength", (0, 1), (0, 14), "data", "offset points", ha="center", color=style.SOFT)
        axes.annotate("extraction", (1, 1), (0, 14), "data", "offset points", ha="center", color=style.SOFT)
        axes.set(xlim=(-0.22, 1.22), ylim=(-0.06, 1.03), xticks=[], yticks=[])
        for spine in axes.spines.values():
            spine.set_visible(False)

    label = f"Strength and extraction of {int(known.sum())} read shots, coloured by {printable(attribute)}"
    return style.Picture(name, label, (5.3, 3.3), (0.02, 0.03, 0.96, 0.85), on)

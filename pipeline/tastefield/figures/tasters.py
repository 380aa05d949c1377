"""Who scored what: one row a taster, every score a dot, the mean a bar."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from tastefield.figures import style
from tastefield.records import Floats
from tastefield.words.phrases import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LONGEST = 16
"""Letters of a taster's name that fit beside the row."""
MOST = 12
"""Rows that can still be read."""


def draw(
    scores: Mapping[str, Floats],
    *,
    scale: tuple[float, float],
    good: float,
    attribute: str,
    name: str = "tasters",
) -> style.Picture:
    """Draw the scores of each taster in the order given, at most :data:`MOST` of them.

    :param scores: taster -> scores.
    """
    rows = list(scores.items())[:MOST]

    def on(axes: Axes) -> None:
        axes.axvline(good, color=style.INK, lw=1.4)
        axes.annotate(f"good {good:g}", (good, 1), (4, 2), ("data", "axes fraction"), "offset points", color=style.INK)
        for row, (_, values) in enumerate(rows):
            lift = (np.arange(len(values)) * 0.382) % 0.4 - 0.2  # set apart by a fixed pattern, so bytes stay the same
            colors = [style.score_color(value, scale, good) for value in values]
            axes.scatter(values, row + lift, s=30, c=colors, edgecolors=style.INK, linewidths=0.7, zorder=3)
            axes.plot([np.mean(values)] * 2, [row - 0.36, row + 0.36], color=style.ACCENT, lw=2.2)
        named = [printable(who) for who, _ in rows]
        axes.set_yticks(range(len(rows)), [who if len(who) <= LONGEST else who[: LONGEST - 1] + "…" for who in named])
        axes.set(ylim=(len(rows) - 0.4, -0.6))
        style.heading(axes, f"{printable(attribute)} by taster")

    height = 0.95 + 0.34 * len(rows)
    label = f"{attribute} by {len(rows)} tasters"
    return style.Picture(name, label, (5.3, height), (0.24, 0.3 / height, 0.75, 1 - 0.75 / height), on)

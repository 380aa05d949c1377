"""Taste against extraction, where a reading informs it: an outcome of ratio and time, never a target of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tastefield.figures import style
from tastefield.records import Floats, Lattice
from tastefield.words.phrases import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BINS = 24
"""Steps of extraction in which the surface is summed up."""


def draw(
    lattice: Lattice | None,
    extraction_pct: Floats,
    score: Floats,
    *,
    scale: tuple[float, float],
    good: float,
    attribute: str,
    aim_pct: float | None = None,
    name: str = "extraction",
) -> style.Picture:
    """Draw shots that were read and tasted, and the span of scores the surface expects at each extraction.

    :param lattice: the stored surface with its extraction; ``None`` draws the shots alone.
    :param extraction_pct: extraction of each shot, (n,); NaN where not read.
    :param score: mean score of each shot, (n,); NaN where not tasted.
    :param aim_pct: extraction expected at the recipe.
    """
    known = np.isfinite(extraction_pct) & np.isfinite(score)

    def on(axes: Axes) -> None:
        import seaborn as sns

        if lattice is not None and lattice.extraction_pct is not None and lattice.supported.any():
            middle, low, high = _span(lattice)
            axes.fill_between(middle, low, high, color=style.score_color(good, scale, good), alpha=0.35, lw=0)
            style.say(axes, (float(middle[high.argmax()]), float(high.max())), "expected", (0, 9))
        axes.axhline(good, color=style.INK, lw=1.4)
        colors = [style.score_color(value, scale, good) for value in score[known]]
        axes.scatter(
            extraction_pct[known], score[known], s=42, c=colors, edgecolors=style.INK, linewidths=0.8, zorder=3
        )
        unread = extraction_pct[np.isfinite(extraction_pct) & ~known]
        if len(unread):
            sns.rugplot(x=unread, ax=axes, color=style.SOFT, height=0.03)
        if aim_pct is not None:
            axes.axvline(aim_pct, color=style.ACCENT, lw=1.8)
            axes.annotate(
                "set this", (aim_pct, 0), (4, 7), ("data", "axes fraction"), "offset points", color=style.ACCENT
            )
        axes.annotate(f"good {good:g}", (1, good), (0, 7), ("axes fraction", "data"), "offset points", ha="right",
                      color=style.INK)  # fmt: skip
        axes.set(xlabel="", ylabel="")
        axes.xaxis.set_major_formatter("{x:g} %")
        style.heading(axes, f"{printable(attribute)} against extraction")

    label = f"{attribute} against extraction of {int(known.sum())} shots"
    return style.Picture(name, label, (5.3, 3.0), (0.07, 0.125, 0.92, 0.755), on)


def _span(lattice: Lattice) -> tuple[Floats, Floats, Floats]:
    """Lowest and highest expected score over the supported recipes of each step of extraction."""
    seen = np.asarray(lattice.extraction_pct)[lattice.supported]
    mean = lattice.mean[lattice.supported]
    edges = np.linspace(seen.min(), seen.max() + 1e-9, BINS + 1)
    step = np.clip(np.digitize(seen, edges) - 1, 0, BINS - 1)
    filled = np.unique(step)
    low = np.array([mean[step == s].min() for s in filled])
    high = np.array([mean[step == s].max() for s in filled])
    return (edges[filled] + edges[filled + 1]) / 2, low, high

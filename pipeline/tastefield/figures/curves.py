"""Liking where one thing of the recipe changes and the other stays, with its doubt; faded where it is a guess."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tastefield.figures import style
from tastefield.records import Floats
from tastefield.words.phrases import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WHOLE = 4.0
"""A factor that runs over so much is ticked at whole numbers."""


def draw(
    along: Floats,
    expected: Floats,
    lower: Floats,
    upper: Floats,
    supported: NDArray[np.bool_],
    *,
    what: str,
    written: Callable[[float], str],
    aim: float,
    scale: tuple[float, float],
    good: float,
    attribute: str,
    pulled: Floats | None = None,
    name: str = "curve",
) -> style.Picture:
    """Draw expected score along one factor.

    :param along: (n,) increasing values of the factor. :param expected: (n,) expected score there.
    :param lower: (n,) lower end of its 90 % interval. :param upper: (n,) upper end.
    :param supported: (n,) whether data speak there.
    :param what: what changes and what stays, above the figure. :param written: how a value is written below it.
    :param aim: the recipe's value. :param pulled: values at which shots were tasted, marked on the edge.
    """
    color = style.score_color(good + 0.12 * (scale[1] - scale[0]), scale, good)

    def on(axes: Axes) -> None:
        axes.fill_between(along, lower, upper, color=color, alpha=0.12, lw=0)
        spoken = np.where(supported, 1.0, np.nan)
        axes.fill_between(along, lower * spoken, upper * spoken, color=color, alpha=0.3, lw=0)
        axes.plot(along, expected, color=style.SOFT, lw=1.2, ls=(0, (2, 2)))
        axes.plot(along, expected * spoken, color=style.INK, lw=2.2)
        axes.axhline(good, color=style.INK, lw=1.0, ls=(0, (5, 3)))
        axes.axvline(aim, color=style.ACCENT, lw=1.8)
        if pulled is not None and len(pulled):
            axes.plot(pulled, np.zeros(len(pulled)), "|", ms=9, mec=style.INK, mew=1.2,
                      transform=axes.get_xaxis_transform(), clip_on=False)  # fmt: skip
        low, high = max(scale[0], float(lower.min()) - 0.3), min(scale[1], max(float(upper.max()), good) + 0.4)
        axes.set(xlim=(along[0], along[-1]), ylim=(low, high))
        left = (aim - along[0]) > 0.7 * (along[-1] - along[0])
        axes.annotate("set this", (aim, 1), (-4 if left else 4, -6), ("data", "axes fraction"), "offset points",
                      ha="right" if left else "left", va="top", color=style.ACCENT, fontweight="bold")  # fmt: skip
        axes.annotate(f"good {good:g}", (1, good), (0, 6), ("axes fraction", "data"), "offset points", ha="right",
                      color=style.INK)  # fmt: skip
        style.whole_numbers(axes.yaxis)
        if along[-1] - along[0] >= WHOLE:
            style.whole_numbers(axes.xaxis)
        axes.xaxis.set_major_formatter(lambda value, _: written(float(value)))
        style.heading(axes, what)

    label = f"Expected {printable(attribute)}, {what}"
    return style.Picture(name, label, (5.3, 2.9), (0.07, 0.125, 0.9, 0.755), on)

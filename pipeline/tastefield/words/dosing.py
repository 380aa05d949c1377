"""Dosing: what is said of a grinder's dose timer and of a button that ends the shot, to be translated in one place.

That a timer gives less at a finer grind, that a few grams still drip after a button, and that both hold only while
coffee, dose and grind stay, is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

TIMER = (
    "Dose timer {setting}: about {dose:.1f} g ({low:.1f} to {high:.1f}), from {shots} weighed. It gives less as the "
    "grind gets finer: weigh the dose and re-program the timer when grind or coffee changes."
)
BUTTON = (
    "Button: gave {out:.0f} g{span} with {dose} of {coffee}, weighed {times}. A few grams still drip after it stops: "
    "wait, then weigh. Weigh and re-program it when coffee, dose or grind changes."
)
REPROGRAMMED = re.compile(
    r"\bre-?program|\bprogrammed\b|\b(?:button|programme)\b.*\b(?:re-?set|set (?:anew|again|to)|changed)\b"
)
"""How a note says that a button was set anew."""
TIMES = {1: "once", 2: "twice"}


def dosing_lines(dosing: Mapping[str, Any] | None) -> list[str]:
    """What to say of timer and button, one text each.

    :param dosing: as in the results file; ``None`` where there is neither.
    """
    told = []
    timer, button = (dosing or {}).get("timer"), (dosing or {}).get("button")
    if timer:
        dose, low, high = timer["dose_g"]
        told.append(TIMER.format(setting=timer["setting"], dose=dose, low=low, high=high, shots=timer["shots"]))
    if button:
        out, low, high = button["beverage_g"]
        span = "" if round(low) == round(high) else f" ({low:.0f} to {high:.0f})"
        dose = "the usual dose" if button["dose_g"] is None else f"{button['dose_g']:.1f} g"
        times = TIMES.get(button["shots"], f"{button['shots']} times")
        told.append(BUTTON.format(out=out, span=span, dose=dose, coffee=button["coffee"], times=times))
    return told

"""Dosing: what is said of a grinder's dose timer and of a button that ends the shot, with the card's texts.

That a timer gives less at a finer grind, that a few grams still drip after a button, and that both hold only while
coffee, dose and grind stay, is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from tastefield.words.texts import CARD, numeral, say

REPROGRAMMED = re.compile(
    r"\bre-?program|\bprogrammed\b|\b(?:button|programme)\b.*\b(?:re-?set|set (?:anew|again|to)|changed)\b"
)
"""How a note says that a button was set anew."""
TIMES = {1: "once", 2: "twice"}


def dosing_lines(dosing: Mapping[str, Any] | None, texts: Mapping[str, str] = CARD) -> list[str]:
    """What to say of timer and button, one text each.

    :param dosing: as in the results file; ``None`` where there is neither.
    """
    told = []
    timer, button = (dosing or {}).get("timer"), (dosing or {}).get("button")
    if timer:
        dose, low, high = (numeral(texts, value, 1) for value in timer["dose_g"])
        filled = {"setting": timer["setting"], "dose": dose, "low": low, "high": high, "shots": timer["shots"]}
        told.append(say(texts, "dosing.timer", **filled))
    if button:
        out, low, high = (numeral(texts, value) for value in button["beverage_g"])
        span = "" if low == high else " " + say(texts, "dosing.span", low=low, high=high)
        dose = texts["figure.usual_dose"] if button["dose_g"] is None else f"{numeral(texts, button['dose_g'], 1)} g"
        weighed = TIMES.get(button["shots"], "times")
        times = say(texts, f"dosing.{weighed}", count=button["shots"])
        filled = {"out": out, "span": span, "dose": dose, "coffee": button["coffee"], "times": times}
        told.append(say(texts, "dosing.button", **filled))
    return told

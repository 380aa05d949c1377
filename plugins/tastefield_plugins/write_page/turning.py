"""What to turn when the coffee changes or it tastes wrong, in words: for the bench, and for whoever gets the card."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tastefield.words import ladder as rungs
from tastefield.words.numbers import CLOCKS, number
from tastefield.words.phrases import printable

NEAR = 0.1
"""Times within this of the recipe's are right where a stored run tells no ladder."""


def turning(entry: Mapping[str, Any], pressurised: bool, clock: str, same_grinder: bool) -> dict[str, Any]:
    """Steps for a new coffee, the table by taste and time, and what one change does.

    :param entry: the setup's object in the results file. :param clock: what its seconds are counted from.
    :param same_grinder: whether it is for somebody who has the grinder of the setup; on another one neither its steps
        nor its chokes mean anything.
    """
    aim, settings = entry["aim"], entry["settings"] or {}
    ladder = entry.get("ladder") or _usual(entry, pressurised)
    if not same_grinder:
        settings, ladder = {}, rungs.without_numbers(ladder["time_s"], pressurised)
    ladder = {**ladder, "choked": ladder["choked"] and printable(ladder["choked"])}
    fill = rungs.words(ladder, settings, aim["dose_g"])
    start = "mark" if aim["grind_setting"] is not None else "here"
    start = "basket" if pressurised else start if same_grinder else "stays"
    counted = clock if clock in CLOCKS.values() else CLOCKS["pump"]
    return {
        "steps": rungs.five_steps(fill, start, f"{number(aim['beverage_g'])} g", counted),
        "meanings": rungs.meanings(ladder, fill),
        "heads": rungs.heads(ladder),
        "rows": rungs.rows(ladder, fill),
        "changes": rungs.changes(ladder, fill),
    }


def _usual(entry: Mapping[str, Any], pressurised: bool) -> dict[str, Any]:
    time, window = entry["aim"]["shot_time_s"], entry["window"] or {}
    return rungs.without_numbers(window.get("shot_time_s") or (time * (1 - NEAR), time * (1 + NEAR)), pressurised)

"""The words of the card that leaves with a machine: for its next owner, who has no log and another coffee."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tastefield.records import SetupResult
from tastefield.words.phrases import more_often_poor
from tastefield_plugins.write_page.numbers import CLOCKS, number, span

DIRECTIONS = {
    "letters": ("an earlier letter", "a later letter"),
    "clock": ("anticlockwise", "clockwise"),
    "turns": ("fewer clicks", "more clicks"),
    "list": ("an earlier label", "a later label"),
}
"""Down and up a dial that has no numbered marks, by the notation of its settings."""


def card(result: SetupResult, words: Mapping[str, Any]) -> dict[str, Any]:
    """Date, dial, remedies and the steps for a new coffee, of a setup that has a recipe.

    :param words: what the section already says.
    """
    entry = result.entry
    aim, window, settings = entry["aim"], entry["window"] or {}, entry["settings"] or {}
    pressurised = "basket_kind" in result.shots and bool((result.shots["basket_kind"] == "pressurised").any())
    finer, coarser = _directions(settings.get("higher_is"), settings.get("notation"))
    recipe = f"{number(aim['dose_g'], 1)} g gives {number(aim['beverage_g'])} g in {number(aim['shot_time_s'])} s"
    return {
        "date": entry["last_pulled"] or "",
        "hold": _hold(entry),
        "grind": _grind(aim["grind_setting"], recipe, pressurised),
        "pressurised": pressurised,
        "out_range": span(window.get("beverage_g"), "g"),
        "time_range": span(window.get("shot_time_s"), "s"),
        "remedies": _remedies(window.get("shot_time_s"), finer, coarser, pressurised),
        "steps": _steps(aim, words["clock"], finer, coarser, pressurised),
    }


def _hold(entry: Mapping[str, Any]) -> str:
    """Why this card should not leave yet; empty where it may."""
    if entry["status"] in ("window", "confirmed"):
        return ""
    if not entry["tasted"]:
        return "Nothing was tasted here yet: pull the next shots and taste them before it leaves."
    if more_often_poor(entry):
        return "Not ready to leave: fewer than half of such shots are expected to be good. Pull the next shots first."
    return "Best guess, not confirmed: pull the next shots before it leaves."


def _grind(setting: str | None, recipe: str, pressurised: bool) -> str:
    if pressurised:
        return "The basket sets the time: leave the grind as it is"
    return f"Until {recipe}" if setting is None else f"{setting}"


def _directions(higher_is: str | None, notation: str | None) -> tuple[str, str]:
    """How to say finer and coarser on this dial."""
    down, up = DIRECTIONS.get(notation or "", ("a lower mark", "a higher mark"))
    if higher_is == "coarser":
        return f"finer ({down})", f"coarser ({up})"
    if higher_is == "finer":
        return f"finer ({up})", f"coarser ({down})"
    return "finer", "coarser"


def _remedies(limits: Any, finer: str, coarser: str, pressurised: bool) -> list[tuple[str, str]]:
    """What happens and what to do; one change at a time. Common practice."""
    fast = f"Runs fast (under {number(limits[0])} s)" if limits else "Runs faster than this"
    slow = f"Runs slow (over {number(limits[1])} s)" if limits else "Runs slower than this"
    uneven = ("Sour and bitter, or spurts", "Spread and press the coffee evenly; look at basket and age of the coffee.")
    if pressurised:
        return [
            (fast, "Check that the dose is full and the coffee fresh."),
            (slow, "Clean the basket; use half a gram less coffee."),
            ("Tastes sour or sharp", "Let 2 g more out."),
            ("Tastes bitter or dry", "Let 2 g less out."),
            uneven,
        ]
    return [
        (fast, f"Grind one step {finer}, while the grinder runs."),
        (slow, f"Grind one step {coarser}."),
        ("Tastes sour or sharp", "Let 2 g more out. Still sour: one step finer, while the grinder runs."),
        ("Tastes bitter or dry", "Let 2 g less out. Still bitter: one step coarser."),
        (uneven[0], f"{uneven[1]} Not finer."),
    ]


def _steps(aim: Mapping[str, Any], clock: str, finer: str, coarser: str, pressurised: bool) -> list[str]:
    """From a bag never tried to a cup that tastes good. Common practice."""
    start = "start from the mark above" if aim["grind_setting"] is not None else "start from where the grinder stands"
    turn = (
        f"Too fast: {finer}, while the grinder runs. Too slow: {coarser}. One step a shot; throw away the first few "
        "grams after each."
    )
    if pressurised:
        start = "leave the grind as it is"
        turn = "Far too fast or slow: half a gram of coffee more or less, never over what the basket is made for."
    counted = clock if clock in CLOCKS.values() else CLOCKS["pump"]
    return [
        f"Keep {number(aim['dose_g'], 1)} g in and {start}.",
        f"Let {number(aim['beverage_g'])} g out and note the seconds {counted}.",
        turn,
        "Near the time above, taste: sour, let 2 g more out; bitter, 2 g less.",
        "Tastes good? Pull it once more to be sure, then write down in, out, seconds and mark.",
    ]

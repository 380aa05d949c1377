"""The words of the card that leaves with a machine: for its next owner, who has no log and another coffee."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tastefield.records import SetupResult
from tastefield.words.checks import HOLD
from tastefield.words.dosing import dosing_lines
from tastefield.words.numbers import number, span
from tastefield.words.phrases import more_often_poor, printable
from tastefield_plugins.write_page.turning import turning


def card(result: SetupResult, words: Mapping[str, Any]) -> dict[str, Any]:
    """Date, dial, the table of what to turn and the steps for a new coffee, of a setup that has a recipe.

    :param words: what the section already says.
    """
    entry = result.entry
    aim, window, settings = entry["aim"], entry["window"] or {}, entry["settings"] or {}
    pressurised = "basket_kind" in result.shots and bool((result.shots["basket_kind"] == "pressurised").any())
    leaves = settings.get("leaves") is not False
    setting = aim["grind_setting"] if leaves else None
    recipe = f"{number(aim['dose_g'], 1)} g gives {number(aim['beverage_g'])} g in {number(aim['shot_time_s'])} s"
    return {
        "date": entry["last_pulled"] or "",
        "hold": _hold(entry),
        "setting": setting,
        "leaves": leaves,
        "grind": _grind(setting, recipe, pressurised),
        "pressurised": pressurised,
        "out_range": span(window.get("beverage_g"), "g"),
        "time_range": span(window.get("shot_time_s"), "s"),
        "dosing": [printable(line) for line in dosing_lines(_dosing(entry.get("dosing"), leaves))],
        "turning": turning(entry, pressurised, words["clock"], leaves),
    }


def _dosing(dosing: Mapping[str, Any] | None, leaves: bool) -> Mapping[str, Any] | None:
    """Without the timer of a grinder that stays behind."""
    return dosing if dosing is None or leaves else {**dosing, "timer": None}


def _hold(entry: Mapping[str, Any]) -> str:
    """Why this card should not leave yet; empty where it may."""
    failed = [one["message"] for one in entry["findings"] if one["code"] == "check_failed"]
    if failed:
        return f"{printable(failed[0])} {HOLD}"
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

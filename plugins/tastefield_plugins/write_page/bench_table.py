"""One line of the bench table: what a technician needs of a setup before opening its section."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tastefield.records import SetupResult
from tastefield.words.phrases import chance_in_words, count, dial, held, printable, readiness, recipe
from tastefield_plugins.write_page.numbers import UNKNOWN_CLOCK, clock_words

NOT_RECORDED = "not recorded"
"""What stands in the key of a setup where its log left a column empty."""


def row(result: SetupResult) -> dict[str, Any]:
    """The line of one setup, in words."""
    entry = result.entry
    machine, rest = names(entry["key"])
    aim = entry["aim"]
    recommended = _pull(aim, entry) if aim else ""
    return {
        "slug": entry["slug"],
        "status": "held" if held(entry) else entry["status"],
        "machine": machine,
        "also": rest,
        "coffee": printable(entry["key"].get("coffee") or NOT_RECORDED),
        "ready": readiness(entry),
        "set": recommended,
        "clock": clock if (clock := clock_words(result)) == UNKNOWN_CLOCK else "",
        "sure": chance_in_words(entry["assurance"], entry["tasted"]),
        "next": following(entry)[0].replace(recommended, "Pull this", 1) if aim else following(entry)[0],
    }


def names(key: Mapping[str, Any]) -> tuple[str, str]:
    """Name of the machine, and of whatever else makes the setup besides its coffee."""
    machine = key.get("machine")
    others = [
        f"{column} {printable(value)}"
        for column, value in key.items()
        if column not in ("machine", "coffee") and value and value not in (machine, NOT_RECORDED)
    ]
    return printable(machine or NOT_RECORDED), ", ".join(others)


def following(entry: Mapping[str, Any]) -> list[str]:
    """What to pull next, one sentence a shot; never empty."""
    shots = [
        ". ".join(part for part in (_pull(shot, entry), printable(shot["why"])) if part) for shot in entry["next_shots"]
    ]
    if shots:
        return shots
    if entry["status"] == "window":
        return ["Pull 2 at this recipe and taste them, to confirm it"]
    if entry["status"] == "confirmed":
        return ["Nothing: hand it over"]
    if entry["status"] == "tentative":
        return ["No further shot is worth its coffee: taste this recipe and decide"]
    wanted = 3 - entry["tasted"]
    return [
        f"Pull and taste {count(wanted, 'more shot')}" if wanted > 0 else "Read the findings below, then taste again"
    ]


def _pull(shot: Mapping[str, Any], entry: Mapping[str, Any]) -> str:
    clock = entry["aim"]["clock"] if entry["aim"] else None
    what = [recipe({**shot, "clock": clock}), dial(shot)]
    return ", ".join(part for part in what if part) or "One more shot"

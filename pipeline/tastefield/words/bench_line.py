"""One line of the table of the bench: what a technician needs of a setup before opening its section."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tastefield.words.checks import NOTHING_TO_PULL, SAY_FIRST
from tastefield.words.clock import UNKNOWN_CLOCK, clock_words
from tastefield.words.phrases import (
    FEW_TASTED,
    NOT_RECORDED,
    READY,
    SHOTS_TO_CONFIRM,
    count,
    denied,
    held,
    how_sure,
    mark,
    printable,
    readiness,
    recipe,
    unsafe,
)

NO_SHOT = "One more shot"
"""A shot of which nothing is told."""
RANKS = (*READY, "tentative", "insufficient", "failed", "held")
"""Every status, the readiest first; lines of the bench table sort by it."""


def bench_line(entry: Mapping[str, Any], clock: str | None) -> dict[str, Any]:
    """The line of one setup, in words.

    :param entry: its object in the results file. :param clock: the clock of its times, pump or first_drip.
    """
    machine, rest = names(entry["key"])
    aim = entry["aim"]
    recommended = pull(aim, entry) if aim else ""
    told = "".join(f"{printable(one['message'])} " for one in entry["findings"] if one["code"] == "card_changed")
    return {
        "slug": entry["slug"],
        "status": status(entry),
        "rank": RANKS.index(status(entry)),
        "is": "held" if held(entry) else "ready" if entry["status"] in READY else "not",
        "chance": None if denied(entry) else entry["assurance"],
        "machine": machine,
        "also": rest,
        "coffee": printable(entry["key"].get("coffee") or NOT_RECORDED),
        "ready": readiness(entry),
        "set": recommended,
        "clock": counted if (counted := clock_words(clock)) == UNKNOWN_CLOCK else "",
        "sure": how_sure(entry),
        "next": told + _first(entry, recommended),
    }


def _first(entry: Mapping[str, Any], recommended: str) -> str:
    """What to do first, as a sentence, and how many shots follow it.

    :param recommended: what the line says to set.
    """
    (what, why), *others = following(entry)
    if entry["next_shots"] and not held(entry) and what != NO_SHOT:
        what = "Pull this" if what == recommended else f"Pull {what}"
    more = f"Then {len(others)} more." if others else ""
    return " ".join(part for part in (f"{what}." if why or more else what, why, more) if part)


def status(entry: Mapping[str, Any]) -> str:
    """The status, or ``held`` where a bench check keeps the machine here."""
    return "held" if held(entry) else str(entry["status"])


def needs_attention(entry: Mapping[str, Any]) -> bool:
    """Whether somebody has something to do before the machine can leave."""
    return held(entry) or entry["status"] not in READY


def names(key: Mapping[str, Any]) -> tuple[str, str]:
    """Name of the machine, and of whatever else makes the setup besides its coffee."""
    machine = key.get("machine")
    others = [
        f"{column} {printable(value)}"
        for column, value in key.items()
        if column not in ("machine", "coffee") and value and value not in (machine, NOT_RECORDED)
    ]
    return printable(machine or NOT_RECORDED), ", ".join(others)


def following(entry: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What to pull next and why, a pair a shot; never empty, the reason may be."""
    if unsafe(entry):
        return [(NOTHING_TO_PULL, "")]
    shots = [(pull(shot, entry), printable(shot["why"])) for shot in entry["next_shots"]]
    if held(entry):
        return [(SAY_FIRST, ""), *shots]
    if shots:
        return shots
    wanted = FEW_TASTED - entry["tasted"]
    more = f"Pull and taste {count(wanted, 'more shot')}" if wanted > 0 else "Read the findings below, then taste again"
    told = {
        "window": f"Pull {SHOTS_TO_CONFIRM} at this recipe and taste them, to confirm it",
        "confirmed": "Nothing: hand it over",
        "tentative": "No further shot is worth its coffee: taste this recipe and decide",
    }
    return [(told.get(entry["status"], more), "")]


def pull(shot: Mapping[str, Any], entry: Mapping[str, Any]) -> str:
    """A shot as it is to be set, dial included.

    :param shot: a recipe or a next shot of the setup. :param entry: the setup's object in the results file.
    """
    clock = entry["aim"]["clock"] if entry["aim"] else None
    what = [recipe({**shot, "clock": clock}), mark(shot, entry)]
    return ", ".join(part for part in what if part) or NO_SHOT

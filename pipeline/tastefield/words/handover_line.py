"""One line a machine of the table for a coffee not yet tasted on it: where to start, how sure, what to pull first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tastefield.words.checks import NOTHING_TO_PULL
from tastefield.words.clock import CLOCKS, UNKNOWN_CLOCK
from tastefield.words.phrases import chance_in_words, printable, recipe, unsafe


def handover_line(entry: Mapping[str, Any], tasted: int) -> dict[str, Any]:
    """The line of one machine and grinder, in words.

    :param entry: its object in the results file. :param tasted: tasted shots of the whole bench.
    """
    aim = entry["aim"]
    shots = [
        f"{recipe({**shot, 'clock': aim['clock']}) if number else 'This recipe'}. {printable(shot['why'])}"
        for number, shot in enumerate(entry["next_shots"])
    ]
    return {
        "machine": printable(entry["machine"]),
        "grinder": printable(entry["grinder"]) if entry["grinder"] not in (None, entry["machine"]) else "",
        "set": recipe(aim),
        "clock": UNKNOWN_CLOCK if aim and aim["clock"] not in CLOCKS else "",
        "grind": printable(entry["settings"]["say"]) if entry["settings"] else "",
        "sure": chance_in_words(entry["assurance"], tasted),
        "pull": [NOTHING_TO_PULL] if unsafe(entry) else shots,
    }

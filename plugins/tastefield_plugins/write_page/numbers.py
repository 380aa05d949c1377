"""Numbers as a person at the bench reads them, and what the times of a setup are counted from."""

from __future__ import annotations

from tastefield.records import SetupResult
from tastefield.words.numbers import number as number
from tastefield.words.numbers import span as span
from tastefield.words.numbers import together as together
from tastefield.words.texts import CARD

UNKNOWN_CLOCK = CARD["figure.unknown"]
CLOCKS = {clock: CARD[f"figure.{clock}"] for clock in ("pump", "first_drip")}


def clock_words(result: SetupResult) -> str:
    """What the times of a setup are counted from; every time on the page carries it."""
    if result.entry["aim"]:
        return CLOCKS.get(result.entry["aim"]["clock"] or "", UNKNOWN_CLOCK)
    clocks: list[str] = list(result.shots["clock"].dropna().unique()) if "clock" in result.shots else []
    return CLOCKS.get(str(clocks[0]), UNKNOWN_CLOCK) if len(clocks) == 1 else UNKNOWN_CLOCK

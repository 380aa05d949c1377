"""What the times of a shot are counted from, in the words of the card."""

from __future__ import annotations

from tastefield.words.texts import CARD

UNKNOWN_CLOCK = CARD["figure.unknown"]
CLOCKS = {clock: CARD[f"figure.{clock}"] for clock in ("pump", "first_drip")}


def clock_words(clock: str | None) -> str:
    """What times are counted from, of a clock as the results file names it; every time that people read carries it.

    >>> clock_words("pump")
    'from pressing the button'
    """
    return CLOCKS.get(clock or "", UNKNOWN_CLOCK)

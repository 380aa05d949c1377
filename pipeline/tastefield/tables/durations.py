"""Durations as people type them, and what spreadsheets make of them: 27 s typed as 0:27 becomes 27 minutes."""

from __future__ import annotations

import datetime as dt
import re

from tastefield.tables.numbers import plain

_COLONS = re.compile(
    r"(?:(?P<hours>[0-9]{1,3}):)?(?P<minutes>[0-9]{1,3}):(?P<seconds>[0-9]{1,2}(?:[.,][0-9]+)?)\s*(?P<half>am|pm)?"
    r"(?P<unit>\s*(?:s|sec|secs|min|mins))?",
    re.IGNORECASE,
)
_WORDS = re.compile(
    r"(?P<minutes>[0-9]+)\s*(?:m|min|mins|minutes?|')\s*(?P<seconds>[0-9]{1,2}(?:[.,][0-9]+)?)\s*(?:s|secs?|seconds?|\"|'')?",
    re.IGNORECASE,
)
_SPREADSHEET_EPOCH = dt.datetime(1899, 12, 30)


class TwoMeaningsError(ValueError):
    """A time of whole minutes that a spreadsheet may have made of seconds; ``args`` holds the minutes."""


def from_text(text: str, clock: str = "") -> float | None:
    """Seconds of a text with colons or two units; ``None`` where it is neither.

    :param clock: the owner's answer, ``min:s`` or ``h:min``; without it 0:27 is read as minutes and seconds.
    :raises TwoMeaningsError: hours, minutes and no seconds, as spreadsheets export 0:27.

    >>> from_text("1:05"), from_text("1 min 5 s"), from_text("0:00:27")
    (65.0, 65.0, 27.0)
    """
    text = plain(text)
    words = _WORDS.fullmatch(text)
    if words:
        return 60.0 * int(words["minutes"]) + float(words["seconds"].replace(",", "."))
    found = _COLONS.fullmatch(text)
    if not found or float(found["seconds"].replace(",", ".")) >= 60:
        return None
    minutes, seconds = int(found["minutes"]), float(found["seconds"].replace(",", "."))
    if found["hours"] is None and not found["half"]:
        return 3600.0 * minutes + 60.0 * seconds if clock == "h:min" else 60.0 * minutes + seconds
    if minutes >= 60 or found["hours"] is None:
        return None
    hours = int(found["hours"])
    if found["half"]:
        hours = hours % 12 + (12 if found["half"].lower() == "pm" else 0)
    return from_spreadsheet(3600.0 * hours + 60.0 * minutes + seconds, clock)


def from_spreadsheet(total_s: float, clock: str = "") -> float:
    """Seconds that a spreadsheet's time stands for: it takes what is typed as 0:27 for no hours and 27 minutes.

    :raises TwoMeaningsError: whole minutes and no answer which was meant.
    """
    if total_s % 60 or total_s == 0:
        return total_s
    if clock == "min:s":
        return total_s / 60.0
    if clock == "h:min":
        return total_s
    raise TwoMeaningsError(int(total_s // 60))


def elapsed_s(cell: object) -> float | None:
    """Seconds held by a spreadsheet's time cell; ``None`` for anything else, a date of our days included."""
    if isinstance(cell, dt.timedelta):
        return cell.total_seconds()
    if isinstance(cell, dt.time):
        return 3600.0 * cell.hour + 60.0 * cell.minute + cell.second + cell.microsecond / 1e6
    if isinstance(cell, dt.datetime) and cell.tzinfo is None and cell.year <= 1900:
        return (cell - _SPREADSHEET_EPOCH).total_seconds()
    return None

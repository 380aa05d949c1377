"""Dates as people type them. A date without its year, or a bare number, is not read."""

from __future__ import annotations

import datetime as dt
import re

from tastefield.tables.numbers import plain

_MONTH_NAMES = """
    january february march april may june july august september october november december
"""
_MONTHS = {name: number for number, name in enumerate(_MONTH_NAMES.split(), 1)}
_MONTHS |= {name[:3]: number for name, number in _MONTHS.items()} | {"sept": 9}
_YEAR = r"(?P<year>[0-9]{4}|[0-9]{2})"
_GAP = r"[-/., ]+"
_DAY = r"(?P<day>[0-9]{1,2})(?:st|nd|rd|th)?"
_TIME = (
    r"(?:[T, ]+(?P<clock>[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?)\s*(?P<half>am|pm)?"
    r"\s*(?:Z|[+-][0-9]{2}:?[0-9]{2})?)?"
)
_FORMS = [
    re.compile(form + _TIME, re.IGNORECASE)
    for form in (
        r"(?P<year>[0-9]{4})[-/.](?P<month>[0-9]{1,2})[-/.](?P<day>[0-9]{1,2})",
        rf"(?P<first>[0-9]{{1,2}}){_GAP}(?P<second>[0-9]{{1,2}}){_GAP}{_YEAR}",
        rf"(?:[a-z]+day,? )?{_DAY}{_GAP}(?P<name>[a-z]+){_GAP}{_YEAR}",
        rf"(?P<name>[a-z]+){_GAP}{_DAY}{_GAP}(?P<year>[0-9]{{4}})",
    )
]
ISO = r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[ T][0-9]{2}:[0-9]{2}(?::[0-9]{2})?)?"
"""A day, or a day and a time without a zone, as most exports write them."""
_ZONE = re.compile(r":[0-9.,]{2,}\s*(?:(?P<utc>[Zz])|(?P<sign>[+-])(?P<hours>[0-9]{2}):?(?P<minutes>[0-9]{2}))\s*$")
_SHORT = re.compile(r"[0-9]{1,2}[-/. ][a-z]{3,9}|[a-z]{3,9}[-/. ][0-9]{1,2}", re.IGNORECASE)


def from_text(text: str, day_first: bool = True) -> dt.datetime | None:
    """A date, with its time of day where one is given; ``None`` where the text is none.

    A time zone is dropped: the time of day is the one on the wall.

    :param day_first: whether 3/4/2026 is the third of April.

    >>> from_text("3.4.26 14:05")
    datetime.datetime(2026, 4, 3, 14, 5)
    """
    text = plain(text)
    for form in _FORMS:
        found = form.fullmatch(text)
        if found:
            parts = found.groupdict()
            try:
                return dt.datetime.combine(_day(parts, day_first), _clock(parts))
            except ValueError:
                return None
    return None


def zone_of(cell: object) -> str:
    """The time zone a date names, as its distance from UTC; empty where it names none.

    >>> zone_of("2026-03-04T10:05Z"), zone_of("2026-03-04 10:05 -0500"), zone_of("2026-03-04")
    ('+00:00', '-05:00', '')
    """
    if isinstance(cell, dt.datetime):
        away = cell.utcoffset()
        if away is None:
            return ""
        minutes = round(away.total_seconds() / 60)
        return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    if not isinstance(cell, str):
        return ""
    found = _ZONE.search(cell[-12:])
    if found is None:
        return ""
    return "+00:00" if found["utc"] else f"{found['sign']}{found['hours']}:{found['minutes']}"


def looks_like_short_date(text: str) -> bool:
    """Whether a text is what spreadsheets export for 4-2 typed into a plain cell: 02-Apr, Apr-02."""
    text = plain(text)
    return bool(_SHORT.fullmatch(text)) and any(word in _MONTHS for word in re.findall(r"[a-z]+", text.casefold()))


def _day(parts: dict[str, str | None], day_first: bool) -> dt.date:
    written = parts["year"] or ""
    year = int(written) + (2000 if len(written) == 2 else 0)
    if parts.get("first"):
        first, second = int(parts["first"] or 0), int(parts["second"] or 0)
        return dt.date(year, second, first) if day_first else dt.date(year, first, second)
    name = parts.get("name")
    month = _MONTHS.get(name.casefold(), 0) if name else int(parts["month"] or 0)
    return dt.date(year, month, int(parts["day"] or 0))


def _clock(parts: dict[str, str | None]) -> dt.time:
    clock = parts["clock"]
    if not clock:
        return dt.time()
    hour, minute, *rest = clock.replace(",", ".").split(":")
    hours = int(hour)
    if parts["half"]:
        hours = hours % 12 + (12 if parts["half"].casefold() == "pm" else 0)
    second = float(rest[0]) if rest else 0.0
    return dt.time(hours, int(minute), int(second), round(second % 1 * 1e6) % 1_000_000)

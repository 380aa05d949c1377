"""Numbers as people type them: 27.5, 27,5, 18 g, ~18, 1.234,5. A comma that may mean two things is asked about."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

_NUMBER = re.compile(
    r"(?:~|≈|about |approx\.? |ca?\. ?|ca )?\s*"
    r"(?P<number>[-+]?(?:[0-9][0-9.,' ]*[0-9]|[0-9])[.,]?(?:e[-+]?[0-9]+)?|[-+]?[.,][0-9]+)\s*(?P<unit>[^0-9\s].*)?",
    re.IGNORECASE,
)
_GROUPED = re.compile(r"[-+]?[0-9]{1,3}(?:([.,' ])[0-9]{3})(?:\1[0-9]{3})*")
_EITHER = re.compile(r"[-+]?[1-9][0-9]{0,2}[.,][0-9]{3}")


class TwoMeaningsError(ValueError):
    """A separator that may be a decimal mark or group thousands."""


def plain(text: str) -> str:
    """Text with full-width digits, odd spaces and long minus signs made ordinary."""
    text = unicodedata.normalize("NFKC", text).replace("\u2212", "-").replace("\u2013", "-")
    return " ".join(text.split())


def split_unit(text: str) -> tuple[str, str] | None:
    """A number and what follows it; ``None`` where the text does not start with a number.

    >>> split_unit("~18,2 g")
    ('18,2', 'g')
    """
    found = _NUMBER.fullmatch(plain(text))
    if found is None:
        return None
    return found["number"].strip(), (found["unit"] or "").strip()


def decimal_evidence(texts: Iterable[str]) -> str:
    """Which decimal mark some cells prove: ``.`` or ``,``; both: ``?``; none: empty.

    A mark is proved where it cannot group thousands: 27,5 and 1.234,5 prove the comma, 1,234 proves nothing.
    """
    marks = set()
    for text in texts:
        parts = split_unit(text)
        if parts is None:
            continue
        number = parts[0]
        last = max(number.rfind("."), number.rfind(","))
        both = "." in number and "," in number
        if last >= 0 and (both or (number.count(number[last]) == 1 and not _EITHER.fullmatch(number))):
            marks.add(number[last])
    return marks.pop() if len(marks) == 1 else "?" if marks else ""


def read_number(number: str, decimal: str) -> float:
    """The value of a number as :func:`split_unit` returned it.

    :param decimal: the decimal mark of its column: ``.``, ``,``, empty (not known) or ``?`` (both are used).
    :raises TwoMeaningsError: 1,234 where nothing tells which is meant.
    :raises ValueError: it is no number.
    """
    if "e" in number.lower():
        return float(number.replace(",", "."))
    separators = [sign for sign in number if sign in ".,"]
    if len(set(separators)) == 2:
        mark = separators[-1]
        whole, _, rest = number.rpartition(mark)
        if mark in whole or not _GROUPED.fullmatch(whole):
            raise ValueError(number)
        return float(re.sub(r"[.,]", "", whole) + "." + rest)
    if _EITHER.fullmatch(number):
        mark = separators[0]
        if decimal == "?" or (mark == "," and not decimal):
            raise TwoMeaningsError(number)
        if decimal and mark != decimal:
            return float(number.replace(mark, ""))
        return float(number.replace(",", "."))
    if len(separators) > 1 or " " in number or "'" in number:
        whole, mark, rest = number, "", ""
        if len(separators) == 1:
            mark = separators[0]
            whole, _, rest = number.rpartition(mark)
        if not _GROUPED.fullmatch(whole):
            raise ValueError(number)
        return float(re.sub(r"[.,' ]", "", whole) + "." + (rest or "0"))
    return float(number.replace(",", "."))

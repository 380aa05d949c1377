"""Texts: what the card says, read from one file that can be translated, with a person's own words laid over it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from string import Formatter
from typing import Any

from tastefield.words.nearest import nearest
from tastefield.words.numbers import number, span
from tastefield.words.phrases import printable

ROOM = 40
"""Characters by which somebody's text may be longer than twice ours: a card is one page."""

FILE = Path(__file__).parent / "card.toml"
"""The file to copy and translate."""


def _flat(raw: Mapping[str, Any]) -> dict[str, Any]:
    """``{"head": {"for": ...}}`` as ``{"head.for": ...}``; what stands outside a table keeps its own name."""
    found: dict[str, Any] = {}
    for table, texts in raw.items():
        if isinstance(texts, Mapping):
            found |= {f"{table}.{key}": text for key, text in texts.items()}
        else:
            found[table] = texts
    return found


CARD: Mapping[str, str] = _flat(tomllib.loads(FILE.read_text(encoding="utf-8")))
"""Every text of the card by its name, ``table.key``."""


def own(written: str) -> tuple[dict[str, str], tuple[str, ...]]:
    """Somebody's own texts laid over :data:`CARD`, and the names of those that they left as they are.

    :param written: the text of their file.
    :raises ValueError: it is no TOML, or texts have unknown names, are empty, or hold braces that nothing fills; all of
        it in one message.
    """
    try:
        theirs = _flat(tomllib.loads(written))
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"it is not valid TOML: {error}") from error
    faults = [fault for name, text in theirs.items() for fault in _faults(name, text)]
    if faults:
        raise ValueError("; ".join(faults))
    laid = {name: printable(theirs[name]) if name in theirs else text for name, text in CARD.items()}
    return laid, tuple(name for name in CARD if name not in theirs)


def _faults(name: str, text: object) -> Iterator[str]:
    if name not in CARD:
        close = nearest(name, CARD)
        yield f'there is no text "{name}"' + (f'; did you mean "{close}"?' if close else "")
        return
    if not isinstance(text, str) or not text.strip():
        yield f"{name} must be a text in quotes"
        return
    most = len(CARD[name]) * 2 + ROOM
    if len(text) > most:
        yield f"{name} has {len(text)} characters; the card has room for {most}"
    if name == "general.decimal" and text not in (".", ","):
        yield f'{name} must be "." or ","'
    if name == "general.language" and not re.fullmatch("[a-z]{2,3}", text):
        yield f'{name} must be a code of two or three letters, as "en"'
    may = _braces(CARD[name])
    try:
        has = _braces(text)
    except ValueError:
        yield f"{name} has a brace too many or too few"
        return
    for brace in sorted(has - may):
        filled = ", ".join(f"{{{one}}}" for one in sorted(may)) or "nothing"
        yield f"{name} has {{{brace}}}; what is filled in there is {filled}"


def _braces(text: str) -> set[str]:
    """What stands in braces, formats and all, so that only plain names match."""
    return {
        f"{name}{'!' + conversion if conversion else ''}{':' + how if how else ''}"
        for _, name, how, conversion in Formatter().parse(text)
        if name is not None
    }


def say(texts: Mapping[str, str], name: str, /, **filled: object) -> str:
    """A text of the card, filled in."""
    return texts[name].format(**filled)


def numeral(texts: Mapping[str, str], value: float | None, digits: int = 0) -> str:
    """A number as :func:`tastefield.words.numbers.number` tells it, with the decimal sign of these texts."""
    return number(value, digits).replace(".", texts["general.decimal"])


def limits(texts: Mapping[str, str], ends: tuple[float, float] | list[float] | None, unit: str) -> str:
    """A range with its unit, likewise; empty where it is unknown."""
    return span(ends, unit).replace(".", texts["general.decimal"])

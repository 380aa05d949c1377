"""Words people write for how a shot went, often where a time, a weight or a taste should stand."""

from __future__ import annotations

import functools
import re

OUTCOME_WORDS: dict[str, str] = {
    "ok": "ok",
    "okay": "ok",
    "fine": "ok",
    "choke": "choked",
    "choked": "choked",
    "choking": "choked",
    "blocked": "choked",
    "no flow": "choked",
    "gush": "gushed",
    "gushed": "gushed",
    "gusher": "gushed",
    "gushing": "gushed",
    "spurt": "spurted",
    "spurted": "spurted",
    "spurter": "spurted",
    "spurting": "spurted",
    "stopped": "stopped",
    "stopped early": "stopped",
    "aborted": "stopped",
    "spill": "spilled",
    "spilled": "spilled",
    "spilt": "spilled",
}

_ELSEWHERE = sorted((word for word, outcome in OUTCOME_WORDS.items() if outcome != "ok"), key=len, reverse=True)
_PATTERN = re.compile(rf"\b(?:{'|'.join(map(re.escape, _ELSEWHERE))})\b", re.IGNORECASE)


def outcome_of(cell: object) -> str | None:
    """The outcome a cell of the outcome column names; ``None`` where it names none.

    >>> outcome_of(" Gusher! ")
    'gushed'
    """
    if not isinstance(cell, str):
        return None
    return OUTCOME_WORDS.get(re.sub(r"[^a-z ]+", " ", cell.casefold()).strip())


def split_outcome(cell: object) -> tuple[str | None, object]:
    """Take the outcome word out of a cell that should hold something else; "ok" is no outcome there.

    :returns: the outcome, or ``None``; and what is left of the cell (an empty text where nothing is).

    >>> split_outcome("choked, 45 s"), split_outcome("27 s")
    (('choked', '45 s'), (None, '27 s'))
    """
    return _split(cell) if isinstance(cell, str) else (None, cell)


@functools.lru_cache(maxsize=100_000)
def _split(cell: str) -> tuple[str | None, str]:
    found = _PATTERN.search(cell)
    if found is None:
        return None, cell
    rest = (cell[: found.start()] + " " + cell[found.end() :]).strip(" \t,;:.!()/-")
    return OUTCOME_WORDS[found.group().casefold()], re.sub(r"^(?:at|after|in)\s+", "", rest, flags=re.IGNORECASE)

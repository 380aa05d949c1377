"""Near misses: the known word that a person probably meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like ``word``, letter case aside; ``None`` where nothing comes close.

    >>> nearest("Reeder", ["reader", "path"])
    'reader'
    """
    by_lower = {name.lower(): name for name in known}
    close = difflib.get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[close[0]] if close else None


def suggestion(word: str, known: Iterable[str]) -> str:
    """What to write instead of an unknown word, as the remedy of a problem.

    >>> suggestion("page2", ["data", "page"])
    'write "page"; known are: data, page'
    """
    names = sorted(known)
    if not names:
        return "remove it; nothing may stand here"
    close = nearest(word, names)
    listed = f"known are: {', '.join(names)}"
    return f'write "{close}"; {listed}' if close else listed

"""Names made fit: file-safe, so that none from a log can leave its folder or clash; and short, where many are told."""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Iterable

LONGEST = 80
"""Bytes of JSON that a name may take before it is shortened; about 80 Latin, 40 Cyrillic, 26 Chinese letters."""


def slug(parts: Iterable[str]) -> str:
    """A readable file-safe name with a short hash that keeps different names apart.

    :param parts: the words that name a thing, e.g. the values of a setup's key.
    :returns: lower-case ASCII letters, digits and ``-``, at most 60 characters, then ``-`` and 8 hex digits.

    >>> slug(["../../x"])
    'x-9cdf6a50'
    """
    words = list(parts)
    text = unicodedata.normalize("NFKD", " ".join(words)).encode("ascii", "ignore").decode()
    readable = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:60].strip("-") or "setup"
    digest = hashlib.sha256("\x1f".join(words).encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{readable}-{digest}"


def shortened(name: str) -> str:
    """The name itself, or its beginning and 8 hex digits that keep different names apart, where it is too long.

    >>> shortened("bench flat"), shortened("x" * 300)
    ('bench flat', 'xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx... 0d4e2ca9')
    """
    if _bytes(name) <= LONGEST:
        return name
    start = name[:LONGEST]
    while _bytes(start) > LONGEST - 20:
        start = start[:-1]
    return f"{start}... {hashlib.sha256(name.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"


def _bytes(name: str) -> int:
    return len(json.dumps(name, ensure_ascii=False).encode("utf-8", "surrogatepass")) - 2

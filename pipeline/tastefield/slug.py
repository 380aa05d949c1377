"""File-safe names: no name from a log can leave its folder, clash with another or mean something to a file system."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable


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

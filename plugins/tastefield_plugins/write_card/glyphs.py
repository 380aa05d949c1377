"""Glyphs: a name as our fonts can draw it, on lines that can be broken anywhere."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from pathlib import Path

FONTS = Path(__file__).parent / "fonts"
MISSING = "\N{WHITE VERTICAL RECTANGLE}"
"""What stands for a character that our fonts do not have."""
MARKS = 2
"""Combining marks that one letter may carry; more would run over the lines above and below."""
UNBROKEN = 16
"""Characters without a space after which a line may be broken."""
BREAK = "\N{ZERO WIDTH SPACE}"


@lru_cache(maxsize=1)
def drawn() -> frozenset[int]:
    """Code points that every one of our fonts can draw."""
    from fontTools.ttLib import TTFont

    found = []
    for file in sorted(FONTS.glob("*.ttf")):
        with TTFont(file, lazy=True) as font:
            found.append(frozenset(font.getBestCmap()))
    return frozenset.intersection(*found)


def legible(text: str) -> str:
    """The text with a visible sign for what cannot be drawn, and places to break words that are too long.

    >>> legible("Crema"), legible("\\N{BEAR FACE}") == MISSING
    ('Crema', True)
    """
    shown, marks = [], 0
    for char in unicodedata.normalize("NFC", text):
        marks = marks + 1 if unicodedata.category(char).startswith("M") else 0
        if marks > MARKS or "\ufe00" <= char <= "\ufe0f":  # selectors of a picture's look draw nothing
            continue
        shown.append(char if ord(char) in drawn() else MISSING)
    return re.sub(rf"\S{{{UNBROKEN}}}(?=\S{{4}})", lambda run: run[0] + BREAK, "".join(shown))

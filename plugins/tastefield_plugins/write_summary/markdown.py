"""Markdown (CommonMark, with tables as GitHub reads them): texts of any kind as plain words, and tables of them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from tastefield.words.phrases import printable

_ALWAYS = re.compile(r"[\\`*_\[\]{}|~#$^]")
_JOINED = re.compile(r"(?<!\d)[.:@](?=\S)|(?<=\d)[.:@](?=[^\d\s])")
"""Signs that make an address or a little picture of what stands about them; not those inside a number or at a stop."""
_ENTITIES = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;"})


def words(text: object) -> str:
    """The text on one line, so that every reader of Markdown shows it as it is: no markup, no link, no end of a cell.

    >>> words("a|b <i> [x](y) 1.5"), words("www.x.y")
    ('a\\\\|b &lt;i&gt; \\\\[x\\\\](y) 1.5', 'www\\\\.x\\\\.y')
    """
    line = re.sub(" +", " ", printable(text))
    return _JOINED.sub(r"\\\g<0>", _ALWAYS.sub(r"\\\g<0>", line)).translate(_ENTITIES)


def table(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> list[str]:
    """The lines of a table; an empty cell shows a dash.

    :param heads: our own words. :param rows: cells, texts of any kind.
    """
    lines = [heads, ["---"] * len(heads), *([words(cell) or "–" for cell in row] for row in rows)]
    return [f"| {' | '.join(cells)} |" for cells in lines]

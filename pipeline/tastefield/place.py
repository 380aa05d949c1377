"""Where in a configuration file something stands, as a person would say it."""

from __future__ import annotations

import re
from pathlib import Path

Where = tuple[str | int, ...]
"""Keys, and the number of a repeated block counted from 0: ``("source", 1, "columns", "dose_g")``."""


def place(path: Path, text: str, where: Where) -> str:
    """A place in the file as a person would say it: ``bench.toml, line 9, [[source]] 2, columns.dose_g``."""
    parts = [str(path)]
    line = line_of(text, where)
    if line is not None:
        parts.append(f"line {line}")
    rest = where
    if len(where) > 1 and isinstance(where[1], int):
        parts.append(f"[[{where[0]}]] {where[1] + 1}")
        rest = where[2:]
    elif len(where) > 1:
        parts.append(f"[{where[0]}]")
        rest = where[1:]
    keys = ".".join(key for key in rest if isinstance(key, str))
    return ", ".join([*parts, keys] if keys else parts)


def line_of(text: str, where: Where) -> int | None:
    """The line on which a key stands, else the line of the closest thing around it that is written out."""
    keys = [key for key in where if isinstance(key, str)]
    number = where[1] if len(where) > 1 and isinstance(where[1], int) else None
    best, depth = None, 0
    header: list[str] = []
    repeats = -1
    for line, content in enumerate(text.splitlines(), start=1):
        if match := re.match(r"\s*\[\[?([^\[\]]+)\]", content):
            header = [part.strip().strip("\"'") for part in match[1].split(".")]
            if keys and header == keys[:1] and content.lstrip().startswith("[["):
                repeats += 1
            here = header
        elif match := re.match(r"\s*(?:\"([^\"]+)\"|'([^']+)'|([\w-]+))\s*[=.]", content):
            here = [*header, next(group for group in match.groups() if group)]
        else:
            continue
        if number in (None, repeats) and here == keys[: len(here)] and len(here) > depth:
            best, depth = line, len(here)
    return best

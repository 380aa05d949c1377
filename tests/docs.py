"""Rewrites the generated blocks of README.md and DEVELOPERS.md: ``python -m tests.docs``. A test finds stale ones.

A block stands between ``<!-- generated: NAME -->`` and ``<!-- end -->``.
"""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

from tastefield.stats.pooled import parts
from tastefield.words import columns

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = ("README.md", "DEVELOPERS.md")
BLOCK = re.compile(r"(<!-- generated: (?P<name>[^\n]+?) -->\n)(?P<body>.*?)(<!-- end -->)", re.DOTALL)


def column_table() -> str:
    """Every canonical column: table, name, unit, meaning; required ones marked."""
    lines = ["| table | column | unit | meaning |", "| --- | --- | --- | --- |"]
    for table, entries in columns.TABLES.items():
        for entry in entries:
            meaning = entry.meaning + (f": {', '.join(entry.choices)}" if entry.choices else "")
            star = " *" if entry.required else ""
            lines.append(f"| {table} | `{entry.name}`{star} | {entry.unit} | {meaning} |")
    return "\n".join(lines) + "\n"


def priors() -> str:
    """What the pooled surface assumes of each of its parts before anything was tasted."""
    lines = ["| part | prior | points on a scale from 1 to 9 |", "| --- | --- | --- |"]
    lines.append(f"| level at 1:2 in 27 s | normal | {parts.CENTRE[0]:g}, SD {parts.CENTRE[1]:g} |")
    lines.append(f"| fall far away from 1:2 in 27 s | normal | {parts.FALL[0]:g}, SD {parts.FALL[1]:g} |")
    lines += [f"| SD of {part} | half-normal | scale {scale:g} |" for part, scale in parts.HALF_NORMAL.items()]
    for part, (median, width) in parts.LOG_NORMAL.items():
        lines.append(f"| SD of {part} | log-normal, never 0 | median {median:g}, log-sd {width:g} |")
    lines += [f"| slope of {name} | normal | 0, SD {sd:g} |" for name, sd in parts.SLOPE_SD.items()]
    lines.append(f"| a tenth more extraction than its like | normal | 0, SD {parts.EFFECT_SD:g} |")
    length, width = parts.LENGTH
    told = f"log-normal | median {length:g} coded units, log-sd {width:g}"
    lines.append(f"| length of all surfaces (geometric mean of the two) | {told} |")
    return "\n".join(lines) + "\n"


def snippet(reference: str) -> str:
    """A passage of a test file, cut between ``# snippet: NAME`` and ``# end of snippet``, as a code block.

    :param reference: ``snippet path/of/file.py NAME``.
    """
    _, path, name = reference.split(maxsplit=2)
    text = (ROOT / path).read_text("utf-8")
    found = re.search(
        rf"^[ \t]*# snippet: {re.escape(name)}\n(.*?)^[ \t]*# end of snippet", text, re.DOTALL | re.MULTILINE
    )
    if found is None:
        raise SystemExit(f"{path} has no snippet {name}: mark it with '# snippet: {name}' and '# end of snippet'")
    return f"```python\n{textwrap.dedent(found.group(1)).replace('  # noqa: E402', '').strip()}\n```\n"


def body(name: str) -> str:
    """What must stand in the block of this name."""
    tables = {"columns": column_table, "priors": priors}
    return tables[name]() if name in tables else snippet(name)


def rewritten(text: str) -> str:
    """The document with every block made anew."""
    return BLOCK.sub(lambda match: match.group(1) + body(match["name"]) + match.group(4), text)


def main() -> None:
    """Rewrite the documents in place."""
    for name in DOCUMENTS:
        path = ROOT / name
        path.write_text(rewritten(path.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    main()

"""Rewrites the generated blocks of README.md and DEVELOPERS.md: ``python -m tests.docs``. A test finds stale ones.

A block stands between ``<!-- generated: NAME -->`` and ``<!-- end -->``.
"""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

import numpy as np
import pandas as pd

from tastefield.records import RawTable
from tastefield.stats.pooled import parts
from tastefield.tables import combined, ditto
from tastefield.tables.cells import Reading, is_filled, parse
from tastefield.words import columns

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = ("README.md", "DEVELOPERS.md")
CELLS = (
    ("18g", "dose_g"),
    ("18,2", "dose_g"),
    ("~36", "beverage_g"),
    ("36ish", "beverage_g"),
    ("36 g?", "beverage_g"),
    ("27-28", "shot_time_s"),
    ("27 or 28", "shot_time_s"),
    ("18-36", "dose_g"),
    (">40", "shot_time_s"),
    ("18/36/27", "dose_g"),
    ("1:2", "target_beverage_g"),
    ("1:2", "beverage_g"),
    ("0:27", "shot_time_s"),
    ("0.63 oz", "dose_g"),
    ("200 F", "temp_set_c"),
    ("36 ml", "beverage_g"),
    ("to taste", "beverage_g"),
    ("#DIV/0!", "beverage_g"),
    ("-", "beverage_g"),
    ("n/a", "beverage_g"),
    ('"', "dose_g"),
)
"""Cells as people write them, and a column each may stand in."""
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
    share, width = parts.TIME_FELT
    lines += [
        f"| log odds that a shot is scored: {what} | normal | 0, SD {sd:g} |" for what, sd in parts.SERVED_SD.items()
    ]
    lines.append(f"| share felt of a time off at its setting | normal, 0 to 1 | {share:g}, SD {width:g} |")
    for what, (none, scale) in (
        ("what scores flatter a shot of about 27 s", parts.HALO),
        ("what a shot of about 27 s is liked for beyond the smooth surfaces", parts.RIDGE),
    ):
        lines.append(f"| {what} | none with probability {none:g}, else half-normal | scale {scale:g} |")
    length, width = parts.LENGTH
    told = f"log-normal | median {length:g} coded units, log-sd {width:g}"
    lines.append(f"| length of all surfaces (geometric mean of the two) | {told} |")
    return "\n".join(lines) + "\n"


def cell_table() -> str:
    """What cells stand for that are no plain number, found by reading them."""
    taken = {"about": "taken as it stands; told", "range": "the middle; told", "converted": "converted; told"}
    lines = ["| written | in column | stands for | and |", "| --- | --- | --- | --- |"]
    for written, name in CELLS:
        cells = pd.Series(["18.1", written], dtype=object)
        cells, above = ditto.resolved(cells, np.zeros(2, dtype=bool))
        cells = cells if name != "target_beverage_g" else combined.targets(cells, pd.Series([18.0, 18.0]))
        raw = RawTable("shots", "log.csv", pd.DataFrame({name: cells}))
        recipe = combined.recipes(raw, dict.fromkeys(combined.RECIPE, Reading()))
        parsed = parse(columns.column("shots", name), cells, Reading())
        unit = columns.column("shots", name).unit
        if not is_filled(cells[1]):
            value, told = "nothing", "an empty cell"
        elif recipe:
            value = ", ".join(f"{part:g} {unit}" for part, unit in zip(recipe[1], ("g in", "g out", "s"), strict=True))
            told = "where the row has no out and no time of its own; told"
        elif len(parsed.problems):
            reason = str(parsed.problems["reason"].iloc[0])
            value, told = (
                "no number",
                f"{reason}; set aside{', asked about' if parsed.problems['asked'].iloc[0] else ''}",
            )
        else:
            value = f"{parsed.values[1]:.4g} {unit}"
            told = "the cell above; told" if above else taken[parsed.taken[0][2]] if parsed.taken else "as written"
            told = "so many times the dose of its row (here 18 g)" if name == "target_beverage_g" else told
        lines.append(f"| `{written}` | `{name}` | {value} | {told} |")
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
    tables = {"columns": column_table, "priors": priors, "cells": cell_table}
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

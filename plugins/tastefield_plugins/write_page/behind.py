"""The numbers behind each figure as small tables, for those who cannot see it or want to use them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from tastefield.figures.surroundings import read, speaks, told
from tastefield.records import Floats, Lattice, SetupResult
from tastefield.words.numbers import number
from tastefield.words.phrases import printable

LINES = 7
"""Rows and columns that stand for a surface or a curve."""
MOST_NAMED = 40
"""Shots that a table lists."""

Table = dict[str, Any]


def behind(result: SetupResult, drawn: Mapping[str, str]) -> dict[str, Table]:
    """A table for each figure drawn: ``caption``, ``columns``, ``rows`` of text; the first cell of a row heads it."""
    entry, lattice, tables = result.entry, result.lattice, {}
    attribute = printable(entry["taste"]["attribute"])
    if "map" in drawn and lattice is not None:
        tables["map"] = _map(lattice, attribute)
    if lattice is not None and entry["aim"]:
        for name in ("along_ratio", "along_time"):
            if name in drawn:
                tables[name] = _along(name, lattice, entry["aim"], attribute)
    shots = result.shots.assign(score=result.shots["shot_id"].map(result.scores.groupby("shot_id")["score"].mean()))
    listed = {
        "extraction": ("Read and tasted shots", ("extraction_pct", "score")),
        "dial": ("Shots and their settings", ("grind_setting", "shot_time_s")),
        "pours": ("Recorded shots", ("time_from_first_drip_s", "mass_at_stop_g", "pour_flow_g_per_s", "score")),
        "strength": ("Read shots", ("tds_pct", "extraction_pct", "score")),
    }
    for name, (caption, columns) in listed.items():
        if name in drawn:
            tables[name] = _shots(shots, caption, columns)
    if "tasters" in drawn:
        tables["tasters"] = _tasters(result.scores)
    return tables


def _map(lattice: Lattice, attribute: str) -> Table:
    ratios, times = _spread(lattice.ratio), _spread(lattice.shot_time_s)
    points = [np.repeat(ratios, len(times)), np.tile(times, len(ratios))]
    score = read(lattice, lattice.mean, *points).reshape(len(ratios), len(times))
    known = speaks(lattice, *points).reshape(score.shape)
    rows = [
        [
            f"1:{number(ratio, 2)}",
            *(_doubted(number(one, 1), bool(sure)) for one, sure in zip(line, told_, strict=True)),
        ]
        for ratio, line, told_ in zip(ratios, score, known, strict=True)
    ]
    caption = f"Expected {attribute} by ratio and time; in brackets where no tasted shot speaks"
    return {"caption": caption, "columns": ["ratio", *(f"{number(time)} s" for time in times)], "rows": rows}


def _along(name: str, lattice: Lattice, aim: Mapping[str, Any], attribute: str) -> Table:
    ratios = name == "along_ratio"
    along = _spread(lattice.ratio if ratios else lattice.shot_time_s)
    points = [along, np.full(LINES, aim["shot_time_s"])] if ratios else [np.full(LINES, aim["ratio"]), along]
    columns = [read(lattice, values, *points) for values in told(lattice)]
    known = speaks(lattice, *points)
    rows = [
        [
            f"1:{number(at, 2)}" if ratios else f"{number(at)} s",
            *(_doubted(number(value, 1), bool(sure)) for value in values),
        ]
        for at, sure, *values in zip(along, known, *columns, strict=True)
    ]
    heads = ["ratio" if ratios else "time", f"expected {attribute}", "from", "to"]
    return {"caption": "In brackets where no tasted shot speaks", "columns": heads, "rows": rows}


def _shots(shots: pd.DataFrame, caption: str, columns: Sequence[str]) -> Table:
    there = [name for name in columns if name in shots]
    numbers = [name for name in there if name != "grind_setting"]
    kept = shots.dropna(subset=numbers[:1]) if numbers else shots
    rows = [
        [printable(shot), *(_cell(value) for value in values)]
        for shot, *values in kept[["shot_id", *there]].head(MOST_NAMED).itertuples(index=False, name=None)
    ]
    more = f", the first {MOST_NAMED} of {len(kept)}" if len(kept) > MOST_NAMED else ""
    return {"caption": caption + more, "columns": ["shot", *(_title(name) for name in there)], "rows": rows}


def _tasters(scores: pd.DataFrame) -> Table:
    rows = [
        [printable(who), str(len(mine)), number(mine.mean(), 2), number(mine.min(), 1), number(mine.max(), 1)]
        for who, mine in scores.groupby("taster")["score"]
    ]
    return {"caption": "Scores by taster", "columns": ["taster", "scores", "mean", "lowest", "highest"], "rows": rows}


def _spread(grid: Floats) -> Floats:
    return np.exp(np.linspace(np.log(grid[0]) + 1e-9, np.log(grid[-1]) - 1e-9, LINES))


def _doubted(text: str, sure: bool) -> str:
    return text if sure else f"({text})"


def _title(name: str) -> str:
    for ending, unit in (("_g_per_s", "g/s"), ("_pct", "%"), ("_s", "s"), ("_g", "g")):
        if name.endswith(ending):
            return f"{name.removesuffix(ending).replace('_', ' ')} ({unit})"
    return name.replace("_", " ")


def _cell(value: Any) -> str:
    if pd.isna(value):
        return ""
    return f"{value:.3g}" if isinstance(value, (int, float, np.number)) else printable(value)

"""Combined cells: in, out and time of a shot in one cell (18/36/27), and a target weight given as a ratio (1:2)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from tastefield.tables.cells import Bad, Reading, Taken, is_filled, parse_one, which
from tastefield.tables.hedges import hedged
from tastefield.tables.parts import Raw
from tastefield.words.columns import column

RECIPE = ("dose_g", "beverage_g", "shot_time_s")
"""The order in which people write them: common practice, no source."""


def recipes(raw: Raw, understood: Mapping[str, Reading]) -> dict[int, tuple[float, float, float]]:
    """Rows whose dose cell holds in, out and time together and whose own cells of out and time are empty.

    :returns: row -> dose in g, weight out in g, shot time in s; only where each of the three can be read.
    """
    if "dose_g" not in raw.rows:
        return {}
    found = {}
    others = [raw.rows[name] for name in RECIPE[1:] if name in raw.rows]
    for at in np.flatnonzero(which(raw.rows["dose_g"], _is_recipe, of_numbers=False)).tolist():
        said = hedged(raw.rows["dose_g"].iloc[at])
        if said is None or any(is_filled(cells.iloc[at]) for cells in others):
            continue
        values = [
            parse_one(column("shots", name), number, understood[name])
            for name, number in zip(RECIPE, said.numbers, strict=True)
        ]
        if not any(isinstance(value, (Bad, Taken)) for value in values):
            found[raw.rows.index[at]] = (values[0], values[1], values[2])
    return found


def _is_recipe(cell: object) -> bool:
    said = hedged(cell) if type(cell) is str and "/" in cell else None
    return said is not None and said.how == "several" and len(said.numbers) == len(RECIPE)


def targets(written: pd.Series, dose_g: pd.Series) -> pd.Series:
    """Target weights with each ratio, 1:2, made the weight it means for the dose of its row, where that is known."""
    ratios = np.flatnonzero(which(written, _is_ratio, of_numbers=False) & dose_g.notna().to_numpy()).tolist()
    if not ratios:
        return written
    cells = written.astype(object)
    for at in ratios:
        said = hedged(cells.iloc[at])
        if said is not None:
            cells.iloc[at] = float(said.numbers[0].replace(",", ".")) * dose_g.iloc[at]
    return cells


def _is_ratio(cell: object) -> bool:
    said = hedged(cell) if type(cell) is str else None
    return said is not None and said.how == "ratio"

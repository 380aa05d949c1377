"""Combined cells: in, out and time of a shot in one cell (18/36/27), and a target weight given as a ratio (1:2)."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from tastefield.tables.cells import Bad, Reading, Taken, is_filled, listed, parse_one
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
    others = [listed(raw.rows[name]) for name in RECIPE[1:] if name in raw.rows]
    for at, cell in enumerate(listed(raw.rows["dose_g"])):
        said = hedged(cell) if type(cell) is str and "/" in cell else None
        if said is None or said.how != "several" or len(said.numbers) != len(RECIPE):
            continue
        if any(is_filled(cells[at]) for cells in others):
            continue
        values = [
            parse_one(column("shots", name), number, understood[name])
            for name, number in zip(RECIPE, said.numbers, strict=True)
        ]
        if not any(isinstance(value, (Bad, Taken)) for value in values):
            found[raw.rows.index[at]] = (values[0], values[1], values[2])
    return found


def targets(written: pd.Series, dose_g: pd.Series) -> pd.Series:
    """Target weights with each ratio, 1:2, made the weight it means for the dose of its row, where that is known."""
    cells = listed(written)
    said = {at: hedged(cell) for at, cell in enumerate(cells) if type(cell) is str and (":" in cell or "x" in cell)}
    ratios = {at: one.numbers[0] for at, one in said.items() if one is not None and one.how == "ratio"}
    if not ratios:
        return written
    doses = dose_g.tolist()
    for at, ratio in ratios.items():
        if doses[at] == doses[at]:
            cells[at] = float(ratio.replace(",", ".")) * doses[at]
    return pd.Series(cells, index=written.index, dtype=object)

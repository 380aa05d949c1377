"""Panel: how each taster scores - level, spread, repeatability, agreement. It describes; it never alters a score."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

FEW = 5
"""Shared shots below which agreement is not stated."""


def panel(scores: pd.DataFrame) -> list[dict[str, Any]]:
    """One entry a taster, in order of name.

    ``level``: mean difference from the mean of the others over shared shots, ``None`` where nobody shared a shot.
    ``spread``: standard deviation of the scores. ``repeatability``: standard deviation of scores of one shot given
    twice. ``agreement``: correlation with the mean of the others over at least five shared shots.
    """
    table = scores.dropna(subset=["taster", "score"])
    per_shot = table.pivot_table(index="shot_id", columns="taster", values="score", aggfunc="mean")
    entries = []
    for taster in sorted(str(name) for name in per_shot.columns):
        mine = per_shot[taster]
        others = per_shot.drop(columns=taster).mean(axis=1)
        shared = mine.notna() & others.notna()
        entries.append(
            {
                "taster": taster,
                "shots": int(mine.notna().sum()),
                "level": _number((mine - others)[shared].mean()),
                "spread": _number(table.loc[table["taster"] == taster, "score"].std(ddof=1)),
                "repeatability": _repeatability(table[table["taster"] == taster]),
                "agreement": _agreement(mine[shared], others[shared]),
            }
        )
    return entries


def _number(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None


def _repeatability(mine: pd.DataFrame) -> float | None:
    groups = mine.groupby("shot_id")["score"]
    df = int((groups.count() - 1).sum())
    if df == 0:
        return None
    squares = float(((mine["score"] - groups.transform("mean")) ** 2).sum())
    return float(np.sqrt(squares / df))


def _agreement(mine: pd.Series, others: pd.Series) -> float | None:
    if len(mine) < FEW or mine.nunique() < 2 or others.nunique() < 2:
        return None
    return _number(np.corrcoef(mine, others)[0, 1])

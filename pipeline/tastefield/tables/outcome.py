"""How shots went, as far as a time or a ratio may be read from them."""

from __future__ import annotations

import pandas as pd


def ran(shots: pd.DataFrame) -> pd.Series:
    """Which shots ran as espresso runs: a choke, a gush, a spurt or a spill tells a bound, not a time or a ratio."""
    return shots["outcome"].astype("object").fillna("ok").isin(["ok", "stopped"])

"""Dial: grind settings written as plain numbers, the steps between them, and the bound a choke sets."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

STEPS = (1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.01)


def positions(settings: pd.Series) -> NDArray[np.float64]:
    """Dial position of settings written as plain numbers (decimal point or comma); NaN for any other notation."""
    text = settings.astype("object").map(lambda value: str(value).strip().replace(",", ".") if pd.notna(value) else "")
    numbers = pd.to_numeric(text.where(text.str.fullmatch(r"[+-]?\d+(\.\d+)?"), None), errors="coerce")
    return np.asarray(numbers, dtype=float)


def step_of(dial_positions: NDArray[np.float64]) -> float | None:
    """Largest usual step that all recorded positions are multiples of; ``None`` without positions."""
    finite = dial_positions[np.isfinite(dial_positions)]
    if not len(finite):
        return None
    return next((step for step in STEPS if np.allclose(finite / step, np.round(finite / step), atol=1e-6)), STEPS[-1])


def as_written(position: float, step: float | None) -> str:
    """A position in the notation of a plain number dial, with as many decimals as its step needs.

    >>> as_written(7.5, 0.25), as_written(12.0, 1.0)
    ('7.50', '12')
    """
    decimals = next((n for n in range(4) if step and np.isclose(step * 10**n, round(step * 10**n))), 0)
    return f"{position:.{decimals}f}"


def since_zero(shots: pd.DataFrame) -> pd.DataFrame:
    """The shots not written under another burr zero than the last one named.

    Positions under another zero mean another grind. A shot without a label stays: a choke must not be forgotten because
    nobody wrote the zero down.
    """
    zero = shots["grinder_zero"].astype("object").fillna("")
    named = zero[zero != ""]
    if named.empty:
        return shots
    return shots[zero.isin(["", named.iloc[-1]]).to_numpy(dtype=bool)]


def choke_position(outcome: pd.Series, dial_position: pd.Series, higher_is: str) -> float | None:
    """The coarsest position that choked; nothing at it or finer may be proposed. ``None`` where nothing choked."""
    choked = dial_position[outcome.astype("object") == "choked"].dropna()
    if choked.empty:
        return None
    return float(choked.min() if higher_is == "finer" else choked.max())

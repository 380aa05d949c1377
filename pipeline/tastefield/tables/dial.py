"""Dial: grind settings written as plain numbers, the steps between them, and the bound a choke sets."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tastefield.words.columns import NOT_OURS

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


def not_ours(shots: pd.DataFrame) -> pd.Series:
    """Which shots were pulled at somebody else's settings: as the machine came in, or came back."""
    return shots["stage"].astype("object").isin(NOT_OURS)


def periods(shots: pd.DataFrame, setup: pd.Series | None = None) -> pd.DataFrame:
    """Of every shot the burr zero, carried on from the last one named, and the visit; with them the dial may change.

    Shots as a machine came in or came back are a visit of their own: between them and the next there may be a repair.

    :param shots: in the order they were pulled, at least those of each setup.
    :param setup: number of the setup of each shot; ``None`` where all are of one.
    :returns: ``zero``; ``visit``, counted within the setup; ``in_force``, whether the dial still stands as it did.
    """
    of = pd.Series(0, index=shots.index) if setup is None else setup
    guest = not_ours(shots)
    zero = shots["grinder_zero"].groupby(of).ffill().astype("object").fillna("").astype(str)
    visit = (guest != guest.groupby(of).shift(fill_value=False)).astype(int).groupby(of).cumsum()
    last = zero == zero.groupby(of).transform("last")
    ours = last & ~guest
    told = ours.where(ours.groupby(of).transform("any"), last)
    latest = visit.where(told).groupby(of).transform("max")
    return pd.DataFrame({"zero": zero, "visit": visit, "in_force": told & (visit == latest)})


def positions_in_force(shots: pd.DataFrame) -> pd.Series:
    """Dial positions that still mean the same grind; NaN for those before a new burr zero or a repair."""
    return shots["dial_position"].where(periods(shots)["in_force"])


def choke_position(outcome: pd.Series, dial_position: pd.Series, higher_is: str) -> float | None:
    """The coarsest position that choked; nothing at it or finer may be proposed. ``None`` where nothing choked."""
    choked = dial_position[outcome.astype("object") == "choked"].dropna()
    if choked.empty:
        return None
    return float(choked.min() if higher_is == "finer" else choked.max())


def settable(
    step: float,
    tried: tuple[float, float],
    beyond: float,
    ends: tuple[float | None, float | None],
    choke: float | None,
    higher_is: str,
) -> NDArray[np.float64]:
    """Positions that may be recommended, increasing: whole steps, a little beyond what was tried, clear of a choke.

    :param tried: lowest and highest position at which shots ran. :param beyond: how far past them.
    :param ends: ends of the dial; ``None`` where unknown.
    :param choke: see :func:`choke_position`.

    >>> settable(1.0, (6.0, 8.0), 1.0, (None, 8.0), 5.0, "coarser")
    array([6., 7., 8.])
    """
    low, high = tried[0] - beyond, tried[1] + beyond
    if choke is not None and higher_is == "coarser":
        low, high = max(low, choke + step), max(high, choke + step)  # a choke binds even where finer settings ran
    if choke is not None and higher_is == "finer":
        low, high = min(low, choke - step), min(high, choke - step)
    low = low if ends[0] is None else max(low, ends[0])
    high = high if ends[1] is None else min(high, ends[1])
    first, last = int(np.ceil(low / step - 1e-6)), int(np.floor(high / step + 1e-6))
    return np.asarray(np.arange(first, last + 1) * step, dtype=float)


def recorded(shots: pd.DataFrame, higher_is: str | None = None) -> pd.Series:
    """Mean log time of each setting that ran, as written; without those that choked or ran before a zero or a repair.

    :param higher_is: where given, settings finer than a choke are left out too, whatever ran there.
    """
    here = since_zero(shots)
    outcome = here["outcome"].astype("object").fillna("ok")
    bound = here["grind_setting"].isin(set(here.loc[outcome == "choked", "grind_setting"].dropna()))
    if higher_is is not None:
        choke = choke_position(here["outcome"], here["dial_position"], higher_is)
        if choke is not None:
            towards_finer = 1.0 if higher_is == "finer" else -1.0
            bound |= (here["dial_position"] - choke) * towards_finer >= -1e-9
    ran = here[here["grind_setting"].notna() & here["shot_time_s"].notna() & (outcome != "choked") & ~bound]
    ran = ran[periods(shots)["in_force"].reindex(ran.index)]
    log_time = pd.Series(np.log(ran["shot_time_s"].to_numpy(dtype=float)), index=ran.index)
    return log_time.groupby(ran["grind_setting"].astype(str), sort=True).mean()

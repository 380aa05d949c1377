"""Handover: which machines leave with which grinder, and each as it is for a coffee that nobody tasted on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from tastefield.records import Setup, Station
from tastefield.tables.dial import not_ours
from tastefield.words.checks import HOLDS


def stations(setups: Sequence[Setup]) -> tuple[Station, ...]:
    """One entry a machine and grinder, in the order of the setups, with the setup last pulled on it.

    Of setups as late, or without dates, the one with most shots; of those the last. One that nobody here pulled, as a
    machine comes in or comes back with a coffee of its owner, only where there is no other.
    """
    found: dict[tuple[str, str], list[Setup]] = {}
    for setup in setups:
        found.setdefault((_name(setup, "machine"), _name(setup, "grinder")), []).append(setup)
    return tuple(
        Station(
            machine=machine,
            grinder=grinder,
            setup=max(reversed(those), key=_lateness),
            shots=sum(len(setup.shots) for setup in those),
            tasted=sum(int(setup.shots["shot_id"].isin(set(setup.scores["shot_id"])).sum()) for setup in those),
        )
        for (machine, grinder), those in found.items()
    )


def unknown_coffee(setup: Setup) -> Setup:
    """The setup as a template for another coffee: what its coffee told goes.

    Doses, clock and scatter stay, and what holds the machine: a leak leaks with every coffee.
    """
    shots = setup.shots.assign(
        grind_setting=pd.Series(pd.NA, index=setup.shots.index, dtype="str"), dial_position=np.nan
    )
    return replace(
        setup,
        shots=shots,
        scores=setup.scores.iloc[:0],
        denied=None,
        readings=setup.readings.iloc[:0],
        bench=replace(setup.bench, dial=None, extraction=None, findings=()),
        findings=tuple(note for note in setup.findings if note.code in HOLDS),
    )


def _name(setup: Setup, column: str) -> str:
    return setup.key.get(column) or str(setup.shots[column].iloc[0])


def _lateness(setup: Setup) -> tuple[bool, float, int]:
    ours = setup.shots["pulled_at"][~not_ours(setup.shots)]
    last = ours.max()
    return len(ours) > 0, (-np.inf if pd.isna(last) else pd.Timestamp(last).timestamp()), len(setup.shots)

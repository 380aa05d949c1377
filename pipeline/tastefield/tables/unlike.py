"""Unlike shots in one setup: decaf beside plain coffee, two clocks, two servings. What is left out of fits, and why.

One recipe cannot speak for both, and averaging them would answer for neither. The kind with fewer shots is left out of
what it would spoil; the other kind, and everything else known of the shots left out, stays.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tastefield.words.findings import Finding, finding

Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class LeftOut:
    """Which shots are left out of what, in the order of the shots.

    :param times: shots whose time tells nothing about the rest of their setup.
    :param scores: shots whose scores tell nothing about it.
    :param decaf: shots that are of another kind of coffee altogether, decaf or not.
    :param findings: (setup, why), one for each setup and reason.
    """

    times: Mask
    scores: Mask
    decaf: Mask
    findings: tuple[tuple[int, Finding], ...]


def unlike(shots: pd.DataFrame, tasted: Mask) -> LeftOut:
    """Find setups that hold unlike shots.

    Where nothing is said, a shot counts as plain coffee, tasted black: people write down what is unusual. A clock that
    is not known is never held against a shot.

    :param shots: with ``setup``, the number of the setup of each.
    :param tasted: whether a shot has a score that is modelled.
    """
    setup = shots["setup"].to_numpy(dtype=int)
    found: list[tuple[int, Finding]] = []

    is_decaf = shots["decaf"].fillna(False).to_numpy(dtype=bool)
    other_coffee = np.zeros(len(shots), dtype=bool)
    for number, decaf, plain in _both(setup, is_decaf, ~is_decaf):
        weight = [(int((tasted & mask).sum()), int(mask.sum())) for mask in (decaf, plain)]
        out, which = (decaf, "decaf") if weight[0] <= weight[1] else (plain, "plain")
        other_coffee |= out
        told = _counted(decaf=decaf, plain=plain, left=out)
        found.append((number, finding("decaf_beside_plain", which=which, **told)))

    timed = shots["shot_time_s"].notna().to_numpy() & ~other_coffee
    clock = shots["clock"].astype("object").to_numpy()
    wrong_clock = np.zeros(len(shots), dtype=bool)
    for number, drip, pump in _both(setup, timed & (clock == "first_drip"), timed & (clock == "pump")):
        out, which = (drip, "the first drip") if drip.sum() <= pump.sum() else (pump, "pump-on")
        wrong_clock |= out
        told = _counted(drip=drip, pump=pump, left=out)
        found.append((number, finding("two_clocks", which=which, **told)))

    scored = tasted & ~other_coffee
    with_milk = shots["served_as"].astype("object").to_numpy() == "milk"
    other_serving = np.zeros(len(shots), dtype=bool)
    for number, milk, black in _both(setup, scored & with_milk, scored & ~with_milk):
        out, which = (milk, "with milk") if milk.sum() <= black.sum() else (black, "black")
        other_serving |= out
        told = _counted(milk=milk, black=black, left=out)
        found.append((number, finding("milk_beside_black", which=which, **told)))

    return LeftOut(other_coffee | wrong_clock, other_coffee | other_serving, other_coffee, tuple(found))


def _counted(**masks: Mask) -> dict[str, Any]:
    return {name: int(mask.sum()) for name, mask in masks.items()}


def _both(setup: NDArray[np.int_], one: Mask, other: Mask) -> Iterator[tuple[int, Mask, Mask]]:
    """Setups that hold shots of both kinds, each with its shots of the one and of the other."""
    for number in np.intersect1d(setup[one], setup[other]).tolist():
        here = setup == number
        yield number, here & one, here & other

"""Confirming: which shots pulled to confirm deny a recipe, and so teach no taste until they were pulled again.

Before a recipe is given up for two poor shots it is asked what went wrong with them: old grounds, the dose, a machine
not warmed through. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tastefield.tables.dial import not_ours

TO_CONFIRM, MOST_TO_CONFIRM = 2, 3
"""Shots at the recipe that confirm it; the third only where two leave it open."""
AGREES_WITHIN = 0.12
"""A shot counts as pulled at a recipe when log ratio and log time both lie this near (about 12 %)."""
ASKED_FOR = pd.Timedelta(days=7)
"""How long it is waited for shots to be pulled again, before what they scored counts."""
OPEN = 0.5
"""Points on a scale from 1 to 9 below good down to which two shots may be bad luck, so that a third decides."""


def last_confirming(shots: pd.DataFrame, scores: pd.DataFrame) -> pd.DataFrame:
    """Tasted shots of ours that were pulled to confirm since any other was tasted, in order, those without time aside.

    :param shots: of one setup, in the order they were pulled.
    """
    if not (shots["stage"].to_numpy(dtype=object) == "confirm").any():  # faster, on the many that have none
        return shots.iloc[:0]
    tasted = shots[shots["shot_id"].isin(set(scores["shot_id"])) & ~not_ours(shots)]
    tasted = tasted[np.isfinite(tasted[["ratio", "shot_time_s"]].to_numpy(dtype=float)).all(axis=1)]
    others = np.flatnonzero((tasted["stage"].astype("object") != "confirm").to_numpy(dtype=bool))
    last: pd.DataFrame = tasted.iloc[int(others.max(initial=-1)) + 1 :]
    return last


def recipe_of(confirm: pd.DataFrame) -> NDArray[np.float64]:
    """Ratio and time (2,) that the last shots to confirm were pulled at."""
    points = confirm[["ratio", "shot_time_s"]].to_numpy(dtype=float)
    return np.asarray(np.exp(np.log(points[-TO_CONFIRM:]).mean(axis=0)), dtype=float)


def at_recipe(points: NDArray[np.float64], recipe: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Points (n, 2) so near to a recipe (2,) of ratio and time that a shot there counts as pulled at it."""
    return np.asarray((np.abs(np.log(points / recipe)) <= AGREES_WITHIN).all(axis=1), dtype=bool)


def pulls(scores: Sequence[float], good: float, unit: float) -> list[list[int]]:
    """Numbers of the shots of each pull: two, and a third where two are a little below good; the last may be short.

    :param scores: of shots pulled to confirm one recipe, in order. :param unit: a point of a scale from 1 to 9.

    >>> pulls([3.0, 3.2, 7.5, 7.6], 6.5, 1.0), pulls([6.0, 6.4, 7.5, 7.0], 6.5, 1.0)
    ([[0, 1], [2, 3]], [[0, 1, 2], [3]])
    """
    found: list[list[int]] = [[]]
    for number in range(len(scores)):
        mean = np.mean([scores[at] for at in found[-1]]) if found[-1] else np.nan
        open_still = len(found[-1]) == TO_CONFIRM and good - OPEN * unit <= mean < good
        if len(found[-1]) < TO_CONFIRM or open_still:
            found[-1].append(number)
        else:
            found.append([number])
    return [pull for pull in found if pull]


def poor_pulls(shots: pd.DataFrame, scores: pd.DataFrame, good: float, unit: float) -> list[pd.Series]:
    """Pulls below good of the recipe last to be confirmed, since any other shot was tasted: mean score by shot_id."""
    confirm = last_confirming(shots, scores)
    if confirm.empty:
        return []
    points = confirm[["ratio", "shot_time_s"]].to_numpy(dtype=float)
    away = np.flatnonzero(~at_recipe(points, recipe_of(confirm)))
    confirm = confirm.iloc[int(away.max(initial=-1)) + 1 :]
    each = scores.groupby("shot_id")["score"].mean().reindex(confirm["shot_id"])
    found = [each.iloc[pull] for pull in pulls(list(each), good, unit)]
    return [pull for pull in found if pull.mean() < good]


def decided(poor: Sequence[pd.Series]) -> bool:
    """Whether a recipe is denied for good: by two pulls, or by three shots where two had left it open."""
    return sum(len(pull) >= TO_CONFIRM for pull in poor) > 1 or any(len(pull) >= MOST_TO_CONFIRM for pull in poor)


def denying(
    shots: pd.DataFrame, scores: pd.DataFrame, good: float, unit: float, today: pd.Timestamp | None = None
) -> set[str]:
    """Shots (by shot_id) that deny the recipe they were to confirm, and were not pulled again or held when they were.

    A pull below good denies once, and is asked about; where it is decided all count as they are. So they do once
    somebody went on with other shots, and after a week: where nobody pulls again, leaving out poor shots and no good
    ones would have a bench claim too much.

    :param today: when the last shot of the log was pulled; ``None`` where nobody wrote days.
    """
    poor = poor_pulls(shots, scores, good, unit)
    if not poor or decided(poor):
        return set()
    last = shots.loc[shots["shot_id"].isin(poor[-1].index), "pulled_at"].max()
    if today is not None and pd.notna(last) and today - last > ASKED_FOR:
        return set()
    return {str(name) for pull in poor for name in pull.index}

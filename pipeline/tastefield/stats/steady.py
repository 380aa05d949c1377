"""Steady: whether values in a row creep, or differences lean to one side, by more than chance: Student's t.

Both are asked of many setups, so both ask for more than the usual 5 %: 1 % two-sided, and an effect worth acting on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

BY_CHANCE = 0.01
"""How often steady values may be called unsteady, before the size of the effect is asked for too."""
FEWEST = 4


def creep(values: ArrayLike, worth: float) -> float | None:
    """Change from the first to the last value along a least-squares line; ``None`` where it may be chance or is small.

    :param values: (n,) in order. :param worth: least change that matters, in their unit.

    >>> round(creep([18.0, 18.2, 18.3, 18.5, 18.6, 18.8], 0.5), 2), creep([18.0, 18.4, 17.9, 18.5, 18.1, 18.2], 0.5)
    (0.77, None)
    """
    y = np.asarray(values, dtype=float)
    n = len(y)
    if n < FEWEST or np.ptp(y) == 0:
        return None
    line = stats.linregress(np.arange(n), y)
    change = float(line.slope) * (n - 1)
    return change if line.pvalue < BY_CHANCE and abs(change) >= worth else None


def lean(differences: ArrayLike, worth: float) -> float | None:
    """Mean of differences; ``None`` where it may be nothing or is small.

    :param differences: (n,). :param worth: least mean that matters, in their unit.

    >>> round(lean([-0.10, -0.12, -0.08, -0.11], 0.05), 2), lean([-0.1, 0.1, -0.2, 0.1], 0.05)
    (-0.1, None)
    """
    d = np.asarray(differences, dtype=float)
    if len(d) < FEWEST:
        return None
    mean, spread = float(d.mean()), float(d.std(ddof=1))
    if abs(mean) < worth:
        return None
    if spread == 0:
        return mean
    return mean if stats.ttest_1samp(d, 0.0).pvalue < BY_CHANCE else None


def trend(values: ArrayLike, at: ArrayLike, groups: ArrayLike, worth: float) -> float | None:
    """Slope of values over where they were taken, within groups; ``None`` where it may be nothing or is small.

    Least squares with a level for each group, by its means (Frisch and Waugh 1933, from memory).

    :param values: (n,). :param at: (n,) where, such as days. :param groups: (n,) number of the group of each.
    :param worth: least change along the longest group that matters, in the unit of the values.

    >>> trend([1.0, 1.1, 1.2, 1.31, 5.0, 5.1], [0, 1, 2, 3, 0, 1], [0, 0, 0, 0, 1, 1], 0.2) is None
    False
    """
    group = np.unique(np.asarray(groups), return_inverse=True)[1]
    y, x = np.asarray(values, dtype=float), np.asarray(at, dtype=float)
    count = np.bincount(group)
    df = len(y) - len(count) - 1
    if df < FEWEST - 2:
        return None
    away = x - (np.bincount(group, x) / count)[group]
    left = y - (np.bincount(group, y) / count)[group]
    size = float(away @ away)
    if size == 0:
        return None
    slope = float(away @ left) / size
    low, high = np.full(len(count), np.inf), np.full(len(count), -np.inf)
    np.minimum.at(low, group, x)
    np.maximum.at(high, group, x)
    if abs(slope) * float((high - low).max()) < worth:
        return None
    error = np.sqrt(float(((left - slope * away) ** 2).sum()) / df / size)
    if error == 0:
        return slope
    return slope if 2 * stats.t.sf(abs(slope) / error, df) < BY_CHANCE else None

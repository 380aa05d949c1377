"""What one more noisy look at an unknown surface is worth: how far it is expected to raise the best that can be chosen.

Options to choose among have expected values m (n,) and a joint covariance D D', D (n, r); a look along d (r,) shows
d'u + noise, u ~ N(0, I). After it the expectations are

    m + b Z,   b = D d / sqrt(d'd + noise variance),   Z standard normal,

and one chooses the best of them: the look is worth E[max_i (m_i + b_i Z)] - max_i m_i. What it leaves of the
covariance does not depend on what it shows. Source: the knowledge gradient for correlated normal beliefs, Frazier,
Powell and Dayanik 2009, INFORMS Journal on Computing 21:599 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]

LEVEL_SLOPE = 1e-12
"""Lines whose slopes differ by less than this, in points, are parallel."""
MOST_AT_ONCE = 2_000_000
"""Numbers in one block of lines: bounds the memory."""


def worth(mean: ArrayLike, options: ArrayLike, looks: ArrayLike, noise_var: float, opens: ArrayLike) -> Array:
    """What each of k looks is worth, alone, in the unit of the means; never negative.

    :param mean: (n,) expected values of the options, n >= 1. :param options: (n, r) their directions D.
    :param looks: (k, r) the direction d of each look. :param noise_var: of one look, > 0.
    :param opens: (k,) expected value of what can be chosen only once a look has been there, with the look's own
        direction; ``-inf`` where it opens nothing.
    :returns: (k,).
    """
    m, D, d = (np.asarray(values, dtype=float) for values in (mean, options, looks))
    opened, top = np.asarray(opens, dtype=float), float(np.max(m))
    seen = (d**2).sum(axis=1)
    found = np.empty(len(d))
    block = max(MOST_AT_ONCE // (len(m) + 1), 1)
    for start in range(0, len(d), block):
        some = slice(start, start + block)
        scale = np.sqrt(seen[some] + noise_var)
        slopes = np.column_stack([d[some] @ D.T, seen[some]]) / scale[:, None]
        levels = np.column_stack([np.broadcast_to(m, (len(scale), len(m))), opened[some]])
        found[some] = expected_highest(levels, slopes) - top
    return np.maximum(found, 0.0)


def expected_highest(levels: ArrayLike, slopes: ArrayLike) -> Array:
    """E[max_i (a_i + b_i Z)], Z standard normal, of each of k sets of n lines, exactly: (k,).

    The highest line is followed from the far left: from where it is overtaken on, by the line that overtakes it first.
    Between two such places l and h a line adds a (F(h) - F(l)) + b (f(l) - f(h)), F and f the normal distribution and
    density.

    :param levels: a (k, n), -inf for a line that is not there. :param slopes: b (k, n).

    >>> expected_highest([[0.0, 0.0]], [[1.0, -1.0]]).round(4).tolist()  # E|Z| = sqrt(2 / pi)
    [0.7979]
    """
    a, b = (np.asarray(values, dtype=float) for values in (levels, slopes))
    b = np.where(np.isfinite(a), b, np.inf)
    lowest = b.min(axis=1, keepdims=True)
    b = np.where(np.isfinite(a), b, -np.inf)  # a line that is not there never overtakes
    now = np.argmax(np.where(b <= lowest + LEVEL_SLOPE, a, -np.inf), axis=1)
    left, total, going = np.full(len(a), -np.inf), np.zeros(len(a)), np.arange(len(a))
    while len(going):
        level, slope = a[going, now][:, None], b[going, now][:, None]
        steeper = b[going] > slope + LEVEL_SLOPE
        meets = np.where(steeper, level - a[going], np.inf) / np.where(steeper, b[going] - slope, 1.0)
        right = meets.min(axis=1)
        first = meets <= right[:, None] + LEVEL_SLOPE
        overtakes = np.argmax(np.where(first & steeper, b[going], -np.inf), axis=1)
        total[going] += level[:, 0] * (special.ndtr(right) - special.ndtr(left)) + slope[:, 0] * (
            _density(left) - _density(right)
        )
        on = np.isfinite(right)
        going, now, left = going[on], overtakes[on], right[on]
    return total


def after(directions: ArrayLike, look: ArrayLike, noise_var: float) -> Array:
    """Directions (n, r) whose product is the covariance that a look leaves: D (I - d d' / (d'd + noise)) D'.

    :param directions: (n, r). :param look: (r,) its direction d. :param noise_var: > 0.
    """
    D, d = np.asarray(directions, dtype=float), np.asarray(look, dtype=float)
    seen = float(d @ d)
    if seen <= 0.0:
        return D
    shrink = (1.0 - np.sqrt(noise_var / (seen + noise_var))) / seen
    return np.asarray(D - np.outer(D @ d, shrink * d))


def _density(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi))

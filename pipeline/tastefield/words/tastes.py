"""Verdict and taste words, and the score each stands for.

Our own convention, not a published scale: it turns "sour" into a number so that words and numbers can be modelled
together, and any log may replace it under ``[taste.words]``.
"""

from __future__ import annotations

GOOD_AT = 0.7
"""How far up the scale a score counts as good where nobody says."""

VERDICTS: dict[str, float] = {"serve": 0.85, "nearly": 0.6, "no": 0.3}
"""What to do with the shot. A verdict beside taste words decides."""

TASTES: dict[str, float] = {
    "sour": 0.35,
    "bitter": 0.35,
    "weak": 0.4,
    "heavy": 0.5,
    "harsh": 0.25,
    "flat": 0.4,
}
"""What stood out. Of several the lowest counts."""


def score_of(fraction: float, low: float, high: float, good: float) -> float:
    """A fraction of the word lists on a scale, stretched so that :data:`GOOD_AT` falls on ``good``.

    So "serve" is always good and "nearly" never is, wherever good was put.

    >>> score_of(0.7, 1, 9, 6.6), score_of(0.85, 0, 100, 80)
    (6.6, 90.0)
    """
    if fraction <= GOOD_AT:
        score = low + (good - low) * fraction / GOOD_AT
    else:
        score = good + (high - good) * (fraction - GOOD_AT) / (1 - GOOD_AT)
    return round(score, 9)

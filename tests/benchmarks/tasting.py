"""How the simulated benches taste: liking that is flat near its best and falls off unevenly, and tasters who differ.

Liking is a logistic of an appeal from which four faults are taken: sour (too little extraction), harsh (too much of
what comes out last, or an uneven puck), thin and heavy (strength). Each fault starts late, grows and saturates.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from tests.benchmarks.brewing import Cup

LOW, HIGH = 1.0, 9.0
PIVOT = 6.0
"""Score at which a taster's spread does nothing."""
MOST = 2.4
"""Most that one fault takes off the appeal."""


@dataclass(frozen=True)
class Likes:
    """What the drinkers of one coffee like: where each fault starts, how fast it grows, how good it gets."""

    extraction: float  # the cup liked best
    strength: float
    late: float
    top: float = 1.7  # appeal without fault; 1.7 is 7.76
    sour: float = 24.0  # per unit of extraction
    harsh: float = 4.0  # per unit of log late solids
    thin: float = 4.0  # per unit of log strength
    heavy: float = 2.4
    slack: float = 1.0  # how far from its best before a fault starts, 1 is as usual
    uneven: float = 10.0  # per unit of channel


@dataclass(frozen=True)
class Taster:
    """One taster: level and spread of the scores, own taste, noise, and whether in whole or half points."""

    name: str
    level: float = 0.0
    spread: float = 1.0
    minds: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)  # sour, harsh, thin, heavy
    noise_sd: float = 0.8
    step: float = 0.5
    of_coffee: dict[str, float] = field(default_factory=dict)  # points by coffee


def _ramp(x, width):
    """Zero far below zero, x far above, round between."""
    return width * np.logaddexp(0.0, x / width)


def faults(likes: Likes, cup: Cup, channel) -> list[np.ndarray]:
    """Sour, harsh, thin and heavy, before they saturate."""
    heavier = np.log(cup.strength / likes.strength)
    return [
        likes.sour * _ramp(likes.extraction - 0.006 * likes.slack - cup.extraction, 0.004),
        likes.harsh * _ramp(np.log(cup.late / likes.late) - 0.1 * likes.slack, 0.05) + likes.uneven * channel,
        likes.thin * _ramp(-heavier - 0.05 * likes.slack, 0.04),
        likes.heavy * _ramp(heavier - 0.08 * likes.slack, 0.04),
    ]


def score(likes: Likes, taster: Taster, coffee: str, cup: Cup, channel, shift=0.0):
    """Score this taster would report without noise or mood; ``shift`` is the setup's own appeal."""
    appeal = likes.top + shift
    for minds, fault in zip(taster.minds, faults(likes, cup, channel), strict=True):
        appeal = appeal - MOST * np.tanh(minds * fault / MOST)
    liking = LOW + (HIGH - LOW) / (1.0 + np.exp(-appeal))
    told = PIVOT + taster.level + taster.spread * (liking - PIVOT) + taster.of_coffee.get(coffee, 0.0)
    return np.clip(told, LOW, HIGH)


def reported(taster: Taster, expected: float, rng: np.random.Generator) -> float:
    """The score as it is written down: with noise, on the steps of the taster's scale."""
    told = expected + taster.noise_sd * rng.normal()
    return float(np.clip(np.round(told / taster.step) * taster.step, LOW, HIGH))

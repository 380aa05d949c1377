"""Simulated setups whose truth is no quadratic: flat, a plateau with a falling rim, lopsided and narrow hills."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy.stats import norm

from tastefield.records import Bench, Scatter, Setup, Taste
from tastefield.stats.scatter import quadrature

GOOD = 6.5
SHOT_SD = 0.35
SCATTER = np.diag([0.04**2, 0.07**2])
WORDS = ("stage", "outcome", "basket_kind", "grind_setting", "grinder_zero")
Truth = Callable[[np.ndarray], np.ndarray]


def truth_of(kind: str, rng: np.random.Generator) -> Truth:
    """What a typical taster thinks of a shot at (n, 2) ratio and time, on one setup of this kind of world."""
    centre = np.array([2.0, 27.0]) * np.exp(0.15 * rng.normal(size=2))
    middle, spread = {"flat": (5.8, 0.5), "plateau": (6.8, 0.6), "lopsided": (7.3, 0.5), "narrow": (7.6, 0.4)}[kind]
    level = middle + spread * rng.normal()

    def flat(points: np.ndarray) -> np.ndarray:
        return np.full(len(points), level)

    def plateau(points: np.ndarray) -> np.ndarray:
        away = np.sqrt(((np.log(points / centre) / 0.35) ** 2).sum(axis=1))
        return level - 3.5 * np.maximum(away - 0.6, 0) ** 1.5

    def lopsided(points: np.ndarray) -> np.ndarray:
        ratio, time = np.log(points / centre).T
        slow = np.where(time > 0, 1.2 * time, 4 * np.abs(time))
        long = np.where(ratio > 0, 3 * ratio, 1.5 * np.abs(ratio))
        return level - 3.3 * np.tanh(slow**2 + long**2)

    def narrow(points: np.ndarray) -> np.ndarray:
        return 4 + (level - 4) / (1 + ((np.log(points / centre) / [0.16, 0.18]) ** 2).sum(axis=1))

    return {"flat": flat, "plateau": plateau, "lopsided": lopsided, "narrow": narrow}[kind]


def setup_of(
    number: int, truth: Truth, shots: int, tasters: int, rng: np.random.Generator, steps_a_point: int = 2
) -> Setup:
    """Shots about usual recipes, each tasted by all tasters in steps of a point; shot effects are heavy-tailed."""
    ratio = 2.0 * np.exp(0.17 * rng.normal(size=shots))
    time = 27.0 * np.exp(0.24 * rng.normal(size=shots))
    names = [f"{number}-{i}" for i in range(shots)]
    frame = pd.DataFrame(
        {
            "shot_id": names,
            "ratio": ratio,
            "shot_time_s": time,
            "dose_g": 18.0,
            "basket_g": np.nan,
            "dial_position": np.nan,
            "time_off": 0.0,
            "scored": True,
            "beverage_g": 18.0 * ratio,
            **{name: pd.Series([None] * shots, dtype="object") for name in WORDS},
        }
    )
    own = 0.6 * rng.normal(size=tasters)
    own -= own.mean()  # the tasters of a setup are those who count: their mean is the truth
    noise = 0.8 * np.exp(0.3 * rng.normal(size=tasters))
    deserved = truth(np.column_stack([ratio, time])) + SHOT_SD * rng.standard_t(4, size=shots) / np.sqrt(2)
    felt = deserved[:, None] + own + noise * rng.normal(size=(shots, tasters))
    score = np.clip(np.round(steps_a_point * felt) / steps_a_point, 1, 9)
    rows = [(names[i], f"t{j}", float(score[i, j])) for i in range(shots) for j in range(tasters)]
    return Setup(
        key={"machine": str(number)},
        shots=frame,
        scores=pd.DataFrame(rows, columns=["shot_id", "taster", "score"]),
        readings=pd.DataFrame(),
        bench=Bench(None, Scatter(SCATTER, 0.0, "prior"), None),
        taste=Taste(good=GOOD),
        tasters=tuple(f"t{j}" for j in range(tasters)),
    )


def true_chance(truth: Truth, ratio: float, shot_time_s: float) -> float:
    """Chance that a shot aimed there deserves good."""
    nodes, weights = quadrature(SCATTER)
    landed = np.array([[ratio, shot_time_s]]) * np.exp(nodes)
    return float(weights @ norm.cdf((truth(landed) - GOOD) / SHOT_SD))

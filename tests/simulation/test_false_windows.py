"""A window is claimed only where the data carry it: simulated setups whose truth is flat and below good."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tastefield.records import Bench, Context, Scatter, Setup, Taste
from tastefield.stages.window import window
from tastefield_plugins.fit_quadratic import Quadratic, QuadraticOptions

SETUPS = 400
WORDS = ("stage", "outcome", "basket_kind", "grind_setting", "grinder_zero")


def flat_setup(rng: np.random.Generator, number: int, level: float) -> Setup:
    """5-24 shots about a technician's recipes, each tasted by 1-4 people who score whole points around one level.

    Nothing here is the fitted model: scores are rounded and cut to the scale, tasters differ in spread, shots are
    heavy-tailed (t with 4 degrees of freedom).
    """
    shots, tasters = int(rng.integers(5, 25)), int(rng.integers(1, 5))
    ratio = 2.0 * np.exp(0.2 * rng.normal(size=shots))
    time = 27.0 * np.exp(0.25 * rng.normal(size=shots))
    frame = pd.DataFrame(
        {
            "shot_id": [f"{number}-{i}" for i in range(shots)],
            "ratio": ratio,
            "shot_time_s": time,
            "dose_g": 18.0,
            "basket_g": np.nan,
            "beverage_g": 18.0 * ratio,
            **{name: pd.Series([None] * shots, dtype="object") for name in WORDS},
        }
    )
    own = 0.6 * rng.normal(size=tasters)
    own -= own.mean()  # the tasters of a setup are those who count: their mean is the truth
    noise = 0.8 * np.exp(0.3 * rng.normal(size=tasters))
    shot = 0.35 * rng.standard_t(4, size=shots) / np.sqrt(2)
    rows = [
        (f"{number}-{i}", f"t{j}", np.clip(np.round(level + own[j] + shot[i] + noise[j] * rng.normal()), 1, 9))
        for i in range(shots)
        for j in range(tasters)
    ]
    scores = pd.DataFrame(rows, columns=["shot_id", "taster", "score"])
    return Setup(
        key={"machine": str(number)},
        shots=frame,
        scores=scores,
        readings=pd.DataFrame(),
        bench=Bench(None, Scatter(np.diag([0.04**2, 0.07**2]), 0.0, "prior"), None),
        taste=Taste(good=6.5),
        tasters=tuple(f"t{j}" for j in range(tasters)),
    )


def windows_claimed(level: float, seed: int) -> int:
    rng = np.random.default_rng(seed)
    setups = [flat_setup(rng, number, level) for number in range(SETUPS)]
    model, context = Quadratic(), Context(QuadraticOptions())
    population = model.learn([model.gather(setups, context)], None, context)
    aims = [window(setup, model.fit(setup, population, context), 0.8) for setup in setups]
    return sum(aim.window is not None for aim in aims)


@pytest.mark.slow
def test_a_flat_truth_below_good_gets_a_window_in_at_most_one_setup_in_twenty():
    assert windows_claimed(level=5.5, seed=11) <= 0.05 * SETUPS

"""A window is claimed only where the data carry it: simulated setups whose truth is flat and below good."""

from __future__ import annotations

import numpy as np
import pytest
from tests.simulation.worlds import setup_of

from tastefield.records import Context, Setup
from tastefield.stages.window import window
from tastefield_plugins.fit_quadratic import Quadratic, QuadraticOptions

SETUPS = 120


def flat_setup(rng: np.random.Generator, number: int, level: float) -> Setup:
    """5-24 shots, each tasted by 1-4 people in whole points around one level, wherever the shots are.

    Nothing here is the fitted model: scores are rounded and cut to the scale, tasters differ in spread, shots are
    heavy-tailed.
    """
    shots, tasters = int(rng.integers(5, 25)), int(rng.integers(1, 5))
    return setup_of(number, lambda points: np.full(len(points), level), shots, tasters, rng, steps_a_point=1)


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

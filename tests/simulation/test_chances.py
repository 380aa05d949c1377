"""What is promised is kept, where the truth is unlike the fitted model; 3-8 shots a setup, 1-3 tasters."""

from __future__ import annotations

import numpy as np
import pytest
from tests.simulation.worlds import setup_of, true_chance, truth_of

from tastefield.records import Context
from tastefield.stages.window import window
from tastefield_plugins.fit_quadratic import Quadratic, QuadraticOptions

SETUPS = 120


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["flat", "plateau", "lopsided"])
def test_chances_and_intervals_are_near_the_truth_in_worlds_unlike_the_model(kind):
    rng = np.random.default_rng(20)
    truths = [truth_of(kind, rng) for _ in range(SETUPS)]
    setups = [
        setup_of(number, truth, int(rng.integers(3, 9)), int(rng.integers(1, 4)), rng)
        for number, truth in enumerate(truths)
    ]
    model, context = Quadratic(), Context(QuadraticOptions())
    population = model.learn([model.gather(setups, context)], None, context)
    aims = [window(setup, model.fit(setup, population, context), 0.8) for setup in setups]
    claimed = np.array([aim.assurance for aim in aims])
    true = np.array([true_chance(truth, aim.ratio, aim.shot_time_s) for truth, aim in zip(truths, aims, strict=True)])
    level = [truth(np.array([[aim.ratio, aim.shot_time_s]]))[0] for truth, aim in zip(truths, aims, strict=True)]
    covered = [aim.expected[1] <= value <= aim.expected[2] for aim, value in zip(aims, level, strict=True)]
    windows = np.array([aim.window is not None for aim in aims])
    assert abs(claimed.mean() - true.mean()) <= 0.15
    assert np.mean((claimed - true) ** 2) <= 0.12
    assert np.mean(covered) >= 0.8
    assert (windows & (true < 0.5)).sum() <= 0.05 * SETUPS

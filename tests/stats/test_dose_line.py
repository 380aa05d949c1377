"""Dose against timer and grind: a second route to the same numbers, what few shots leave to the prior, coverage."""

from __future__ import annotations

import numpy as np
import pytest

from tastefield.stats.dose_line import FINENESS, NOISE_SD, NOISE_SHOTS, TIMER, fit


def grinder(n: int, rng: np.random.Generator, per_fine: float = -0.2, noise: float = 0.02):
    """Made-up weights of a grinder that gives 4 g a second at usual grind."""
    timer, fine = np.round(rng.uniform(3.8, 5.2, n), 1), rng.normal(3.3, 0.15, n)
    return 4 * timer * np.exp(per_fine * (fine - 3.3) + rng.normal(0, noise, n)), timer, fine


def test_many_shots_find_the_true_line():
    line = fit(*grinder(2000, np.random.default_rng(1)))
    assert line.coefficients[1:] == pytest.approx([1.0, -0.2], abs=0.02)
    assert np.sqrt(line.noise_var) == pytest.approx(0.02, rel=0.05)


def test_it_is_the_posterior_of_a_normal_model_with_those_priors():
    """Second route: the joint normal of a, b, c written down with the prior precisions, at the noise that was found."""
    dose, timer, fine = grinder(5, np.random.default_rng(2))
    line = fit(dose, timer, fine)
    X = np.column_stack([np.ones(5), np.log(timer) - line.centre[0], fine - line.centre[1]])
    precision = X.T @ X / line.noise_var + np.diag([0.0, TIMER[1] ** -2, FINENESS[1] ** -2])
    right = X.T @ np.log(dose) / line.noise_var + [0.0, TIMER[0] * TIMER[1] ** -2, FINENESS[0] * FINENESS[1] ** -2]
    assert line.coefficients == pytest.approx(np.linalg.solve(precision, right), rel=1e-5)
    assert line.cov == pytest.approx(np.linalg.inv(precision), rel=1e-4)


def test_one_shot_leans_on_the_prior_a_longer_timer_more_dose_a_finer_grind_less():
    """A timed grinder gives less when set finer: common practice, no source."""
    line = fit(np.array([18.0]), np.array([4.5]), np.array([3.3]))
    assert line.log_dose(4.5, 3.3)[0] == pytest.approx(np.log(18))
    assert np.exp(line.log_dose(5.0, 3.3)[0]) == pytest.approx(20.0)
    assert line.log_dose(4.5, 3.4)[0] < np.log(18) < line.log_dose(4.5, 3.2)[0]
    assert line.noise_var == pytest.approx(NOISE_SD**2, rel=0.05)


def test_the_timer_for_a_dose_gives_that_dose():
    line = fit(*grinder(8, np.random.default_rng(3)))
    for fine in (3.1, 3.5):
        assert line.log_dose(line.timer_for(17.5, fine), fine)[0] == pytest.approx(np.log(17.5))


@pytest.mark.parametrize("n", [3, 8])
def test_nine_in_ten_next_doses_lie_within_the_limits(n):
    """Benches whose truth is drawn from the stated prior, noise too; the standard error of the share is 0.01."""
    from scipy import stats

    rng, inside = np.random.default_rng(4), []
    for _ in range(900):
        noise = NOISE_SD / np.sqrt(rng.chisquare(NOISE_SHOTS) / NOISE_SHOTS)
        slope, per_fine = rng.normal(*TIMER), rng.normal(*FINENESS)
        timer, fine = np.round(rng.uniform(3.8, 5.2, n + 1), 1), rng.normal(3.3, 0.15, n + 1)
        log = np.log(18) + slope * np.log(timer / 4.5) + per_fine * (fine - 3.3) + rng.normal(0, noise, n + 1)
        line = fit(np.exp(log[:n]), timer[:n], fine[:n])
        mean, sd = line.log_dose(float(timer[n]), float(fine[n]))
        inside.append(abs(log[n] - mean) <= stats.t.ppf(0.95, line.df) * sd)
    assert np.mean(inside) == pytest.approx(0.9, abs=0.035)


@pytest.mark.parametrize("values", [([], [], []), ([18.0], [0.0], [3.3]), ([18.0], [4.5], [np.nan])])
def test_what_cannot_be_fitted_is_refused(values):
    with pytest.raises(ValueError, match="above 0"):
        fit(*(np.array(value) for value in values))

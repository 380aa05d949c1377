"""Creep and lean: Student's t by a second route, and how often steady values are called unsteady."""

import numpy as np
import pytest
import statsmodels.api as sm

from tastefield.stats.steady import BY_CHANCE, creep, lean, trend


def test_creep_is_the_slope_of_a_least_squares_line_told_where_its_t_is_sure():
    """Second route: statsmodels' OLS."""
    rng, told = np.random.default_rng(0), 0
    for _ in range(60):
        y = 18 + 0.08 * np.arange(8) + rng.normal(0, 0.2, 8)
        fit = sm.OLS(y, sm.add_constant(np.arange(8))).fit()
        change = fit.params[1] * 7
        sure = fit.pvalues[1] < BY_CHANCE and abs(change) >= 0.5
        assert creep(y, 0.5) == (pytest.approx(change) if sure else None)
        told += sure
    assert 5 < told < 55


def test_lean_is_the_mean_told_where_its_t_is_sure():
    """Second route: OLS on a constant."""
    rng = np.random.default_rng(1)
    for _ in range(40):
        d = rng.normal(0.1, 0.08, 6)
        sure = sm.OLS(d, np.ones(6)).fit().pvalues[0] < BY_CHANCE and abs(d.mean()) >= 0.06
        assert lean(d, 0.06) == (pytest.approx(d.mean()) if sure else None)


@pytest.mark.parametrize("asked", [creep, lean])
def test_steady_values_are_seldom_called_unsteady(asked):
    rng = np.random.default_rng(2)
    told = [asked(rng.normal(0, 1, 6), 0.0) is not None for _ in range(4000)]
    assert np.mean(told) == pytest.approx(BY_CHANCE, abs=0.006)


def test_few_or_constant_values_tell_nothing():
    assert creep([18.0, 19.0, 20.0], 0.5) is None
    assert creep([18.0] * 8, 0.5) is None
    assert lean([0.5, 0.5, 0.5], 0.1) is None
    assert lean([0.5] * 5, 0.1) == 0.5


def test_a_trend_within_groups_is_that_of_least_squares_with_a_level_for_each_and_seldom_told_of_noise():
    """Second route: statsmodels with a column for each group; and 2,000 steady sets, of which 1 % may be told."""
    rng = np.random.default_rng(5)
    group, at = np.repeat([0, 1, 2], [4, 5, 3]), rng.uniform(0, 20, 12)
    y = np.array([3.0, 1.0, 2.0])[group] - 0.05 * at + rng.normal(0, 0.1, 12)
    design = np.column_stack([at, *(group == one for one in range(3))]).astype(float)
    fit = sm.OLS(y, design).fit()
    assert fit.pvalues[0] < 0.01
    assert trend(y, at, group, 0.1) == pytest.approx(fit.params[0])
    longest = max(np.ptp(at[group == one]) for one in range(3))
    assert trend(y, at, group, 1.01 * longest * abs(fit.params[0])) is None
    assert trend(y[:4], at[:4], [0, 0, 1, 1], 0.0) is None  # one degree of freedom tells nothing
    assert trend(y, np.zeros(12), group, 0.0) is None
    told = [trend(rng.normal(0, 1, 12), at, group, 0.0) is not None for _ in range(2000)]
    assert np.mean(told) == pytest.approx(0.01, abs=0.008)

"""Draws of a surface and its highest point: against Student's t, degrees of freedom and order statistics."""

import numpy as np
import pytest
from scipy import integrate, stats

from tastefield.errors import FitError
from tastefield.stats import mixed


@pytest.fixture(scope="module")
def panel():
    """Ten shots by four tasters on a plane."""
    rng = np.random.default_rng(8)
    shot, taster = (grid.ravel() for grid in np.indices((10, 4)))
    X = np.column_stack([np.ones(40), rng.normal(size=(10, 2))[shot]])
    of_shot, of_taster = 0.4 * rng.normal(size=10), 0.6 * rng.normal(size=4)
    y = X @ [6.0, 0.3, -0.2] + of_shot[shot] + of_taster[taster] + 0.8 * rng.normal(size=40)
    return mixed.fit_crossed(y, X, {"shot": shot, "taster": taster})


POINTS = np.array([[1.0, 0.0, 0.0], [1.0, 1.0, 0.5], [1.0, -2.0, 1.0]])


@pytest.mark.parametrize(
    ("variances", "law"), [("fixed", stats.norm()), ("satterthwaite", stats.t(4)), ("refitted", stats.t(4))]
)
def test_draws_of_a_mean_of_five_follow_students_t_unless_the_variance_is_fixed(variances, law):
    # Student (1908): the mean of n normal readings is t with n - 1 degrees of freedom, exactly
    y = np.array([6.0, 5.5, 7.0, 6.5, 4.5])
    fit = mixed.fit_crossed(y, np.ones((5, 1)), {})
    drawn = mixed.draws(fit, [[1.0]], 20_000, seed=2, variances=variances)
    t = (drawn[:, 0] - y.mean()) / (y.std(ddof=1) / np.sqrt(5))
    assert stats.kstest(t, law.cdf).pvalue > 0.01
    other = stats.t(4) if variances == "fixed" else stats.norm()
    assert stats.kstest(t, other.cdf).pvalue < 1e-6


def test_every_point_is_drawn_with_its_own_degrees_of_freedom(panel):
    df = [panel.df(point) for point in POINTS]
    assert panel.point_df(POINTS) == pytest.approx(np.maximum(df, mixed.LEAST_DF))
    assert max(df) > 1.5 * min(df)
    drawn = mixed.draws(panel, POINTS, 40_000, seed=4)
    error = np.sqrt(np.diag(panel.predict(POINTS).cov))
    t = (drawn - POINTS @ panel.fixed) / error
    # at 90 % the density of t is about 0.1: 40,000 draws know that quantile to 0.02
    np.testing.assert_allclose(np.quantile(t, 0.95, axis=0), stats.t.ppf(0.95, df), atol=0.08)


def test_draws_at_several_points_belong_together(panel):
    cov = panel.predict(POINTS).cov
    expected = cov / np.sqrt(np.outer(np.diag(cov), np.diag(cov)))
    for variances in ("fixed", "satterthwaite", "refitted"):
        drawn = mixed.draws(panel, POINTS, 4_000, seed=5, variances=variances)
        assert drawn.shape == (4_000, 3)
        np.testing.assert_allclose(stats.spearmanr(drawn).statistic, expected, atol=0.08)
        again = mixed.draws(panel, POINTS, 4_000, seed=5, variances=variances)
        np.testing.assert_array_equal(again, drawn)
        beside = mixed.draws(panel, [[1.0, 0.0, 0.0], [1.0, 1e-7, 0.0]], 100, seed=7, variances=variances)
        np.testing.assert_allclose(beside[:, 0], beside[:, 1], atol=1e-4)  # a surface has no steps
    fixed = mixed.draws(panel, POINTS, 40_000, seed=6, variances="fixed")
    np.testing.assert_allclose(np.cov(fixed.T) / cov, 1.0, atol=0.1)


def test_with_ten_thousand_degrees_of_freedom_draws_are_all_but_normal():
    fit = mixed.fit_crossed(np.random.default_rng(1).normal(size=10_001), np.ones((10_001, 1)), {})
    assert fit.point_df([[1.0]]) == pytest.approx([10_000])
    normal, drawn = (mixed.draws(fit, [[1.0]], 100, 3, variances) for variances in ("fixed", "satterthwaite"))
    np.testing.assert_allclose(drawn - fit.fixed, normal - fit.fixed, rtol=0.05)


def test_the_luck_of_the_highest_of_five_equal_means_is_that_of_order_statistics():
    # expected largest of five standard normals, by integration; 1.163 in tables of order statistics (from memory)
    expected = integrate.quad(lambda z: 5 * z * stats.norm.pdf(z) * stats.norm.cdf(z) ** 4, -9, 9)[0]
    assert expected == pytest.approx(1.163, abs=5e-4)
    noise = np.random.default_rng(0).normal(size=(5, 40))
    y = 6 + noise - noise.mean(axis=1, keepdims=True)
    fit = mixed.fit_crossed(y.ravel(), np.repeat(np.eye(5), 40, axis=0), {})
    best = mixed.best(fit, np.eye(5), times=2_000, seed=1)
    # 2,000 refits know it to 0.015
    assert best.luck / best.sd == pytest.approx(expected, abs=0.06)
    assert best.mean == pytest.approx(6.0 - best.luck)
    assert best.sd == pytest.approx(np.sqrt(fit.fixed_cov[0, 0]))
    assert best.df == pytest.approx(195)


def test_a_point_that_stands_out_by_far_owes_nothing_to_luck(panel):
    rows = np.array([[1.0, 0.0, 0.0], [3.0, 0.0, 0.0]])
    best = mixed.best(panel, rows, times=400, seed=1)
    assert best.index == 1
    assert best.mean == pytest.approx(3 * panel.fixed[0], abs=4 * best.sd / 20)
    assert best.df == pytest.approx(panel.df(rows[1]))


def test_points_of_another_shape_and_no_draws_are_refused(panel):
    for call in (
        lambda: mixed.draws(panel, [[1.0]], 10, seed=1),
        lambda: mixed.best(panel, np.empty((0, 3)), 10, seed=1),
        lambda: panel.point_df(np.ones((1, 1, 3))),
    ):
        with pytest.raises(FitError, match="points of another shape"):
            call()
    for variances in ("fixed", "refitted"):
        with pytest.raises(FitError, match="0 draws"):
            mixed.draws(panel, POINTS, 0, seed=1, variances=variances)

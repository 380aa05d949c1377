"""Second-order surfaces against four worked designs, two handbooks and a general least-squares library."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tastefield.errors import FitError
from tastefield.stats import canonical, second_order


def test_coefficients_errors_and_covariance_are_those_of_the_reference(fitted, case):
    c, fit = fitted
    for name, row in c.expected["coefficients"].items():
        coefficient = fit.coefficients[case.name(name)]
        found = [coefficient.estimate, coefficient.std_error, coefficient.t, coefficient.p]
        assert found == c.near([row["estimate"], row["std_error"], row["t"], row["p"]])
    order = [fit.names.index(case.name(name)) for name in c.expected["coefficient_order"]]
    assert fit.covariance[np.ix_(order, order)] == c.near(c.expected["vcov"])


def test_summaries_of_the_fit_are_those_of_the_reference(fitted):
    c, fit = fitted
    e = c.expected
    found = [fit.sigma, fit.df, fit.r2, fit.adj_r2, fit.press, fit.leverage.max(), fit.loglik, fit.aic, fit.bic]
    keys = ["sigma", "df_residual", "r_squared", "adj_r_squared", "press", "max_leverage", "loglik_ml", "aic", "bic"]
    assert found == c.near([e[key] for key in keys])
    assert len(fit.residuals) == e["n"]


def test_analysis_of_variance_and_lack_of_fit_are_those_of_the_reference(fitted):
    c, fit = fitted
    for name, row in c.expected["anova_sequential"].items():
        found = fit.anova[name]
        assert [found.df, found.ss, found.ms, found.f, found.p] == c.near(
            [row[k] for k in ("df", "ss", "ms", "F", "p")]
        )
    model, residual = c.expected["F_model"], c.expected["residual"]
    assert [fit.anova["model"].f, fit.anova["model"].df, fit.anova["model"].p] == c.near(
        [model["F"], model["df1"], model["p"]]
    )
    assert [fit.anova["residual"].df, fit.anova["residual"].ss] == c.near([residual["df"], residual["ss"]])
    lof = c.expected["lack_of_fit_test"]
    assert [fit.lack_of_fit.f, fit.lack_of_fit.p] == c.near([lof["F"], lof["p"]])
    for ours_, theirs in (("lack_of_fit", lof["lack_of_fit"]), ("pure_error", lof["pure_error"])):
        row = getattr(fit.lack_of_fit, ours_)
        assert [row.df, row.ss, row.ms] == c.near([theirs["df"], theirs["ss"], theirs["ms"]])


def test_predictions_and_their_limits_are_those_of_the_reference(fitted):
    c, fit = fitted
    e = c.expected["predictions"]
    p = fit.predict(e["points"], level=0.95)
    assert p.mean == c.near(e["fit"])
    assert p.std_error == c.near(e["se_fit"])
    assert c.near([e["ci95_low"], e["ci95_high"]]) == p.ci.T
    assert c.near([e["pi95_low"], e["pi95_high"]]) == p.pi.T
    if "prob_mean_exceeds_84" in c.expected:
        chance = stats.t.cdf((p.mean - 84) / p.std_error, fit.df)
        assert chance == c.near(c.expected["prob_mean_exceeds_84"])


def test_the_ridge_of_the_saddle_has_the_published_fits_and_errors(case):
    # rsm_mbt_saddle: ridge analysis of Frankel's data as analysed by Myers (1976)
    c = case("rsm_mbt_saddle")
    fit = second_order.fit(c.column("mbt"), c.column("x1", "x2"))
    path = c.expected["ridge_max"]
    p = fit.predict([row["x"] for row in path])
    assert p.mean == c.near([row["value"] for row in path])
    assert p.std_error == c.near([row["std_error"] for row in path])


def test_coefficients_in_natural_units_are_those_of_the_reference(case):
    c = case("rsm_mbt_saddle")
    fit = second_order.fit(c.column("mbt"), c.column("time", "temp"), names=("time", "temp"))
    for name, row in c.expected["natural_unit_coefficients"].items():
        found = fit.coefficients[case.name(name)]
        assert [found.estimate, found.std_error] == c.near([row["estimate"], row["std_error"]])


def test_a_plane_through_the_first_block_lacks_fit_and_says_so_only_with_three_repeats(case):
    c = case("rsm_chemreact")
    first = np.array(c.text("block")) == "B1"
    terms = second_order.terms_for(1, 2)
    fit = second_order.fit(c.column("yield")[first], c.column("x1", "x2")[first], terms=terms)
    e = c.expected["first_block_first_order"]
    assert fit.estimates == c.near(e["coefficients"])
    assert [fit.sigma, fit.lack_of_fit.f, fit.lack_of_fit.p] == c.near(
        [e["sigma"], e["lack_of_fit"]["F"], e["lack_of_fit"]["p"]]
    )
    assert [fit.lack_of_fit.lack_of_fit.df, fit.lack_of_fit.pure_error.df] == e["lack_of_fit"]["df"]
    direction = fit.surface.linear / np.linalg.norm(fit.surface.linear)
    assert direction == c.near(e["steepest_ascent_unit"])
    assert fit.findings == ()  # two repeats' degrees of freedom judge nothing
    all_runs = second_order.fit(c.column("yield"), c.column("x1", "x2"), c.text("block"), terms=terms)
    assert [f.code for f in all_runs.findings] == ["lack_of_fit"]


def test_the_textbook_yield_example_is_reproduced(handbook, as_printed):
    # Montgomery, Design and Analysis of Experiments, example 11-2
    e = handbook["yield_ccd"]
    fit = second_order.fit(e["y"], e["coded"])
    check_worked_example(fit, e, as_printed)
    assert fit.anova["residual"].ss == as_printed(e["rss"])
    shape = canonical.analyse(fit.surface.linear, fit.surface.quadratic)
    natural = np.array(e["natural"]["centre"]) + np.array(e["natural"]["half_range"]) * shape.point
    for found, text in zip(natural, e["natural"]["stationary"], strict=True):
        assert found == as_printed(text)
    assert fit.lack_of_fit.pure_error.ss == as_printed(e["pure_error"]["ss"])
    assert fit.lack_of_fit.pure_error.df == e["pure_error"]["df"]


def test_the_handbook_quadratic_is_reproduced(handbook, as_printed):
    # NIST/SEMATECH e-Handbook 5.5.3.1.4
    e = handbook["second_order"]
    fit = second_order.fit(e["y"], e["coded"])
    check_worked_example(fit, e, as_printed)
    assert fit.press == as_printed(e["press"])


def check_worked_example(fit, e, as_printed):
    for name, text in e["coefficients"].items():
        assert fit.coefficients[name].estimate == as_printed(text), name
    shape = canonical.analyse(fit.surface.linear, fit.surface.quadratic)
    for found, text in zip(shape.point, e["stationary"], strict=True):
        assert found == as_printed(text)
    for found, text in zip(shape.eigenvalues, e["eigenvalues"], strict=True):
        assert found == as_printed(text)
    assert fit.surface.intercept + shape.value_shift == as_printed(e["value"])
    assert fit.r2 == as_printed(e["r2"])
    for key, text in e["lack_of_fit"].items():
        assert getattr(fit.lack_of_fit, key) == as_printed(text)


def test_the_handbook_steepest_ascent_is_reproduced(handbook, as_printed):
    # NIST/SEMATECH e-Handbook 5.5.3.1.1
    e = handbook["steepest_ascent"]
    fit = second_order.fit(e["y"], e["coded"], terms=("1", "x1", "x2"))
    for name, text in e["coefficients"].items():
        assert fit.coefficients[name].estimate == as_printed(text)
    for found, text in zip(fit.surface.linear / np.linalg.norm(fit.surface.linear), e["direction"], strict=True):
        assert found == as_printed(text)
    assert fit.r2 == as_printed(e["r2"])


@pytest.mark.parametrize("response", ["uniformity", "stress"])
def test_the_handbook_deposition_models_with_fewer_terms_are_reproduced(handbook, as_printed, response):
    # NIST/SEMATECH e-Handbook 5.4.7.3
    e = handbook["deposition"]
    r = e[response]
    fit = second_order.fit(r["y"], e["coded"], names=e["names"], terms=r["terms"])
    for name, text in r["coefficients"].items():
        assert fit.coefficients[name].estimate == as_printed(text)
    assert fit.r2 == as_printed(r["r2"])
    for key, text in r.get("lack_of_fit", {}).items():
        assert getattr(fit.lack_of_fit, key) == as_printed(text)
    for name, text in r.get("full_coefficients_coded", {}).items():
        full = second_order.fit(r["y"], e["coded"], names=e["names"])
        assert full.coefficients[name].estimate == as_printed(text)


def test_a_general_library_gives_the_same_fit():
    # second route: statsmodels OLS on the same columns
    rng = np.random.default_rng(1)
    x = rng.uniform(-1, 1, (25, 3))
    y = 6 + x @ [1.0, -0.5, 0.2] - x[:, 0] ** 2 + rng.normal(0, 0.3, 25)
    fit = second_order.fit(y, x)
    other = sm.OLS(y, second_order.model_matrix(x, fit.terms)).fit()
    np.testing.assert_allclose(fit.estimates, other.params, rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(fit.covariance, other.cov_params(), rtol=1e-9, atol=1e-14)
    np.testing.assert_allclose(
        [fit.loglik, fit.r2, fit.adj_r2, fit.press, fit.anova["model"].f],
        [other.llf, other.rsquared, other.rsquared_adj, np.sum(other.get_influence().resid_press ** 2), other.fvalue],
        rtol=1e-9,
    )
    theirs = other.get_prediction(second_order.model_matrix(x[:4], fit.terms)).summary_frame(alpha=0.1)
    p = fit.predict(x[:4], level=0.9)
    np.testing.assert_allclose(p.ci, theirs[["mean_ci_lower", "mean_ci_upper"]], rtol=1e-9)
    np.testing.assert_allclose(p.pi, theirs[["obs_ci_lower", "obs_ci_upper"]], rtol=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    scale=st.floats(1e-3, 1e3),
    shift=st.floats(-1e3, 1e3),
    factor_scale=st.floats(0.1, 10),
)
def test_row_order_and_units_leave_the_fit_unchanged(seed, scale, shift, factor_scale):
    rng = np.random.default_rng(seed)
    x = rng.uniform(-1, 1, (14, 2))
    y = 6 - x[:, 0] ** 2 + 0.5 * x[:, 1] + rng.normal(0, 0.3, 14)
    blocks = np.array(["a", "b"])[rng.permutation(np.arange(14) % 2)]
    fit = second_order.fit(y, x, blocks)
    order = rng.permutation(14)
    other = second_order.fit(shift + scale * y[order], factor_scale * x[order], blocks[order])
    assert other.r2 == pytest.approx(fit.r2, abs=1e-8)
    np.testing.assert_allclose(other.residuals, scale * fit.residuals[order], atol=1e-8 * scale)
    mean = fit.predict(x).mean
    np.testing.assert_allclose(other.predict(factor_scale * x).mean, shift + scale * mean, rtol=1e-8, atol=1e-8 * scale)


def test_predictions_of_a_point_do_not_depend_on_its_neighbours_and_follow_the_block(case):
    c = case("rsm_chemreact")
    fit = second_order.fit(c.column("yield"), c.column("x1", "x2"), c.text("block"))
    points = np.array([[0.0, 0.0], [1.0, -1.0], [0.3, 0.2]])
    np.testing.assert_array_equal(fit.predict(points).mean[:2], fit.predict(points[:2]).mean)
    step = fit.predict(points, block="B2").mean - fit.predict(points, block="B1").mean
    np.testing.assert_allclose(step, fit.coefficients["block[B2]"].estimate)
    with pytest.raises(FitError, match="unknown block 'B9'"):
        fit.predict(points, block="B9")


def test_a_quadratic_form_evaluates_to_the_polynomial_and_keeps_missing_terms_at_zero():
    terms = ("1", "b", "a", "b:a", "a^2")
    estimates = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    form = second_order.quadratic_form(terms, estimates, np.diag(estimates), ("a", "b"))
    x = np.array([0.7, -0.3])
    value = form.intercept + form.linear @ x + x @ form.quadratic @ x
    assert value == pytest.approx(float(second_order.model_matrix([x], terms, ("a", "b"))[0] @ estimates))
    assert form.covariance.diagonal().tolist() == [1.0, 3.0, 2.0, 4.0, 5.0, 0.0]


def test_the_hierarchy_is_kept():
    with pytest.raises(FitError, match="hierarchy"):
        second_order.model_matrix([[1.0, 2.0]], ("1", "x1", "x1:x2"))
    with pytest.raises(FitError, match="unknown factor 'x9'"):
        second_order.model_matrix([[1.0, 2.0]], ("1", "x9"))
    with pytest.raises(FitError, match="no surface of order 3"):
        second_order.terms_for(3, 2)


def test_all_faults_of_the_input_are_told_at_once():
    with pytest.raises(FitError) as caught:
        second_order.fit([1.0, np.nan, 3.0], [[1.0, 2.0], [np.inf, 2.0]], blocks=["a"])
    assert len(caught.value.problems) == 4


def test_runs_that_cannot_separate_the_terms_are_refused_by_name():
    x = np.array([[-1.0, -1.0], [1, 1], [-1, -1], [1, 1], [0, 0], [0, 0], [0.5, 0.5], [0.2, 0.2]])
    with pytest.raises(FitError, match="cannot be told apart"):
        second_order.fit(np.arange(8.0), x)
    with pytest.raises(FitError, match="too few runs"):
        second_order.fit(np.arange(6.0), x[:6])


def test_scores_that_are_all_the_same_give_a_flat_surface_without_a_warning():
    x = np.random.default_rng(0).uniform(-1, 1, (10, 2))
    fit = second_order.fit(np.full(10, 7.0), x)
    assert fit.estimates[0] == pytest.approx(7.0)
    assert np.abs(fit.estimates[1:]).max() < 1e-12
    assert fit.r2 == 0.0

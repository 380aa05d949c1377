"""Inverse prediction against three calibration cases, a vertex case and the definition of the set itself."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tastefield.errors import FitError
from tastefield.stats import canonical, inverse


def check(c, found, e):
    """All numbers of one inversion of a reference case."""
    assert found.estimate == c.near(e["estimate"])
    assert found.delta_se == c.near(e["delta_se"])
    assert found.delta_limits == c.near([e["wald_low"], e["wald_high"]])
    i = e["inversion"]
    assert found.kind == i["kind"]
    assert found.g == c.near(i["g"])
    expected = {"interval": ("low", "high"), "two_rays": ("below", "above")}.get(found.kind)
    if expected:
        assert found.limits == c.near([i[key] for key in expected])
    else:
        assert found.limits == (-math.inf, math.inf)


def invert(line, e, new_shot_var, df=None, scale=1.0):
    target = float(np.mean(e["readings"]))
    df = e["df"] if df is None else df
    return inverse.fieller(line.intercept, line.slope, line.cov * scale, target, df, e["level"], new_shot_var)


def test_the_arsenic_line_and_its_inversions_are_those_of_the_reference(case):
    c = case("calib_arsenic")
    e = c.expected
    line = inverse.line(c.column("actual"), c.column("measured"))
    assert [line.intercept, line.slope] == c.near(e["coefficients"])
    assert np.sqrt(np.diag(line.cov)) == c.near(e["std_error"])
    assert line.cov == c.near(e["vcov"])
    assert line.sigma == c.near(e["sigma"])
    y = c.column("measured")
    assert 1 - line.df * line.sigma**2 / np.sum((y - y.mean()) ** 2) == c.near(e["r_squared"])
    check(c, invert(line, e["one_reading_3"], line.sigma**2), e["one_reading_3"])
    check(c, invert(line, e["mean_response_5"], 0.0), e["mean_response_5"])
    three = e["three_readings_regression_sigma"]
    check(c, invert(line, three, line.sigma**2 / 3), three)
    pooled = e["three_readings_pooled"]  # the spread of the readings joins the residual variance
    spread = np.var(pooled["readings"]) * 3
    s2 = (line.df * line.sigma**2 + spread) / (line.df + 2)
    assert math.sqrt(s2) == c.near(pooled["sigma"])
    check(c, invert(line, pooled, s2 / 3, df=line.df + 2, scale=s2 / line.sigma**2), pooled)


def test_the_textbook_line_plain_replicated_and_weighted_is_that_of_the_reference(case):
    c = case("calib_massart")
    e = c.expected
    line = inverse.line(c.column("x"), c.column("y"))
    assert [line.intercept, line.slope] == c.near(e["coefficients"])
    assert line.sigma == c.near(e["sigma"])
    for key, readings in (("reading_15", 1), ("reading_90", 1), ("five_readings_90", 5)):
        check(c, invert(line, e[key], line.sigma**2 / readings), e[key])
    w = e["weighted"]
    line = inverse.line(w["x"], w["mean_y"], w["weights"])
    assert [line.intercept, line.slope] == c.near(w["coefficients"])
    assert line.sigma == c.near(w["sigma"])
    for key in ("reading_15", "reading_90"):
        r = w[key]
        variance = line.sigma**2 / r["weight_of_reading"]
        found = inverse.fieller(line.intercept, line.slope, line.cov, r["reading"], line.df, 0.95, variance)
        assert found.estimate == c.near(r["estimate"])
        assert found.delta_se == c.near(r["se"])
        assert (found.delta_limits[1] - found.delta_limits[0]) / 2 == c.near(r["half_width_95"])


@pytest.mark.parametrize("response", ["clear", "weak", "none"])
def test_a_weak_slope_gives_two_rays_or_the_whole_line_as_in_the_reference(case, response):
    c = case("calib_unbounded")
    e = c.expected[response]
    line = inverse.line(c.column("x"), c.column(response))
    assert [line.intercept, line.slope] == c.near(e["coefficients"])
    p = 2 * stats.t.sf(abs(line.slope) / math.sqrt(line.cov[1, 1]), line.df)
    assert p == c.near(e["slope_p"])
    for key in ("far_target", "near_target", "one_reading"):
        check(c, invert(line, e[key], 0.0 if e[key]["target_is_mean"] else line.sigma**2), e[key])


@pytest.mark.parametrize("response", ["good", "flat"])
def test_the_optimum_of_a_parabola_is_an_inversion_of_its_slope(case, response):
    # vertex_fieller: b1 + 2 b2 x = 0, a line with intercept b1 and slope 2 b2 met at zero
    c = case("vertex_fieller")
    e = c.expected[response]
    (_, b1, b2), V = e["coefficients"], np.array(e["vcov"])
    cov = [[V[1, 1], 2 * V[1, 2]], [2 * V[1, 2], 4 * V[2, 2]]]
    found = inverse.fieller(b1, 2 * b2, cov, 0.0, e["df"], 0.95)
    assert found.estimate == c.near(e["vertex"])
    assert found.delta_se == c.near(e["vertex_delta_se"])
    assert found.delta_limits == c.near(e["wald"])
    assert found.kind == e["fieller"]["kind"]
    assert found.g == c.near(e["fieller"]["g"])
    if found.kind == "interval":
        assert found.limits == c.near([e["fieller"]["low"], e["fieller"]["high"]])


def test_the_crystals_line_and_its_inversions_are_those_of_the_reference(case):
    c = case("calib_crystal")
    e = c.expected
    line = inverse.line(c.column("time"), c.column("weight"))
    assert [line.intercept, line.slope] == c.near(e["coefficients"])
    assert line.sigma == c.near(e["sigma"])
    assert line.cov == c.near(e["vcov"])
    for key in ("mean_8_level_95", "mean_5_level_90", "one_reading_5_level_95"):
        check(c, invert(line, e[key], 0.0 if e[key]["target_is_mean"] else line.sigma**2), e[key])


def test_shot_times_of_three_coffees_on_one_grinder_invert_as_in_the_reference(case):
    c = case("calib_grind_sim")
    e = c.expected
    found = inverse.ancova(c.column("setting"), np.log(c.column("time")), c.text("coffee"))
    assert found.groups == ("A", "B", "C")
    assert [*found.intercepts, found.slope] == c.near(e["coefficients"])
    assert np.sqrt(np.diag(found.cov)) == c.near(e["std_error"])
    assert found.cov == c.near(e["vcov"])
    assert found.sigma == c.near(e["sigma"])
    assert found.df == e["df_residual"]
    assert list(found.parallel) == c.near(e["parallelism_test"])
    fitted = e["predicted_log_time_at_3.1"]
    lines = [found.of(coffee) for coffee in fitted["coffee"]]
    at = np.array([1.0, 3.1])
    assert [line.intercept + 3.1 * line.slope for line in lines] == c.near(fitted["fit"])
    assert [math.sqrt(at @ line.cov @ at) for line in lines] == c.near(fitted["se_fit"])
    for target in e["targets"]:
        line, goal = found.of(target["coffee"]), math.log(target["target_time"])
        for kind, new in (("mean", 0.0), ("one_new", found.sigma**2)):
            for percent in (90, 95):
                r = target[f"{kind}_{percent}"]
                i = inverse.fieller(line.intercept, line.slope, line.cov, goal, found.df, percent / 100, new)
                assert i.estimate == c.near(target["setting"])
                assert i.delta_se == c.near(r["delta_se"])
                assert i.limits == c.near([r["fieller_low"], r["fieller_high"]])
                assert i.delta_limits == c.near([r["wald_low"], r["wald_high"]])
                assert i.g == c.near(r["g"])
        low, high = np.log(target["target_time"] + np.array([-2.0, 2.0]))
        chance = inverse.chance_between(
            line.intercept, line.slope, line.cov, target["setting"], low, high, found.df, found.sigma**2
        )
        assert chance == c.near(target["prob_new_shot_within_2s"])


def test_the_weights_of_cats_invert_by_sex_as_in_the_reference(case):
    c = case("calib_ancova_cats")
    e = c.expected
    found = inverse.ancova(np.log(c.column("bwt")), np.log(c.column("hwt")), c.text("sex"))
    assert [*found.intercepts, found.slope] == c.near(e["coefficients"])
    assert found.cov == c.near(e["vcov"])
    assert found.sigma == c.near(e["sigma"])
    assert found.df == e["df_residual"]
    assert list(found.parallel) == c.near(e["parallelism_test"])
    for target in e["targets"]:
        line = found.of(target["sex"])
        new = found.sigma**2 if target["for_"] == "one_new" else 0.0
        i = inverse.fieller(
            line.intercept, line.slope, line.cov, math.log(target["target_hwt"]), found.df, 0.95, new_shot_var=new
        )
        r = target["log_x"]
        assert i.estimate == c.near(r["estimate"])
        assert i.delta_se == c.near(r["delta_se"])
        assert i.limits == c.near([r["fieller_low"], r["fieller_high"]])
        assert i.delta_limits == c.near([r["wald_low"], r["wald_high"]])
        low_high = [target["bwt"]["fieller_low"], target["bwt"]["fieller_high"]]
        assert np.exp(i.limits) == c.near(low_high)


def test_one_group_of_an_ancova_is_the_plain_line():
    x, y = [1.0, 2.0, 3.0, 5.0], [2.0, 2.5, 3.7, 5.1]
    plain, found = inverse.line(x, y), inverse.ancova(x, y, ["a"] * 4)
    one = found.of("a")
    assert [one.intercept, one.slope, one.sigma] == pytest.approx([plain.intercept, plain.slope, plain.sigma])
    np.testing.assert_allclose(one.cov, plain.cov)
    assert math.isnan(found.parallel[0])


def test_the_region_of_a_stationary_point_in_one_factor_is_its_fieller_interval(case):
    # Box and Hunter 1954 with one factor: the gradient b1 + 2 b2 x tested against zero
    c = case("vertex_fieller")
    e = c.expected["good"]
    (_, b1, b2), V = e["coefficients"], np.array(e["vcov"])
    ends = np.array([[e["fieller"]["low"]], [e["fieller"]["high"]]])
    statistic = canonical.stationary_statistic([b1], [[b2]], V[1:, 1:], ends)
    assert statistic == c.near([canonical.stationary_limit(1, e["df"], 0.95)] * 2)


@settings(max_examples=100, deadline=None)
@given(
    a=st.floats(-5, 5),
    b=st.floats(-2, 2),
    root=st.tuples(st.floats(0.05, 1), st.floats(-0.9, 0.9), st.floats(0.05, 1)),
    target=st.floats(-5, 5),
    new=st.floats(0, 1),
)
def test_a_point_is_in_the_set_exactly_when_its_response_agrees_with_the_target(a, b, root, target, new):
    sa, r, sb = root
    V = np.array([[sa**2, r * sa * sb], [r * sa * sb, sb**2]])
    found = inverse.fieller(a, b, V, target, 9, 0.9, new)
    t = stats.t.ppf(0.95, 9)
    x = np.linspace(-40, 40, 801)
    distance = (target - a - b * x) ** 2 - t**2 * (V[0, 0] + 2 * x * V[0, 1] + x**2 * V[1, 1] + new)
    low, high = found.limits
    inside = {"interval": (x >= low) & (x <= high), "two_rays": (x <= low) | (x >= high)}.get(found.kind, x == x)
    clear = np.abs(distance) > 1e-6 * (1 + x**2)
    np.testing.assert_array_equal(inside[clear], (distance <= 0)[clear])


def test_no_slope_at_all_has_no_estimate_and_a_sure_slope_at_the_edge_one_ray():
    flat = inverse.fieller(5.0, 0.0, [[0.1, 0.0], [0.0, 0.1]], 5.0, 10, 0.9)
    assert (flat.estimate, flat.kind, flat.delta_se) == (None, "whole_line", None)
    edge = inverse._solution(0.0, 2.0, -4.0)
    assert edge == ("two_rays", (2.0, math.inf))
    assert inverse._solution(0.0, -2.0, -4.0) == ("two_rays", (-math.inf, -2.0))
    assert inverse._solution(0.0, 0.0, -4.0)[0] == "whole_line"


def test_infinite_degrees_of_freedom_give_normal_limits():
    V = [[0.04, 0.0], [0.0, 0.0]]
    found = inverse.fieller(0.0, 2.0, V, 4.0, math.inf, 0.95)
    assert found.limits == pytest.approx([2 - 0.1 * stats.norm.ppf(0.975), 2 + 0.1 * stats.norm.ppf(0.975)])


def test_faulty_input_is_refused_with_its_reason():
    with pytest.raises(FitError, match="differ in length"):
        inverse.line([1, 2, 3], [1, 2])
    with pytest.raises(FitError, match="missing, infinite or has no weight"):
        inverse.line([1, 2, 3], [1, 2, np.nan])
    with pytest.raises(FitError, match="no line"):
        inverse.line([1, 1, 1], [1, 2, 3])
    with pytest.raises(FitError, match="differ in length"):
        inverse.ancova([1, 2, 3], [1, 2, 3], ["a"])
    with pytest.raises(FitError, match="missing or infinite"):
        inverse.ancova([1, 2, np.inf], [1, 2, 3], ["a", "a", "a"])
    with pytest.raises(FitError, match="no common slope"):
        inverse.ancova([1, 1, 2, 2], [1, 2, 3, 4], ["a", "a", "b", "b"])
    with pytest.raises(FitError, match="no common slope"):
        inverse.ancova([1, 2, 2], [1, 2, 3], ["a", "a", "b"])
    with pytest.raises(FitError, match="another shape"):
        inverse.fieller(0, 1, [1, 2], 3, 5, 0.9)
    with pytest.raises(FitError, match="out of range"):
        inverse.fieller(0, 1, np.eye(2), 3, 0, 0.9)

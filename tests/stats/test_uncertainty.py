"""Uncertainty of derived values against two cases worked after JCGM 100 and one published figure."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tastefield.errors import FitError
from tastefield.stats import uncertainty

ROWS = ["typical", "small_dose", "poor_meter", "coarse_scale"]


def inputs(c, name):
    row = next(r for r in c.rows if r["id"] == name)
    keys = ("beverage", "tds", "dose", "u_beverage", "u_tds", "u_dose")
    r = np.eye(3)
    r[0, 2] = r[2, 0] = float(row["r_beverage_dose"])
    return [float(row[k]) for k in keys], r


@pytest.mark.parametrize("name", ROWS)
def test_extraction_and_its_uncertainty_are_those_of_the_reference(case, name):
    c = case("uncertainty_extraction")
    e = c.expected[name]
    numbers, r = inputs(c, name)
    found = uncertainty.extraction(*numbers, correlation=r)
    near = {"relative": "first_order_relative"}
    assert found.value == c.near(e["value"], **near)
    assert found.u == c.near(e["standard_uncertainty"], **near)
    assert 2 * found.u == c.near(e["expanded_k2"], **near)
    assert found.sensitivity == c.near(e["sensitivity"], **near)
    parts = (found.sensitivity * numbers[3:]) ** 2
    assert parts / parts.sum() == c.near(e["share_of_variance_independent_part"], **near)
    general = uncertainty.propagate(
        lambda x: x[0] * x[1] / x[2], numbers[:3], np.diag(numbers[3:]) @ r @ np.diag(numbers[3:])
    )
    assert general.value == c.near(e["value"], **near)
    assert general.u == c.near(e["standard_uncertainty"], **near)


@pytest.mark.parametrize("name", ROWS)
def test_the_first_order_result_lies_within_the_spread_of_a_simulation(case, name):
    # JCGM 101: four million draws, in the reference; first order may differ by the curvature, below 0.5 % here
    e = case("uncertainty_extraction").expected[name]
    numbers, r = inputs(case("uncertainty_extraction"), name)
    found = uncertainty.extraction(*numbers, correlation=r)
    assert found.u == pytest.approx(e["monte_carlo"]["sd"], rel=0.005)
    assert found.value == pytest.approx(e["monte_carlo"]["mean"], abs=0.05 * e["monte_carlo"]["sd"])


def test_repeated_readings_combine_spread_and_display_as_in_the_reference(case):
    c = case("uncertainty_extraction")
    e = c.expected["repeated_readings"]
    near = {"relative": "first_order_relative"}
    tds = uncertainty.repeated(e["readings"], e["resolution_full_width"])
    assert [tds.mean, tds.type_a, tds.type_b, tds.u] == c.near(
        [e["mean"], e["type_a"], e["type_b"], e["combined_tds"]], **near
    )
    found = uncertainty.extraction(e["beverage"], tds.mean, e["dose"], e["u_beverage"], tds.u, e["u_dose"])
    assert [found.value, found.u] == c.near([e["value"], e["standard_uncertainty"]], **near)
    s = found.sensitivity
    contributions = [s[1] * tds.type_a, s[1] * tds.type_b, s[0] * e["u_beverage"], s[2] * e["u_dose"]]
    df = uncertainty.effective_df(contributions, [tds.df_a, math.inf, math.inf, math.inf])
    assert df == c.near(e["welch_satterthwaite_df"], **near)
    k = stats.t.ppf(0.975, df)
    assert [k, k * found.u] == c.near([e["coverage_factor_95"], e["expanded_95"]], **near)


def test_an_offset_shared_by_two_readings_partly_cancels_in_their_difference(case):
    c = case("uncertainty_extraction")
    e = c.expected["difference_shared_offset"]
    cov = np.diag([0.0] * 6)
    masses = [0, 2, 3, 5]
    cov[masses, masses] = np.square(e["u_mass"] * 2)
    cov[np.ix_([1, 4], [1, 4])] = np.eye(2) * e["u_reading"] ** 2 + e["u_shared_offset"] ** 2
    found = uncertainty.propagate(lambda x: x[0] * x[1] / x[2] - x[3] * x[4] / x[5], e["inputs"], cov)
    near = {"relative": "first_order_relative"}
    assert found.value == c.near(e["value"], **near)
    assert found.u == c.near(e["standard_uncertainty"], **near)
    apart = uncertainty.propagate(lambda x: x[0] * x[1] / x[2] - x[3] * x[4] / x[5], e["inputs"], np.diag(np.diag(cov)))
    assert apart.u == c.near(e["if_offset_wrongly_taken_as_independent"], **near)


def test_three_outputs_of_correlated_inputs_are_those_of_the_guide(case):
    # JCGM 100:2008, example H.2 (simultaneous resistance and reactance)
    c = case("uncertainty_gum_h2")
    e = c.expected
    readings = c.column("V", "I_mA", "phi") * [1, 1e-3, 1]
    means, cov = readings.mean(axis=0), np.cov(readings, rowvar=False) / len(readings)
    assert means == c.near(e["means"])
    assert cov == c.near(e["covariance_of_means"])

    def outputs(x):
        z = x[0] / x[1]
        return np.array([z * np.cos(x[2]), z * np.sin(x[2]), z])

    found = uncertainty.propagate(outputs, means, cov)
    assert found.value == c.near(e["value"])
    assert found.u == c.near(e["standard_uncertainty"])
    assert found.covariance / np.outer(found.u, found.u) == c.near(e["output_correlation_order_RXZ"])
    u = np.sqrt(np.diag(cov))
    assert cov / np.outer(u, u) == c.near(e["correlation"])


def test_the_type_a_uncertainty_of_simultaneous_readings_is_that_of_the_guide(case):
    c = case("uncertainty_gum_h2")
    volts = uncertainty.repeated(c.column("V").tolist())
    assert volts.u**2 == c.near(c.expected["covariance_of_means"][0][0])
    assert volts.df == 4


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    mass_unit=st.floats(0.01, 100),
)
def test_arrays_give_what_single_shots_give_and_the_unit_of_mass_does_not_matter(seed, mass_unit):
    rng = np.random.default_rng(seed)
    b, t, d = rng.uniform(20, 50, 6), rng.uniform(6, 14, 6), rng.uniform(14, 22, 6)
    whole = uncertainty.extraction(b * mass_unit, t, d * mass_unit, 0.1 * mass_unit, 0.05, 0.1 * mass_unit)
    assert whole.value.shape == whole.u.shape == (6,)
    for i in range(6):
        one = uncertainty.extraction(b[i], t[i], d[i], 0.1, 0.05, 0.1)
        assert one.value == pytest.approx(whole.value[i])
        assert one.u == pytest.approx(whole.u[i])


def test_a_missing_reading_gives_a_missing_extraction_beside_the_others():
    found = uncertainty.extraction([36.0, 36.0], [9.5, np.nan], 18.0, 0.1, 0.05, 0.1)
    assert np.isnan(found.value).tolist() == np.isnan(found.u).tolist() == [False, True]


def test_a_fully_correlated_scale_error_cancels_in_the_ratio():
    r = np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 1.0]])
    found = uncertainty.extraction(36.0, 10.0, 18.0, 0.36, 0.0, 0.18, correlation=r)
    assert found.u == pytest.approx(0.0, abs=1e-7)


def test_exact_inputs_and_inputs_at_zero_have_their_derivatives():
    found = uncertainty.propagate(lambda x: np.sin(x[0]) + 3 * x[1], [0.0, 2.0], [[0.04, 0], [0, 0.0]])
    assert found.sensitivity.ravel() == pytest.approx([1.0, 3.0], rel=1e-9)
    assert found.u == pytest.approx(0.2)


def test_faulty_input_is_refused_with_its_reason():
    with pytest.raises(FitError) as caught:
        uncertainty.extraction(36.0, 9.5, 0.0, -0.1, 0.05, 0.1, correlation=2 * np.eye(3))
    assert len(caught.value.problems) == 3
    with pytest.raises(FitError, match="do not match"):
        uncertainty.propagate(lambda x: x[0], [1.0, 2.0], [[1.0]])
    with pytest.raises(FitError, match="not finite"):
        uncertainty.propagate(lambda x: np.where(x[0] > 1, np.nan, x[0]), [1.0], [[1.0]])
    with pytest.raises(FitError, match="no spread"):
        uncertainty.repeated([9.3])

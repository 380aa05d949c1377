"""A line with errors in both coordinates: a famous data set, scipy's minimiser, least squares and simulation."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from tastefield.errors import FitError
from tastefield.stats.errors_line import fit

MASSART = Path(__file__).parents[1] / "reference" / "calib_massart"
X = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
Y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
WEIGHT_X = [1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1]
WEIGHT_Y = [1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]


def test_the_line_through_pearsons_data_with_yorks_weights():
    """Data and weights: K. Pearson 1901, D. York 1966; answers: York and others 2004, table II. All from memory."""
    line = fit(X, Y, 1 / np.sqrt(WEIGHT_X), 1 / np.sqrt(WEIGHT_Y))
    assert line.slope == pytest.approx(-0.480533407, abs=2e-8)
    assert line.intercept == pytest.approx(5.47991022, abs=2e-7)
    assert line.chi2 / line.df == pytest.approx(1.483294149, abs=1e-6)
    widened = np.sqrt(line.chi2 / line.df)
    assert np.sqrt(np.diag(line.cov)) / widened == pytest.approx([0.29497, 0.057985], rel=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_scipy_finds_the_same_line_by_moving_every_point(seed):
    """Second route: least squares over intercept, slope and the true place of each point."""
    rng = np.random.default_rng(seed)
    truth = rng.uniform(5, 14, 8)
    x, y = truth + rng.normal(0, 0.2, 8), -0.3 + 0.85 * truth + rng.normal(0, 0.1, 8)
    u_x, u_y = rng.uniform(0.1, 0.3, 8), rng.uniform(0.05, 0.2, 8)

    def misses(given):
        a, b, *places = given
        return np.concatenate([(x - places) / u_x, (y - a - b * np.array(places)) / u_y])

    found = optimize.least_squares(misses, [0.0, 1.0, *x], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    line = fit(x, y, u_x, u_y)
    assert [line.intercept, line.slope] == pytest.approx(found.x[:2].tolist(), rel=1e-6, abs=1e-7)
    assert line.chi2 == pytest.approx(2 * found.cost, rel=1e-8)
    plain = np.linalg.inv(found.jac.T @ found.jac)[:2, :2] * max(line.chi2 / line.df, 1.0)
    assert line.cov == pytest.approx(plain, rel=0.1, abs=1e-4)


def test_where_x_is_exact_it_is_the_textbooks_least_squares():
    """Massart and others 1997, chapter 8, as in tests/reference/calib_massart."""
    data = pd.read_csv(MASSART / "data.csv")
    expected = json.loads((MASSART / "expected.json").read_text("utf-8"))
    line = fit(data["x"], data["y"], 0.0, 1e-3)
    coefficients = expected["expected"]["coefficients"]
    relative = expected["tolerance"]["relative"]
    assert line.intercept == pytest.approx(coefficients["(Intercept)"], rel=relative)
    assert line.slope == pytest.approx(coefficients["x"], rel=relative)
    design = np.stack([np.ones(len(data)), data["x"]], axis=1)
    of_least_squares = expected["expected"]["sigma"] ** 2 * np.linalg.inv(design.T @ design)
    assert line.cov == pytest.approx(of_least_squares, rel=1e-6)


def test_swapping_the_coordinates_gives_the_same_line():
    line, turned = fit(X, Y, 0.3, 0.2), fit(Y, X, 0.2, 0.3)
    assert turned.slope == pytest.approx(1 / line.slope, rel=1e-9)
    assert turned.chi2 == pytest.approx(line.chi2, rel=1e-9)


@pytest.mark.parametrize("strays", [0.0, 0.15])
def test_a_new_sample_lies_within_two_standard_uncertainties_nineteen_times_in_twenty(strays):
    """Samples whose own relation to the meter differs by ``strays`` % TDS, beyond reading and drying errors."""
    rng = np.random.default_rng(1)
    inside = []
    for _ in range(1500):
        brix = rng.uniform(6, 13, 15)
        tds = 0.2 + 0.83 * brix + rng.normal(0, strays, 15)
        line = fit(brix + rng.normal(0, 0.05, 15), tds + rng.normal(0, 0.06, 15), 0.05, 0.06)
        new = rng.uniform(6, 13)
        value, u = line.at(new)
        inside.append(abs(value - (0.2 + 0.83 * new + rng.normal(0, strays))) < 2.1 * u)
    assert 0.92 < np.mean(inside) < 0.99


def test_doubt_grows_away_from_the_points():
    line = fit(X, Y, 0.1, 0.1)
    _, u = line.at([3.5, 10.0, 20.0])
    assert u[0] < u[1] < u[2]


@pytest.mark.parametrize(
    ("x", "y", "u_x", "u_y", "why"),
    [
        ([1, 2], [1, 2], 0, 1, "too few"),
        ([1, 1, 1], [1, 2, 3], 0, 1, "one x"),
        ([1, 2, np.nan], [1, 2, 3], 0, 1, "missing"),
        ([1, 2, 3], [1, 2, 3], 0, 0, "cannot be"),
        ([1, 2, 3], [1, 2, 3], -1, 1, "cannot be"),
    ],
)
def test_points_without_a_line_are_refused(x, y, u_x, u_y, why):
    with pytest.raises(FitError, match=why):
        fit(x, y, u_x, u_y)

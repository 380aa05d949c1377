"""Stationary points, ridges and box optima against four worked designs and brute force."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from tastefield.errors import FitError
from tastefield.stats import canonical, second_order


def value(b, B, x):
    return b @ x + x @ B @ x


def form_of(fit):
    return fit.surface.linear, fit.surface.quadratic, fit.surface.covariance[1:, 1:]


def random_form(seed, k):
    rng = np.random.default_rng(seed)
    A = rng.normal(size=(k, k))
    return rng.normal(size=k), (A + A.T) / 2


def test_the_stationary_point_and_axes_are_those_of_the_reference(fitted, first_order):
    c, fit = fitted
    e = c.expected["canonical"]
    b, B, cov = form_of(fit)
    assert b == c.near(e["b"])
    assert c.near(e["B"]) == B
    shape = canonical.analyse(b, B)
    assert shape.point == c.near(e["stationary_point_coded"])
    assert shape.nature == e["nature"]
    assert shape.eigenvalues == c.near(e["eigenvalues"])
    assert shape.eigenvectors == c.near(e["eigenvectors_columns"])
    assert shape.distance == c.near(e["distance_from_centre"])
    assert fit.surface.intercept + shape.value_shift == c.near(e["value_at_stationary_reference_block"])
    blocks = [0.0, *(fit.coefficients[n].estimate for n in fit.names if n.startswith("block["))]
    mean = fit.surface.intercept + np.mean(blocks) + shape.value_shift
    assert mean == c.near(e["value_at_stationary_mean_of_blocks"])
    delta, u_curvatures = first_order(b, B, cov)
    assert delta == c.near(e["stationary_cov_delta"])
    assert np.sqrt(np.diag(delta)) == c.near(e["stationary_se_delta"])
    assert u_curvatures == c.near(e["eigenvalue_std_error_rotated_fit"])
    for step in c.expected.get("canonical_path", []):
        x = shape.point + step["t"] * shape.eigenvectors[:, 0]
        assert x == c.near(step["x"])
        along = fit.surface.intercept + shape.value_shift + step["t"] ** 2 * shape.eigenvalues[0]
        assert along == c.near(step["value_reference_block"])


# centre and half-range of each design, from the "model" line of its expected.json
@pytest.mark.parametrize(
    ("fitted", "centre", "half"),
    [
        (("rsm_chemreact", "yield", ("x1", "x2"), "block"), [85, 175], [5, 5]),
        (("rsm_heli", "ave", ("x1", "x2", "x3", "x4"), "block"), [12.4, 2.52, 1.25, 2], [0.6, 0.26, 0.25, 0.5]),
        (("rsm_mbt_saddle", "mbt", ("x1", "x2"), None), [12, 250], [8, 30]),
        (("rsm_co_ridge", "y", ("x1", "x2"), None), [0.2, 15], [0.1, 1]),
    ],
    indirect=["fitted"],
    ids=["chemreact", "heli", "mbt_saddle", "co_ridge"],
)
def test_the_stationary_point_in_natural_units_is_that_of_the_reference(fitted, centre, half):
    c, fit = fitted
    point = canonical.analyse(fit.surface.linear, fit.surface.quadratic).point
    assert np.array(centre) + np.array(half) * point == c.near(c.expected["canonical"]["stationary_point_natural"])


def test_the_ridge_path_is_that_of_the_reference(fitted):
    c, fit = fitted
    rows = c.expected["ridge_max"]
    path = canonical.ridge_path(fit.surface.linear, fit.surface.quadratic, [row["radius"] for row in rows])
    assert path.points == c.near([row["x"] for row in rows])
    assert path.multipliers == c.near([row["multiplier"] for row in rows])
    assert path.gains == c.near([row["gain_over_centre"] for row in rows])


def test_the_box_maximum_is_that_of_the_reference(fitted):
    c, fit = fitted
    e = c.expected["box_maximum"]
    best = canonical.box_maximum(fit.surface.linear, fit.surface.quadratic, *e["limits"])
    assert best.point == c.near(e["x"])
    assert best.gain == c.near(e["gain_over_centre"])
    np.testing.assert_array_equal(best.at_edge, np.isin(np.round(e["x"], 12), e["limits"]))


def test_the_confidence_region_of_the_stationary_point_is_that_of_the_reference(fitted):
    c, fit = fitted
    e = c.expected["predictions"]
    found = canonical.stationary_statistic(*form_of(fit), e["points"])
    limit = canonical.stationary_limit(len(fit.factors), fit.df)
    assert found == c.near(e["box_hunter_F"])
    assert limit == c.near(e["box_hunter_limit_95"])
    assert (found <= limit).tolist() == e["inside_stationary_region_95"]


def test_a_nearly_straight_axis_leaves_the_published_ridge(case):
    c = case("rsm_co_ridge")
    fit = second_order.fit(c.column("y"), c.column("x1", "x2"))
    r = canonical.ridge(fit.surface.linear, fit.surface.quadratic)
    assert r.point == c.near(c.expected["ridge"]["point"])
    assert r.axes[:, 0] == c.near(c.expected["ridge"]["axis"])


@pytest.mark.parametrize("k", [1, 2, 3])
def test_the_box_maximum_beats_every_point_of_a_grid_and_a_local_search(k):
    for seed in range(40):
        b, B = random_form(seed, k)
        best = canonical.box_maximum(b, B, -1, 2)
        assert ((best.point >= -1) & (best.point <= 2)).all()
        assert value(b, B, best.point) == pytest.approx(best.gain)
        grid = np.stack(np.meshgrid(*[np.linspace(-1, 2, 13)] * k, indexing="ij"), -1).reshape(-1, k)
        start = grid[np.argmax([value(b, B, x) for x in grid])]
        local = optimize.minimize(lambda x, b=b, B=B: -value(b, B, x), start, bounds=[(-1, 2)] * k)
        assert best.gain >= -local.fun - 1e-9


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), k=st.integers(2, 4), radius=st.floats(0.01, 20))
def test_the_ridge_path_stays_on_its_sphere_and_beats_random_points_there(seed, k, radius):
    b, B = random_form(seed, k)
    path = canonical.ridge_path(b, B, [radius])
    assert np.linalg.norm(path.points[0]) == pytest.approx(radius, rel=1e-8)
    other = np.random.default_rng(seed).normal(size=(500, k))
    other *= radius / np.linalg.norm(other, axis=1, keepdims=True)
    rivals = other @ b + np.einsum("ij,jk,ik->i", other, B, other)
    assert path.gains[0] >= rivals.max() - 1e-8 * max(1.0, abs(rivals.max()))
    residual = b + 2 * B @ path.points[0] - 2 * path.multipliers[0] * path.points[0]
    assert np.abs(residual).max() < 1e-6 * max(1.0, radius, abs(path.multipliers[0]) * radius)


def test_without_slope_the_ridge_path_leaves_along_the_steepest_axis():
    path = canonical.ridge_path([0.0, 0.0], [[1.0, 0.0], [0.0, 3.0]], [2.0])
    np.testing.assert_allclose(path.points, [[0.0, 2.0]])
    assert path.gains[0] == pytest.approx(12.0)
    # slope only across the steepest axis: the point bends towards the slope first
    bent = canonical.ridge_path([1.0, 0.0], [[1.0, 0.0], [0.0, 3.0]], [2.0])
    np.testing.assert_allclose(np.abs(bent.points), [[0.25, np.sqrt(4 - 0.0625)]])


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), k=st.integers(1, 4))
def test_at_the_stationary_point_the_gradient_vanishes_and_the_axes_rebuild_the_surface(seed, k):
    b, B = random_form(seed, k)
    shape = canonical.analyse(b, B)
    size = 1 + np.abs(shape.point).max()
    np.testing.assert_allclose(b + 2 * B @ shape.point, 0.0, atol=1e-9 * size)
    np.testing.assert_allclose(shape.eigenvectors * shape.eigenvalues @ shape.eigenvectors.T, B, atol=1e-12)
    assert shape.value_shift == pytest.approx(value(b, B, shape.point), abs=1e-9 * size**2)


def test_surfaces_without_curvature_are_named_and_never_divide_by_zero():
    assert canonical.analyse([1.0, 2.0], np.zeros((2, 2))).nature == "flat"
    trough = canonical.analyse([0.0, 2.0], [[0.0, 0.0], [0.0, -1.0]])
    assert trough.nature == "ridge"
    np.testing.assert_allclose(trough.point, [0.0, 1.0])
    assert canonical.analyse([1.0], [[2.0]]).nature == "minimum"


def test_wrong_shapes_missing_numbers_and_asymmetry_are_refused():
    with pytest.raises(FitError, match="not a quadratic form"):
        canonical.analyse([1.0, 2.0], [[1.0]])
    with pytest.raises(FitError, match="missing or infinite"):
        canonical.analyse([np.nan], [[1.0]])
    with pytest.raises(FitError, match="not symmetric"):
        canonical.analyse([1.0, 2.0], [[1.0, 0.3], [0.0, 1.0]])
    with pytest.raises(FitError, match="another size"):
        canonical.stationary_statistic([1.0], [[1.0]], np.eye(5), [[0.0]])
    with pytest.raises(FitError, match="box is empty"):
        canonical.box_maximum([1.0], [[1.0]], 1, -1)
    with pytest.raises(FitError, match="radius is not positive"):
        canonical.ridge_path([1.0], [[1.0]], [0.0])

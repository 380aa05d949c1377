"""The support against a general convex-hull library and by hand where that library refuses."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay

from tastefield.errors import FitError
from tastefield.stats.hull import Support


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(4, 30))
def test_without_a_margin_it_holds_what_a_general_library_holds(seed, n):
    # second route: scipy's Delaunay triangulation
    rng = np.random.default_rng(seed)
    points, probes = rng.normal(size=(n, 2)), rng.normal(size=(300, 2))
    support = Support.around(points, 0.0)
    np.testing.assert_array_equal(support.contains(probes), Delaunay(points).find_simplex(probes) >= 0)
    assert support.contains(points).all()


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(1, 8), margin=st.floats(0, 1))
def test_the_distance_is_that_to_the_nearest_of_many_mixtures_of_the_shots(seed, n, margin):
    rng = np.random.default_rng(seed)
    points, probes = rng.normal(size=(n, 2)), 2 * rng.normal(size=(20, 2))
    support = Support.around(points, margin)
    edges = np.array([a + t * (b - a) for a in points for b in points for t in np.linspace(0, 1, 101)])
    nearest = np.linalg.norm(probes[:, None, :] - edges[None, :, :], axis=2).min(axis=1)
    distance = support.distance(probes)
    outside = distance > 0
    np.testing.assert_allclose(distance[outside], nearest[outside], atol=0.02)
    np.testing.assert_array_equal(support.contains(probes), distance <= margin * (1 + 1e-9) + 1e-9)
    low, high = support.bounds
    held = probes[support.contains(probes)]
    assert ((held >= low - 1e-8) & (held <= high + 1e-8)).all()


def test_one_shot_is_a_disc():
    support = Support.around([[1.0, 2.0], [1.0, 2.0]], 0.5)
    assert support.vertices.tolist() == [[1.0, 2.0]]
    assert support.contains([[1.5, 2.0], [1.0, 1.5], [1.4, 2.4]]).tolist() == [True, True, False]


@pytest.mark.parametrize(
    "points", [[[0, 0], [2, 2]], [[0, 0], [1, 1], [2, 2], [0.5, 0.5]], [[0, 0], [0.7, 0.7], [2 / 3, 2 / 3], [2, 2]]]
)
def test_shots_in_a_row_are_a_capsule(points):
    support = Support.around(points, 0.1)
    assert len(support.vertices) == 2
    probes = [[1.0, 1.0], [1.05, 0.95], [1.2, 0.8], [2.05, 2.05], [2.1, 2.1], [-0.05, 0.0]]
    assert support.contains(probes).tolist() == [True, True, False, True, False, True]


def test_order_repeats_and_points_inside_change_nothing():
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]])
    more = np.vstack([corners[::-1], corners, [[0.5, 0.5], [0.5, 0.0], [0.2, 0.9]]])
    assert Support.around(more, 0.1).vertices.tolist() == Support.around(corners, 0.1).vertices.tolist()


def test_no_points_wrong_shapes_and_a_negative_margin_are_refused():
    for points in (np.empty((0, 2)), [[1.0, np.nan]], [1.0, 2.0], [[1.0, 2.0, 3.0]]):
        with pytest.raises(FitError, match="no points to stand on"):
            Support.around(points, 0.1)
    with pytest.raises(FitError, match="margin"):
        Support.around([[0.0, 0.0]], -0.1)
    with pytest.raises(FitError, match="another shape"):
        Support.around([[0.0, 0.0]], 0.1).contains([1.0, 2.0])

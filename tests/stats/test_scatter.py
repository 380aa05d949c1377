"""Pooled scatter against a general library's covariance and the definition of the prior."""

import numpy as np
import pytest

from tastefield.errors import FitError
from tastefield.stats.scatter import from_dial, pooled_covariance, pooled_noise


def test_with_a_vanishing_prior_it_is_the_sample_covariance():
    # second route: numpy.cov
    x = np.random.default_rng(0).normal(size=(30, 2)) @ [[0.03, 0.01], [0.0, 0.06]]
    found = pooled_covariance(x - x.mean(axis=0), 29, prior_df=1e-9)
    np.testing.assert_allclose(found.covariance, np.cov(x, rowvar=False), rtol=1e-8)
    np.testing.assert_allclose(found.sd, x.std(axis=0, ddof=1), rtol=1e-8)


def test_groups_pool_as_a_weighted_mean_of_their_covariances():
    rng = np.random.default_rng(1)
    rows = [rng.normal(size=(n, 2)) + 10 * n for n in (5, 9)]
    found = pooled_covariance(np.vstack([some - some.mean(axis=0) for some in rows]), 12, (1.0, 2.0), 3.0)
    expected = (3 * np.diag([1.0, 4.0]) + 4 * np.cov(rows[0], rowvar=False) + 8 * np.cov(rows[1], rowvar=False)) / 15
    np.testing.assert_allclose(found.covariance, expected)
    assert found.df == 15.0


def test_without_shots_the_prior_stands():
    # 4 % in ratio and 7 % in time: common practice, no source
    found = pooled_covariance(np.empty((0, 2)), 0)
    np.testing.assert_allclose(found.covariance, [[0.04**2, 0.0], [0.0, 0.07**2]])
    assert found.df == 4.0


def test_one_repeat_moves_the_prior_only_a_little():
    found = pooled_covariance([[-0.2, 0.0], [0.2, 0.0]], 1)
    assert found.sd[0] == pytest.approx(np.sqrt((4 * 0.04**2 + 2 * 0.2**2) / 5))


def test_the_noise_of_a_machine_leans_on_that_of_its_bench():
    # by hand: (4 x 0.01 + 0.09 + 0.09) / (4 + 1.5)
    variance, df = pooled_noise([0.3, -0.3], [0.75, 0.75], prior_var=0.01, prior_df=4.0)
    assert (variance, df) == pytest.approx((0.22 / 5.5, 5.5))


def test_scatter_from_the_dial_is_that_of_shots_made_so():
    # second route: numpy.cov of draws
    rng = np.random.default_rng(3)
    ratio = 0.03 * rng.normal(size=200_000)
    time = 0.8 * ratio + 0.06 * rng.normal(size=200_000) + 0.04 * rng.normal(size=200_000)
    found = from_dial(0.03**2, 0.8, 0.06**2, 0.04**2, 12.0)
    np.testing.assert_allclose(found.covariance, np.cov(ratio, time), rtol=0.02)
    np.testing.assert_allclose(found.sd, [0.03, time.std()], rtol=0.01)


def test_faulty_input_is_refused_with_its_reason():
    with pytest.raises(FitError, match="not a table"):
        pooled_covariance([1.0, 2.0], 1)
    with pytest.raises(FitError, match="missing or infinite"):
        pooled_covariance([[1.0, np.nan]], 1)
    with pytest.raises(FitError, match="out of range"):
        pooled_covariance([[1.0, 2.0]], 2)
    with pytest.raises(FitError, match="out of range"):
        pooled_covariance([[1.0, 2.0]], 1, prior_sd=(0.0, 1.0))

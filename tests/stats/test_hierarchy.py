import numpy as np
import pytest
from scipy import optimize
from scipy import stats as distributions

from tastefield.stats import hierarchy


def groups_of(rng, count, rows, mean, sd, noise=0.7):
    """Regressions with normal coefficients, and their rows: (X, y) of each group."""
    data = []
    for _ in range(count):
        X = np.column_stack([np.ones(rows), rng.normal(size=rows)])
        data.append((X, X @ (mean + sd * rng.normal(size=2)) + noise * rng.normal(size=rows)))
    return data


def told(data, noise=0.7):
    return [hierarchy.sums(y, X, noise**2 * np.eye(len(y))).plain() for X, y in data]


def test_mean_and_spread_of_many_groups_are_found():
    truth = np.array([6.0, -0.5]), np.array([0.8, 0.3])
    found = hierarchy.learn(told(groups_of(np.random.default_rng(1), 400, 6, *truth)), [5, 0], [1, 1], [4, 4], 4)
    assert found.mean == pytest.approx(truth[0], abs=0.12)
    assert found.sd == pytest.approx(truth[1], abs=0.08)
    assert found.scale == pytest.approx(1.0, abs=0.05)


def test_the_answer_has_the_highest_posterior_density():
    """Second route: scipy maximises the log density of all rows (multivariate normal) plus that of the priors."""
    data = groups_of(np.random.default_rng(2), 12, 5, np.array([6.0, -0.5]), np.array([0.8, 0.3]))
    stated, spread, worth = np.array([5.0, 0.0]), np.array([1.0, 0.5]), np.array([4.0, 9.0])

    def less_density(v):
        m, sd, scale = v[:2], np.exp(v[2:4]), np.exp(v[4])
        total = sum(
            distributions.multivariate_normal.logpdf(y, X @ m, scale * 0.49 * np.eye(len(y)) + X @ np.diag(sd**2) @ X.T)
            for X, y in data
        )
        total += distributions.norm.logpdf(m, stated, sd / np.sqrt(worth)).sum() + np.log(sd).sum()
        total += (2 * np.log(sd) - sd**2 / spread**2).sum()
        total -= 0.5 * 4 * (np.log(scale) + 1 / scale)
        return -total

    best = optimize.minimize(
        less_density, [5, 0, 0, -1, 0], method="Nelder-Mead", options={"maxiter": 8000, "xatol": 1e-7, "fatol": 1e-9}
    )
    found = hierarchy.learn(told(data), stated, spread, worth, 4)
    assert found.mean == pytest.approx(best.x[:2], abs=0.002)
    assert found.sd == pytest.approx(np.exp(best.x[2:4]), abs=0.002)
    assert found.scale == pytest.approx(np.exp(best.x[4]), abs=0.002)


def test_without_groups_the_stated_prior_stands():
    found = hierarchy.learn([], [5, 0], [1, 0.5], [4, 4], 4)
    assert found.mean.tolist() == [5, 0]
    assert found.sd.tolist() == [1, 0.5]


def test_one_group_of_one_row_hardly_moves_what_was_stated():
    (one,) = told([(np.array([[1.0, 0.2]]), np.array([9.0]))])
    found = hierarchy.learn([one], [6, 0], [1, 0.5], [4, 4], 4)
    assert found.mean == pytest.approx([6, 0], abs=0.6)
    assert found.sd == pytest.approx([1, 0.5], rel=0.5)


def test_many_groups_that_do_not_differ_say_so():
    data = groups_of(np.random.default_rng(3), 300, 12, np.array([6.0, 0.0]), np.zeros(2))
    assert hierarchy.learn(told(data), [6, 0], [1, 0.6], [4, 15], 4).sd.max() < 0.2


def test_the_noise_is_scaled_where_all_groups_are_noisier_than_stated():
    data = groups_of(np.random.default_rng(4), 200, 8, np.array([6.0, 0.0]), np.array([0.5, 0.3]), noise=1.4)
    assert hierarchy.learn(told(data, noise=0.7), [6, 0], [1, 0.6], [4, 15], 4).scale == pytest.approx(4.0, rel=0.1)

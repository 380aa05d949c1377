"""What a look is worth, exactly: against the closed form of two options, brute force, and refitting the Gaussian."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, stats

from tastefield.stats import gain

NOTHING = -np.inf


def case(seed, n=6, k=4, r=5):
    rng = np.random.default_rng(seed)
    return rng.normal(6, 0.5, n), 0.5 * rng.normal(size=(n, r)), 0.5 * rng.normal(size=(k, r))


def test_of_two_options_the_worth_is_the_closed_form():
    """s f(t) - |m1 - m2| F(-t), t = |m1 - m2| / s, s = |b1 - b2|: the expected improvement, Jones, Schonlau and Welch
    1998, J. Global Optimization 13:455 (from memory)."""
    for gap in (0.0, 0.1, 0.7, 3.0):
        for slopes in ((0.3, 0.0), (-0.2, 0.5), (0.4, 0.39)):
            s = abs(slopes[0] - slopes[1])
            expected = s * stats.norm.pdf(gap / s) - gap * stats.norm.cdf(-gap / s)
            found = gain.expected_highest([[6.0, 6.0 - gap]], [slopes])[0] - 6.0
            assert found == pytest.approx(expected, abs=1e-12)


def test_the_highest_of_many_lines_agrees_with_an_adaptive_integral():
    """Second route: scipy's adaptive quadrature, split where lines may cross."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        a, b = rng.normal(size=7), rng.normal(size=7)
        a[5], b[5] = a[2], b[2]  # the same line twice
        b[6] = b[1]  # a parallel
        cross = [(a[i] - a[j]) / (b[j] - b[i]) for i in range(7) for j in range(i) if b[i] != b[j]]
        inside = sorted(z for z in cross if abs(z) < 9)
        edges = [-9.0, *inside, 9.0]
        whole = sum(
            integrate.quad(lambda z: (a + b * z).max() * stats.norm.pdf(z), low, high)[0]  # noqa: B023
            for low, high in pairwise(edges)
        )
        assert gain.expected_highest([a], [b])[0] == pytest.approx(whole, abs=1e-9)


def test_lines_that_are_not_there_and_lines_of_one_slope_change_nothing():
    a, b = np.array([0.2, 0.1, 0.4]), np.array([0.3, -0.4, 0.1])
    alone = gain.expected_highest([a], [b])[0]
    assert gain.expected_highest([[*a, NOTHING]], [[*b, 5.0]])[0] == pytest.approx(alone, abs=1e-14)
    assert gain.expected_highest([[NOTHING, *a]], [[-5.0, *b]])[0] == pytest.approx(alone, abs=1e-14)
    assert gain.expected_highest([[1.0, 2.0, 1.5]], [[0.3, 0.3, 0.3]])[0] == pytest.approx(2.0)


def test_the_worth_of_a_look_agrees_with_simulated_looks():
    """Second route: draw the surface and what is seen, update by the joint covariance, take the best."""
    mean, options, looks = case(1)
    noise, rng = 0.6, np.random.default_rng(5)
    joint = np.vstack([options, looks])
    cov = joint @ joint.T
    found = gain.worth(mean, options, looks, noise, np.full(4, NOTHING))
    for k in range(4):
        at = 6 + k
        seen = np.sqrt(cov[at, at] + noise) * rng.normal(size=400_000)
        moved = mean + np.outer(seen / (cov[at, at] + noise), cov[at, :6])
        assert found[k] == pytest.approx(moved.max(axis=1).mean() - mean.max(), abs=0.003)


def test_what_a_look_opens_can_be_chosen_after_it():
    mean, options, looks = case(2)
    opens = np.array([mean.max() - 0.1, NOTHING, mean.max() + 0.4, 0.0])
    found = gain.worth(mean, options, looks, 0.5, opens)
    for k, value in enumerate(opens):
        if value == NOTHING:
            expected = gain.worth(mean, options, looks[[k]], 0.5, [NOTHING])[0]
        else:
            b = np.vstack([options, looks[[k]]]) @ looks[k] / np.sqrt(looks[k] @ looks[k] + 0.5)
            expected = gain.expected_highest([[*mean, value]], [b])[0] - mean.max()
        assert found[k] == pytest.approx(expected, abs=1e-12)


def test_what_a_look_leaves_is_what_refitting_the_gaussian_leaves():
    """Second route: the posterior of u from its precision, I + sum of d d' / noise, after three looks."""
    _, options, looks = case(3)
    left, rest = options, looks
    for k in range(3):
        look = rest[k]
        left, rest = gain.after(left, look, 0.4), gain.after(rest, look, 0.4)
    refitted = np.linalg.inv(np.eye(5) + looks[:3].T @ looks[:3] / 0.4)
    np.testing.assert_allclose(left @ left.T, options @ refitted @ options.T, atol=1e-12)


def test_a_look_where_nothing_is_in_doubt_is_worth_nothing_and_leaves_everything():
    mean, options, _ = case(4)
    assert gain.worth(mean, options, np.zeros((1, 5)), 0.5, [NOTHING]).tolist() == [0.0]
    assert (gain.after(options, np.zeros(5), 0.5) == options).all()


def test_many_looks_are_worked_in_blocks_as_one(monkeypatch):
    mean, options, looks = case(6, k=9)
    opens = np.full(9, NOTHING)
    whole = gain.worth(mean, options, looks, 0.5, opens)
    monkeypatch.setattr(gain, "MOST_AT_ONCE", 14)
    assert gain.worth(mean, options, looks, 0.5, opens).tolist() == whole.tolist()

"""The curve from appeal to score, and what laying tangents on it does to what is learned."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from tastefield.stats import pooled
from tastefield.stats.pooled import appeal, basis
from tastefield.stats.pooled.rows import gathered
from tastefield.stats.pooled.search import first_look


def test_appeal_and_score_are_alike_at_the_usual_score_and_turn_into_each_other():
    assert appeal.score_of(appeal.USUAL) == pytest.approx(appeal.USUAL)
    assert appeal.slope_at(appeal.USUAL) == pytest.approx(1.0)
    scores = np.linspace(1.0, 9.0, 33)
    np.testing.assert_allclose(appeal.score_of(appeal.appeal_of(scores)), scores)
    assert (np.diff(appeal.appeal_of(scores)) > 0).all()


def test_the_slope_is_that_of_finite_differences():
    at = np.linspace(-2.0, 14.0, 41)
    step = 1e-5
    differences = (appeal.score_of(at + step) - appeal.score_of(at - step)) / (2 * step)
    np.testing.assert_allclose(appeal.slope_at(at), differences, rtol=1e-6)


@pytest.mark.parametrize(("mean", "sd"), [(6.3, 0.4), (9.0, 1.0), (4.0, 2.0), (8.0, 0.01)])
def test_moments_of_a_normal_appeal_are_those_of_adaptive_quadrature(mean, sd):
    """Against scipy.integrate.quad."""
    density = stats.norm(mean, sd).pdf
    ends = {"limit": 200, "points": [mean]}
    first, second = (
        integrate.quad(lambda x, k=k: density(x) * appeal.score_of(x) ** k, mean - 9 * sd, mean + 9 * sd, **ends)[0]
        for k in (1, 2)
    )
    expected, spread = appeal.moments(np.array([mean]), np.array([sd]))
    assert expected[0] == pytest.approx(first, abs=1e-3)
    assert spread[0] == pytest.approx(np.sqrt(second - first**2), rel=5e-3)


def bench_of(seed, coffees=10, shots=14):
    """Coffees of very unlike appeal, one setup each, whose fall from one common best adds up in the appeal."""
    rng = np.random.default_rng(seed)
    levels = np.linspace(5.6, 9.4, coffees)
    setups = []
    for number, level in enumerate(levels):
        points = rng.normal([0.3, -0.3], 0.6, (shots, 2))
        expected = appeal.score_of(level - 3.2 * basis.fall(points))
        score = np.clip(expected + 0.25 * rng.normal(size=shots) + 0.5 * rng.normal(size=(2, shots)), 1.0, 9.0)
        setups.append(
            pooled.SetupRows(
                *(f"s{number}", f"m{number}", f"c{number}", "", ("", "")),
                score.ravel(),
                np.tile(points, (2, 1)),
                np.tile(np.arange(shots), 2),
                ("ana",) * shots + ("ben",) * shots,
                ("",) * 2 * shots,
                np.zeros((2 * shots, 3)),
                np.zeros(2 * shots),
            )
        )
    return setups, levels


def off_at_the_best(learned, levels):
    """Expected less true score at the recipe that is best for all."""
    at = basis.expand(np.zeros((1, 2)))
    expected = [appeal.score_of(at @ learned.setups[f"s{n}"].mean).item() for n in range(len(levels))]
    return np.array(expected) - appeal.score_of(levels)


def test_the_best_of_a_poor_coffee_is_not_expected_too_low_nor_that_of_an_excellent_one_too_high():
    """What a recipe takes off shows less where coffee is excellent; taken as adding up in the score, it is expected to
    show as much."""
    off = np.array([off_at_the_best(pooled.learn(setups), levels) for setups, levels in map(bench_of, range(4))])
    assert abs(off[:, :3].mean()) < 0.12
    assert abs(off[:, -3:].mean()) < 0.12


def test_a_further_tangent_moves_hardly_any_expected_score(monkeypatch):
    setups, levels = bench_of(7)
    twice = off_at_the_best(pooled.learn(setups), levels)
    monkeypatch.setattr(pooled, "TANGENTS", 5)
    np.testing.assert_allclose(twice, off_at_the_best(pooled.learn(setups), levels), atol=0.04)


def test_near_the_top_of_the_scale_a_score_tells_less_of_the_appeal():
    """The tangent at what is expected of a score is as steep as the curve there."""
    rng = np.random.default_rng(3)
    setups = []
    for number, level in enumerate([6.3, 8.6] * 3):
        score = level + 0.5 * rng.normal(size=30)
        setups.append(
            pooled.SetupRows(
                *(f"s{number}", f"m{number}", f"c{number}", "", ("", "")),
                *(score, np.zeros((30, 2)), np.arange(30), ("ana",) * 30, ("",) * 30),
                *(np.zeros((30, 3)), np.zeros(30)),
            )
        )
    bench = gathered(setups)
    laid = pooled._laid_on(bench, bench, first_look(bench), None, basis.LENGTHS[0])
    told = np.array([bench.value[bench.setup == setup].mean() for setup in range(6)])
    slopes = np.array([laid.slope[bench.setup == setup].mean() for setup in range(6)])
    np.testing.assert_allclose(slopes, appeal.slope_at(appeal.appeal_of(told)), atol=0.06)
    assert slopes.min() < 0.75 < 0.95 < slopes.max()

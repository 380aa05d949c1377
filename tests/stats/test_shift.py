"""Where the best of each coffee lies, and what moving surfaces onto one another does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tastefield.stats import pooled
from tastefield.stats.pooled import appeal, shift


def bench_of(seed, apart=0.45, coffees=8, shots=12):
    """The same hill for every coffee, each elsewhere; three machines a coffee, which change only the level."""
    rng = np.random.default_rng(seed)
    bests = apart * rng.normal(size=(coffees, 2))
    setups = []
    for number in range(3 * coffees):
        coffee = number % coffees
        points = 0.7 * bests[coffee] + 0.6 * rng.normal(size=(shots, 2))
        off = ((points - bests[coffee]) ** 2).sum(axis=1)
        expected = appeal.score_of(7.6 + 0.2 * rng.normal() - 3.5 * (1 - np.exp(-off)))
        score = expected + 0.3 * rng.normal(size=shots) + 0.6 * rng.normal(size=(2, shots))
        setups.append(
            pooled.SetupRows(
                *(f"s{number}", f"m{number // 3}", f"c{coffee}", "", ("", "")),
                np.clip(score, 1.0, 9.0).ravel(),
                np.tile(points, (2, 1)),
                np.tile(np.arange(shots), 2),
                ("ana",) * shots + ("ben",) * shots,
                ("",) * 2 * shots,
                np.zeros((2 * shots, 3)),
                np.zeros(2 * shots),
            )
        )
    return setups, bests


def of_shots(setup, count):
    """The setup with its first shots alone."""
    return of_rows(setup, setup.shot < count)


def of_taster(setup, name):
    """The setup as one of its tasters knows it."""
    return of_rows(setup, np.array([taster == name for taster in setup.taster]))


def of_rows(setup, kept):
    """The setup with these of its rows alone."""
    numbers = {name: getattr(setup, name)[kept] for name in ("score", "points", "shot", "covariates", "off")}
    names = {name: tuple(np.array(getattr(setup, name))[kept].tolist()) for name in ("taster", "session")}
    return replace(setup, **numbers, **names)


def test_the_bests_of_coffees_are_found_where_they_are():
    setups, bests = bench_of(1)
    learned = pooled.learn(setups)
    found = np.array([learned.setups[f"s{number}"].shift for number in range(len(bests))])
    away = bests - bests.mean(axis=0)
    assert np.corrcoef(found.ravel(), away.ravel())[0, 1] > 0.85
    np.testing.assert_allclose(learned.apart, away.std(axis=0, ddof=1), rtol=0.6)


def test_moved_onto_one_another_hills_need_smaller_departures(monkeypatch):
    setups, _ = bench_of(2)
    at = pooled.parts.NAMES.index("coffee")
    moved = pooled.learn(setups).sds[:, at].mean()
    monkeypatch.setattr(shift, "EARNED", 1e9)
    assert moved < 0.7 * pooled.learn(setups).sds[:, at].mean()


def test_a_coffee_alone_and_one_that_nobody_tasted_are_not_moved():
    bests = np.array([[0.3, 0.1], [0.3, 0.1], [np.nan, np.nan]])
    assert (shift.shifts(bests, np.array([0, 0, 1]), np.ones(3)) == 0).all()
    bests = np.array([[0.3, 0.1], [0.1, -0.1], [np.nan, np.nan]])
    two = shift.shifts(bests, np.array([0, 1, 2]), np.array([0.5, 0.8, 0.0]))
    np.testing.assert_allclose(two, [[0.05, 0.05], [-0.08, -0.08], [0.0, 0.0]], atol=1e-12)


def test_of_a_best_that_few_shots_show_little_is_taken():
    np.testing.assert_allclose(shift.share(np.array([0.0, shift.EARNED, 9 * shift.EARNED])), [0.0, 0.5, 0.9])
    setups, _ = bench_of(4)
    few, many = setups[0], setups[3]
    assert few.coffee != many.coffee
    fewer = [setup for setup in setups if setup.coffee != few.coffee] + [of_shots(few, 2)]
    before, after = pooled.learn(setups).setups, pooled.learn(fewer).setups
    assert np.hypot(*after[few.name].shift) < 0.6 * np.hypot(*before[few.name].shift)
    assert np.hypot(*after[many.name].shift) > 0.6 * np.hypot(*before[many.name].shift)


def test_two_tasters_of_a_shot_do_not_make_it_two():
    setups, _ = bench_of(5)
    alone = [of_taster(setup, "ana") for setup in setups]
    taken = [pooled._taken(pooled.gathered(bench)) for bench in (setups, alone)]
    np.testing.assert_allclose(*taken)
    shots = sum(len(np.unique(setup.shot)) for setup in setups if setup.coffee == "c0")
    assert taken[0][0] == pytest.approx(shots / (shots + shift.EARNED))


def test_where_too_few_coffees_tell_a_new_one_lies_as_far_off_as_is_usual():
    learned = pooled.learn(bench_of(3, coffees=2)[0])
    assert not learned.coffees.any()
    np.testing.assert_allclose(learned.moves.mean(axis=0), 0.0, atol=1e-12)
    second = learned.moves.T @ learned.moves / len(learned.moves)
    np.testing.assert_allclose(second, np.diag(learned.apart**2), atol=1e-12)
    np.testing.assert_allclose(learned.apart, shift.USUAL_SD)


def test_how_far_bests_lie_apart_leans_on_what_is_usual_where_few_tell():
    assert shift.spread(np.zeros((0, 2)), np.zeros(0)) == pytest.approx([shift.USUAL_SD] * 2)
    few = shift.spread(np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.0]]), np.ones(3))
    assert 0.1 < few[1] < shift.USUAL_SD < few[0] < 0.5


def test_how_far_bests_lie_apart_is_found_though_each_was_seen_with_an_error():
    rng = np.random.default_rng(1)
    shots = rng.integers(1, 40, 4000).astype(float)
    error = np.sqrt(0.5**2 * shift.EARNED / shots)[:, None]  # so that half is error where EARNED shots were tasted
    seen = 0.5 * rng.normal(size=(4000, 2)) + error * rng.normal(size=(4000, 2))
    taken = shift.share(shots)
    np.testing.assert_allclose(shift.spread(taken[:, None] * seen, taken), 0.5, rtol=0.05)

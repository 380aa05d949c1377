"""What scores flatter a shot for having run about the usual time, told from what is liked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from tastefield.stats import pooled
from tastefield.stats.pooled import halo, parts


def bench_of(seed, height, setups=24, coffees=8, shots=12):
    """Roofs, unlike any sum of sines, elsewhere for each coffee; shots about the usual time are written down higher."""
    rng = np.random.default_rng(seed)
    tops = 0.45 * rng.normal(size=(coffees, 2))
    made = []
    for number in range(setups):
        coffee = number % coffees
        points = 0.6 * tops[coffee] + np.column_stack([0.5 * rng.normal(size=shots), 0.6 * rng.normal(size=shots)])
        liked = 7.3 + 0.3 * rng.normal() - 1.6 * np.abs(points - tops[coffee]).sum(axis=1)
        seconds = 27.0 * 1.5 ** points[:, 1]
        written = liked + height * np.exp(-0.5 * ((seconds - 27.0) / 3.0) ** 2) + 0.3 * rng.normal(size=shots)
        made.append(
            pooled.SetupRows(
                *(f"s{number}", f"m{number // 2}", f"c{coffee}", "", ("", "")),
                score=np.clip(written + 0.5 * rng.normal(size=(2, shots)), 1.0, 9.0).ravel(),
                points=np.tile(points, (2, 1)),
                shot=np.tile(np.arange(shots), 2),
                taster=("ana",) * shots + ("ben",) * shots,
                session=("",) * 2 * shots,
                covariates=np.zeros((2 * shots, 3)),
                off=np.zeros(2 * shots),
            )
        )
    return made


def expected_at(learned, points):
    columns = {name: pooled.basis.expand(points - known.shift) for name, known in learned.setups.items()}
    return np.mean([columns[name] @ known.mean for name, known in learned.setups.items()], axis=0)


def test_a_halo_is_found_and_what_is_liked_is_then_what_a_bench_without_one_says():
    plain = [pooled.learn(bench_of(seed, 0.0)) for seed in range(1, 5)]
    flattered = [pooled.learn(bench_of(seed, 0.9)) for seed in range(1, 5)]
    assert [one.halo for one in plain] == [0.0] * 4
    assert np.mean([one.halo for one in flattered]) == pytest.approx(0.9, abs=0.15)
    usual = np.array([[0.0, 0.0]])
    without, with_one = (np.mean([expected_at(one, usual) for one in many]) for many in (plain, flattered))
    assert with_one == pytest.approx(without, abs=0.25)


def test_a_halo_left_in_makes_what_is_expected_too_high(monkeypatch):
    usual = np.array([[0.0, 0.0]])
    plain = expected_at(pooled.learn(bench_of(1, 0.0)), usual)
    monkeypatch.setattr(halo, "seen", lambda *_: 0.0)
    assert expected_at(pooled.learn(bench_of(1, 0.9)), usual) > plain + 0.45


def test_it_stands_about_27_seconds_as_written_down_and_is_no_part_of_a_reading():
    (rows,) = bench_of(1, 0.0, setups=1, coffees=1, shots=3)
    times = np.log(np.array([27.0, 27.0 * 1.5**0.3, 60.0])) - np.log(27.0)
    points = np.column_stack([np.zeros(3), times / np.log(1.5)])
    reading = pooled.Readings(np.zeros(1), points[:1], np.zeros(1, dtype=np.int64), np.ones(1), np.zeros(1), 0.1)
    bench = pooled.gathered([replace(rows, points=np.tile(points, (2, 1)), readings=reading)])
    tasted = ~bench.read
    order = np.argsort(bench.points[tasted, 1], kind="stable")
    np.testing.assert_allclose(halo.shape(bench)[tasted][order][:4], np.repeat([1.0, np.exp(-0.5)], 2))
    assert (halo.shape(bench)[tasted][order][4:] < 0.01).all()
    assert halo.shape(bench)[bench.read].tolist() == [0.0]
    off = bench.value - halo.without(bench, 0.5).value
    np.testing.assert_allclose(off, 0.5 * halo.shape(bench), atol=1e-12)


def test_as_long_as_none_is_likelier_than_some_there_is_none():
    assert halo.median(np.zeros(301)) == 0.0
    assert halo.median(-3.0 * halo.FINE) == 0.0


def test_evidence_moves_it_to_the_median_of_a_mixture_of_none_and_some():
    none, sd = parts.HALO

    def likelihood(height):
        return np.exp(-0.5 * ((height - 0.6) / 0.15) ** 2)

    def some(height):  # how likely a halo is that is no higher
        density = stats.halfnorm(scale=sd)
        return (1 - none) * integrate.quad(lambda x: density.pdf(x) * likelihood(x), 0, height)[0]

    spike = none * likelihood(0.0)
    by_hand = optimize.brentq(lambda height: spike + some(height) - 0.5 * (spike + some(1.5)), 0.0, 1.5)
    assert halo.median(np.log(likelihood(halo.FINE)) - 40.0) == pytest.approx(by_hand, abs=1e-3)


def test_where_nothing_was_tasted_there_is_none():
    (rows,) = bench_of(1, 0.0, setups=1, coffees=1, shots=2)
    none = replace(
        rows,
        score=rows.score[:0],
        points=rows.points[:0],
        shot=rows.shot[:0],
        taster=(),
        session=(),
        covariates=rows.covariates[:0],
        off=rows.off[:0],
    )
    assert pooled.learn([none]).halo == 0.0

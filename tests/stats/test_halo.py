"""What scores flatter a shot for having run about the usual time, told from what is liked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, stats

from tastefield.stats import pooled
from tastefield.stats.pooled import basis, halo, parts
from tastefield.stats.pooled.evidence import evaluate
from tastefield.stats.pooled.halo import Halo
from tastefield.stats.pooled.layout import batches, laid_out


def bench_of(seed, height, setups=24, coffees=8, shots=12, ridge=0.0):
    """Roofs, unlike any sum of sines, elsewhere for each coffee; shots about the usual time are written down higher."""
    rng = np.random.default_rng(seed)
    tops = 0.45 * rng.normal(size=(coffees, 2))
    made = []
    for number in range(setups):
        coffee = number % coffees
        points = 0.6 * tops[coffee] + np.column_stack([0.5 * rng.normal(size=shots), 0.6 * rng.normal(size=shots)])
        liked = 7.3 + 0.3 * rng.normal() - 1.6 * np.abs(points - tops[coffee]).sum(axis=1)
        liked += ridge * np.exp(-0.5 * ((points[:, 1] - tops[coffee, 1]) / 0.28) ** 2)
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
    plain = [pooled.learn(bench_of(seed, 0.0)) for seed in (1, 2)]
    flattered = [pooled.learn(bench_of(seed, 0.9)) for seed in (1, 2)]
    assert max(one.halo.height for one in plain) < 0.15
    assert max(one.halo.chance for one in plain) < 0.3
    assert min(one.halo.chance for one in flattered) > 0.9
    assert np.mean([one.halo.height for one in flattered]) == pytest.approx(0.9, abs=0.2)
    usual = np.array([[0.0, 0.0]])
    without, with_one = (np.mean([expected_at(one, usual) for one in many]) for many in (plain, flattered))
    assert with_one == pytest.approx(without, abs=0.25)


def test_a_halo_left_in_makes_what_is_expected_too_high(monkeypatch):
    usual = np.array([[0.0, 0.0]])
    plain = expected_at(pooled.learn(bench_of(1, 0.0)), usual)
    monkeypatch.setattr(halo, "seen", lambda *_: Halo(0.0, 0.0))
    assert expected_at(pooled.learn(bench_of(1, 0.9)), usual) > plain + 0.45


def test_a_narrow_ridge_of_liking_that_moves_with_the_coffee_is_no_halo():
    """As high and narrow as a halo, but on the hill of each coffee, wherever that stands."""
    for seed in (1, 2):
        assert pooled.learn(bench_of(seed, 0.0, ridge=0.9)).halo.height < 0.2


def test_it_stands_about_27_seconds_as_written_down_and_is_no_part_of_a_reading_or_of_being_served():
    (rows,) = bench_of(1, 0.0, setups=1, coffees=1, shots=3)
    times = np.log(np.array([27.0, 27.0 * 1.5**0.3, 60.0])) - np.log(27.0)
    points = np.column_stack([np.zeros(3), times / np.log(1.5)])
    reading = pooled.Readings(np.zeros(1), points[:1], np.zeros(1, dtype=np.int64), np.ones(1), np.zeros(1), 0.1)
    pulled = pooled.Pulled(points, np.arange(3), np.array([True] * 3), np.zeros(3), np.zeros(3), np.zeros((3, 3)))
    bench = pooled.gathered([replace(rows, points=np.tile(points, (2, 1)), readings=reading, pulled=pulled)])
    shape = halo.shapes(bench)[:, 0]
    order = np.argsort(bench.points[bench.tasted, 1], kind="stable")
    np.testing.assert_allclose(shape[bench.tasted][order][:4], np.repeat([1.0, np.exp(-0.5)], 2))
    assert (shape[bench.tasted][order][4:] < 0.01).all()
    assert shape[~bench.tasted].tolist() == [0.0] * 4
    off = bench.value - halo.without(bench, Halo(0.5, 1.0)).value
    np.testing.assert_allclose(off, 0.5 * shape, atol=1e-12)


def test_a_ridge_runs_where_surfaces_do_and_is_felt_as_they_are():
    bench = pooled.gathered(bench_of(1, 0.0, setups=2, coffees=2, shots=5))
    rng = np.random.default_rng(0)
    n = len(bench.value)
    bench = replace(
        bench, shift=rng.normal(size=(2, 2)), off=0.3 * rng.normal(size=n), time_felt=0.4, slope=rng.random(n)
    )
    time = bench.points[:, 1] - 0.6 * bench.off - bench.shift[bench.setup, 1]
    by_hand = bench.slope * np.exp(
        -0.5 * (np.clip(time, *pooled.basis.inside(np.array([[-99.0], [99.0]]))[:, 0]) / 0.3) ** 2
    )
    np.testing.assert_allclose(halo.shapes(bench)[:, 1], by_hand, atol=1e-12)


def test_six_points_tell_the_likelihood_everywhere():
    bench = pooled.gathered(bench_of(2, 0.6, setups=6))
    plan, shape = laid_out(bench, basis.LENGTHS[0]), halo.shapes(bench)
    told = {}

    def at(h, r):
        tried = replace(plan, bench=replace(bench, value=bench.value - shape @ [h, r]))
        return evaluate(tried, batches(tried), parts.start(), with_gradient=False).value

    def kept(slope, bend, both):
        told["it"] = slope, bend, both
        return Halo(0.0, 0.0)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(halo, "believed", kept)
        halo.seen(bench, parts.start(), None, basis.LENGTHS[0])
    slope, bend, both = told["it"]
    for h, r in ((0.3, 0.7), (1.4, 0.2), (0.9, 1.3)):
        by_six = slope @ [h, r] + bend @ [h**2, r**2] + both * h * r
        assert by_six == pytest.approx(at(h, r) - at(0.0, 0.0), abs=1e-6)


def test_evidence_moves_it_to_the_mean_of_a_mixture_of_none_and_some():
    """Against quadrature of the same mixture; the ridge has no part in what is seen."""
    none, scale = parts.HALO
    slope, bend = 0.6 / 0.15**2, -0.5 / 0.15**2  # as a normal density about 0.6 with SD 0.15 has it
    density = stats.halfnorm(scale=scale)

    def some(power):
        def weight(h):
            return h**power * density.pdf(h) * np.exp(slope * h + bend * h**2)

        return (1 - none) * integrate.quad(weight, 0, 1.5)[0] / density.cdf(1.5)

    total = none + some(0)
    found = halo.believed(np.array([slope, 0.0]), np.array([bend, 0.0]), 0.0)
    assert found.height == pytest.approx(some(1) / total, abs=2e-3)
    assert found.chance == pytest.approx(some(0) / total, abs=5e-3)


def test_what_a_ridge_explains_as_well_is_shared_with_it():
    slope, bend = np.array([18.0, 18.0]), np.array([-15.0, -15.0])
    alike = halo.believed(slope, bend, -30.0)  # of halo and ridge only the sum is seen
    alone = halo.believed(np.array([18.0, 0.0]), np.array([-15.0, 0.0]), 0.0)
    assert alone.chance > 0.7
    assert alike.chance < 0.4
    assert alike.height < 0.5 * alone.height


def test_nothing_seen_leaves_what_was_believed():
    found = halo.believed(np.zeros(2), np.zeros(2), 0.0)
    assert found.chance == pytest.approx(1 - parts.HALO[0], abs=1e-12)


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
    assert pooled.learn([none]).halo == Halo(0.0, 0.0)

"""How much of what a shot's time is off at one setting of the dial its taste shows."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tastefield.stats import pooled
from tastefield.stats.pooled import felt
from tastefield.stats.pooled.felt import PRIOR, Felt


def bench_of(share, seed, setups=20, shots=10):
    """Setups on a bent ridge, unlike any sum of sines; each shot off its dial line in time, tasted as if by a share."""
    rng = np.random.default_rng(seed)
    made = []
    for number in range(setups):
        meant = np.column_stack([0.4 * rng.normal(size=shots), 0.5 * rng.normal(size=shots)])
        off = 0.2 * rng.normal(size=shots)
        along = meant[:, 0] - 0.3 * np.abs(meant[:, 1] + share * off)
        across = np.abs(meant[:, 1] + share * off - 0.2)
        score = 7.5 + 0.3 * rng.normal() - 1.5 * np.abs(along) - 2.0 * across + 0.2 * rng.normal(size=shots)
        tasted = score + 0.4 * rng.normal(size=(2, shots))
        made.append(
            pooled.SetupRows(
                *(f"s{number}", f"m{number}", f"c{number % 5}", "", ("", "")),
                score=np.clip(tasted, 1.0, 9.0).ravel(),
                points=np.tile(meant + np.column_stack([np.zeros(shots), off]), (2, 1)),
                shot=np.tile(np.arange(shots), 2),
                taster=("ana",) * shots + ("ben",) * shots,
                session=("",) * 2 * shots,
                covariates=np.zeros((2 * shots, 3)),
                off=np.tile(off, 2),
            )
        )
    return made


@pytest.mark.parametrize("share", [0.2, 0.6, 1.0])
def test_the_share_that_taste_shows_is_found_from_the_scores(share):
    found = [pooled.learn(bench_of(share, seed)).felt for seed in (1, 2)]
    for one in found:
        assert one.sd < PRIOR.sd / 2
        assert abs(one.mean - share) < 3 * one.sd + 0.03  # the grid of shares ends at 0 and 1


def test_where_no_dial_tells_what_a_setting_leads_to_what_is_assumed_stands():
    silent = [pooled.SetupRows(**{**vars(rows), "off": 0 * rows.off}) for rows in bench_of(0.2, 1, setups=5)]
    assert pooled.learn(silent).felt == PRIOR


def test_a_bench_that_starts_from_another_starts_from_what_that_one_found():
    told = pooled.learn(bench_of(0.2, 3)).felt
    few = bench_of(0.2, 4, setups=2, shots=4)
    alone, together = pooled.learn(few).felt, pooled.learn(few, time_felt=told).felt
    assert together.sd < told.sd + 1e-3
    assert abs(together.mean - told.mean) < abs(alone.mean - told.mean)


def test_what_benches_found_is_joined_with_what_all_assumed_counted_once():
    shares = [Felt(0.5, 0.1), Felt(0.8, 0.15)]
    at = np.linspace(-1, 2, 20_001)
    density = stats.norm.pdf(at, PRIOR.mean, PRIOR.sd)
    for one in shares:
        density *= stats.norm.pdf(at, one.mean, one.sd) / stats.norm.pdf(at, PRIOR.mean, PRIOR.sd)
    mean = float(np.average(at, weights=density))
    sd = float(np.sqrt(np.average((at - mean) ** 2, weights=density)))
    found = felt.joined(shares, [1.0, 1.0])
    assert (found.mean, found.sd) == (pytest.approx(mean, abs=1e-4), pytest.approx(sd, abs=1e-4))


def test_one_bench_is_joined_to_itself_and_one_that_learned_nothing_adds_nothing():
    alone, with_nothing = felt.joined([Felt(0.5, 0.1)], [1.0]), felt.joined([Felt(0.5, 0.1), PRIOR], [1.0, 1.0])
    for found in (alone, with_nothing):
        assert (found.mean, found.sd) == (pytest.approx(0.5), pytest.approx(0.1))

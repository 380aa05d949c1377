"""Drift: what is told where something drifts, and how seldom where nothing does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.stages.test_ladder import lined

from tastefield.stages.drift import with_drift

DAYS = [f"2026-03-{day:02d}" for day in range(1, 29)]


def codes(*setups):
    return [[note.code for note in setup.findings] for setup in with_drift(setups)]


def shot(day, minute, time, **same):
    told = {"pulled_at": f"{DAYS[day]} 09:{minute:02d}", "grind_setting": "8", "beverage_g": 36.0, "shot_time_s": time}
    return {**told, **same}


def test_a_dose_that_creeps_is_told_with_how_far(make_setup):
    shots = [shot(0, n, 27.0, dose_g=18 + 0.15 * n + 0.05 * (n % 2)) for n in range(8)]
    (one,) = with_drift([make_setup(shots)])
    (note,) = one.findings
    assert note.code == "dose_creeps"
    assert "up by 1." in note.message


def test_a_new_dose_setting_is_no_creeping(make_setup):
    shots = [shot(0, n, 27.0, dose_g=17 + 0.2 * n, dose_setting=str(n)) for n in range(8)]
    assert codes(make_setup(shots)) == [[]]


@pytest.mark.parametrize(("factor", "how"), [(1.15, "slower"), (0.87, "faster")])
def test_first_shots_of_sittings_that_run_unlike_the_next_are_told_on_every_setup_of_the_machine(
    make_setup, factor, how
):
    rng = np.random.default_rng(1)
    shots = [
        shot(day, n, 27 * (factor if n == 0 else 1) * np.exp(rng.normal(0, 0.02))) for day in range(5) for n in range(3)
    ]
    other = make_setup([shot(20, 0, 27.0)])
    one, two = with_drift([make_setup(shots), other])
    assert [note.code for note in one.findings] == [note.code for note in two.findings] == ["first_shots_differ"]
    assert how in one.findings[0].message


def test_cold_first_shots_are_told_by_their_temperature(make_setup):
    rng = np.random.default_rng(2)
    shots = [
        shot(day, n, 27.0, temp_measured_c=93 - (4 if n == 0 else 0) + rng.normal(0, 0.5))
        for day in range(5)
        for n in range(3)
    ]
    assert codes(make_setup(shots)) == [["first_shots_cold"]]


def test_shots_that_still_run_on_the_old_grind_are_told_where_nobody_purged(make_setup):
    shots = []
    for day, (old, new) in enumerate([(8, 9), (9, 7), (7, 9), (10, 8), (8, 6)]):
        halfway = np.exp(-0.1 * ((old + new) / 2 - 8))
        times = [(old, 1.0), (new, halfway / np.exp(-0.1 * (new - 8))), (new, 1.0)]
        shots += [
            shot(day, n, 27 * np.exp(-0.1 * (at - 8)) * off, grind_setting=str(at), purged=n != 1)
            for n, (at, off) in enumerate(times)
        ]
    setup = lined(make_setup(shots))
    assert codes(setup) == [["old_grounds"]]
    purged = setup.shots.assign(purged=setup.shots["purged"].fillna(True) | True)
    assert codes(replace(setup, shots=purged)) == [[]]


def steady_shots(seed):
    """Six sittings of four shots, a step of the dial now and then; doses, times and heat only scatter."""
    rng, shots = np.random.default_rng(seed), []
    for day in range(6):
        at = 8 + int(rng.integers(-1, 2))
        for n in range(4):
            now = at if n else at + int(rng.integers(-1, 2))
            told = {"grind_setting": str(now), "purged": bool(rng.integers(0, 2)), "dose_g": 18 + rng.normal(0, 0.25)}
            told |= {"beverage_g": 36 * np.exp(rng.normal(0, 0.03)), "temp_measured_c": 93 + rng.normal(0, 1.0)}
            shots.append(shot(day, n, 27 * np.exp(-0.1 * (now - 8) + rng.normal(0, 0.08)), **told))
    return shots


def steady_setups(make_setup, count):
    """Setups of which each differs from the first by what its shots say; made at once: a table is slow to make."""
    first = lined(make_setup(steady_shots(0)))
    for seed in range(count):
        told = pd.DataFrame(steady_shots(seed)).drop(columns="pulled_at")
        told = told.astype({"grind_setting": "str", "purged": "boolean"})
        told = told.assign(ratio=told["beverage_g"] / told["dose_g"], dial_position=told["grind_setting"].astype(float))
        yield replace(first, shots=first.shots.assign(**told))


def test_setups_made_of_another_are_those_made_by_themselves(make_setup):
    _, one = steady_setups(make_setup, 2)
    pd.testing.assert_frame_equal(one.shots, lined(make_setup(steady_shots(1))).shots)


def test_of_steady_setups_at_most_one_in_twenty_is_called_drifting(make_setup):
    """300 setups, each a machine and grinder of its own; the standard error of 5 % is 1.3 %."""
    alarms = [bool(codes(setup)[0]) for setup in steady_setups(make_setup, 300)]
    assert np.mean(alarms) <= 0.05


def test_a_setup_without_dates_or_numbers_is_steady(make_setup):
    assert codes(make_setup([{}])) == [[]]
    assert codes(make_setup([{"beverage_g": 36.0, "shot_time_s": 27.0}] * 7)) == [[]]


# --- coffee that ages -------------------------------------------------------------------------------------------------


def aged(make_setup, per_day, seed=3, roasted=True, days=6, noise=0.02, **same):
    """Three shots a day, at 8 and at 9 by turns, of one bag; ``per_day`` is the change of log time."""
    rng = np.random.default_rng(seed)
    shots = [
        shot(3 * day, n, 27 * np.exp(3 * day * per_day + rng.normal(0, noise)), grind_setting=str(8 + day % 2), **same)
        for day in range(days)
        for n in range(3)
    ]
    setup = make_setup(shots)
    if not roasted:
        return setup
    age = (setup.shots["pulled_at"] - setup.shots["pulled_at"].iloc[0]).dt.total_seconds() / 86400.0 + 7
    return replace(setup, shots=setup.shots.assign(coffee_age_days=age))


@pytest.mark.parametrize(
    ("per_day", "roasted", "told"),
    [(-0.02, True, "13 % faster with every week of its age"), (0.02, False, "15 % slower with every week that passes")],
)
def test_a_coffee_that_runs_otherwise_as_it_ages_is_told_with_how_much(make_setup, per_day, roasted, told):
    (one,) = with_drift([aged(make_setup, per_day, roasted=roasted, noise=0.001)])
    (note,) = [note for note in one.findings if note.code == "coffee_ages"]
    assert told in note.message
    assert "from 6 days" in note.message


def test_days_on_other_setups_of_the_coffee_tell_its_age_too_and_those_of_another_coffee_do_not(make_setup):
    few, other = aged(make_setup, -0.02, days=3), aged(make_setup, -0.02, seed=4, days=5)
    another = aged(make_setup, 0.0, seed=5, coffee="another")
    found = codes(few, other, another)
    assert ["coffee_ages" in one for one in found] == [True, True, False]
    assert codes(few) == [[]]


def test_neither_few_days_nor_a_change_of_setting_nor_another_bag_is_age(make_setup):
    assert codes(aged(make_setup, -0.02, days=3)) == [[]]
    finer = [shot(day, n, 27 * np.exp(-0.05 * day), grind_setting=str(8 + day)) for day in range(8) for n in range(3)]
    assert codes(make_setup(finer)) == [[]]
    longer = [
        {**row, "pulled_at": row["pulled_at"].replace("2026-03", f"2026-{3 + number // 9:02d}")}
        for number, row in enumerate(shot(day, n, 27 * np.exp(-0.05 * day)) for day in range(9) for n in range(3))
    ]
    assert codes(make_setup(longer)) == [[]]


def test_more_out_is_not_taken_for_age(make_setup):
    """Weight out grows with the days, and time with it as it does at one grind."""
    shots = [
        shot(day, n, 27 * np.exp(0.8 * 0.03 * day), beverage_g=36 * np.exp(0.03 * day))
        for day in range(8)
        for n in range(3)
    ]
    assert codes(make_setup(shots)) == [[]]

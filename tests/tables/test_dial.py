"""Steps of a dial and the positions that may be set."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tastefield.tables.dial import (
    below_zero,
    last_position,
    mesh,
    off_steps,
    recorded,
    settable,
    step_of,
    towards_finer,
    zeros_in_force,
)
from tastefield.tables.notation import Notation, with_ends

STEPLESS = Notation("stepless")


@pytest.mark.parametrize(
    ("kind", "found", "step"),
    [
        ("marks", [5, 5.5, 7.25], 0.25),
        ("two_part", [42, 51], 1),
        ("clock", [420, 450, 510], 30),
        ("clock", [420, 424], 1),
        ("stepless", [5.13, 5.43, 5.43, 5.23], 0.25),
        ("stepless", [5.13, 5.13], None),
        ("letters", [np.nan], None),
    ],
)
def test_the_step_of_a_dial_is_told_by_its_settings(kind, found, step):
    told = step_of(np.array(found, dtype=float), Notation(kind))
    assert told == (None if step is None else pytest.approx(step))


QUARTERS = [8, 8.25, 8.5, 8.75, 9, 9.25, 9.5, 9.75, 10] * 3


@pytest.mark.parametrize(
    ("found", "step"),
    [
        ([*QUARTERS, -0.05], 0.25),
        ([*QUARTERS, 9.05], 0.25),
        ([*QUARTERS * 2, -0.05, -0.05], 0.25),
        ([*QUARTERS, 9.05, 9.05], 0.05),  # set twice: it is meant
        ([*QUARTERS, 9.05, 8.35], 0.05),  # two of 29 are no slip
        ([*QUARTERS * 2, 9.05, 8.35], 0.25),
        ([8, 8.5, 9, 9.05], 0.05),  # too few to say what is usual
        ([*range(4, 12), 7.5], 0.5),  # half marks are set now and then
        ([*range(4, 12), 7.3], 1),
        ([5.13, 5.47, 6.2, 5.9, 6.41, 5.22, 5.35, 5.77, 6.03, 6.6], 0.01),
        ([-1, -0.5, 0, 0.5, 1, 1.5, 2, 2.5, 3], 0.5),
        ([-2.25, -1.5], 0.25),
    ],
)
def test_the_step_does_not_hang_on_one_reading(found, step):
    assert step_of(np.array(found, dtype=float)) == step


def test_the_step_of_a_clock_dial_does_not_hang_on_one_reading():
    assert step_of(np.array([420, 450, 480, 510] * 3 + [424], dtype=float), Notation("clock")) == 30


def test_a_setting_off_the_steps_of_all_others_is_pointed_out():
    found = np.array([*QUARTERS, np.nan, 9.05])
    assert off_steps(found).tolist() == [*[False] * 28, True]
    assert off_steps(found, 0.05).any() == np.False_  # its owner says how fine it is
    assert off_steps(np.array([*QUARTERS, 7.5]), 1.0).any() == np.False_  # most lie off the configured steps
    assert off_steps(np.array([*range(4, 14), 7.5]), 1.0).sum() == 1
    assert not off_steps(np.array([5.13, 5.43, 5.23] * 9), None, STEPLESS).any()
    assert not off_steps(np.array([8, 8.5, 9.05])).any()


def test_a_setting_below_zero_is_pointed_out_where_all_others_are_above():
    assert below_zero(np.array([*QUARTERS, np.nan, -0.05])).tolist() == [*[False] * 28, True]
    assert not below_zero(np.array([-1, -0.5, 0, 0.5, 1] * 3)).any()
    assert not below_zero(np.array([*range(10), -1])).any()  # it counts through zero
    assert not below_zero(np.array([9.0, 8.5, -1])).any()


def test_positions_that_may_be_set_are_those_a_dial_reads():
    """3 x 0.1 is not 0.3 until it is rounded."""
    assert settable(0.1, (0.2, 0.4), 0.1, (None, None), None, "coarser").tolist() == [0.1, 0.2, 0.3, 0.4, 0.5]


def test_a_stepless_dial_goes_back_to_exactly_where_it_stood_and_anywhere_between():
    ran = np.array([5.13, 5.47, 6.2])
    found = settable(0.5, (5.13, 6.2), 0.5, (None, None), None, "coarser", ran)
    assert set(ran) <= set(found.tolist())
    assert found.min() >= 4.63
    assert found.max() <= 6.7
    assert np.diff(found).max() <= 0.1 + 1e-9
    assert mesh(0.5, STEPLESS) == 0.1


@pytest.mark.parametrize(("higher_is", "clear"), [("coarser", [5.63, np.inf]), ("finer", [-np.inf, 4.63])])
def test_a_stepless_dial_keeps_a_usual_move_clear_of_a_choke(higher_is, clear):
    ran = np.array([4.0, 5.0, 5.3, 6.2])
    found = settable(0.5, (4.0, 6.2), 0.5, (None, None), 5.13, higher_is, ran)
    assert len(found)
    assert found.min() >= clear[0] - 1e-9
    assert found.max() <= clear[1] + 1e-9


@pytest.mark.parametrize(("higher_is", "least"), [("coarser", 79), ("finer", 74)])
def test_a_choke_holds_across_the_carry_in_both_directions(higher_is, least):
    letters = with_ends(Notation("letters"), None, None)
    choke = 78.0 if higher_is == "coarser" else 77.0  # 3A, 2Z
    found = settable(1.0, (76.0, 80.0), 2.0, letters.ends, choke, higher_is)
    assert found.min() == least
    assert found.max() == (82 if higher_is == "coarser" else 76)


def test_a_setting_that_choked_is_out_however_it_was_written():
    shots = pd.DataFrame(
        {
            "grind_setting": ["4-2", "4+2", "4+3"],
            "dial_position": [42.0, 42.0, 43.0],
            "outcome": ["choked", None, None],
            "shot_time_s": [np.nan, 35.0, 28.0],
            "grinder_zero": None,
            "stage": None,
        }
    )
    assert recorded(shots).index.tolist() == ["4+3"]


@pytest.mark.parametrize(
    ("ends", "towards", "choke", "step", "last"),
    [
        ((1.0, 16.0), 1, None, 1.0, 16.0),
        ((1.0, 16.0), -1, None, 1.0, -1.0),
        ((1.0, 16.0), -1, 6.0, 0.5, -6.5),
        ((1.0, 16.0), 1, 6.0, 0.5, 5.5),
        ((8.0, 16.0), -1, 6.0, 0.5, -8.0),  # the dial ends before the choke
        ((None, None), 1, None, 1.0, np.inf),
    ],
)
def test_a_dial_is_turned_to_its_end_or_a_step_short_of_a_choke(ends, towards, choke, step, last):
    assert last_position(ends, towards, choke, step) == last


def test_a_higher_position_is_finer_only_where_somebody_says_so():
    assert [towards_finer(said) for said in ("finer", "coarser", None)] == [1, -1, -1]


@pytest.mark.parametrize(
    ("days", "last"),
    [([1, 2, 3], "noon"), ([3, 2, 1], "dawn"), ([None, None, None], "noon"), ([1, None, None], "dawn")],
)
def test_the_burr_zero_in_force_is_the_last_that_was_named_by_day_or_else_by_the_order_of_the_log(days, last):
    shots = pd.DataFrame({"grinder": "shop", "grinder_zero": ["dawn", None, "noon"], "place": "log", "row": [2, 3, 4]})
    shots["pulled_at"] = pd.to_datetime([None if day is None else f"2026-03-0{day}" for day in days])
    assert zeros_in_force(shots) == {"shop": last}
    assert zeros_in_force(shots.assign(grinder_zero=None)) == {}

"""Shots to confirm: which of them deny a recipe, for how long they teach nothing, and when they count."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tastefield.tables.confirming import decided, denying, poor_pulls, pulls

GOOD = 6.5
OTHER = ("dial-in", 36.0, 27.0, 7.0)


def confirm(*scores: float | None, out: float = 36.0, time: float | None = 27.0):
    return [("confirm", out, time, score) for score in scores]


def log(rows: list[tuple]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Shots of 18 g named by their number, and the scores of those that were tasted."""
    shots = pd.DataFrame(
        {
            "shot_id": [str(number) for number in range(len(rows))],
            "stage": [row[0] for row in rows],
            "ratio": [row[1] / 18.0 for row in rows],
            "shot_time_s": np.array([row[2] for row in rows], dtype=float),
            "pulled_at": pd.Timestamp("2026-03-02"),
        }
    )
    scores = pd.DataFrame({"shot_id": shots["shot_id"], "score": np.array([row[3] for row in rows], dtype=float)})
    return shots, scores.dropna()


@pytest.mark.parametrize(
    ("rows", "kept_out"),
    [
        ([OTHER, *confirm(3.0, 3.2)], "12"),
        ([OTHER, *confirm(3.0)], "1"),  # half a pull: the second is still to come
        ([OTHER, *confirm(6.6, 6.5)], ""),
        ([OTHER, *confirm(9.0, 4.0)], ""),  # on average good
        ([OTHER, *confirm(3.0, 3.2), OTHER], ""),  # somebody went on with other shots
        ([OTHER, *confirm(3.0, 3.2, 7.5)], "12"),  # pulled again, so far so good
        ([OTHER, *confirm(3.0, 3.2, 3.1)], "123"),
        ([OTHER, *confirm(3.0, 3.2, 7.5, 7.6)], "12"),  # held when pulled again
        ([OTHER, *confirm(3.0, 3.2, 3.1, 3.0)], ""),  # denied twice
        ([OTHER, *confirm(7.0, 7.2, 3.1, 3.0)], "34"),
        ([OTHER, *confirm(3.0, 3.2, 7.5, 7.6, 3.0, 3.1)], ""),  # twice, if not in a row
        ([OTHER, *confirm(3.0, 3.2, 3.1, 3.0, 3.0)], ""),  # and it stays decided
        ([OTHER, *confirm(6.0, 6.4)], "12"),  # may be bad luck: a third decides
        ([OTHER, *confirm(6.0, 6.4, 6.0)], ""),
        ([OTHER, *confirm(6.0, 6.4, 7.9)], ""),
        ([OTHER, *confirm(3.0, 3.2), ("return", 36.0, 27.0, 2.0)], "12"),  # somebody else's shots settle nothing
        ([OTHER, *confirm(3.0, None, 3.2)], "13"),  # a shot that nobody tasted counts for nothing
        ([OTHER, *confirm(3.0, time=None), *confirm(3.0, 3.2)], "23"),
        ([OTHER, *confirm(3.0, 3.2, time=35.0), *confirm(3.1, 3.0)], "34"),  # the first were of another recipe
        ([OTHER, *confirm(3.0, 3.2, out=42.0), *confirm(3.1, 3.0)], "34"),
        ([*confirm(3.0, 3.2)], "01"),
        ([OTHER], ""),
    ],
)
def test_shots_that_deny_a_recipe_teach_nothing_until_they_were_pulled_again(rows, kept_out):
    assert denying(*log(rows), GOOD, 1.0) == set(kept_out)


@pytest.mark.parametrize("unit", [0.125, 1.0, 12.5])
def test_how_far_below_good_is_bad_luck_goes_with_the_scale(unit):
    for off, third in ((0.4, True), (0.6, False)):
        assert (len(pulls([GOOD - off * unit] * 3, GOOD, unit)[0]) == 3) is third


def test_several_tasters_of_a_shot_are_one_score_of_it():
    shots, scores = log([OTHER, *confirm(3.0, 7.0)])
    more = pd.DataFrame({"shot_id": ["1", "1"], "score": [9.0, 9.0]})  # 3, 9, 9: 7 on average
    assert denying(shots, scores, GOOD, 1.0) == {"1", "2"}
    assert denying(shots, pd.concat([scores, more]), GOOD, 1.0) == set()


def test_three_that_left_it_open_or_two_pulls_decide():
    for got, told in (([6.0, 6.4, 6.0], True), ([3.0, 3.2], False), ([3.0, 3.2, 3.1, 3.0], True), ([3.0] * 3, False)):
        assert decided(poor_pulls(*log([OTHER, *confirm(*got)]), GOOD, 1.0)) is told


@pytest.mark.parametrize(("today", "waits"), [(None, True), ("2026-03-09", True), ("2026-03-10", False)])
def test_poor_shots_that_nobody_pulls_again_count_after_a_week(today, waits):
    """Else a bench that leaves out its poor last shots and no good ones would claim too much."""
    shots, scores = log([OTHER, *confirm(3.0, 3.2)])
    day = None if today is None else pd.Timestamp(today)
    assert denying(shots, scores, GOOD, 1.0, day) == (set("12") if waits else set())
    assert denying(shots.assign(pulled_at=pd.NaT), scores, GOOD, 1.0, day) == set("12")

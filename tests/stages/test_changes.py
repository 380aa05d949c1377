"""What a card says otherwise than in the last run is told, where that card may have left."""

from __future__ import annotations

import dataclasses

import pytest
from tests.plugins.sample_run import run as sample_run

from tastefield.stages.changes import with_change


def changed(before: dict | None, **aim) -> list[str]:
    result = next(one for one in sample_run().setups if one.entry["aim"])
    now = {"dose_g": 18.0, "beverage_g": 36.4, "shot_time_s": 27.4, "grind_setting": "8"}
    entry = {**result.entry, "aim": {**result.entry["aim"], **now, **aim}, "findings": []}
    found = with_change(dataclasses.replace(result, entry=entry), before).entry["findings"]
    return [note["message"] for note in found if note["code"] == "card_changed"]


BEFORE = {
    "status": "confirmed",
    "aim": {"dose_g": 18.04, "beverage_g": 35.6, "shot_time_s": 27.0, "grind_setting": "8"},
}


def test_what_is_printed_alike_is_no_change():
    assert changed(BEFORE) == []


@pytest.mark.parametrize(
    ("aim", "told"),
    [
        ({"beverage_g": 37.0}, "36 g out, now 37 g out"),
        ({"dose_g": 18.2, "shot_time_s": 29.0}, "18.0 g in, now 18.2 g in; 27 s, now 29 s"),
        ({"grind_setting": "7"}, "grind 8, now grind 7"),
        ({"grind_setting": None}, "grind 8, now not told"),
    ],
)
def test_each_number_of_the_card_that_changed_is_told_as_it_was_and_is(aim, told):
    (message,) = changed(BEFORE, **aim)
    assert told in message


@pytest.mark.parametrize("before", [None, {**BEFORE, "status": "tentative"}, {**BEFORE, "aim": None}])
def test_a_card_that_was_not_fit_to_leave_may_change_unsaid(before):
    assert changed(before, beverage_g=40.0) == []

"""Visits: shots as a machine comes in or comes back teach taste; what to set after them does not rest on them."""

from __future__ import annotations

import json
import math

import pandas as pd
import pytest

import tastefield

HOUSE = {"machine": "A", "coffee": "house", "dose_g": 18.0, "beverage_g": 36.0, "stage": "dial-in", "score": 8}


def line(position: float, at_27: float = 8.0) -> float:
    """Seconds at a position of a dial that gives 27 s at ``at_27``, a tenth faster a step."""
    return round(27.0 * math.exp(-0.1 * (position - at_27)), 1)


def ours(*positions: float, at_27: float = 8.0, **same):
    return [HOUSE | {"grind": f"{at:g}", "shot_time_s": line(at, at_27)} | same for at in positions]


@pytest.fixture
def setups_of(tmp_path):
    """Write a log and run it: setups of the results file by coffee, and what it says of the machine."""

    def run(rows: list[dict]):
        days = pd.date_range("2025-03-01", periods=len(rows)).strftime("%Y-%m-%d")
        rows = [{"pulled_at": day, **row} for day, row in zip(days, rows, strict=True)]
        pd.DataFrame(rows).to_csv(tmp_path / "log.csv", index=False)
        (tmp_path / "log.toml").write_text(
            '[[source]]\npath = "log.csv"\nholds = ["shots", "scores"]\n[taste]\nscale = [1, 9]\ngood = 6.5\n'
            '[[report]]\nwriter = "data"\n'
        )
        tastefield.run(tmp_path / "log.toml", out=tmp_path / "out")
        found = json.loads((tmp_path / "out" / "results.json").read_text("utf-8"))
        return {one["key"]["coffee"]: one for one in found["setups"]}, found["handover"]

    return run


def test_a_setting_after_a_new_burr_zero_rests_on_no_time_before_it(setups_of):
    before = ours(6, 7, 8, 9, 10, at_27=8, grinder_zero="march")
    after = ours(18, 20, 22, 20, at_27=20, grinder_zero="may")
    house = setups_of([*before, *after])[0]["house"]
    fitted = house["settings"]["line"]
    assert math.exp(fitted["intercept"] + 20 * fitted["slope"]) == pytest.approx(27, rel=0.05)
    assert house["settings"]["position"] == pytest.approx(20, abs=3)


@pytest.mark.parametrize("zero", ["march", None])
def test_a_setting_that_ran_before_a_new_burr_zero_is_not_named_again(setups_of, zero):
    """Marks that are no numbers are repeated as written; before the new zero they meant another grind."""
    before = [{**shot, "grind": "3E", "grinder_zero": zero} for shot in ours(8, 8, 8)]
    after = [{**shot, "grind": "4A", "grinder_zero": "may"} for shot in ours(6, 6, 6, score=7)]
    house = setups_of([*before, *after])[0]["house"]
    assert house["best_shot"]["grind_setting"] == "3E"
    assert "3E" not in [house["settings"]["grind_setting"], *(shot["grind_setting"] for shot in house["next_shots"])]


def test_a_bad_taste_before_a_new_burr_zero_is_not_held_against_the_same_number_after_it(setups_of):
    before = ours(15, 15, 15, at_27=4, grinder_zero="march", score=1)
    after = [
        shot | {"score": 6 if abs(float(shot["grind"]) - 15) == 2 else 8} for shot in ours(13, 14, 16, 17, at_27=15)
    ]
    after = [{**shot, "grinder_zero": "may"} for shot in after]
    assert setups_of([*before, *after])[0]["house"]["settings"]["position"] == 15


@pytest.mark.parametrize("stage", ["return", "intake"])
def test_a_machine_that_runs_otherwise_before_its_repair_does_not_move_its_dial_after_it(setups_of, stage):
    dialled = ours(7, 8, 9, 8)
    guest = ours(8, 8, at_27=2, stage=stage)
    without = setups_of(dialled)[0]["house"]["settings"]
    for rows in ([*guest, *dialled], [*dialled, *guest]):
        found = setups_of(rows)[0]["house"]["settings"]
        at = [math.exp(one["line"]["intercept"] + 8 * one["line"]["slope"]) for one in (found, without)]
        assert at[0] == pytest.approx(at[1], rel=0.03)


def test_after_a_repair_the_setting_rests_on_the_shots_pulled_since(setups_of):
    first, back, repaired = ours(7, 8, 9), ours(8, at_27=2, stage="return"), ours(5, 6, 4, at_27=5)
    house = setups_of([*first, *back, *repaired])[0]["house"]["settings"]
    assert math.exp(house["line"]["intercept"] + 5 * house["line"]["slope"]) == pytest.approx(27, rel=0.06)


def test_with_nothing_but_shots_as_it_came_in_these_say_where_the_dial_stands(setups_of):
    house = setups_of(ours(7, 8, 9, stage="intake"))[0]["house"]
    assert house["settings"]["position"] is not None


def test_a_choke_as_the_machine_came_in_still_binds(setups_of):
    choked = {**HOUSE, "stage": "intake", "grind": "7", "outcome": "choked", "score": None, "beverage_g": None}
    house = setups_of([choked, *ours(8, 9, 10, 9)])[0]["house"]
    assert house["settings"]["position"] >= 8


@pytest.mark.parametrize(("stage", "status"), [("confirm", "confirmed"), ("return", "window"), ("intake", "window")])
def test_only_shots_of_stage_confirm_confirm(setups_of, stage, status):
    dialled = ours(7, 8, 9, 8, 8, 7, 9, 8)
    house = setups_of([*dialled, *ours(8, 8, stage=stage)])[0]["house"]
    assert house["tasted"] == 10
    assert house["status"] == status


def test_somebody_elses_bad_shots_do_not_undo_what_was_confirmed(setups_of):
    rows = [*ours(7, 8, 9, 8, 8, 7, 9, 8), *ours(8, 8, stage="confirm"), *ours(13, 13, 13, stage="return", score=3)]
    assert setups_of(rows)[0]["house"]["status"] == "confirmed"


def test_somebody_elses_dose_is_not_ours(setups_of):
    back = ours(8, 8, 8, 8, stage="return", dose_g=15.0, beverage_g=30.0)
    house = setups_of([*ours(7, 8, 9, 8), *back])[0]["house"]
    assert house["aim"]["dose_g"] == 18.0
    assert "doses_of_two_kinds" not in [finding["code"] for finding in house["findings"]]


def test_a_machine_that_comes_back_with_another_coffee_is_handed_over_as_we_set_it(setups_of):
    back = ours(8, 8, stage="return", coffee="theirs", dose_g=14.0, beverage_g=40.0)
    setups, (start,) = setups_of([*ours(7, 8, 9, 8), *back])
    assert setups["theirs"]["tasted"] == 2
    assert start["aim"]["dose_g"] == 18.0
    assert (start["shots"], start["tasted"]) == (6, 6)

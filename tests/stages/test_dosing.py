"""Timer and button: what they gave, what to set them to, and when one has strayed beyond chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.stages.test_ladder import lined

from tastefield.stages.dosing import dosing
from tastefield.stages.settings import settings
from tastefield.stages.window import window
from tastefield.tables.timer import timer_of
from tastefield.words.dosing import dosing_lines

SPREAD = [{"beverage_g": out, "shot_time_s": time} for out in (25, 36, 50) for time in (18, 27, 40)]


def found(setup, hill):
    aim = window(setup, hill(), 0.8)
    return aim, dosing(setup, aim, settings(setup, aim, ()))


def timed(*pairs, **same):
    """Shots of (timer, dose)."""
    return [{**SPREAD[4], "dose_setting": str(timer), "dose_g": dose, **same} for timer, dose in pairs]


def test_the_timer_for_the_dose_of_the_recipe_is_named_as_its_owner_writes_it(make_setup, hill):
    aim, told = found(make_setup([*SPREAD, *timed(("4.0 s", 16.0), ("4.5 s", 18.0), ("5.0 s", 20.0))]), hill)
    assert aim.dose_g == pytest.approx(18.0)
    assert told.timer.setting == "4.5 s"
    low, high = told.timer.dose_g[1:]
    assert told.timer.dose_g[0] == pytest.approx(18.0, abs=0.05)
    assert low < 18.0 < high
    assert told.timer.shots == 3


def test_at_a_finer_grind_the_timer_must_run_longer(make_setup, hill):
    """It gives less when set finer: common practice, no source. Where higher is coarser, 6 is finer than 10."""
    shots = [
        {**SPREAD[4], "grind_setting": str(at), "dose_setting": "4.5", "dose_g": 18 + 0.3 * (at - 8)}
        for at in (6, 7, 8, 9, 10)
    ]
    setup = lined(make_setup([*SPREAD, *shots]))
    aim = window(setup, hill(), 0.8)
    dial = settings(setup, aim, ())
    timers = [
        float(dosing(setup, replace(aim, position=at), replace(dial, position=at)).timer.setting) for at in (6.0, 10.0)
    ]
    assert timers[0] > 4.5 > timers[1]


def test_no_timer_is_told_where_none_is_written_or_it_is_no_number(make_setup, hill):
    assert found(make_setup(SPREAD), hill)[1].timer is None
    assert found(make_setup([*SPREAD, *timed(("double", 18.0))]), hill)[1].timer is None


def test_a_timer_far_beyond_those_tried_is_not_named(make_setup, hill):
    _, told = found(make_setup([*timed(*[("2.0", 9.0)] * 2), *SPREAD]), hill)
    assert float(told.timer.setting) <= 2.0 * np.exp(0.25) + 0.05
    assert told.timer.dose_g[0] < 18


@pytest.mark.parametrize(
    ("text", "value", "unit"), [("4.5", 4.5, ""), ("4,5s", 4.5, "s"), ("45 clicks", 45, " clicks"), ("x", np.nan, "")]
)
def test_timers_are_read_as_people_write_them(text, value, unit):
    assert timer_of(text) == (pytest.approx(value, nan_ok=True), unit)


@pytest.mark.parametrize(("over", "told"), [(1.0, "4.3"), (-1.0, "4.8"), (0.3, "")])
def test_confirm_shots_off_the_dose_say_re_program(make_setup, hill, over, told):
    """As much longer as the dose fell short: 4.5 x 18 / 19 is 4.3, 4.5 x 18 / 17 is 4.8."""
    before, after = timed(*[("4.5", 18.0)] * 4), timed(*[("4.5", 18.0 + over)] * 2, stage="confirm")
    codes = {note.code: note for note in found(make_setup([*SPREAD, *before, *after]), hill)[1].findings}
    assert ("dose_strayed" in codes) is bool(told)
    if told:
        assert f"re-program the grinder (about {told}) until it gives 18.0 g" in codes["dose_strayed"].do
        assert f"1.0 g {'over' if over > 0 else 'under'}" in codes["dose_strayed"].message


def test_a_single_confirm_shot_or_doses_that_scatter_as_much_say_nothing(make_setup, hill):
    before = timed(*[("4.5", 18.0)] * 4)
    one = found(make_setup([*SPREAD, *before, *timed(("4.5", 19.0), stage="confirm")]), hill)[1]
    wild = timed(("4.5", 16.6), ("4.5", 19.5), ("4.5", 17.0), ("4.5", 18.9), ("4.5", 17.4))
    many = found(make_setup([*SPREAD, *wild, *timed(*[("4.5", 18.8)] * 2, stage="confirm")]), hill)[1]
    assert not [note for note in (*one.findings, *many.findings) if note.code == "dose_strayed"]


def test_a_button_tells_what_it_gave_with_which_dose_and_coffee(make_setup, hill):
    pressed = [{**SPREAD[4], "beverage_g": out, "stopped_by": "button"} for out in (35.0, 36.5, 37.0)]
    _, told = found(make_setup([*SPREAD, *pressed]), hill)
    assert told.button.beverage_g == pytest.approx((36.17, 35, 37), abs=0.01)
    assert (told.button.dose_g, told.button.coffee, told.button.shots) == (18.0, "house", 3)
    (line,) = dosing_lines({"timer": None, "button": {**vars(told.button)}})
    assert line.startswith("Button: gave 36 g (35 to 37) with 18.0 g of house, weighed 3 times.")
    assert "Weigh and re-program it when coffee, dose or grind changes." in line
    assert not told.findings


def test_a_button_that_gives_other_than_the_recipe_is_a_finding(make_setup, hill):
    pressed = [{**SPREAD[4], "beverage_g": out, "stopped_by": "button"} for out in (44.0, 45.0, 46.0)]
    (note,) = found(make_setup([*SPREAD, *pressed]), hill)[1].findings
    assert note.code == "button_strayed"
    assert "re-program the button" in note.do


def test_a_strange_owners_button_says_nothing_of_ours(make_setup, hill):
    pressed = [{**SPREAD[4], "beverage_g": 60.0, "stopped_by": "button", "stage": "intake"}] * 3
    assert found(make_setup([*SPREAD, *pressed]), hill)[1].button is None


# --- what the button gives now ----------------------------------------------------------------------------------------


def pressed(*outs, **same):
    return [{**SPREAD[4], "beverage_g": out, "stopped_by": "button", **same} for out in outs]


def button(make_setup, hill, *shots):
    told = found(make_setup([*SPREAD, *shots]), hill)[1]
    return told.button, [note.code for note in told.findings if note.code != "button_strayed"]


@pytest.mark.parametrize(
    "mark",
    [
        {"basket": "14 g"},
        {"basket_g": 14},
        {"target_beverage_g": 36},
        {"target_time_s": 25},
        {"dose_g": 20.0},
        {"notes": "Re-programmed the button"},
        {"notes": "button set to 36"},
        {},
    ],
)
def test_a_button_set_anew_is_told_by_what_it_gave_since(make_setup, hill, mark):
    """Told by what it is programmed for, by a note, or by a weight that jumps, whatever it gave before."""
    before = pressed(*[40.0] * 4, basket="18 g", basket_g=18, target_beverage_g=40, target_time_s=28)
    first, *more = pressed(36.0, 36.5, 36.1, **{key: value for key, value in mark.items() if key != "notes"})
    now, doubts = button(make_setup, hill, *before, {**first, **mark}, *more)
    assert (now.shots, round(now.beverage_g[0], 1)) == (3, 36.2)
    assert not doubts


def test_a_mark_parts_weights_that_differ_by_little_too(make_setup, hill):
    first, second = pressed(36.0, 36.4)
    for notes, shots in (("re-programmed", 2), ("bright", 6)):
        now, _ = button(make_setup, hill, *pressed(*[37.5] * 4), {**first, "notes": notes}, second)
        assert now.shots == min(shots, 5)


def test_a_note_on_the_last_shot_of_the_old_programme_does_not_count_that_shot(make_setup, hill):
    *old, last = pressed(40.0, 40.5, 40.0)
    now, _ = button(make_setup, hill, *old, {**last, "notes": "reprogrammed after this"}, *pressed(36.0, 36.2))
    assert (now.shots, round(now.beverage_g[0], 1)) == (2, 36.1)


@pytest.mark.parametrize(("notes", "last"), [(None, 36.0), ("re-programmed", 40.4)])
def test_where_one_weight_cannot_tell_whether_the_button_was_set_anew_that_is_said(make_setup, hill, notes, last):
    now, doubts = button(make_setup, hill, *pressed(*[40.0] * 4), *pressed(last, notes=notes))
    assert (now.shots, now.beverage_g[0]) == (1, last)
    assert doubts == ["button_not_told"]
    surely, none = button(make_setup, hill, *pressed(*[40.0] * 4), *pressed(36.0, notes="re-programmed"))
    assert (surely.beverage_g[0], none) == (36.0, [])


def test_weights_that_scatter_as_those_of_a_button_do_are_one_programme(make_setup, hill):
    assert button(make_setup, hill, *pressed(35.0, 37.5, 36.0, 34.8, 36.9))[0].shots == 5


# --- doses of confirm shots -------------------------------------------------------------------------------------------


def strayed(make_setup, hill, *shots):
    told = found(make_setup(list(shots)), hill)[1].findings
    return [note.code for note in told if note.code.startswith("dose")]


def test_confirm_doses_after_the_timer_was_set_anew_are_judged_alone(make_setup, hill):
    before, over = timed(*[("4.5", 18.0)] * 5), timed(*[("4.5", 19.1)] * 2, stage="confirm")
    assert strayed(make_setup, hill, *SPREAD, *before, *over) == ["dose_strayed"]
    for timer in ("4.3", "4.5"):  # written, or told by the dose alone
        right = timed((timer, 18.0), (timer, 18.1), stage="confirm")
        assert strayed(make_setup, hill, *SPREAD, *before, *over, *right) == []
    assert strayed(make_setup, hill, *SPREAD, *before, *over, *timed(("4.5", 18.0), stage="confirm")) == [
        "dose_not_told"
    ]


def test_confirm_doses_are_compared_with_those_of_their_own_basket_and_the_last_timer(make_setup, hill):
    small = timed(*[("4.0", 16.0)] * 4, basket="small")
    large = timed(*[("4.5", 18.0)] * 3, basket="large")
    confirm = timed(*[("4.5", 18.1)] * 2, basket="large", stage="confirm")
    assert strayed(make_setup, hill, *SPREAD, *large, *small, *confirm) == []
    tried = timed(*[("5.0", 20.0)] * 3, basket="large")
    assert strayed(make_setup, hill, *SPREAD, *tried, *large, *confirm) == []
    other = timed(*[("4.5", 18.1)] * 2, basket="wide", stage="confirm")
    assert strayed(make_setup, hill, *large, *other) == []

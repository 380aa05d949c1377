"""What was handed over beside what the owner pulls: where each kind of difference points, and what is never said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tastefield.errors import TastefieldError
from tastefield.records import DialLine, Pulled, Visit
from tastefield.stages.compare import compare, pulled, told_over
from tastefield.tables.notation import Notation
from tastefield.words.calls import FINER

AIM = {"dose_g": 18.0, "beverage_g": 36.0, "shot_time_s": 28.0, "grind_setting": "12", "clock": "pump"}
ENTRY = {"aim": AIM, "expected_score": {"mean": 7.2}, "findings": []}
SAME = Pulled(dose_g=18.0, beverage_g=36.0, shot_time_s=28.0, grind_setting="12", coffee="house")


def line(choke=None, settable=(9, 16), ends=(None, None), slope=-0.1):
    """28 s at 12, a tenth faster a step up; settings may be named from 9 to 16."""
    x = np.array([10.0, 12.0, 14.0])
    at = np.arange(settable[0], settable[1] + 1.0)
    cov = 1e-4 * np.eye(2)
    level = np.log(28.0) - 12 * slope
    return DialLine(
        level, slope, cov, 0.03**2, 9.0, x, level + slope * x, 0.99, step=1.0, settable=at, choke=choke, ends=ends
    )


@pytest.fixture
def call(make_setup):
    """What a call points to: codes, and all its words as one text."""

    def ask(theirs: Pulled, dial=None, shots=(), choked=(), entry=ENTRY):
        setup = make_setup([{"beverage_g": 36, "shot_time_s": 28, "grind_setting": "12"}, *shots])
        setup = replace(setup, bench=replace(setup.bench, dial=dial))
        found = compare(Visit("A", frozenset(), setup.shots.iloc[:0], tuple(choked)), entry, setup, theirs)
        return [one.code for one in found.advice], " ".join(f"{one.message} {one.do}" for one in found.advice), found

    return ask


def test_everything_alike_but_the_time_points_to_machine_burrs_dose_or_distribution(call):
    codes, words, _ = call(replace(SAME, shot_time_s=15.0, dose_g=18.4))
    assert codes == ["runs_fast"]
    assert "Machine, burrs, dose or distribution: 15 s where 28 s is usual" in words
    assert "finer" not in words
    assert call(replace(SAME, shot_time_s=45.0))[0] == ["runs_slow"]


def test_a_time_within_what_shots_scatter_is_no_different(call):
    """Two standard deviations of 0.07: from 24.3 to 32.2 s."""
    assert call(replace(SAME, shot_time_s=24.5))[0] == ["as_handed_over"]
    assert call(replace(SAME, shot_time_s=24.0))[0] == ["runs_fast"]
    assert call(SAME)[2].usual_time_s == pytest.approx((24.34, 32.21), abs=0.01)


def test_another_dose_comes_before_everything_else(call):
    codes, words, _ = call(replace(SAME, dose_g=16.5, shot_time_s=15.0, coffee="dark", taste="sour"))
    assert codes == ["dose_differs"]
    assert "less coffee runs faster" in words
    assert "more coffee runs slower" in call(replace(SAME, dose_g=19.0))[1]


def test_another_weight_out_is_weighed_and_the_time_judged_at_that_weight(call):
    """20 g in 18 s is as fast as 36 g in 28 s: (20/36)^0.8 x 28 s = 17.5 s."""
    codes, words, _ = call(replace(SAME, beverage_g=20.0, shot_time_s=18.0))
    assert codes == ["out_differs", "as_handed_over"]
    assert "stop at 36 g" in words


def test_another_coffee_points_to_the_grind_by_as_many_steps_as_the_dial_says(call):
    """From 20 to 28 s at a tenth a step: ln 1.4 / 0.1 = 3.4 steps."""
    codes, words, _ = call(replace(SAME, shot_time_s=20.0, coffee="dark"), line())
    assert codes == ["coffee_differs"]
    assert "Turn 3 steps finer (about 2 s each), from 12 to 9" in words
    assert FINER in words
    words = call(replace(SAME, shot_time_s=42.0, coffee="dark"), line())[1]
    assert "Turn 4 steps coarser" in words
    assert FINER not in words


def test_a_dial_that_counts_the_other_way_is_turned_the_other_way(call):
    words = call(replace(SAME, shot_time_s=20.0, coffee="dark"), line(slope=0.1))[1]
    assert "3 steps finer (about 2 s each), from 12 to 15" in words


def test_where_no_line_is_known_it_is_one_step_and_time_again(call):
    choke = {"grind_setting": "3E", "outcome": "choked"}
    words = call(replace(SAME, shot_time_s=20.0, coffee="dark"), None, [choke])[1]
    assert "Turn one step finer, then time again. Never at or finer than 3E: it choked." in words
    assert FINER in words


def test_another_coffee_that_runs_as_handed_over_leaves_the_grind_alone(call):
    codes, words, _ = call(replace(SAME, coffee="dark"), line())
    assert codes == ["coffee_differs_fits"]
    assert "finer" not in words


def test_names_of_one_coffee_differ_in_letter_case_and_spaces_only(call):
    assert call(replace(SAME, coffee=" HOUSE ", grind_setting="12.0"))[0] == ["as_handed_over"]


@pytest.mark.parametrize("time", [6.0, 12.0, 20.0, 27.0])
@pytest.mark.parametrize("here", ["10", "11", "12", "13", "15", None])
@pytest.mark.parametrize("taste", [None, "sour", "weak"])
@pytest.mark.parametrize("coffee", ["dark", "house", None])
def test_nobody_is_sent_to_a_choke_or_finer(call, time, here, taste, coffee):
    """11 choked on the bench; 9 and up ran before that was known."""
    theirs = replace(SAME, shot_time_s=time, grind_setting=here, taste=taste, coffee=coffee)
    words = call(theirs, line(choke=11.0, settable=(12, 16)))[1]
    for at in range(5, 12):
        assert f"to {at}," not in words
    if "finer (" in words and here is None:
        assert "Never at or finer than 11: it choked" in words


def test_what_choked_as_it_came_back_binds_whatever_the_coffee(call):
    theirs = replace(SAME, shot_time_s=15.0, coffee="dark")
    assert "from 12 to 11" in call(theirs, line(), choked=["10"])[1]
    assert "Do not go finer: 11 choked" in call(theirs, line(), choked=["10", "11", "odd"])[1]


def test_past_what_ran_here_it_goes_a_step_at_a_time(call):
    theirs = replace(SAME, shot_time_s=10.0, coffee="dark")
    assert "from 12 to 9, then time again. No finer than 9 at first." in call(theirs, line())[1]
    assert "one step finer (about 1 s), from 9 to 8" in call(replace(theirs, grind_setting="9"), line())[1]


def test_the_dial_ends_where_it_ends(call):
    theirs = replace(SAME, shot_time_s=10.0, coffee="dark", grind_setting="9")
    assert "The dial ends at 9" in call(theirs, line(ends=(9.0, 20.0)))[1]


def test_a_grind_that_was_moved_is_set_back(call):
    codes, words, _ = call(replace(SAME, shot_time_s=20.0, grind_setting="15"), line())
    assert codes == ["grind_moved"]
    assert "Set it back to 12" in words
    assert FINER in words
    assert FINER not in call(replace(SAME, shot_time_s=40.0, grind_setting="9"), line())[1]


def test_a_grind_is_not_set_back_to_what_choked(call):
    codes, words, _ = call(replace(SAME, shot_time_s=20.0, grind_setting="15"), line(), choked=["12"])
    assert codes == ["grind_moved_choked"]
    assert "from 15 to 13" in words


def test_a_grind_that_stands_elsewhere_and_runs_as_handed_over_is_told_and_left(call):
    codes, words, _ = call(replace(SAME, grind_setting="9"), line())
    assert codes == ["grind_differs_fits"]
    assert "stands at 9 where it was 12" in words
    assert "Leave it" in words
    assert call(replace(SAME, grind_setting="9", taste="bitter"), line())[0] == ["grind_differs_fits", "taste_less_out"]
    assert call(replace(SAME, grind_setting="9", coffee="dark"), line())[0] == ["coffee_differs_fits"]
    assert call(replace(SAME, grind_setting="9", score=7.5), line())[0] == ["grind_differs_fits", "tastes_good"]


def test_a_finer_grind_that_runs_faster_is_not_the_grind(call):
    codes, words, _ = call(replace(SAME, shot_time_s=20.0, grind_setting="10"), line())
    assert codes == ["runs_fast"]
    assert "20 s where 34 s is usual" in words


def test_what_is_not_known_is_asked_for_first_with_the_option_to_give_it(call):
    codes, words, _ = call(Pulled(shot_time_s=12.0, taste="sour"), line())
    assert codes == ["ask", "runs_fast", "coffee_perhaps", "taste_follows"]
    assert '--dose 18 --grind 12 --coffee "house"' in words
    assert "if these are as handed over" in words
    assert call(Pulled(), line())[0] == ["nothing_told"]
    assert call(Pulled(taste="sour"))[0] == ["ask"]
    codes, words, _ = call(Pulled(coffee="dark"))
    assert codes == ["coffee_differs", "ask"]
    assert "until 18.0 g gives 36 g in 28 s" in words


def test_a_shot_that_choked_is_coarser_after_the_pressure_has_gone(call):
    codes, words, _ = call(Pulled(choked=True, grind_setting="9", dose_g=18.0), line(), choked=["9"])
    assert codes == ["choked"]
    assert words.index("wait until the pressure has gone") < words.index("coarser (")
    assert "from 9 to 10" in words
    assert "from 9 to 12" in call(Pulled(choked=True, grind_setting="9"), line(choke=11.0))[1]


@pytest.mark.parametrize(
    ("taste", "time", "code", "said"),
    [
        ("sour", 28.0, "taste_more_out", "38 g"),
        ("sour", 26.0, "taste_grind", "one step finer"),
        ("bitter", 28.0, "taste_less_out", "34 g"),
        ("bitter", 30.0, "taste_grind", "one step coarser"),
        ("weak", 28.0, "taste_less_out", "34 g"),
        ("weak", 26.0, "taste_grind", "one step finer"),
        ("heavy", 28.0, "taste_more_out", "38 g"),
        ("heavy", 30.0, "taste_grind", "one step coarser"),
        ("harsh", 30.0, "taste_harsh", "Level and tamp"),
        ("flat", 28.0, "taste_flat", "roasted"),
        ("sour", 15.0, "taste_follows", "time right first"),
        ("bitter", 15.0, "taste_against", "evenly"),
        ("bitter", 45.0, "taste_follows", "so slow"),
    ],
)
def test_a_taste_is_judged_with_its_time(call, taste, time, code, said):
    codes, words, _ = call(replace(SAME, shot_time_s=time, taste=taste), line())
    assert codes[-1] == code
    assert said in words
    assert (FINER in words) == ("finer" in said)


def test_good_shots_as_handed_over_are_left_alone(call):
    assert call(replace(SAME, score=7.0))[0] == ["tastes_good"]
    assert call(replace(SAME, score=4.0))[0] == ["as_handed_over"]


def test_a_pressurised_basket_is_never_answered_with_the_grind(call):
    kind = {"basket_kind": "pressurised", "beverage_g": 36, "shot_time_s": 28}
    for theirs, code in (
        (replace(SAME, shot_time_s=15.0, coffee="dark"), "basket_sets_time"),
        (replace(SAME, shot_time_s=26.0, taste="sour"), "taste_more_out"),
    ):
        codes, words, _ = call(theirs, None, [kind])
        assert codes == [code]
        assert "step" not in words


def test_handed_over_are_the_last_shots_to_confirm_where_there_are_any(make_setup):
    shots = [
        {"beverage_g": 40, "shot_time_s": 20, "grind_setting": "16", "stage": "confirm"},
        {"beverage_g": 36, "shot_time_s": 25, "grind_setting": "13", "stage": "dial-in"},
        {"beverage_g": 35, "shot_time_s": 27, "grind_setting": "11", "stage": "confirm"},
        {"beverage_g": 37, "shot_time_s": 28, "grind_setting": "11", "stage": "confirm"},
    ]
    setup = make_setup(shots, [{"shot_id": "s2", "score": 7.0}, {"shot_id": "s3", "score": 8.0}])
    visit = Visit("A", frozenset(), setup.shots.iloc[:0], ())
    found = compare(visit, ENTRY, setup, Pulled())
    expected = Pulled(dose_g=18, beverage_g=36, shot_time_s=27.5, grind_setting="11", coffee="house", score=7.5)
    assert (found.handed_over, found.confirmed) == (expected, 2)
    setup.shots["grinder_zero"] = ["1", "1", "1", "2"]
    assert compare(visit, ENTRY, setup, Pulled()).confirmed == 1
    setup.shots["stage"] = "dial-in"
    found = compare(visit, ENTRY, setup, Pulled())
    assert (found.handed_over, found.confirmed) == (replace(SAME, score=7.2), 0)


def test_without_a_recipe_it_says_why(call):
    entry = {**ENTRY, "aim": None, "findings": [{"severity": "stop", "message": "No recipe can be given: no taste."}]}
    with pytest.raises(TastefieldError, match="no taste"):
        call(SAME, entry=entry)


def test_what_is_told_goes_before_what_is_in_the_log():
    logged = Pulled(dose_g=18.0, shot_time_s=15.0, coffee="house", score=3.0)
    assert told_over(Pulled(shot_time_s=12.0, taste="sour"), logged) == Pulled(
        dose_g=18.0, shot_time_s=12.0, coffee="house", score=3.0, taste="sour"
    )
    assert told_over(Pulled(), Pulled(choked=True)).choked
    assert not told_over(Pulled(shot_time_s=50.0), Pulled(choked=True)).choked


def test_several_shots_are_told_as_one(make_setup):
    shots = [{"beverage_g": out, "shot_time_s": time, "grind_setting": "9"} for out, time in ((36, 14), (38, 16))]
    setup = make_setup([*shots, {"outcome": "choked", "grind_setting": "9"}], [{"shot_id": "s0", "score": 2.0}])
    assert pulled(setup.shots, setup.scores) == Pulled(
        dose_g=18, beverage_g=37, shot_time_s=15, grind_setting="9", coffee="house", score=2.0
    )
    assert pulled(setup.shots.iloc[2:], setup.scores).choked


def test_a_dial_of_letters_is_told_in_letters(make_setup):
    """2E is place 24 of a dial of ten letters a number."""
    written = Notation("letters", per=10)
    far = replace(line(settable=(20, 30)), intercept=np.log(28.0) + 2.4)
    setup = make_setup([{"beverage_g": 36, "shot_time_s": 28, "grind_setting": "2E"}])
    setup = replace(setup, bench=replace(setup.bench, dial=far, notation=written))
    entry = {**ENTRY, "aim": {**AIM, "grind_setting": "2E"}}
    theirs = replace(SAME, grind_setting="2e", coffee="dark", shot_time_s=20.0)
    found = compare(Visit("A", frozenset(), setup.shots.iloc[:0], ("2A",)), entry, setup, theirs)
    assert "from 2E to 2B" in found.advice[0].do
    found = compare(Visit("A", frozenset(), setup.shots.iloc[:0], ("2C",)), entry, setup, theirs)
    assert "from 2E to 2D, then time again. Never at or finer than 2C: it choked." in found.advice[0].do

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from tastefield.config import GrinderConfig
from tastefield.records import DialLine
from tastefield.stages.bench import with_reach
from tastefield.stages.plan import Candidates, _chosen, _in_words, _landed, _stand, least_turning, plan
from tastefield.stages.settings import settings
from tastefield.stages.window import window
from tastefield.tables.notation import Notation, with_ends
from tastefield.words.findings import finding

SPREAD = [
    {"beverage_g": out, "shot_time_s": time, "grind_setting": grind}
    for out in (25, 36, 50)
    for time, grind in ((18, "10"), (27, "8"), (40, "6"))
]
TASTED = [{"shot_id": f"s{i}", "score": 6.0} for i in range(9)]


@pytest.fixture
def parts(make_setup, hill):
    def build(**kwargs):
        setup = make_setup(SPREAD, TASTED)
        surface = hill(**kwargs)
        aim = window(setup, surface, 0.8)
        return setup, surface, aim, settings(setup, aim, ())

    return build


def test_a_window_that_no_shot_is_expected_to_better_asks_for_two_that_confirm_it(parts):
    shots = plan(*parts(), 0.05, 1)
    assert len(shots) == 2
    assert {(shot.ratio, shot.shot_time_s) for shot in shots} == {(parts()[2].ratio, parts()[2].shot_time_s)}
    assert {(shot.stage, shot.expected_gain) for shot in shots} == {("confirm", None)}
    assert all("write stage confirm" in shot.why for shot in shots)


def test_a_confirmed_setup_asks_for_no_more(parts):
    setup, surface, aim, dial = parts()
    assert plan(setup, surface, replace(aim, status="confirmed"), dial, 0.05, 1) == ()


def test_nothing_is_pulled_on_a_machine_that_a_failed_check_holds(parts, make_setup):
    note = finding("check_failed", checks="leaks: drips")
    setup, surface, aim, dial = parts(top=6.0)
    held = replace(setup, findings=(note,))
    assert plan(setup, surface, aim, dial, 0.0, 1)
    assert plan(held, surface, aim, dial, 0.0, 1) == ()
    assert plan(held, None, None, None, 0.0, 1) == ()


def test_no_further_shot_is_asked_for_below_its_worth_and_a_best_guess_is_then_confirmed(parts):
    setup, surface, aim, dial = parts(top=6.0)
    shots = plan(setup, surface, aim, dial, 100.0, 1)
    assert [(shot.ratio, shot.shot_time_s, shot.stage) for shot in shots] == [
        (aim.ratio, aim.shot_time_s, "confirm")
    ] * 2


def test_where_nothing_can_be_promised_nothing_is_confirmed(parts):
    setup, surface, aim, dial = parts(doubt=1.5)
    assert aim.status == "insufficient"
    (shot,) = plan(setup, surface, aim, dial, 100.0, 1)
    assert (shot.ratio, shot.shot_time_s, shot.stage) == (aim.ratio, aim.shot_time_s, "dial-in")


def test_only_as_many_shots_as_are_still_wanted_confirm(parts):
    setup, surface, aim, dial = parts()
    for wanted in (0, 1, 3):
        assert len(plan(setup, surface, replace(aim, to_confirm=wanted), dial, 0.05, 1)) == wanted


def test_after_confirm_shots_that_disagreed_the_next_one_says_what_to_check_first(parts):
    setup, surface, aim, dial = parts()
    note = finding("confirm_shots_disagree", got="4.0, 4.0", expected="7.2", good="6.5", stays="")
    first, *rest = plan(setup, surface, replace(aim, findings=(note,)), dial, 0.0, 1)
    assert {shot.stage for shot in (first, *rest)} == {"confirm"}  # nothing else is tried before that is known
    assert first.why.startswith("Check purge, dose and warm-up first")


def test_a_dial_whose_steps_are_unknown_asks_for_a_shot_two_steps_away_on_the_side_that_cannot_choke(make_setup, hill):
    shots = [{**shot, "grind_setting": "8"} for shot in SPREAD]
    for choke, asked in ((6, "10"), (10, "6")):
        setup = make_setup([*shots, {"outcome": "choked", "grind_setting": str(choke)}], TASTED)
        aim = window(setup, hill(top=6.0), 0.8)
        shot = plan(setup, hill(top=6.0), aim, settings(setup, aim, ()), 100.0, 1)[-1]
        assert shot.grind_setting == asked
        assert shot.shot_time_s is None
        assert shot.stage == "dial-in"
        assert "what a step of the dial does" in shot.why


def test_a_best_at_the_edge_asks_for_a_shot_past_it(make_setup, hill):
    class Slope(hill):
        """Longer is better as far as anybody tried, and less and less is known beyond."""

        def mean(self, points):
            return 4.0 + np.log(points[:, 1] / 27.0)

        def draws(self, points, n, seed):
            known, beyond = np.random.default_rng(seed).standard_normal((2, n, 1))
            return self.mean(points) + 0.2 * known + (points[:, 1] > 40.5) * beyond

    setup, surface = make_setup([{**shot, "grind_setting": None} for shot in SPREAD], TASTED), Slope(reaches=0.4)
    aim = window(setup, surface, 0.8)
    assert aim.at_edge
    shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.05, 1)
    past = next(shot for shot in shots if "Past the edge" in shot.why)
    assert past.shot_time_s > 27.0 * np.exp(0.4) > aim.shot_time_s
    assert past.expected_gain >= 0.05


def test_nobody_is_sent_two_steps_towards_a_choke_or_off_the_dial(make_setup, hill):
    """Which way is finer is not known where a choke lies between the settings that ran, or nothing choked."""
    for ran, chokes in (((4, 8), (6,)), ((8, 8), ())):
        shots = [{**shot, "grind_setting": str(ran[i % 2])} for i, shot in enumerate(SPREAD)]
        choked = [{"outcome": "choked", "grind_setting": str(choke)} for choke in chokes]
        setup = make_setup([*shots, *choked], TASTED)
        aim = window(setup, hill(top=6.0), 0.8)
        assert all(
            shot.shot_time_s is not None for shot in plan(setup, hill(top=6.0), aim, settings(setup, aim, ()), 100.0, 1)
        )


def test_the_shot_for_the_dial_stays_on_the_dial(make_setup, hill):
    shots = [{**shot, "grind_setting": "8"} for shot in SPREAD]
    setup = make_setup([*shots, {"outcome": "choked", "grind_setting": "6"}], TASTED)
    log_time = np.full(9, np.log(27.0))
    unclear = DialLine(log_time[0], -0.01, np.eye(2), 1e-2, 20.0, np.full(9, 8.0), log_time, sign_chance=0.6, step=1.0)
    for highest, asked in ((9.0, "9"), (8.0, None)):
        setup = replace(setup, bench=replace(setup.bench, dial=replace(unclear, ends=(1.0, highest))))
        aim = window(setup, hill(top=6.0), 0.8)
        extra = [
            s for s in plan(setup, hill(top=6.0), aim, settings(setup, aim, ()), 100.0, 1) if s.shot_time_s is None
        ]
        assert [shot.grind_setting for shot in extra] == ([asked] if asked else [])


def test_a_pressurised_basket_is_asked_for_no_other_time(make_setup, hill):
    setup = make_setup([{**shot, "basket_kind": "pressurised"} for shot in SPREAD], TASTED)
    aim = window(setup, hill(top=6.0, doubt=0.6), 0.8)
    asked = plan(setup, hill(top=6.0, doubt=0.6), aim, settings(setup, aim, ()), 0.0, 1)
    assert {(shot.ratio, shot.shot_time_s) for shot in asked} == {(aim.ratio, aim.shot_time_s)}


def test_a_start_is_at_the_setting_whose_line_gives_the_usual_time(make_setup):
    shots = [
        {**SPREAD[0], "grind_setting": "5", "shot_time_s": 39},
        {**SPREAD[0], "grind_setting": "10", "shot_time_s": 18},
    ]
    slope = np.log(18 / 39) / 5
    x = np.array([5.0, 10.0])
    line = DialLine(np.log(39) - 5 * slope, slope, 1e-6 * np.eye(2), 1e-4, 20.0, x, np.log([39.0, 18.0]), step=1.0)
    setup = make_setup(shots)
    setup = replace(setup, bench=replace(setup.bench, dial=with_reach(line, setup.shots, GrinderConfig(name="A"))))
    (shot,) = plan(setup, None, None, None, 0.05, 1)
    assert shot.grind_setting == "7"


def test_a_taste_without_its_time_is_not_called_no_taste(make_setup):
    setup = make_setup([{"beverage_g": 36, "grind_setting": "8"}], [{"shot_id": "s0", "score": 6.0}])
    (shot,) = plan(setup, None, None, None, 0.05, 1)
    assert "Nothing was tasted" not in shot.why
    assert "time" in shot.why


def test_a_machine_nobody_tasted_starts_from_the_setting_that_ran_nearest(make_setup):
    (shot,) = plan(make_setup(SPREAD), None, None, None, 0.05, 1)
    assert shot.grind_setting == "8"
    assert "27 s" in shot.why


def test_a_start_asks_for_no_longer_time_than_any_that_ran_once_one_choked(make_setup):
    shots = [{"beverage_g": 36, "shot_time_s": 21}, {"outcome": "choked"}]
    for setup, time in ((make_setup(shots), 21.0), (make_setup(shots[:1]), 27.0), (make_setup(shots[1:]), 27.0)):
        (shot,) = plan(setup, None, None, None, 0.05, 1)
        assert shot.shot_time_s == time


def test_a_start_where_all_choked_is_coarser_than_what_choked_with_the_warning(make_setup):
    """Nobody knows which way is coarser: its owner does."""
    choked = [{"outcome": "choked", "grind_setting": text} for text in ("2E", "2F", "2E")]
    (shot,) = plan(make_setup(choked), None, None, None, 0.05, 1)
    assert shot.grind_setting is None
    assert "Coarser than 2E, 2F, which choked; stop if nothing drips." in shot.why
    basket = [{**shot, "basket_kind": "pressurised"} for shot in choked]
    assert "oarser" not in plan(make_setup(basket), None, None, None, 0.05, 1)[0].why


def test_a_surface_in_doubt_between_two_places_sends_the_next_shot_to_the_other(make_setup, hill):
    class TwoHills(hill):
        """The level of the slow side is known to 1.5 points only."""

        def draws(self, points, n, seed):
            slow = points[:, 1] > 33
            return self.mean(points) + slow * 1.5 * np.random.default_rng(seed).standard_normal((n, 1))

    setup, surface = make_setup(SPREAD, TASTED), TwoHills(top=6.0, reaches=1.0)
    aim = window(setup, surface, 0.8)
    shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.05, 1)
    shot = next(shot for shot in shots if shot.expected_gain is not None)
    assert shot.shot_time_s > 33
    assert shot.expected_gain > 0.05


def test_an_edge_not_worth_a_shot_does_not_end_the_search(make_setup, hill):
    """Longer is better and surely so; how good fast shots are is in doubt by three points."""

    class Slope(hill):
        def mean(self, points):
            return 6.0 + np.log(points[:, 1] / 27.0)

        def draws(self, points, n, seed):
            return self.mean(points) + 3 * (points[:, 1] < 22) * np.random.default_rng(seed).standard_normal((n, 1))

    setup, surface = make_setup([{**shot, "grind_setting": None} for shot in SPREAD], TASTED), Slope(reaches=0.4)
    aim = window(setup, surface, 0.8)
    assert aim.at_edge
    shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.4, 1)
    assert {shot.why.split(":")[0] for shot in shots} == {"Worth a taste"}
    assert all(shot.shot_time_s < 22 for shot in shots)


def test_what_one_shot_will_tell_is_not_asked_for_twice(make_setup, hill):
    """All that is in doubt is how good the top is; one shot there shows it."""

    class Top(hill):
        def draws(self, points, n, seed):
            top = (np.abs(np.log(points / self.best)) < 0.1).all(axis=1)
            return self.mean(points) + top * np.random.default_rng(seed).standard_normal((n, 1))

    surface = Top(top=6.0, fall=1.0)
    aim = window(make_setup([{**shot, "grind_setting": None} for shot in SPREAD], TASTED), surface, 0.8)
    setup = make_setup([{**shot, "grind_setting": None} for shot in SPREAD], TASTED)
    shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.1, 1)
    assert len(shots) == 1
    assert abs(np.log(shots[0].ratio / 2.0)) < 0.2


def test_a_machine_nobody_tasted_starts_at_one_to_two_in_27_seconds(make_setup):
    """1:2 in 25-30 s: common practice, no source."""
    (shot,) = plan(make_setup(SPREAD), None, None, None, 0.05, 1)
    assert shot.ratio == 2.0
    assert 25 <= shot.shot_time_s <= 30
    assert shot.beverage_g == pytest.approx(36.0)
    assert "common practice" in shot.why


def test_no_next_shot_is_at_or_finer_than_a_choke(make_setup, hill):
    choked = {"outcome": "choked", "grind_setting": "7"}
    setup = make_setup([*SPREAD, choked], TASTED)
    x = np.array([6.0, 8.0, 10.0])
    log_time = np.log(27.0) + 1.6 - 0.2 * x
    line = DialLine(log_time[1] + 1.6, -0.2, 1e-6 * np.eye(2), 1e-4, 20.0, x, log_time, step=1.0)
    line = with_reach(line, setup.shots, GrinderConfig(name="A"))
    setup = replace(setup, bench=replace(setup.bench, dial=line))

    class Wavy(hill):
        def draws(self, points, n, seed):
            return self.mean(points) + np.random.default_rng(seed).standard_normal((n, len(points)))

    surface = Wavy(top=6.0, reaches=1.0, best=(2.0, 33.0))
    aim = window(setup, surface, 0.8)
    shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.0, 1)
    assert len(shots) == 3
    assert all(float(shot.grind_setting) > 7 for shot in shots)
    assert all(18 / np.exp(0.21) < shot.shot_time_s < 40 * np.exp(0.21) for shot in shots)  # a little past at most
    marks = [float(shot.grind_setting) for shot in shots]
    assert marks in (sorted(marks), sorted(marks, reverse=True))  # the dial is turned one way


def test_next_shots_go_a_little_past_what_was_tried_at_most(make_setup, hill):
    class Unknown(hill):
        """Nothing is known of any recipe: each is as likely to be worth a shot."""

        def draws(self, points, n, seed):
            return self.mean(points) + np.random.default_rng(seed).standard_normal((n, len(points)))

    setup = make_setup([{**shot, "grind_setting": None} for shot in SPREAD], TASTED)
    surface = Unknown(top=6.0, fall=0.01, reaches=2.0)
    aim = window(setup, surface, 0.8)
    for seed in range(5):
        shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.0, seed)
        assert len(shots) == 3
        for shot in shots:
            assert abs(np.log(shot.shot_time_s / 27)) < np.log(40 / 27) + 0.08 + 0.13
            assert abs(np.log(shot.ratio / 2)) < np.log(50 / 36) + 0.08 + 0.13


def test_where_only_the_bench_speaks_no_shot_far_from_the_aim_is_asked_for(make_setup, hill):
    """A surface that speaks beyond the setup's own shots is in doubt there; still nobody pulls 1:3 to check 1:2."""

    class Bench(hill):
        region = ((1.0, 4.0), (13.0, 55.0))

        def draws(self, points, n, seed):
            return self.mean(points) + np.random.default_rng(seed).standard_normal((n, len(points)))

    shots = [{"beverage_g": out, "shot_time_s": 27} for out in (35, 36, 37)]
    setup = make_setup(shots, [{"shot_id": f"s{i}", "score": 6.0} for i in range(3)])
    surface = Bench(top=6.0, fall=0.01, reaches=2.0)
    aim = window(setup, surface, 0.8)
    assert aim.lattice.ratio.max() > 2.7
    for seed in range(5):
        asked = plan(setup, surface, aim, settings(setup, aim, ()), 0.0, seed)
        assert asked
        for shot in asked:
            assert abs(np.log(shot.shot_time_s / aim.shot_time_s)) <= 0.25 + 1e-9
            assert abs(np.log(shot.ratio / aim.ratio)) <= 0.25 + 1e-9


def test_the_shot_for_the_dial_is_written_in_its_notation_and_not_before_its_first_setting(make_setup, hill):
    """A choke at 0+3 says that lower is coarser; two steps below 0+1 there is nothing."""
    shots = [{**shot, "grind_setting": "1"} for shot in SPREAD]
    setup = make_setup([*shots, {"outcome": "choked", "grind_setting": "3"}], TASTED)
    notation = with_ends(Notation("two_part", per=10), None, None)
    setup = replace(setup, bench=replace(setup.bench, notation=notation))
    aim = window(setup, hill(top=6.0), 0.8)
    shot = plan(setup, hill(top=6.0), aim, settings(setup, aim, ()), 100.0, 1)[-1]
    assert shot.grind_setting == "0+0"


def test_the_order_turns_the_dial_least_often_then_one_way_then_least_far():
    assert least_turning(8.0, [6.0, 8.0, 7.0]) == [1, 2, 0]  # where it stands first, then on in one direction
    assert least_turning(8.0, [7.0, 8.0, 7.0]) == [1, 0, 2]
    assert least_turning(8.0, [9.0, 6.0, 7.0]) == [0, 2, 1]  # back once, and the shorter way
    assert least_turning(np.nan, [7.0, 5.0, 6.0]) == [0, 2, 1]  # nobody knows where it stands: one way
    assert least_turning(8.0, [8.0, 8.0]) == [0, 1]  # no turn at all: the most worthwhile first


def line_of(setup, slope=-0.2, higher=10.0):
    """A dial whose 8 runs 27 s, settable between 6 and 10."""
    x = np.array([6.0, 8.0, 10.0])
    log_time = np.log(27.0) + slope * (x - 8.0)
    line = DialLine(np.log(27.0) - 8 * slope, slope, 1e-6 * np.eye(2), 1e-4, 20.0, x, log_time, step=1.0)
    return replace(setup, bench=replace(setup.bench, dial=with_reach(line, setup.shots, GrinderConfig(name="A"))))


@pytest.fixture
def unsure(hill):
    class Unsure(hill):
        """Two recipes may be better than they look, as likely one as the other; the slow one is known a little less."""

        places = ((2.0, 27.0, 0.5), (2.0, 33.0, 0.52))

        def draws(self, points, n, seed):
            normal = np.random.default_rng(seed).standard_normal((2, n, 1))
            bumps = [
                sd * np.exp(-0.5 * ((np.log(points / [ratio, time]) / 0.08) ** 2).sum(axis=1)) * one
                for (ratio, time, sd), one in zip(self.places, normal, strict=True)
            ]
            return self.mean(points) + sum(bumps)

    return Unsure


def test_a_turn_of_the_dial_counts_as_coffee(make_setup, unsure):
    """Of two shots of nearly the same gain the one at the setting that stands comes first, and costs no purge."""
    for stands, first in (("8", "8"), ("7", "7")):
        setup = line_of(make_setup([*SPREAD[::-1], {"grind_setting": stands, "beverage_g": 36}], TASTED))
        surface = unsure(top=6.0, fall=0.3, reaches=1.0)
        aim = window(setup, surface, 0.8)
        shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.0, 1)
        most = max(shot.expected_gain for shot in shots)
        alone = plan(setup, surface, aim, settings(setup, aim, ()), 0.85 * most, 1)
        assert {shot.grind_setting for shot in alone} == {first}  # the other would gain as much, and a purge
        assert shots[0].grind_setting == first
        assert "Purge" not in shots[0].why
        assert all(
            ("Purge after turning" in shot.why) == (shot.grind_setting != before.grind_setting)
            for before, shot in pairwise(shots)
        )


@pytest.mark.parametrize("slope", [-0.2, 0.2])
def test_a_next_shot_at_a_finer_setting_than_the_one_before_or_than_the_recipe_says_how_a_choke_shows(
    make_setup, unsure, slope
):
    """Finer is down the dial where higher runs faster, up where it runs slower.

    Whoever reads a card has set its recipe first, whatever the last shot on the bench was.
    """
    told = []
    for stands in ("6", "7", "8", "9", "10"):
        setup = make_setup([*SPREAD[::-1], {"grind_setting": stands, "beverage_g": 36}], TASTED)
        setup = line_of(setup, slope=slope)
        aim = window(setup, (surface := unsure(top=6.0, fall=0.3, reaches=1.0)), 0.8)
        shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.0, 1)
        at = [float(stands), *(float(shot.grind_setting) for shot in shots)]
        recipe = float(settings(setup, aim, ()).grind_setting)
        for (before, now), shot in zip(pairwise(at), shots, strict=True):
            turned, past = ((now - other) * np.sign(slope) > 0 for other in (before, recipe))
            told.append((turned, past))
            assert ("stop if nothing drips" in shot.why) == (turned or past)
            assert ("Finer than the recipe" in shot.why) == (past and now == before)
    assert {(True, True), (False, True), (False, False)} <= set(told)


@pytest.mark.parametrize("slope", [-0.2, 0.2])
def test_a_recipe_finer_than_where_the_grinder_stands_says_so_in_its_first_shot_alone(make_setup, unsure, slope):
    for stands in ("6", "8", "10"):
        setup = make_setup([*SPREAD[::-1], {"grind_setting": stands, "beverage_g": 36}], TASTED)
        setup = line_of(setup, slope=slope)
        aim = replace(window(setup, (surface := unsure(reaches=1.0)), 0.5), status="window")
        first, *rest = plan(setup, surface, aim, settings(setup, aim, ()), 9.0, 1)
        assert first.stage == "confirm"
        finer = (float(first.grind_setting) - float(stands)) * slope > 0
        assert ("stop if nothing drips" in first.why) == finer
        assert not any("drips" in shot.why for shot in rest)


def test_a_worth_between_the_gains_keeps_those_above_it_alone(make_setup, unsure):
    setup = line_of(make_setup([*SPREAD[::-1], {"grind_setting": "8", "beverage_g": 36}], TASTED))
    surface = unsure(top=6.0, fall=0.3, reaches=1.0)
    aim = window(setup, surface, 0.8)
    every = plan(setup, surface, aim, settings(setup, aim, ()), 0.0, 1)
    gains = sorted(shot.expected_gain for shot in every)
    assert len(gains) == 3
    few = plan(setup, surface, aim, settings(setup, aim, ()), gains[-1] * 0.7, 1)
    assert 1 <= len(few) < 3
    assert all(shot.expected_gain >= gains[-1] * 0.7 for shot in few)


def test_no_dose_of_a_next_shot_is_beyond_what_the_basket_is_safe_with(make_setup, hill):
    """At most 1 g over the rating: common practice, no source."""
    shots = [{**shot, "dose_g": 20.0, "basket_g": 18.0} for shot in SPREAD]
    for top, worth in ((6.0, 0.0), (6.0, 100.0), (7.5, 100.0)):
        setup = make_setup(shots, TASTED)
        aim = window(setup, hill(top=top), 0.8)
        asked = plan(setup, hill(top=top), aim, settings(setup, aim, ()), worth, 1)
        assert asked
        assert all(shot.dose_g <= 19.0 and shot.beverage_g <= 19.0 * shot.ratio + 1e-9 for shot in asked)


def test_where_a_shot_choked_and_no_line_tells_nobody_grinds_for_a_longer_time_than_any_that_ran(make_setup, hill):
    class Unknown(hill):
        def draws(self, points, n, seed):
            return self.mean(points) + np.random.default_rng(seed).standard_normal((n, len(points)))

    shots = [{**shot, "grind_setting": None} for shot in SPREAD]
    surface = Unknown(top=6.0, fall=0.01, reaches=2.0)
    longest = {}
    for choked in (False, True):
        setup = make_setup([*shots, {"outcome": "choked"}] if choked else shots, TASTED)
        aim = replace(window(setup, surface, 0.8), ratio=2.0, shot_time_s=38.0)
        asked = [plan(setup, surface, aim, settings(setup, aim, ()), 0.0, seed) for seed in range(12)]
        longest[choked] = max(shot.shot_time_s for shots_asked in asked for shot in shots_asked)
    assert longest[True] <= 40.0 < longest[False]


def test_where_nothing_was_tasted_yet_the_recipe_is_tasted_first(make_setup, unsure):
    setup = make_setup([{**shot, "grind_setting": None} for shot in SPREAD])
    surface = unsure(top=6.0, fall=0.3, reaches=1.0)
    aim = window(setup, surface, 0.8)
    for worth in (0.0, 100.0):
        first, *others = plan(setup, surface, aim, settings(setup, aim, ()), worth, 1)
        assert (first.ratio, first.shot_time_s, first.stage) == (aim.ratio, aim.shot_time_s, "dial-in")
        assert len(others) == (2 if worth == 0.0 else 0)


def test_more_tasters_make_a_shot_worth_more(make_setup, unsure):
    class Noisy(unsure):
        noise_var = 0.8

    found = []
    for tasters in (["me"], ["me", "you", "she"]):
        scores = [{**row, "taster": name} for row in TASTED for name in tasters]
        setup, surface = make_setup(SPREAD, scores), Noisy(top=6.0, fall=0.3, reaches=1.0)
        aim = window(setup, surface, 0.8)
        found.append(max(shot.expected_gain for shot in plan(setup, surface, aim, settings(setup, aim, ()), 0.0, 1)))
    assert found[1] > 1.2 * found[0]


def test_the_luck_of_a_shot_makes_it_worth_less_however_many_taste_it(make_setup, unsure):
    found = []
    for shot_var in (0.04, 0.8):
        setup, surface = make_setup(SPREAD, TASTED), unsure(top=6.0, fall=0.3, reaches=1.0, shot_var=shot_var)
        aim = window(setup, surface, 0.8)
        found.append(max(shot.expected_gain for shot in plan(setup, surface, aim, settings(setup, aim, ()), 0.0, 1)))
    assert found[0] > 1.2 * found[1]


def test_two_shots_at_one_new_setting_pay_for_one_purge(make_setup, unsure):
    class Beside(unsure):
        places = ((1.7, 33.0, 0.7), (2.3, 33.0, 0.5))

    setup = line_of(make_setup([*SPREAD[::-1], {"grind_setting": "8", "beverage_g": 36}], TASTED))
    surface = Beside(top=6.0, fall=0.3, reaches=1.0)
    aim = window(setup, surface, 0.8)
    *_, second, most = sorted(s.expected_gain for s in plan(setup, surface, aim, settings(setup, aim, ()), 0.0, 1))
    shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.9 * second, 1)  # above what it is worth with a purge
    assert [shot.grind_setting for shot in shots] == ["7", "7"]
    assert ["Purge" in shot.why for shot in shots] == [True, False]
    alone = plan(setup, surface, aim, settings(setup, aim, ()), 0.9 * most, 1)
    assert {shot.stage for shot in alone} == {"confirm"}  # with its purge not even the first is worth that much


def test_no_shot_goes_past_what_was_tried_where_the_best_lies_well_within(make_setup, hill):
    class Unknown(hill):
        def draws(self, points, n, seed):
            return self.mean(points) + np.random.default_rng(seed).standard_normal((n, len(points)))

    setup = make_setup([{**shot, "grind_setting": None} for shot in SPREAD], TASTED)
    surface = Unknown(top=6.0, fall=0.01, reaches=0.15)
    aim = replace(window(setup, surface, 0.8), ratio=2.0, shot_time_s=27.0)
    past = {
        at_edge: [
            shot.why
            for seed in range(5)
            for shot in plan(setup, surface, replace(aim, at_edge=at_edge), settings(setup, aim, ()), 0.0, seed)
            if "Past the edge" in shot.why
        ]
        for at_edge in (False, True)
    }
    assert past[True]
    assert not past[False]


def test_what_shots_that_scatter_seldom_hit_is_worth_less(make_setup, hill):
    class Spike(hill):
        """In doubt about its top alone, more narrowly than shots of a usual machine land."""

        def draws(self, points, n, seed):
            near = np.exp(-0.5 * ((np.log(points / self.best) / 0.02) ** 2).sum(axis=1))
            return self.mean(points) + 0.7 * near * np.random.default_rng(seed).standard_normal((n, 1))

    setup, surface = make_setup(SPREAD, TASTED), Spike(top=6.0, fall=1.0)
    aim = window(setup, surface, 0.8)
    found = []
    for cov in (1e-8 * np.eye(2), setup.bench.scatter.cov):
        here = replace(setup, bench=replace(setup.bench, scatter=replace(setup.bench.scatter, cov=cov)))
        found.append(max(shot.expected_gain for shot in plan(here, surface, aim, settings(here, aim, ()), 0.0, 1)))
    assert found[0] > 3 * found[1]


class Scaled:
    """A surface with its scores moved to another scale."""

    def __init__(self, surface, low, unit):
        self.surface, self.low, self.unit = surface, low, unit
        self.shot_var, self.noise_var = surface.shot_var * unit**2, surface.noise_var * unit**2
        self.shot_var_range = tuple(var * unit**2 for var in surface.shot_var_range)
        self.tables, self.region, self.time_felt = surface.tables, surface.region, surface.time_felt

    def mean(self, points):
        return self.low + self.unit * (self.surface.mean(points) - 1.0)

    def sd(self, points):
        return self.unit * self.surface.sd(points)

    def directions(self, points, seed):
        return self.unit * self.surface.directions(points, seed)

    def outlook(self, points, good, shot_vars):
        there = [var / self.unit**2 for var in shot_vars]
        return self.mean(points), self.surface.outlook(points, 1.0 + (good - self.low) / self.unit, there)[1]

    def interval(self, points, level):
        return tuple(self.low + self.unit * (end - 1.0) for end in self.surface.interval(points, level))

    def speaks_for(self, points):
        return self.surface.speaks_for(points)


@pytest.mark.parametrize("scale", [(0.0, 100.0), (1.0, 5.0), (0.0, 1.0)])
def test_the_same_shots_on_another_scale_of_scores_are_decided_alike(make_setup, unsure, scale):
    low, unit = scale[0], (scale[1] - scale[0]) / 8.0
    for noise_var, doubt, shot_var, good in ((0.0, 0.5, 0.0, 6.5), (0.3, 0.05, 0.04, 6.0)):
        setup = line_of(make_setup([*SPREAD[::-1], {"grind_setting": "8", "beverage_g": 36}], TASTED, good))
        surface = unsure(top=6.1, fall=0.3, reaches=1.0, doubt=doubt, shot_var=shot_var)
        surface.noise_var = noise_var
        scores = setup.scores.assign(score=low + unit * (setup.scores["score"] - 1.0))
        taste = replace(setup.taste, scale=scale, good=low + unit * (good - 1.0))
        other, scaled = replace(setup, scores=scores, taste=taste), Scaled(surface, low, unit)
        here, there = window(setup, surface, 0.8), window(other, scaled, 0.8)
        assert (there.ratio, there.shot_time_s) == pytest.approx((here.ratio, here.shot_time_s))
        assert [note.code for note in there.findings] == [note.code for note in here.findings]
        gains = [shot.expected_gain for shot in plan(setup, surface, here, settings(setup, here, ()), 0.0, 1)]
        for worth in (0.0, 0.7 * max(gains), 1.01 * max(gains)):
            one = plan(setup, surface, here, settings(setup, here, ()), worth, 1)
            two = plan(other, scaled, there, settings(other, there, ()), worth, 1)
            assert [(s.stage, s.grind_setting, s.why) for s in one] == [(s.stage, s.grind_setting, s.why) for s in two]
            told = [(s.expected_gain, t.expected_gain) for s, t in zip(one, two, strict=True) if s.expected_gain]
            assert all(b == pytest.approx(unit * a) for a, b in told)


# --- parts, each alone ------------------------------------------------------------------------------------------------


def candidates(*points, opened=None, stands=None, now=8.0):
    places = np.array(points, dtype=float)
    return Candidates(
        points=places,
        settings=(None,) * len(places),
        stands=np.full(len(places), 8.0) if stands is None else np.array(stands, dtype=float),
        open=np.ones(len(places), dtype=bool) if opened is None else np.array(opened),
        now=now,
        finer=1.0,
    )


def test_a_recipe_past_the_edge_may_be_aimed_at_once_it_was_chosen(make_setup, hill):
    """It is far better than what is open: once it was tasted, a shot at the second best has nothing left to show."""

    class Past(hill):
        def mean(self, points):
            return 5.0 + 2.0 * (points[:, 1] > 45)

        def directions(self, points, seed):
            past = points[:, 1] > 45
            return np.column_stack([0.9 * past, 0.5 * ~past * (points[:, 1] > 30)])

    setup = make_setup(SPREAD, TASTED)
    setup = replace(setup, bench=replace(setup.bench, scatter=replace(setup.bench.scatter, cov=1e-8 * np.eye(2))))
    places = candidates((2.0, 27.0), (2.0, 33.0), (2.0, 50.0), opened=[True, True, False])
    chosen = _chosen(setup, Past(), places, 0.05, 1, 3, False)
    assert [index for index, _ in chosen] == [2]
    only = _chosen(setup, Past(), candidates((2.0, 27.0), (2.0, 33.0)), 0.05, 1, 3, False)
    assert only[0][0] == 1  # without the other it is worth its coffee


def test_what_a_shot_is_expected_to_score_stays_on_the_scale(make_setup, hill):
    mean, _ = _landed(make_setup(SPREAD, TASTED), hill(top=11.0, fall=0.1), np.array([[2.0, 27.0], [2.1, 30.0]]), 1)
    assert mean == pytest.approx([9.0, 9.0])


def test_the_grinder_stands_where_our_last_shot_was_pulled_and_not_a_guest_or_one_before_a_new_zero(make_setup, hill):
    def now(*last):
        setup = line_of(make_setup([*SPREAD, *last], TASTED))
        aim = window(setup, hill(top=6.0), 0.8)
        return _stand(setup, aim, settings(setup, aim, ()))

    at, here = now({"grind_setting": "9", "beverage_g": 36})
    assert (at, here) == (8.0, 9.0)
    guest = {"grind_setting": "7", "beverage_g": 36, "stage": "return"}
    assert now({"grind_setting": "9", "beverage_g": 36}, guest)[1] == 9.0
    assert np.isnan(now({"grind_setting": None, "beverage_g": 36, "grinder_zero": "new"})[1])


def test_without_a_line_the_grinder_stands_for_the_time_that_ran_last_or_for_the_aim_at_its_own_setting(
    make_setup, hill
):
    for last, stands in (("9", 21.0), ("8", 27.0)):
        shots = [*SPREAD, {"grind_setting": last, "beverage_g": 36, "shot_time_s": 21.0}]
        setup = make_setup(shots, TASTED)
        aim = replace(window(setup, hill(top=6.0), 0.8), shot_time_s=27.0)
        dial = replace(settings(setup, aim, ()), grind_setting="8")
        at, here = _stand(setup, aim, dial)
        assert (np.exp(at), np.exp(here)) == pytest.approx((27.0, stands))


@pytest.mark.parametrize(("scores", "turned"), [(TASTED, True), ([], False)])
def test_where_nothing_was_tasted_the_recipe_is_pulled_before_so_the_grinder_stands_there(
    make_setup, hill, scores, turned
):
    """The grinder stands at 8, the recipe at 9: a shot at 9 turns it only where the recipe was not pulled first."""
    setup = make_setup(SPREAD, scores)
    aim = window(make_setup(SPREAD, TASTED), hill(top=6.0), 0.8)
    places = candidates((2.0, 27.0), (2.3, 27.0), stands=[9.0, 9.0])
    (shot,) = _in_words(setup, aim, places, [(1, 0.1)])
    assert ("Purge after turning" in shot.why) is turned

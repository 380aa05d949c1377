from dataclasses import replace

import numpy as np
import pytest

from tastefield.config import GrinderConfig
from tastefield.records import DialLine
from tastefield.stages.bench import with_reach
from tastefield.stages.plan import gains, observed, plan
from tastefield.stages.settings import settings
from tastefield.stages.window import window
from tastefield.tables.notation import Notation, with_ends

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


def test_a_window_asks_for_two_shots_that_confirm_it(parts):
    shots = plan(*parts(), 0.05, 1)
    assert len(shots) == 2
    assert {(shot.ratio, shot.shot_time_s) for shot in shots} == {(parts()[2].ratio, parts()[2].shot_time_s)}


def test_a_confirmed_setup_asks_for_no_more(parts):
    setup, surface, aim, dial = parts()
    assert plan(setup, surface, replace(aim, status="confirmed"), dial, 0.05, 1) == ()


def test_a_best_guess_asks_for_at_most_three_and_the_first_is_the_guess(parts):
    setup, surface, aim, dial = parts(top=6.0)
    shots = plan(setup, surface, aim, dial, 0.05, 1)
    assert 1 <= len(shots) <= 3
    assert (shots[0].ratio, shots[0].shot_time_s) == (aim.ratio, aim.shot_time_s)


def test_no_further_shot_is_asked_for_below_its_worth(parts):
    setup, surface, aim, dial = parts(top=6.0)
    assert all(shot.expected_gain is None for shot in plan(setup, surface, aim, dial, 100.0, 1))


def test_a_dial_whose_steps_are_unknown_asks_for_a_shot_two_steps_away_on_the_side_that_cannot_choke(make_setup, hill):
    shots = [{**shot, "grind_setting": "8"} for shot in SPREAD]
    for choke, asked in ((6, "10"), (10, "6")):
        setup = make_setup([*shots, {"outcome": "choked", "grind_setting": str(choke)}], TASTED)
        aim = window(setup, hill(top=6.0), 0.8)
        shot = plan(setup, hill(top=6.0), aim, settings(setup, aim, ()), 100.0, 1)[1]
        assert shot.grind_setting == asked
        assert shot.shot_time_s is None
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
    assert shots[1].shot_time_s > 27.0 * np.exp(0.4) > aim.shot_time_s
    assert "Past the edge" in shots[1].why


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
    assert len(plan(setup, hill(top=6.0), aim, settings(setup, aim, ()), 0.0, 1)) == 1


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
    shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.5, 1)[1:]
    assert [shot.why.split(":")[0] for shot in shots] == ["Worth a taste"]
    assert shots[0].shot_time_s < 22


def test_what_the_shot_at_the_aim_will_tell_is_not_asked_for_twice(make_setup, hill):
    """All that is in doubt is how good the top is; the shot at the aim shows it."""

    class Top(hill):
        def draws(self, points, n, seed):
            top = (np.abs(np.log(points / self.best)) < 0.1).all(axis=1)
            return self.mean(points) + top * np.random.default_rng(seed).standard_normal((n, 1))

    surface = Top(top=6.0, fall=1.0)
    aim = window(make_setup([{**shot, "grind_setting": None} for shot in SPREAD], TASTED), surface, 0.8)
    setup = make_setup([{**shot, "grind_setting": None} for shot in SPREAD], TASTED)
    assert len(plan(setup, surface, aim, settings(setup, aim, ()), 0.1, 1)) == 1


def test_the_worth_of_a_shot_agrees_with_simulated_shots():
    """Second route: draw the surface and the taste, update, and take the best mean (numpy only)."""
    rng = np.random.default_rng(5)
    root = rng.normal(size=(4, 4)) * 0.5
    mean, cov, noise = np.array([6.0, 6.3, 5.8, 6.1]), root @ root.T, 0.6
    truth = rng.multivariate_normal(mean, cov, size=200_000)
    for j in range(4):
        taste = truth[:, j] + np.sqrt(noise) * rng.normal(size=len(truth))
        moved = mean + np.outer((taste - mean[j]) / (cov[j, j] + noise), cov[j])
        assert gains(mean, cov, noise)[j] == pytest.approx(moved.max(axis=1).mean() - mean.max(), abs=0.01)
        left = np.cov((truth - np.outer((taste - mean[j]) / (cov[j, j] + noise), cov[j])).T)
        assert observed(cov, j, noise) == pytest.approx(left, abs=0.02)


def test_a_shot_where_nothing_is_in_doubt_is_worth_nothing():
    assert gains(np.array([6.0, 5.0]), np.diag([0.0, 1e-9]), 0.5) == pytest.approx([0.0, 0.0], abs=1e-6)


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


def test_next_shots_go_a_little_past_what_was_tried_at_most(make_setup, hill):
    class Unknown(hill):
        """Nothing is known of any recipe: each is as likely to be worth a shot."""

        def draws(self, points, n, seed):
            return self.mean(points) + np.random.default_rng(seed).standard_normal((n, len(points)))

    setup = make_setup([{**shot, "grind_setting": None} for shot in SPREAD], TASTED)
    surface = Unknown(top=6.0, fall=0.01, reaches=2.0)
    aim = window(setup, surface, 0.8)
    for seed in range(5):
        shots = plan(setup, surface, aim, settings(setup, aim, ()), 0.0, seed)[1:]
        assert len(shots) == 2
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
        asked = plan(setup, surface, aim, settings(setup, aim, ()), 0.0, seed)[1:]
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
    shot = plan(setup, hill(top=6.0), aim, settings(setup, aim, ()), 100.0, 1)[1]
    assert shot.grind_setting == "0+0"

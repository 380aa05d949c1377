from dataclasses import replace

import numpy as np
import pytest

from tastefield.config import GrinderConfig
from tastefield.records import DialLine
from tastefield.stages.bench import with_reach
from tastefield.stages.settings import settings
from tastefield.stages.window import window
from tastefield.tables.dial import step_of
from tastefield.tables.notation import Notation

SPREAD = [{"beverage_g": out, "shot_time_s": time} for out in (25, 36, 50) for time in (18, 27, 40)]
TASTED = [{"shot_id": f"s{i}", "score": 6.0} for i in range(9)]


def with_line(setup, slope, positions, sd=0.03):
    """A dial line through 27 s at position 8."""
    x = np.asarray(positions, dtype=float)
    design = np.column_stack([np.ones_like(x), x])
    cov = sd**2 * np.linalg.inv(design.T @ design)
    intercept = np.log(27.0) - slope * 8
    line = DialLine(intercept, slope, cov, sd**2, 6.0, x, intercept + slope * x, step=step_of(x))
    return replace(setup, bench=replace(setup.bench, dial=line))


def numbered(outcomes=(), settings_=(6, 7, 8, 9, 10)):
    shots = [{**SPREAD[4], "grind_setting": str(value)} for value in settings_]
    return [*SPREAD, *shots, *({"outcome": "choked", "grind_setting": str(value)} for value in outcomes)]


def aimed(setup, hill, *grinders, **shape):
    """The setup's aim on a hill whose top is 1:2 in 27 s, and the setting for it."""
    line = setup.bench.dial
    if line is not None:
        grinder = grinders[0] if grinders else GrinderConfig(name="A")
        reach = with_reach(replace(line, step=grinder.step or line.step), setup.shots, grinder)
        setup = replace(setup, bench=replace(setup.bench, dial=reach))
    aim = window(setup, hill(**shape), 0.8)
    return aim, settings(setup, aim, grinders)


def dialled(setup, hill, *grinders, **shape):
    return aimed(setup, hill, *grinders, **shape)[1]


def test_the_dial_goes_where_the_line_gives_the_time_of_the_aim(make_setup, hill):
    found = dialled(with_line(make_setup(numbered()), -0.1, [6, 7, 8, 9, 10]), hill)
    assert found.grind_setting == "8"
    assert found.higher_is == "coarser"
    assert found.kind == "interval"
    assert found.interval[0] < 8 < found.interval[1]
    assert found.seconds_per_step[0] == pytest.approx(-2.7, rel=0.03)


def test_the_setting_stands_on_a_real_step_of_the_dial(make_setup, hill):
    setup = with_line(make_setup(numbered(settings_=(6, 7.5, 8, 9, 10))), -0.1, [6, 7.5, 8, 9, 10])
    assert dialled(setup, hill).grind_setting == "8.0"
    grinder = GrinderConfig(name="A", step=3)
    assert float(dialled(setup, hill, grinder).grind_setting) % 3 == 0


@pytest.mark.parametrize(("slope", "higher_is"), [(-0.1, "coarser"), (0.1, "finer")])
def test_nothing_at_or_finer_than_a_choke_is_recommended_whichever_way_the_dial_runs(
    make_setup, hill, slope, higher_is
):
    setup = with_line(make_setup(numbered(outcomes=(8,))), slope, [6, 7, 8, 9, 10])
    found = dialled(setup, hill)
    assert found.higher_is == higher_is
    assert found.grind_setting == ("9" if higher_is == "coarser" else "7")
    assert "held_off_choke" in [finding.code for finding in found.findings]


def test_a_setting_beyond_the_end_of_the_dial_is_held_at_its_end(make_setup, hill):
    setup = with_line(make_setup(numbered()), -0.1, [6, 7, 8, 9, 10])
    found = dialled(setup, hill, GrinderConfig(name="A", lowest=9, highest=16))
    assert found.position == 9
    assert "off_the_dial" in [finding.code for finding in found.findings]


def test_a_line_that_runs_against_the_configured_direction_gives_no_number_of_its_own(make_setup, hill):
    setup = with_line(make_setup(numbered()), -0.1, [6, 7, 8, 9, 10])
    found = dialled(setup, hill, GrinderConfig(name="A", higher_is="finer"))
    assert found.kind == "interval"
    assert found.line is None
    assert "dial_against_grinder" in [finding.code for finding in found.findings]


def test_a_slope_that_may_be_zero_gives_no_number_of_its_own(make_setup, hill):
    setup = with_line(make_setup(numbered()), -0.005, [7, 8], sd=0.2)
    found = dialled(setup, hill)
    assert found.kind in {"two_rays", "whole_line"}
    assert found.line is None
    assert "dial_unclear" in [finding.code for finding in found.findings]


def test_a_direction_that_is_a_guess_gives_no_number_of_its_own(make_setup, hill):
    setup = with_line(make_setup(numbered()), -0.1, [6, 7, 8, 9, 10])
    setup = replace(setup, bench=replace(setup.bench, dial=replace(setup.bench.dial, sign_chance=0.9)))
    found = dialled(setup, hill)
    assert found.line is None
    assert [finding.code for finding in found.findings] == ["dial_unclear"]


def test_the_line_is_read_at_the_ratio_and_dose_of_the_aim(make_setup, hill):
    """10 % more time for 10 % more ratio is one step of 0.1 coarser for the same time."""
    setup = with_line(make_setup(numbered()), -0.1, [6, 7, 8, 9, 10])
    cov = np.zeros((4, 4))
    cov[:2, :2] = setup.bench.dial.cov
    recipe = (np.array([1.0, 0.0]), cov)
    line = replace(setup.bench.dial, recipe=recipe, usual=(2.0 * np.exp(-0.1), 18.0))
    moved = dialled(replace(setup, bench=replace(setup.bench, dial=line)), hill)
    assert moved.position == dialled(setup, hill).position + 1
    assert moved.line[0] == pytest.approx(setup.bench.dial.intercept + 0.1, abs=0.01)


def test_a_setting_is_held_one_step_beyond_what_ran(make_setup, hill):
    setup = with_line(make_setup(numbered(settings_=(10, 11))), -0.1, [10, 11])
    line = replace(setup.bench.dial, cov=np.diag([0.02, 1e-6]))
    held = dialled(replace(setup, bench=replace(setup.bench, dial=line)), hill)
    assert held.position == 9
    assert "beyond_tried_settings" in [finding.code for finding in held.findings]


def test_with_small_steps_a_setting_may_lie_an_eighth_of_the_time_beyond_what_ran(make_setup, hill):
    """Twelve per cent of time is two steps where a step is five per cent; farther only where the line is sure."""
    setup = with_line(make_setup(numbered(settings_=(11, 12))), -0.05, [11, 12], sd=0.003)
    assert dialled(setup, hill).position == 8
    line = replace(setup.bench.dial, cov=np.diag([0.02, 1e-6]))
    assert dialled(replace(setup, bench=replace(setup.bench, dial=line)), hill).position == 9


def test_a_sure_line_is_not_followed_to_times_at_which_shots_choke(make_setup, hill):
    setup = with_line(make_setup(numbered(settings_=(7, 8))), -0.15, [7, 8], sd=0.003)
    reach = with_reach(setup.bench.dial, setup.shots, GrinderConfig(name="A"))
    assert reach.settable.min() == 6  # 36.5 s; at 5 it would be 42 s


def test_a_choke_binds_even_where_finer_settings_ran(make_setup, hill):
    """Held one step coarser than the choke although the shots that ran were all finer."""
    setup = with_line(make_setup(numbered(outcomes=(9,))), -0.1, [6, 7, 8])
    assert dialled(setup, hill).position == 10


def test_a_choke_under_another_burr_zero_binds_nothing(make_setup, hill):
    old = {"outcome": "choked", "grind_setting": "9", "grinder_zero": "old"}
    setup = make_setup([old, *({**shot, "grinder_zero": "new"} for shot in numbered())])
    found = dialled(with_line(setup, -0.1, [6, 7, 8, 9, 10]), hill)
    assert found.grind_setting == "8"
    assert found.findings == ()


def test_the_chance_of_the_windows_times_is_that_of_one_shot_of_the_machine_about_the_line(make_setup, hill):
    """Second route: draws of level, slope and shot; how far shots land from their time is the machine's own."""
    setup = with_line(make_setup(numbered(), TASTED), -0.1, [6, 7, 8, 9, 10], sd=0.08)
    line = replace(setup.bench.dial, walk_var=0.05**2)
    setup = replace(setup, bench=replace(setup.bench, dial=line))
    aim, found = aimed(setup, hill)
    rng = np.random.default_rng(0)
    wide = np.sqrt(line.df / rng.chisquare(line.df, 200_000))
    unsure = rng.multivariate_normal([0, 0], line.cov, 200_000) @ [1, found.position]
    shot = np.sqrt(setup.bench.scatter.cov[1, 1]) * rng.normal(size=200_000)
    time = np.exp(line.intercept + line.slope * found.position + wide * (unsure + shot))
    low, high = aim.window[1]
    assert found.time_chance == pytest.approx(np.mean((time > low) & (time < high)), abs=0.01)
    assert dialled(setup, hill, top=6.0).time_chance is None


@pytest.mark.parametrize(("shared", "said", "leaves"), [(False, None, True), (True, None, False), (True, True, True)])
def test_a_grinder_of_several_machines_stays_unless_somebody_says_otherwise(make_setup, hill, shared, said, leaves):
    setup = with_line(make_setup(numbered()), -0.1, [6, 7, 8, 9, 10])
    setup = replace(setup, bench=replace(setup.bench, shared_grinder=shared))
    found = dialled(setup, hill, GrinderConfig(name="A", leaves=said))
    assert found.leaves is leaves
    assert found.grind_setting == "8"


def test_without_a_line_a_setting_that_ran_near_the_time_is_repeated_as_written(make_setup, hill):
    setup = make_setup([{**SPREAD[4], "grind_setting": "2E"}, {**SPREAD[3], "grind_setting": "3A"}])
    assert dialled(setup, hill).grind_setting == "2E"


def test_without_a_setting_near_the_time_one_grinds_until_the_time_is_right(make_setup, hill):
    setup = make_setup([{**SPREAD[3], "grind_setting": "3A"}])
    found = dialled(setup, hill)
    assert found.grind_setting is None
    assert found.say.startswith("Grind until")


def test_a_written_setting_that_choked_is_not_repeated(make_setup, hill):
    setup = make_setup([{**SPREAD[4], "grind_setting": "2E"}, {"outcome": "choked", "grind_setting": "2E"}])
    assert dialled(setup, hill).grind_setting is None


def test_a_pressurised_basket_has_no_dial(make_setup, hill):
    setup = with_line(make_setup([{**shot, "basket_kind": "pressurised"} for shot in numbered()]), -0.1, [6, 7, 8])
    found = dialled(setup, hill)
    assert found.grind_setting is None
    assert [finding.code for finding in found.findings] == ["pressurised_basket"]


def test_seconds_per_step_widen_as_student_does_with_few_shots(make_setup, hill):
    """90 % of Student's t with 6 degrees of freedom lie within 1.943 (tables of the t distribution)."""
    setup = with_line(make_setup(numbered()), -0.1, [6, 7, 8, 9, 10])
    aim, found = aimed(setup, hill)
    estimate, low, high = found.seconds_per_step
    error = aim.shot_time_s * np.sqrt(setup.bench.dial.cov[1, 1])
    assert (high - estimate) / error == pytest.approx(1.943, abs=0.001)
    assert (estimate - low) / error == pytest.approx(1.943, abs=0.001)


def test_a_dial_that_ends_at_its_choke_gives_no_setting(make_setup, hill):
    setup = with_line(make_setup(numbered(outcomes=(10,))), -0.1, [6, 7, 8, 9, 10])
    assert dialled(setup, hill, GrinderConfig(name="A", lowest=1, highest=10)).grind_setting is None


def test_a_choke_is_not_forgotten_because_the_burr_zero_was_not_written_down(make_setup, hill):
    shots = numbered(outcomes=(8,))
    for labels in (["a"] * 5 + [None], [None] * 5 + ["a"], ["a"] * 6):
        both = zip(shots, [None] * 9 + labels, strict=True)
        labelled = [{**shot, "grinder_zero": label} for shot, label in both]
        found = dialled(with_line(make_setup(labelled), -0.1, [6, 7, 8, 9, 10]), hill)
        assert float(found.grind_setting) > 8


def test_a_choke_of_the_burr_zero_before_bounds_nothing(make_setup, hill):
    shots = [{"outcome": "choked", "grind_setting": "8", "grinder_zero": "old"}]
    shots += [{**shot, "grinder_zero": "new"} for shot in numbered()]
    assert dialled(with_line(make_setup(shots), -0.1, [6, 7, 8, 9, 10]), hill).grind_setting == "8"


@pytest.mark.parametrize("higher_is", ["coarser", "finer"])
@pytest.mark.parametrize(
    ("notation", "choked", "clear"),
    [
        (Notation("letters", per=8), "1A", {"coarser": "1B", "finer": "0H"}),
        (Notation("two_part", per=8, sign="-"), "1-0", {"coarser": "1-1", "finer": "0-7"}),
        (Notation("turns", per=8), "1 turn", {"coarser": "1 turn + 1", "finer": "7 clicks"}),
    ],
)
def test_a_setting_is_held_off_a_choke_across_the_carry_and_told_as_written(
    make_setup, hill, notation, choked, clear, higher_is
):
    setup = make_setup(numbered([8]))
    setup = replace(setup, bench=replace(setup.bench, notation=notation))
    found = dialled(with_line(setup, -0.1 if higher_is == "coarser" else 0.1, [6, 7, 8, 9, 10]), hill)
    assert found.grind_setting == clear[higher_is]
    assert found.position == (9 if higher_is == "coarser" else 7)
    (held,) = (finding for finding in found.findings if finding.code == "held_off_choke")
    assert f"setting {choked} choked" in held.message
    assert found.say.startswith(f"Set {clear[higher_is]}; a ")


def test_marks_are_the_safe_steps_of_the_dial_with_the_time_each_gives(make_setup, hill):
    found = dialled(with_line(make_setup(numbered(outcomes=(6,))), -0.1, [7, 8, 9, 10]), hill)
    positions, texts, seconds = zip(*found.marks, strict=True)
    assert found.grind_setting in texts
    assert min(positions) > 6, "never at or finer than the choke"
    intercept, slope = found.line
    assert list(seconds) == pytest.approx(np.exp(intercept + slope * np.array(positions)).tolist())
    assert found.per_log_ratio == 0.0, "a line that knows no ratio"

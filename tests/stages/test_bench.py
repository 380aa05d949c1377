import numpy as np
import pandas as pd
import pytest

from tastefield.config import GrinderConfig, SetupsConfig
from tastefield.records import Records, Taste
from tastefield.stages.bench import bench
from tastefield.stages.derive import derive


@pytest.fixture
def benched(make_table):
    def build(shots, readings=(), grinders=()):
        base = {"machine": "A", "coffee": "house", "clock": "pump", "dose_g": 18.0}
        rows = [{"shot_id": f"s{i}", **base, **shot} for i, shot in enumerate(shots)]
        tables = {
            "shots": make_table("shots", rows),
            "readings": make_table("readings", list(readings)),
            "scores": make_table("scores", []),
        }
        records = Records(tables, pd.DataFrame(), (), Taste())
        return bench(derive(records, SetupsConfig(), grinders), Taste(), grinders)

    return build


def on_line(positions, slope=-0.1, noise=0.0, seed=0):
    rng = np.random.default_rng(seed)
    times = np.exp(np.log(27.0) + slope * (np.asarray(positions) - 8) + noise * rng.normal(size=len(positions)))
    return [
        {"grind_setting": str(x), "shot_time_s": t, "beverage_g": 36} for x, t in zip(positions, times, strict=True)
    ]


def test_with_many_shots_log_time_on_the_dial_is_the_least_squares_line(benched):
    """Second route: numpy's polyfit; without drift, what is borrowed hardly counts."""
    positions = np.tile([4, 6, 7, 8, 9, 10, 12], 6)
    shots = on_line(positions, noise=0.05)
    line = benched(shots)[0].bench.dial
    slope, intercept = np.polyfit(positions, np.log([shot["shot_time_s"] for shot in shots]), 1)
    assert line.slope == pytest.approx(slope, rel=0.02)
    assert line.intercept + 8 * line.slope == pytest.approx(intercept + 8 * slope, abs=0.03)
    assert line.cov[1, 1] ** 0.5 < 0.006
    assert line.sign_chance > 0.999


def test_two_settings_give_a_line_whose_doubt_is_borrowed(benched):
    line = benched(on_line([7, 9]))[0].bench.dial
    assert line.slope == pytest.approx(-0.1, rel=0.15)
    assert line.residual_var**0.5 == pytest.approx(0.06, rel=0.1)  # the stated prior
    assert line.df == pytest.approx(4, abs=1)


def test_one_setting_alone_tells_no_direction(benched):
    assert benched(on_line([8, 8, 8]))[0].bench.dial.sign_chance == pytest.approx(0.5)


def test_one_shot_has_a_line_where_its_grinder_is_known(benched):
    past = [{**shot, "coffee": coffee} for coffee in "abcdef" for shot in on_line([6, 8, 10])]
    new = {"grind_setting": "12", "shot_time_s": 30.0, "beverage_g": 36, "coffee": "new"}
    line = benched([*past, new])[-1].bench.dial
    assert line.slope == pytest.approx(-0.1, rel=0.1)
    assert line.intercept + 12 * line.slope == pytest.approx(np.log(30), abs=0.02)
    assert line.settable.tolist() == [9, 10, 11, 12, 13, 14, 15, 16]  # four steps are 40 %, but 8 would take 45 s


def test_a_shared_grinder_is_one_dial_on_every_machine(benched):
    shots = [{**shot, "machine": machine, "grinder": "shared"} for machine in "ABCDE" for shot in on_line([6, 8, 10])]
    shots += [{**shot, "machine": "F", "grinder": "shared"} for shot in on_line([8])]
    lines = [setup.bench.dial for setup in benched(shots)]
    assert [line.slope for line in lines] == pytest.approx([-0.1] * 6, rel=0.1)
    assert lines[5].sign_chance > 0.999


def test_a_backward_dial_is_told_from_its_shots_or_from_its_configuration(benched):
    assert benched(on_line([6, 8, 10], slope=0.1))[0].bench.dial.slope == pytest.approx(0.1, rel=0.2)
    line = benched(on_line([8]), grinders=[GrinderConfig(name="A", higher_is="finer")])[0].bench.dial
    assert line.slope > 0
    assert line.sign_chance == pytest.approx(0.99)


def test_a_dial_with_half_steps_is_known_from_any_setup_on_it(benched):
    shots = [{**shot, "coffee": "a"} for shot in on_line([6, 7.5, 9])] + on_line([7, 8])
    assert [setup.bench.dial.step for setup in benched(shots)] == [0.5, 0.5]
    grinder = GrinderConfig(name="A", step=0.25)
    assert benched(shots, grinders=[grinder])[0].bench.dial.step == 0.25


def test_a_burr_reset_starts_the_level_anew_and_keeps_the_slope(benched):
    before = [{**shot, "grinder_zero": "first"} for shot in on_line([6, 7, 8, 9, 10, 8])]
    after = {"grinder_zero": "second", "grind_setting": "20", "shot_time_s": 24.0, "beverage_g": 36}
    line = benched([*before, after])[0].bench.dial
    assert line.slope == pytest.approx(-0.1, rel=0.15)
    assert np.exp(line.intercept + 20 * line.slope) == pytest.approx(24.0, rel=0.02)
    assert line.positions.tolist() == [20]
    assert line.settable.tolist() == [16, 17, 18, 19, 20, 21, 22, 23, 24]


def test_a_line_of_the_old_burr_zero_is_not_told_for_the_new_one(benched):
    before = [{**shot, "grinder_zero": "first"} for shot in on_line([6, 7, 8, 9, 10, 8])]
    choked = {"grinder_zero": "second", "grind_setting": "3", "outcome": "choked"}
    unwritten = {"grinder_zero": "second", "shot_time_s": 24.0, "beverage_g": 36}
    assert benched([*before, choked])[0].bench.dial is None
    assert benched([*before, unwritten])[0].bench.dial is None


def test_the_level_is_that_of_the_last_shot(benched):
    """Six shots at one setting that run 6 % longer each time."""
    times = 20 * 1.06 ** np.arange(9)
    shots = [{"grind_setting": "8", "shot_time_s": t, "beverage_g": 36} for t in times]
    line = benched([*shots, *({**shot, "coffee": "other"} for shot in on_line([6, 8, 10]))])[0].bench.dial
    assert np.exp(line.intercept + 8 * line.slope) == pytest.approx(times[-1], rel=0.03)


def test_a_line_is_told_for_the_usual_recipe_and_moves_with_it(benched):
    """Time goes with weight out to the power 0.8, dose to the power 1.5 at one ratio."""
    rng = np.random.default_rng(3)
    shots = []
    for position in np.tile([6, 7, 8, 9, 10], 12):
        ratio, dose = 2 * np.exp(0.2 * rng.normal()), 18 * np.exp(0.03 * rng.normal())
        t = 27 * np.exp(-0.1 * (position - 8) + 0.03 * rng.normal()) * (ratio / 2) ** 0.8 * (dose / 18) ** 1.5
        shots.append({"grind_setting": str(position), "shot_time_s": t, "dose_g": dose, "beverage_g": dose * ratio})
    line = benched(shots)[0].bench.dial
    assert line.slope == pytest.approx(-0.1, rel=0.1)
    assert line.usual == pytest.approx((2, 18), rel=0.05)
    for ratio, dose in ((2.0, 18.0), (2.6, 18.0), (2.0, 19.0)):
        intercept, cov = line.at(ratio, dose)
        expected = np.log(27) + 0.8 * np.log(ratio / 2) + 1.5 * np.log(dose / 18)
        assert intercept + 8 * line.slope == pytest.approx(expected, abs=0.04)
        assert cov.shape == (2, 2)
    assert line.at(line.usual[0], None)[0] == pytest.approx(line.intercept)


def test_shots_without_any_setting_give_no_line(benched):
    assert benched([{"shot_time_s": 27, "beverage_g": 36}] * 3)[0].bench.dial is None


def test_a_pressurised_basket_gives_no_line_and_tells_nothing_of_the_dial(benched):
    plain = on_line([6, 8, 10])
    sealed = [{**shot, "coffee": "x", "basket_kind": "pressurised"} for shot in on_line([6, 8, 10], slope=0.3)]
    alone, other = (benched(shots)[0].bench.dial for shots in (plain, [*plain, *sealed]))
    assert benched([*plain, *sealed])[1].bench.dial is None
    assert other.slope == pytest.approx(alone.slope, rel=1e-9)


def test_letters_give_no_line(benched):
    shots = [{**shot, "grind_setting": letter} for shot, letter in zip(on_line([7, 9]), "EF", strict=True)]
    assert benched(shots)[0].bench.dial is None


def test_a_choke_is_a_bound_and_not_a_point_of_the_line(benched):
    """However long it was waited for: the bound is the same, and the line hardly steeper than without."""
    waited = [{"grind_setting": "4", "outcome": "choked", "shot_time_s": t, "beverage_g": 4} for t in (45, 90)]
    setups = [benched([*on_line([7, 8, 9, 10]), shot])[0] for shot in waited]
    assert setups[0].bench.dial.slope == setups[1].bench.dial.slope
    assert setups[0].bench.dial.slope == pytest.approx(-0.1, rel=0.25)
    assert setups[0].bench.dial.positions.tolist() == [7, 8, 9, 10]
    assert [finding.code for finding in setups[0].bench.findings] == ["choked_shots"]


def test_a_choke_tells_which_way_the_dial_turns(benched):
    shots = [*on_line([8]), {"grind_setting": "4", "outcome": "choked"}]
    dial = benched(shots)[0].bench.dial
    assert dial.slope < 0
    assert dial.sign_chance > 0.95


def test_a_gush_makes_the_line_steeper_where_it_was_faster_than_expected(benched):
    gush = {"grind_setting": "11", "outcome": "gushed", "shot_time_s": 14, "beverage_g": 40}
    plain, told = (benched(shots)[0].bench.dial for shots in (on_line([8, 9]), [*on_line([8, 9]), gush]))
    assert told.slope < plain.slope - 0.02


def test_scatter_is_read_from_repeats_of_one_setting(benched):
    """With many repeats the prior hardly counts: the sample covariance of log ratio and log time (numpy)."""
    rng = np.random.default_rng(2)
    logs = rng.multivariate_normal([0, 0], [[0.0009, 0.0005], [0.0005, 0.0036]], size=200)
    shots = [
        {"grind_setting": "3E", "beverage_g": 36 * np.exp(a), "shot_time_s": 27 * np.exp(b)}
        for a, b in np.clip(logs, -0.1, 0.2)
    ]
    found = benched(shots)[0].bench.scatter
    assert found.source == "repeats"
    assert found.cov == pytest.approx(np.cov(np.clip(logs, -0.1, 0.2).T), rel=0.15, abs=1e-5)


def test_time_scatter_is_read_from_all_shots_with_a_dial(benched):
    """No setting twice: about the true line the shots scatter by 10 %."""
    shots = [shot for k in range(12) for shot in on_line(np.arange(5, 12) + k / 100, noise=0.1, seed=k)]
    found = benched(shots)[0].bench.scatter
    assert found.source == "dial"
    assert found.df > 40
    assert np.sqrt(found.cov[1, 1]) == pytest.approx(0.1, rel=0.2)
    assert np.sqrt(found.cov[0, 0]) == pytest.approx(0.04, rel=0.01)  # the stated prior: no ratio was repeated


def test_what_a_shots_time_is_off_is_told_beyond_its_setting(benched):
    """Second route: residuals of numpy's polyfit; without a dial nothing is off."""
    shots = on_line(np.tile([5, 6, 8, 9, 11], 6), noise=0.1, seed=4)
    times, positions = ([float(shot[name]) for shot in shots] for name in ("shot_time_s", "grind_setting"))
    residual = np.log(times) - np.polyval(np.polyfit(positions, np.log(times), 1), positions)
    off = benched(shots)[0].shots["time_off"].to_numpy(dtype=float)
    assert np.corrcoef(off, residual)[0, 1] > 0.98
    assert 0.8 < off.std() / residual.std() <= 1.05
    untold = benched([{**shot, "grind_setting": None} for shot in shots])[0].shots
    assert (untold["time_off"] == 0).all()


def test_shots_of_one_setting_meant_to_differ_are_no_scatter(benched):
    shots = [{"grind_setting": "3E", "beverage_g": out, "shot_time_s": 27} for out in (30, 30.1, 45, 45.1)]
    found = benched(shots)[0].bench.scatter
    assert found.df == 2
    assert np.sqrt(found.cov[0, 0]) < 0.04


def test_without_repeats_scatter_is_read_about_written_targets(benched):
    shots = [
        {"beverage_g": out, "shot_time_s": t, "target_beverage_g": 36, "target_time_s": 27}
        for out, t in ((36, 29), (37, 25), (35, 27), (38, 28))
    ]
    wrong_grind = {"beverage_g": 36, "shot_time_s": 14, "target_beverage_g": 36, "target_time_s": 27}
    found = benched([wrong_grind, *shots])[0].bench.scatter
    assert (found.source, found.df) == ("targets", 4)


def test_without_repeats_or_targets_scatter_is_the_stated_prior(benched):
    found = benched([{"beverage_g": 36, "shot_time_s": 27}])[0].bench.scatter
    assert found.source == "prior"
    assert np.sqrt(np.diag(found.cov)) == pytest.approx([0.04, 0.07])


def test_extraction_given_ratio_and_time_recovers_the_slopes_it_was_made_with(benched):
    rng = np.random.default_rng(4)
    shots, readings = [], []
    for i in range(60):
        ratio, time = rng.uniform(1.5, 2.6), rng.uniform(18, 40)
        level = (0.0, 0.05, -0.05)[i % 3]
        extraction = 19 * np.exp(level + 0.3 * np.log(ratio / 2) + 0.2 * np.log(time / 27) + 0.01 * rng.normal())
        shots.append({"beverage_g": 18 * ratio, "shot_time_s": time, "coffee": "abc"[i % 3]})
        readings.append({"shot_id": f"s{i}", "reading_no": 1, "tds_pct": extraction / ratio})
    lines = [setup.bench.extraction for setup in benched(shots, readings)]
    for line, level in zip(lines, (0.0, 0.05, -0.05), strict=True):
        assert line.coefficients == pytest.approx([np.log(19) + level, 0.3, 0.2], abs=0.03)
        assert line.readings == 20


def test_the_error_of_a_reading_is_not_taken_for_the_shots_own(benched):
    """Readings with 2 % error, each read twice: only 1 % of the spread is the shots' own."""
    rng = np.random.default_rng(7)
    shots, readings = [], []
    for i in range(150):
        ratio, time = rng.uniform(1.5, 2.6), rng.uniform(18, 40)
        extraction = 19 * np.exp(0.3 * np.log(ratio / 2) + 0.2 * np.log(time / 27) + 0.01 * rng.normal())
        shots.append({"beverage_g": 18 * ratio, "shot_time_s": time, "coffee": "abc"[i % 3]})
        for number in (1, 2):
            tds = extraction / ratio * np.exp(0.04 * rng.normal())
            readings.append({"shot_id": f"s{i}", "reading_no": number, "tds_pct": tds})
    line = benched(shots, readings)[0].bench.extraction
    assert line.residual_var < 0.02**2


def test_a_handful_of_readings_gives_no_extraction(benched):
    shots = [{"beverage_g": 36 + i, "shot_time_s": 27 + i} for i in range(5)]
    readings = [{"shot_id": f"s{i}", "reading_no": 1, "tds_pct": 9.5} for i in range(5)]
    assert benched(shots, readings)[0].bench.extraction is None


def test_a_choke_on_another_machine_with_the_same_coffee_and_grinder_binds(benched):
    there = [{**shot, "machine": "B", "grinder": "shared", "coffee": "house"} for shot in on_line([9, 10, 11])]
    choke = {"machine": "B", "grinder": "shared", "coffee": "house", "grind_setting": "8", "outcome": "choked"}
    here = [{**shot, "machine": "A", "grinder": "shared", "coffee": "house"} for shot in on_line([9, 10, 9])]
    setups = {setup.key["machine"]: setup for setup in benched([*there, choke, *here])}
    assert setups["A"].bench.dial.choke == 8
    assert setups["A"].bench.dial.settable.min() == 9


def test_a_shot_without_a_burr_zero_goes_with_the_one_named_before_it(benched):
    named = [{**shot, "grinder_zero": "first"} for shot in on_line([6, 8])]
    line = benched([*named, *on_line([10])])[0].bench.dial
    assert line.positions.tolist() == [6, 8, 10]


@pytest.mark.parametrize("higher_is", ["coarser", "finer"])
def test_settings_in_letters_give_the_line_of_their_numbers(benched, higher_is):
    """Second route: the same shots written in plain numbers."""
    slope = -0.1 if higher_is == "coarser" else 0.1
    plain = on_line([28, 29, 30, 31], slope=slope)
    letters = [{**shot, "grind_setting": text} for shot, text in zip(plain, ["2I", "2J", "3A", "3B"], strict=True)]
    grinder = GrinderConfig(name="A", notation="letters", per=10, highest="3C", higher_is=higher_is)
    expected = benched(plain, grinders=[GrinderConfig(name="A", lowest=0, highest=32, higher_is=higher_is)])[0].bench
    found = benched(letters, grinders=[grinder])[0].bench
    assert found.dial.slope == pytest.approx(expected.dial.slope)
    assert found.dial.settable.tolist() == expected.dial.settable.tolist()
    assert found.dial.settable.max() == 32
    assert found.notation.kind == "letters"


def test_the_step_of_a_clock_dial_is_told_in_minutes(benched):
    times = ["11:00", "11:30", "12:00", "12:30"]
    shots = [{**shot, "grind_setting": text} for shot, text in zip(on_line([7, 8, 9, 10]), times, strict=True)]
    line = benched(shots, grinders=[GrinderConfig(name="A", notation="clock", lowest="7:00")])[0].bench.dial
    assert line.step == 30
    assert line.positions.tolist() == [660, 690, 720, 750]
    assert line.slope * 30 == pytest.approx(-0.1, rel=0.15)


@pytest.mark.parametrize("junk", ["-0.05", "9.05"])
def test_one_setting_that_no_other_is_like_leaves_the_step_of_the_dial_alone(benched, junk):
    shots = on_line(np.arange(7, 10, 0.25), noise=0.02)
    line = benched([*shots, {"grind_setting": junk, "shot_time_s": 27, "beverage_g": 36}])[0].bench.dial
    assert line.step == 0.25
    assert np.allclose(line.settable * 4, np.round(line.settable * 4))
    if float(junk) < 0:
        alone = benched(shots)[0].bench.dial
        assert (line.slope, line.intercept) == pytest.approx((alone.slope, alone.intercept))
        assert line.settable.tolist() == alone.settable.tolist()
    finer = benched([*shots, *on_line([9.05])], grinders=[GrinderConfig(name="A", step=0.05)])[0].bench.dial
    assert finer.step == 0.05

import numpy as np
import pandas as pd
import pytest

from tastefield.config import GrinderConfig, SetupsConfig
from tastefield.records import Records, Taste
from tastefield.stages.derive import derive, reading_error, resolution


@pytest.fixture
def derived(make_table):
    def build(shots, readings=(), scores=(), grinders=()):
        base = {"machine": "A", "coffee": "house", "clock": "pump"}
        tables = {
            "shots": make_table("shots", [{"shot_id": f"s{i}", **base, **shot} for i, shot in enumerate(shots)]),
            "readings": make_table("readings", list(readings)),
            "scores": make_table("scores", list(scores)),
        }
        records = Records(tables, pd.DataFrame(), (), Taste())
        return derive(records, SetupsConfig(), grinders)

    return build


def test_ratio_strength_and_extraction_obey_the_mass_balance(derived):
    """36.0 g at 9.50 % from 18.0 g is 19.0 % extracted: beverage mass x TDS / dose (mass balance, Lockhart 1957)."""
    found = derived(
        [{"dose_g": 18.0, "beverage_g": 36.0, "shot_time_s": 27}], [{"shot_id": "s0", "reading_no": 1, "tds_pct": 9.5}]
    ).shots.iloc[0]
    assert found["ratio"] == pytest.approx(2.0)
    assert found["extraction_pct"] == pytest.approx(19.0)
    assert found["tds_pct"] == pytest.approx(found["extraction_pct"] / found["ratio"])
    assert found["mean_flow_g_per_s"] == pytest.approx(36 / 27)


def test_the_uncertainty_of_extraction_agrees_with_simulated_readings(derived):
    """Second route: a million draws of the three readings (JCGM 101:2008 propagates distributions this way)."""
    shots = [{"dose_g": 18.1, "beverage_g": 36.4, "shot_time_s": 27}]
    found = derived(shots, [{"shot_id": "s0", "reading_no": 1, "tds_pct": 9.5}]).shots.iloc[0]
    rng = np.random.default_rng(1)
    dose, out = (rng.normal(value, 0.1 / np.sqrt(12), 10**6) for value in (18.1, 36.4))
    tds = rng.normal(9.5, found["u_tds_pct"], 10**6)
    assert found["u_extraction_pct"] == pytest.approx((out * tds / dose).std(), rel=0.01)


def test_replicate_readings_are_averaged_and_doubt_falls(derived):
    shots = [{"dose_g": 18, "beverage_g": 36, "shot_time_s": 27}] * 2
    readings = [
        {"shot_id": "s0", "reading_no": 1, "tds_pct": 9.4},
        {"shot_id": "s0", "reading_no": 2, "tds_pct": 9.6},
        {"shot_id": "s1", "reading_no": 1, "tds_pct": 9.5},
    ]
    found = derived(shots, readings).shots
    assert found["tds_pct"].tolist() == pytest.approx([9.5, 9.5])
    assert found["u_tds_pct"][0] < found["u_tds_pct"][1]


def test_a_diluted_sample_counts_at_its_strength_before_dilution(derived):
    readings = [{"shot_id": "s0", "reading_no": 1, "tds_pct": 4.75, "dilution": 2.0}]
    assert derived([{"dose_g": 18, "beverage_g": 36}], readings).shots["tds_pct"][0] == pytest.approx(9.5)


def test_a_display_of_a_tenth_has_the_rectangular_uncertainty_of_the_guide():
    """0.1 g display: 0.05 / sqrt(3) = 0.029 g (JCGM 100:2008, 4.3.7)."""
    assert reading_error(np.array([18.1, 36.0])) == pytest.approx(0.05 / np.sqrt(3))
    assert resolution(np.array([18.0, 36.0])) == 1.0
    assert resolution(np.array([18.25])) == 0.01


def test_a_time_from_the_first_drip_is_shifted_by_the_measured_delay_of_the_shot(derived):
    found = derived([{"dose_g": 18, "shot_time_s": 22, "clock": "first_drip", "first_drip_s": 6}])
    assert found.shots["shot_time_s"][0] == 28
    assert found.shots["shot_time_recorded_s"][0] == 22
    assert found.shots["clock"][0] == "pump"


def test_a_time_from_the_first_drip_without_a_delay_stays_and_is_said(derived):
    found = derived([{"dose_g": 18, "shot_time_s": 22, "clock": "first_drip"}])
    assert found.shots["shot_time_s"][0] == 22
    assert [finding.code for finding in found.findings] == ["first_drip_not_shifted"]


def test_the_age_of_the_coffee_is_counted_in_days(derived):
    """The roast day is known to a day: half a day over root three (JCGM 100:2008, 4.3.7)."""
    found = derived([{"dose_g": 18, "pulled_at": "2026-03-11 12:00", "roast_date": "2026-03-01"}])
    assert found.shots["coffee_age_days"][0] == pytest.approx(10.5)
    assert found.shots["u_coffee_age_days"][0] == pytest.approx(0.5 / np.sqrt(3))


def test_a_column_nobody_fills_does_not_split_setups(derived):
    found = derived([{"dose_g": 18}, {"dose_g": 18, "coffee": "other"}])
    assert found.keys == (
        {"machine": "A", "grinder": "A", "coffee": "house"},
        {"machine": "A", "grinder": "A", "coffee": "other"},
    )


def test_long_names_are_short_in_the_key_stay_apart_and_stay_whole_in_the_table(derived):
    names = ["x" * 300 + end for end in "ab"]
    found = derived([{"dose_g": 18, "machine": name, "grinder": "Ж" * 90} for name in names])
    machines = [key["machine"] for key in found.keys]
    assert len(set(machines)) == 2
    assert all(len(value.encode()) <= 80 for key in found.keys for value in key.values())
    assert found.shots["machine"].tolist() == names
    assert [finding.code for finding in found.findings] == ["names_shortened"]
    assert derived([{"dose_g": 18, "machine": "x" * 80}]).findings == ()


def test_a_second_brew_head_makes_a_second_setup(derived):
    assert len(derived([{"dose_g": 18, "head": "left"}, {"dose_g": 18, "head": "right"}]).keys) == 2


def test_only_scores_of_the_modelled_attribute_are_modelled(derived):
    scores = [
        {"shot_id": "s0", "taster": "a", "score": 7, "attribute": "Liking"},
        {"shot_id": "s0", "taster": "a", "score": 3, "attribute": "bitterness"},
        {"shot_id": "s0", "taster": "b", "score": 6},
    ]
    assert derived([{"dose_g": 18}], scores=scores).scores["score"].tolist() == [7, 6]


def test_a_shot_scored_on_another_attribute_only_is_none_that_nobody_scored(derived):
    scores = [
        {"shot_id": "s0", "taster": "a", "score": 7},
        {"shot_id": "s1", "taster": "a", "score": 3, "attribute": "bitterness"},
    ]
    assert derived([{"dose_g": 18}] * 3, scores=scores).shots["scored"].tolist() == [True, True, False]


def test_an_attribute_nobody_scored_is_said_with_those_that_were(derived):
    found = derived([{"dose_g": 18}], scores=[{"shot_id": "s0", "score": 3, "attribute": "bitterness"}])
    assert found.scores.empty
    assert "bitterness" in found.findings[0].message


def test_brix_is_never_taken_for_dissolved_solids(derived):
    """Published factors disagree (0.83-0.91 in hobby write-ups, above 1.1 by a handbook point): none is used."""
    found = derived([{"dose_g": 18, "beverage_g": 36}], [{"shot_id": "s0", "reading_no": 1, "brix_pct": 11.2}])
    assert found.shots["tds_pct"].isna().all()


# --- unlike shots in one setup ---------------------------------------------------------------------------------------


def doubts(found, setup=0):
    return [finding.code for finding in found.setup_findings.get(setup, ())]


def scored(*shots):
    return [{"shot_id": shot, "taster": "a", "score": 7} for shot in shots]


PUMP = {"dose_g": 18, "beverage_g": 36, "shot_time_s": 28}
DRIP = {"dose_g": 18, "beverage_g": 36, "shot_time_s": 22, "clock": "first_drip"}


@pytest.mark.parametrize(
    ("shots", "used"),
    [
        ([PUMP, PUMP, DRIP], [28, 28, None]),
        ([PUMP, DRIP], [28, None]),
        ([PUMP, DRIP, DRIP], [None, 22, 22]),
    ],
)
def test_of_two_clocks_in_one_setup_the_times_of_the_rarer_are_left_out_and_stay_written_down(derived, shots, used):
    found = derived(shots)
    assert found.shots["shot_time_s"].astype("object").where(found.shots["shot_time_s"].notna(), None).tolist() == used
    assert found.shots["shot_time_recorded_s"].tolist() == [shot["shot_time_s"] for shot in shots]
    assert found.shots["ratio"].notna().all()
    assert found.shots["mean_flow_g_per_s"].notna().tolist() == [time is not None for time in used]
    (doubt,) = found.setup_findings[0]
    assert (doubt.code, doubt.severity) == ("two_clocks", "warn")
    assert f"{used.count(None)} from" in doubt.message.replace("The ", "")
    assert "first_drip_s" in doubt.do


@pytest.mark.parametrize(
    "shots",
    [
        [PUMP, {**DRIP, "first_drip_s": 6}],  # a measured delay brings the two together
        [PUMP, {**DRIP, "machine": "B"}],
        [DRIP, {**PUMP, "clock": None}],  # nobody says that the two differ
        [DRIP, {**PUMP, "shot_time_s": None}],
    ],
)
def test_times_that_may_stand_side_by_side_all_stay(derived, shots):
    found = derived(shots)
    assert found.shots["shot_time_s"].notna().sum() == sum(shot["shot_time_s"] is not None for shot in shots)
    assert found.setup_findings == {}


def test_of_milk_and_black_in_one_setup_the_scores_of_the_rarer_serving_are_left_out(derived):
    shots = [PUMP, {**PUMP, "served_as": "black"}, {**PUMP, "served_as": "milk"}, {**PUMP, "served_as": "milk"}]
    found = derived(shots, scores=scored("s0", "s1", "s2"))
    assert found.scores["shot_id"].tolist() == ["s0", "s1"]  # one milk tasted, whatever was pulled for milk
    assert doubts(found) == ["milk_beside_black"]
    assert found.shots["shot_time_s"].notna().all()  # milk changes the taste, not the time
    assert derived(shots, scores=scored("s1", "s2", "s3")).scores["shot_id"].tolist() == ["s2", "s3"]
    assert derived(shots[2:], scores=scored("s0", "s1")).setup_findings == {}


def test_of_decaf_and_plain_coffee_in_one_setup_scores_and_times_of_the_rarer_are_left_out(derived):
    decaf = {**PUMP, "decaf": True, "grind_setting": "4"}
    shots = [PUMP, {**PUMP, "grind_setting": "6", "decaf": False}, decaf, {**decaf, "outcome": "choked"}]
    found = derived(shots, scores=scored("s0", "s1", "s2"))
    assert found.scores["shot_id"].tolist() == ["s0", "s1"]
    assert found.shots["shot_time_s"].notna().tolist() == [True, True, False, False]
    assert found.shots["dial_position"].dropna().tolist() == [6, 4]  # the choke binds whichever coffee it was
    assert doubts(found) == ["decaf_beside_plain"]
    turned = derived(shots, scores=scored("s0", "s2", "s3"))
    assert turned.scores["shot_id"].tolist() == ["s2", "s3"]


def test_a_decaf_left_out_does_not_also_decide_about_clocks_and_servings(derived):
    decaf = {**DRIP, "decaf": True, "served_as": "milk"}
    found = derived([PUMP, PUMP, decaf], scores=scored("s0", "s1", "s2"))
    assert doubts(found) == ["decaf_beside_plain"]


def at(*settings, grinder="A"):
    return [{**PUMP, "grinder": grinder, "grind_setting": setting} for setting in settings]


def test_each_grinder_is_read_in_its_own_notation(derived):
    letters = GrinderConfig(name="conical", notation="letters", per=10)
    shots = [*at("2E", "3A", grinder="conical"), *at("4.2", "2E", grinder="flat"), *at("4.2", grinder="shop")]
    found = derived(shots, grinders=[letters, GrinderConfig(name="shop", notation="two_part", per=10)])
    assert found.shots["dial_position"].fillna(-1).tolist() == [24, 30, 4.2, -1, 42]
    assert not [finding for finding in found.findings if "notation" in finding.code]


def test_settings_that_do_not_fit_are_one_finding_with_an_example_that_would(derived):
    shots = at("2E", "2K", "coarse", "2K", *"12345", None)
    found = derived(shots, grinders=[GrinderConfig(name="A", notation="letters", per=10)])
    (told,) = (finding for finding in found.findings if finding.code == "setting_not_in_notation")
    assert told.where == {"grinder": "A"}
    assert "letters: 8 (2K, coarse, 1, 2, 3, ...)" in told.message
    assert "for example 2E" in told.do
    assert found.shots["grind_setting"].tolist()[:3] == ["2E", "2K", "coarse"]
    assert found.shots["dial_position"].notna().tolist() == [True] + [False] * 9


@pytest.mark.parametrize(
    ("settings", "do"),
    [
        (["4+2", "4+3", "5+0", "5+1", "7"], 'notation = "two_part", per = ... (small steps in a mark).'),
        (["1:30", "2:00", "half past 2"], 'notation = "clock", lowest = "..." (where its dial starts).'),
        (["7", "8", "9", "2E"], None),
        (["2E", "2F"], None),
    ],
)
def test_a_notation_that_most_settings_fit_is_suggested_and_never_applied(derived, settings, do):
    found = derived(at(*settings))
    told = [finding for finding in found.findings if finding.code == "notation_suggested"]
    assert [finding.do.endswith(do) for finding in told] == ([True] if do else [])
    assert all(finding.severity == "note" for finding in told)
    assert found.shots["dial_position"].notna().tolist() == [setting.isdigit() for setting in settings]
    assert not [
        finding
        for finding in derived(at(*settings), grinders=[GrinderConfig(name="A", notation="marks")]).findings
        if finding.code == "notation_suggested"
    ]


QUARTERS = [{"grind_setting": str(8 + n / 4), "dose_g": 18.0} for n in range(9)]


@pytest.mark.parametrize(
    ("setting", "code"), [("9.05", "setting_off_steps"), ("-0.05", "setting_below_zero"), ("-1", "setting_below_zero")]
)
def test_a_setting_that_no_other_is_like_is_told_with_its_row_and_kept(derived, setting, code):
    found = derived([*QUARTERS, {"grind_setting": setting}])
    (told,) = found.findings
    assert told.code == code
    assert told.where == {"grinder": "A"}
    assert f"1 ({setting} in row 11 of log.csv)" in told.message
    assert found.shots["grind_setting"].iloc[-1] == setting
    kept = [float(setting)] if code == "setting_off_steps" else [np.nan]
    np.testing.assert_equal(found.shots["dial_position"].to_numpy()[-1:], kept)


def test_a_choke_below_zero_still_binds_and_a_dial_that_starts_there_has_no_strays(derived):
    found = derived([*QUARTERS, {"grind_setting": "-1", "outcome": "choked"}])
    assert [told.code for told in found.findings] == ["setting_below_zero"]
    assert found.shots["dial_position"].iloc[-1] == -1
    for lowest, strays in (("-2", 0), ("0", 1)):
        found = derived([*QUARTERS, {"grind_setting": "-1"}], grinders=[GrinderConfig(name="A", lowest=lowest)])
        assert [told.code for told in found.findings] == ["setting_below_zero"] * strays
        assert int(found.shots["dial_position"].isna().sum()) == strays


def test_settings_off_a_step_that_the_owner_gives_are_told_and_finer_ones_he_gives_are_not(derived):
    shots = [*QUARTERS, {"grind_setting": "9.05"}]
    assert derived(shots, grinders=[GrinderConfig(name="A", step=0.05)]).findings == ()
    (told,) = derived(shots, grinders=[GrinderConfig(name="A", step=0.25)]).findings
    assert told.code == "setting_off_steps"
    assert derived(QUARTERS[::2], grinders=[GrinderConfig(name="A", step=1)]).findings == ()

"""Bench checks: words and numbers, before and after; only few things fail by themselves."""

from __future__ import annotations

import pytest

from tastefield.config import CheckConfig
from tastefield.stages.checks import checks, with_failed
from tastefield.words.checks import NO_CERTIFICATE, judged


@pytest.mark.parametrize(
    ("check", "value", "fails"),
    [
        ("Leaks", "none", False),
        ("leaks", "no leaks", False),
        ("leaks at the head", "drips a little", True),
        ("leaks", "no, but drips when hot", True),
        ("leaks", "no leak at the pump but drips at the head", True),
        ("leaks", "none except a drip at the wand", True),
        ("leaks", "none but not tried hot", False),
        ("leak", "Yes", True),
        ("leaks", "dry", False),
        ("no leaks", "yes", False),
        ("no leaks", "no", True),
        ("leakage current", "0.4 mA", False),
        ("trips the breaker", "no", False),
        ("trips the breaker", "yes, when cold", True),
        ("RCD trip time", "22 ms", False),
        ("RCD trips on test button", "yes", False),
        ("RCD trips on test button", "no", True),
        ("test button of the breaker trips it", "it does not", True),
        ("RCD", "30 mA, 22 ms", False),
        ("fuse", "13 A", False),
        ("pressure release", "yes", False),
        ("pressure release after the shot", "no", True),
        ("releases pressure", "stays", True),
        ("pressure release", "falls to 0 within 2 s", False),
        ("pressure release", "yes, no pressure left", False),
        ("pressure release", "falls to 0.5 bar", True),
        ("pressure release", "does not fall to 0", True),
        ("pressure release", "stays at 0.8 bar", True),
        ("no pressure release", "yes", True),
        ("no pressure release", "no", False),
        ("pressure", "9 bar", False),
        ("brew temperature", "140", False),
        ("earth continuity", "0.1 ohm", False),
        ("earth continuity", "FAILED", True),
        ("earth continuity", "test failed at the plug", True),
        ("earth continuity", "did not fail", False),
        ("earth continuity", "0.1 ohm, no part failed", False),
        ("drip tray", "clean", False),
    ],
)
def test_only_leaks_trips_pressure_that_stays_and_what_was_called_failed_fail_by_words(check, value, fails):
    assert (judged(check, value) == "fails") is fails


@pytest.mark.parametrize(
    ("check", "value", "verdict"),
    [
        # numbers and places
        ("leaks", "2", "fails"),
        ("leaks", "0", "passes"),
        ("leaks", "0.0", "passes"),
        ("leaks", "1,5 drops/min", "fails"),
        ("leaks", "water under boiler", "fails"),
        ("leaks", "steam from the valve", "fails"),
        ("leaks", "not dry", "fails"),
        ("leaks", "drip tray dry", "passes"),
        ("no leaks", "2", "fails"),
        ("trips the breaker", "2", "fails"),
        ("trips the breaker", "0", "passes"),
        ("trips the breaker", "twice, when cold", "fails"),
        ("trips the breaker", "holds", "passes"),
        # only what was found last counts
        ("leaks", "was leaking, fixed", "passes"),
        ("leaks", "leaks before, none after", "passes"),
        ("leaks", "leaks before and none after", "passes"),
        ("leaks", "before: drips. After: dry", "passes"),
        ("leaks", "drips -> gasket replaced", "passes"),
        ("leaks", "dry before, drips after", "fails"),
        ("leaks", "none before; now drips at the head", "fails"),
        ("leaks", "fixed but still drips", "fails"),
        ("leaks", "was leaking, not fixed", "fails"),
        ("leaks", "drips, to be fixed", "fails"),
        ("leaks", "leaks before and after", "fails"),
        ("leaks", "drips at the head, none at the pump", "fails"),
        ("earth continuity", "failed, mended, passed", ""),
        ("earth continuity", "passed, then failed", "fails"),
        ("pressure release", "was stuck, repaired", "passes"),
        # what is not understood is no pass
        ("leaks", "see photo", "unclear"),
        ("leaks", "was leaking", "unclear"),
        ("leaks", "9 bar", "unclear"),
        ("leaks", "gasket to be replaced", "unclear"),
        ("leaks", "none, only when hot", "fails"),
        ("trips the breaker", "asked Jo", "unclear"),
        ("RCD trips on test button", "asked Jo", "unclear"),
        ("RCD trips on test button", "22 ms", "passes"),
        ("pressure release", "maybe", "unclear"),
        ("pressure release", "0.5 bar", "unclear"),
        ("pressure release", "0 bar", "passes"),
        # names that only hold such letters
        ("prevention plate, high pressure", "no", ""),
        ("inventory number on the pressure plate", "no", ""),
        ("pressure relief valve opens at", "11 bar", ""),
        ("RCD trip", "22 ms", ""),
    ],
)
def test_words_and_numbers_of_a_check_are_read_in_order_and_what_is_not_understood_is_no_pass(check, value, verdict):
    assert judged(check, value) == verdict


def test_a_check_that_is_not_understood_is_asked_about_and_shots_may_still_be_pulled(make_table, make_setup):
    found = checks(log(make_table, {"check": "leaks", "value": "see photo"}), ())
    assert [(one.verdict, one.why) for one in found] == [("unclear", "its words say neither yes nor no")]
    (setup,) = with_failed([make_setup([{}])], found)
    (note,) = setup.findings
    assert (note.code, note.severity) == ("check_not_understood", "warn")
    assert "leaks: see photo" in note.message
    assert note.do.startswith("Say yes or no")
    assert not setup.held()


def test_the_unit_of_a_count_may_stand_in_its_own_column(make_table):
    drops, bar = ({"check": "leaks", "value": "2", "unit": unit} for unit in ("drops", "bar"))
    assert [checks(log(make_table, one), ())[0].verdict for one in (drops, bar)] == ["fails", "unclear"]


@pytest.mark.parametrize(("value", "verdict"), [("2", "fails"), ("see photo", "unclear"), ("0", "within")])
def test_limits_let_no_leak_pass_and_nothing_that_is_not_understood(make_table, value, verdict):
    limits = CheckConfig(name="leaks", highest=5)
    assert checks(log(make_table, {"check": "leaks", "value": value}), (limits,))[0].verdict == verdict


def log(make_table, *rows):
    return make_table("checks", [{"machine": "A", "by": "Jo", "method": "by eye", **row} for row in rows])


def test_the_first_time_and_the_last_of_a_check_are_told_with_who_and_how(make_table):
    table = log(
        make_table,
        {"check": "leaks", "value": "none", "when": "2026-03-05", "by": "Ma"},
        {"check": "Leaks ", "value": "drips", "when": "2026-03-01"},
        {"check": "leaks", "value": "wet", "when": "2026-03-03", "machine": "B"},
    )
    one, other = checks(table, ())
    assert (one.machine, one.before.value, one.after.value) == ("A", "drips", "none")
    assert (one.before.by, one.after.by, one.after.method) == ("Jo", "Ma", "by eye")
    assert (one.after.when, one.verdict) == ("2026-03-05", "recorded")
    assert (other.machine, other.before, other.verdict) == ("B", None, "fails")


def test_where_a_date_is_missing_the_order_of_the_sheet_tells_what_was_found_last(make_table):
    dry, wet = {"check": "leaks", "value": "none", "when": "2026-03-01"}, {"check": "leaks", "value": "drips"}
    (later,), (earlier,) = checks(log(make_table, dry, wet), ()), checks(log(make_table, wet, dry), ())
    assert (later.after.value, later.verdict) == ("drips", "fails")
    assert (earlier.after.value, earlier.verdict) == ("none", "recorded")


BREW = CheckConfig(name="Brew temperature", lowest=90, highest=96, unit="C", fails=("uneven",))


@pytest.mark.parametrize(
    ("value", "unit", "verdict", "why"),
    [
        ("93", "C", "within", "limits 90 to 96 C"),
        ("93,5 C", None, "within", "limits 90 to 96 C"),
        ("90", None, "within", "limits 90 to 96 C"),
        ("97", "c", "fails", "limits 90 to 96 C"),
        ("199", "F", "recorded", "its limits are in C"),
        ("about right", None, "recorded", "its value is no number, so its limits say nothing"),
        ("Uneven", None, "fails", "by the configuration"),
    ],
)
def test_numbers_are_judged_by_configured_limits_alone(make_table, value, unit, verdict, why):
    table = log(make_table, {"check": "brew  temperature", "value": value, "unit": unit})
    (one,) = checks(table, (BREW,))
    assert (one.verdict, one.why) == (verdict, why)
    assert checks(table, ())[0].verdict == "recorded"


def test_one_sided_limits_are_said_so(make_table):
    table = log(make_table, {"check": "earth", "value": "0.3 ohm"})
    (one,) = checks(table, (CheckConfig(name="earth", highest=0.1, unit="ohm"),))
    assert (one.verdict, one.why) == ("fails", "limits at most 0.1 ohm")


def test_a_failed_check_is_told_on_every_setup_of_its_machine_and_nowhere_else(make_table, make_setup):
    mine, other = make_setup([{}]), make_setup([{"machine": "B"}])
    other = type(other)(**{**vars(other), "key": {"machine": "B", "coffee": "house"}})
    found = checks(log(make_table, {"check": "leaks", "value": "drips"}), ())
    one, two = with_failed([mine, other], found)
    assert [note.code for note in one.findings] == ["check_failed"]
    assert "leaks: drips" in one.findings[0].message
    assert "Do not hand it over" in one.findings[0].do
    assert two.findings == ()


def test_a_failed_check_holds_a_machine_that_its_sheet_capitalises_otherwise_and_is_told_with_its_unit(
    make_table, make_setup
):
    found = checks(log(make_table, {"machine": " a", "check": "brew temperature", "value": "98", "unit": "C"}), (BREW,))
    (one,) = with_failed([make_setup([{}])], found)
    assert one.machine == "A"
    assert "brew temperature: 98 C." in one.findings[0].message


def test_no_check_at_all_is_no_table(make_table):
    assert checks(make_table("checks", []), ()) == ()


def test_it_says_plainly_that_it_is_no_certificate():
    assert "no certificate of safety" in NO_CERTIFICATE
    assert "what is not listed was not checked" in NO_CERTIFICATE

"""Bench checks: words and numbers, before and after; only few things fail by themselves."""

from __future__ import annotations

import pytest

from tastefield.config import CheckConfig
from tastefield.stages.checks import checks, with_failed
from tastefield.words.checks import NO_CERTIFICATE, fault


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
    assert fault(check, value) is fails


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

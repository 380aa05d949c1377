"""What was kept and should be looked at again: dates far off, damaged names, scores that teach nothing."""

import pandas as pd
import pytest

from tastefield.records import Records, Taste
from tastefield.stages.suspects import suspects
from tastefield.words.run_lines import read_line


@pytest.fixture
def told(make_table):
    def build(shots, scores=()):
        base = {"machine": "A", "coffee": "Attic", "beverage_g": 36.0, "shot_time_s": 27.0}
        tables = {
            "shots": make_table("shots", [{"shot_id": f"s{i}", **base, **shot} for i, shot in enumerate(shots)]),
            "scores": make_table("scores", [{"attribute": "liking", "score": 7.0, **one} for one in scores]),
        }
        tables |= {name: make_table(name, []) for name in ("readings", "checks", "coffees", "grinders")}
        records = Records(tables, pd.DataFrame(), (), Taste())
        after = suspects(records)
        assert after.tables is records.tables  # nothing is set aside
        return after.findings

    return build


MARCH = [{"pulled_at": f"2026-03-{day:02d}"} for day in range(1, 10)]


@pytest.mark.parametrize("far", ["2137-02-07", "1970-01-01", "2001-01-01", "2031-04-01"])
def test_a_date_years_from_all_others_is_told_with_its_row(told, far):
    (finding,) = told([*MARCH, {"pulled_at": far}])
    assert finding.code == "dates_far_off"
    assert f"(2026-03-01 to 2026-03-09): 1 ({far} in row 11 of log.csv)" in finding.message


def test_dates_on_both_sides_are_told_together(told):
    (finding,) = told([{"pulled_at": "1970-01-01"}, *MARCH, {"pulled_at": "2137-02-07"}])
    assert ": 2 (1970-01-01 in row 2 of log.csv, 2137-02-07 in row 12 of log.csv)" in finding.message


@pytest.mark.parametrize(
    "days",
    [
        ["2026-03-01", "2137-01-01"],  # who can say which is wrong?
        ["2019-01-01", "2019-01-02", "2026-03-01", "2026-03-02"],
        ["2019-01-01", "2022-01-01", "2025-01-01", "2026-03-02"],  # a bench that rests between
        [None, None, None, "2137-01-01"],
        ["2137-03-01"] * 5,  # all alike: today is not asked
    ],
)
def test_dates_that_do_not_stand_alone_are_not_told(told, days):
    assert told([{"pulled_at": day} for day in days]) == ()


@pytest.mark.parametrize(
    ("name", "maybe"),
    [
        ("Att\ufffdic", '; it may be "Attic"'),  # put in
        ("At\ufffdic", '; it may be "Attic"'),
        ("a\ufffd\ufffdic", '; it may be "Attic"'),
        ("Har\ufffd", ""),
        ("\ufffdBasement", ""),
    ],
)
def test_a_damaged_name_is_told_with_the_whole_one_it_may_be(told, name, maybe):
    (finding,) = told([{}, {}, {"coffee": name}])
    assert finding.code == "name_damaged"
    assert finding.where == {"coffee": name}
    assert f'The coffee "{name}"' in finding.message
    assert f"one of its own{maybe}: 1 (row 4 of log.csv)" in finding.message
    assert finding.do == ('Write "Attic" there, if it is that one.' if maybe else "Write the whole name there.")


def test_a_name_damaged_all_over_is_compared_without_trying_every_way_to_lay_it(told):
    findings = told([{"coffee": "a" * 150 + "b"}, {"coffee": "\ufffda" * 40}, {"coffee": "a" * 80}])
    assert [finding.do for finding in findings if finding.code == "name_damaged"] == [
        f'Write "{"a" * 80}" there, if it is that one.'
    ]


def test_a_damaged_taster_is_told_too(told):
    (finding,) = told([{}], [{"shot_id": "s0", "taster": "Ren\ufffd"}, {"shot_id": "s0", "taster": "René"}])
    assert finding.where == {"taster": "Ren\ufffd"}
    assert "René" in finding.do


def test_scores_of_shots_without_weight_or_time_are_told_once_with_their_rows(told):
    shots = [
        {},
        {"beverage_g": None},
        {"shot_time_s": None, "outcome": "ok"},
        {"outcome": "choked", "beverage_g": None},
    ]
    scores = [{"shot_id": f"s{i}", "taster": taster} for i in range(4) for taster in ("me", "you")]
    (finding,) = told([*shots, {"beverage_g": None}], [*scores, {"shot_id": "s0", "taster": "they"}])
    assert finding.code == "scores_unused"
    assert "4 (row 3 of log.csv: no weight out; row 4 of log.csv: no time)" in finding.message
    line = read_line([{"table": "scores", "read": 9, "set_aside": 0}], [finding.as_dict()])
    assert line == "Read 9 scores; kept all of it; 4 scores not used for want of a weight out or a time."


def test_scores_of_another_attribute_are_not_missed(told):
    assert told([{"beverage_g": None}], [{"shot_id": "s0", "attribute": "acidity"}]) == ()

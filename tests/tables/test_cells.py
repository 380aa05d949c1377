"""Cells as people and spreadsheets write them, one kind at a time."""

import datetime as dt
import decimal

import numpy as np
import pandas as pd
import pytest

from tastefield.tables.cells import DTYPES, Reading, filled, is_filled, parse, shown
from tastefield.words.columns import column

DOSE, TIME = column("shots", "dose_g"), column("shots", "shot_time_s")


def one(where, cell, **reading):
    """The value of one cell, or the reason why it has none."""
    parsed = parse(where, pd.Series([cell], index=[7], dtype=object), Reading(**reading))
    if len(parsed.problems):
        assert parsed.problems["row"].tolist() == [7]
        assert parsed.problems["value"].tolist() == [shown(cell)]
        assert parsed.problems["do"].iloc[0]
        assert parsed.values.isna().all()
        return parsed.problems["reason"].iloc[0]
    return parsed.values.iloc[0]


@pytest.mark.parametrize(
    "cell", [18.2, "18.2", "18,2", " 18.2 g", "18.2grams", "~18.2", "about 18.2", "１８.２", "18.2 G"]
)
def test_a_weight_is_understood_however_it_is_typed(cell):
    assert one(DOSE, cell) == pytest.approx(18.2)


@pytest.mark.parametrize(
    "cell", [27, 27.0, "27", "27s", "27 s", "27 sec", "27 seconds", "0:27", "00:27", "0:00:27", '27"']
)
def test_a_shot_time_is_understood_however_it_is_typed(cell):
    assert one(TIME, cell) == 27.0


@pytest.mark.parametrize(
    ("cell", "seconds"),
    [("27,5", 27.5), ("0:27.5", 27.5), ("1:05", 65), ("1 min 5 s", 65), ("1m05s", 65), ("0.5 min", 30)],
)
def test_minutes_and_fractions_become_seconds(cell, seconds):
    assert one(TIME, cell) == seconds


@pytest.mark.parametrize(
    "cell",
    [dt.time(0, 27), dt.timedelta(minutes=27), "0:27:00", "00:27:00", "12:27:00 AM", dt.datetime(1899, 12, 30, 0, 27)],
)
def test_a_spreadsheets_27_minutes_are_asked_about_and_the_answer_is_obeyed(cell):
    assert "may have meant 27 s" in one(TIME, cell)
    assert one(TIME, cell, unit="min:s") == 27.0
    assert "1620 s is impossible" in one(TIME, cell, unit="h:min")


@pytest.mark.parametrize("cell", [dt.time(0, 0, 27), dt.timedelta(seconds=27)])
def test_a_spreadsheets_27_seconds_are_27_seconds(cell):
    assert one(TIME, cell) == 27.0
    assert one(TIME, cell, unit="min:s") == 27.0


def test_a_ratio_that_became_a_time_is_asked_about():
    parsed = parse(column("shots", "beverage_g"), pd.Series([dt.time(1, 2)], dtype=object), Reading())
    assert parsed.problems["reason"].tolist() == ["the spreadsheet made a time of it"]
    assert parsed.problems["asked"].tolist() == [True]


@pytest.mark.parametrize(
    "cell", [dt.date(2026, 2, 4), dt.datetime(2026, 2, 4), "02-Apr", "4-Feb", "2026-02-04", dt.time(4, 2)]
)
def test_a_grind_setting_that_became_a_date_or_time_is_asked_about(cell):
    grind = column("shots", "grind_setting")
    reason = one(grind, cell)
    assert reason in ("the spreadsheet made a date of it", "the spreadsheet made a time of it")


@pytest.mark.parametrize(
    ("cell", "text"), [(4.0, "4"), (3.5, "3.5"), ("4-2", "4-2"), (" 2B ", "2B"), (12, "12"), (True, "TRUE")]
)
def test_a_grind_setting_stays_as_its_owner_writes_it(cell, text):
    assert one(column("shots", "grind_setting"), cell) == text


def test_a_session_may_be_a_date():
    assert one(column("shots", "session"), dt.datetime(2026, 2, 4)) == "2026-02-04"


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("lots", "it is not a number"),
        ("18 bananas", '"bananas" is not a unit of dose_g'),
        ("18 ml", "it is a volume, 18 ml, not a weight"),
        (True, "it is a yes or no, not a number"),
        ([18], "it is a list, not a number"),
        (float("inf"), "it is not a finite number"),
        (10**400, "it is too large to be a number of this kind"),
        (0, "0 g is impossible: more than 0 and at most 100 g"),
        ("-3", "-3 g is impossible: more than 0 and at most 100 g"),
        ("1,234", "it may mean 1.234 or 1234"),
    ],
)
def test_what_is_no_dose_says_why(cell, reason):
    assert one(DOSE, cell) == reason


def test_a_volume_is_no_weight():
    assert "it is a volume" in one(column("shots", "beverage_g"), "36 ml")
    assert "it is a volume" in one(column("shots", "beverage_g"), 36, unit="cl")


@pytest.mark.parametrize(
    ("cell", "value", "how"),
    [
        ("~18.2", 18.2, "about"),
        ("18ish", 18, "about"),
        ("ca. 18,2 g", 18.2, "about"),
        ("18 ± 0.5", 18, "about"),
        ("18 g?", 18, "about"),
        ("18-19", 18.5, "range"),
        ("18 – 19 g", 18.5, "range"),
        ("18,0-18,5", 18.25, "range"),
        ("18 to 19", 18.5, "range"),
        ("18 or 19", 18.5, "range"),
        ("~18-19", 18.5, "range"),
        ("0.6-0.7 oz", 18.427190, "range"),
        ("0.635 oz", 18.001947, "converted"),
    ],
)
def test_what_is_about_a_number_or_between_two_says_how_it_was_taken(cell, value, how):
    parsed = parse(DOSE, pd.Series([cell], index=[7], dtype=object), Reading())
    assert parsed.values.iloc[0] == pytest.approx(value, abs=1e-6)
    assert parsed.taken == ((7, cell, how),)


@pytest.mark.parametrize(
    ("where", "cell", "reason"),
    [
        (TIME, ">40", "it says only that it was more than 40"),
        (TIME, "40+", "it says only that it was more than 40"),
        (TIME, "under 20 s", "it says only that it was less than 20 s"),
        (DOSE, "18-36", "it may be a range or two numbers, 18 and 36"),
        (DOSE, "19-18", "it is a range that does not rise, or two numbers"),
        (DOSE, "18/36/27", "it holds several numbers"),
        (DOSE, "1:2", "it is a ratio, 1:2, not a weight"),
        (TIME, "1:2", "it is a ratio, 1:2, not a time"),
        (DOSE, "to taste", "it says that nobody measured it"),
        (DOSE, "NA", "it says that nobody measured it"),
        (DOSE, "#DIV/0!", "its formula has no answer"),
        (DOSE, "18-lots", "it is not a number"),
        (DOSE, "18-19000", "19000 g is impossible: more than 0 and at most 100 g"),
    ],
)
def test_what_gives_no_one_number_says_why(where, cell, reason):
    assert one(where, cell).startswith(reason)


def test_an_impossible_value_that_another_unit_would_explain_says_so():
    for name, cell, unit in (("temp_set_c", 200, "200 F"), ("pressure_bar", 130, "130 psi")):
        parsed = parse(column("shots", name), pd.Series([cell], dtype=object), Reading())
        assert f"write {unit}" in parsed.problems["do"].iloc[0]


def test_a_label_may_be_any_word():
    assert one(column("shots", "machine"), "none") == "none"
    assert one(column("shots", "grind_setting"), "4-5") == "4-5"


# International avoirdupois ounce: 28.349523125 g exactly. 200 F = 93.33 C, 1 psi = 0.0689476 bar: NIST SP 811, B.8.
@pytest.mark.parametrize(
    ("table", "name", "cell", "unit", "value"),
    [
        ("shots", "dose_g", "0.635 oz", "", 18.001947),
        ("shots", "dose_g", 0.635, "oz", 18.001947),
        ("shots", "temp_set_c", "200 F", "", 93.333333),
        ("shots", "temp_set_c", 200, "F", 93.333333),
        ("shots", "pressure_bar", "130 psi", "", 8.963184),
        ("shots", "shot_time_s", 0.45, "min", 27.0),
        ("readings", "tds_pct", 0.089, "fraction", 8.9),
        ("readings", "tds_pct", "8.9 %", "fraction", 8.9),
    ],
)
def test_units_convert_and_a_unit_in_the_cell_wins(table, name, cell, unit, value):
    assert one(column(table, name), cell, unit=unit) == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize(
    ("cell", "choice"), [("Dial in", "dial-in"), ("CONFIRM ", "confirm"), ("dialin", "dial-in"), ("return", "return")]
)
def test_a_category_is_matched_whatever_its_case_and_hyphens(cell, choice):
    assert one(column("shots", "stage"), cell) == choice


def test_a_word_outside_a_category_names_the_choices():
    assert one(column("shots", "roast"), "cinnamon") == "it is none of light, medium, dark"


@pytest.mark.parametrize(
    ("cell", "truth"), [("Yes", True), ("n", False), (1, True), (0.0, False), (True, True), ("x", True)]
)
def test_yes_and_no_are_understood(cell, truth):
    assert one(column("scores", "blind"), cell) == truth


@pytest.mark.parametrize(
    ("cell", "when"),
    [
        (dt.date(2026, 3, 4), dt.datetime(2026, 3, 4)),
        (pd.Timestamp("2026-03-04 10:05"), dt.datetime(2026, 3, 4, 10, 5)),
        (np.datetime64("2026-03-04"), dt.datetime(2026, 3, 4)),
        ("2026-03-04", dt.datetime(2026, 3, 4)),
        ("2026-03-04T10:05:06Z", dt.datetime(2026, 3, 4, 10, 5, 6)),
        ("4/3/2026", dt.datetime(2026, 3, 4)),
        ("4.3.26 10:05", dt.datetime(2026, 3, 4, 10, 5)),
        ("4 March 2026", dt.datetime(2026, 3, 4)),
        ("Wednesday, 4th Mar 2026", dt.datetime(2026, 3, 4)),
        ("Mar 4, 2026 2:05 pm", dt.datetime(2026, 3, 4, 14, 5)),
    ],
)
def test_dates_are_understood(cell, when):
    assert one(column("shots", "pulled_at"), cell) == when


def test_the_month_may_stand_first_where_the_source_says_so():
    assert one(column("shots", "pulled_at"), "4/3/2026", day_first=False) == dt.datetime(2026, 4, 3)
    parsed = parse(column("shots", "pulled_at"), pd.Series(["4/23/2026"], dtype=object), Reading())
    assert parsed.problems["do"].iloc[0].startswith("set day_first = false")


@pytest.mark.parametrize("cell", ["tues", "31.2.2026", 45000, "14:05", "4/3", "0001-01-01"])
def test_what_is_no_date_is_not_guessed(cell):
    assert isinstance(one(column("shots", "pulled_at"), cell), str)


@pytest.mark.parametrize(
    "cell",
    [
        "",
        "  ",
        "-",
        "?",
        "n/a",
        "N/A",
        "—",
        None,
        float("nan"),
        pd.NA,
        pd.NaT,
        np.datetime64("NaT"),
        decimal.Decimal("NaN"),
    ],
)
def test_what_says_nothing_is_an_empty_cell(cell):
    assert not is_filled(cell)


@pytest.mark.parametrize("cell", ["0", 0, False, "no", [], "na", dt.time(0, 0)])
def test_what_says_little_is_a_filled_cell(cell):
    assert is_filled(cell)


def test_filled_has_the_shape_of_its_frame_even_without_columns():
    assert filled(pd.DataFrame(index=range(3))).shape == (3, 0)
    assert filled(pd.DataFrame({"a": ["x", None]})).tolist() == [[True], [False]]


def test_equal_cells_of_other_types_are_not_mixed_up():
    text = parse(column("shots", "grind_setting"), pd.Series([1, True, 1.0, "1"], dtype=object), Reading())
    assert text.values.tolist() == ["1", "TRUE", "1", "1"]


@pytest.mark.parametrize("cell", [pytest.param(10**5000, id="5001 digits"), "\ud800", object(), [1], b"\xff"])
def test_any_cell_can_be_shown(cell):
    shown(cell).encode("utf-8")


def test_every_kind_gives_its_own_type():
    for name, kind in (
        ("dose_g", "float64"),
        ("machine", "str"),
        ("decaf", "boolean"),
        ("roast_date", "datetime64[us]"),
    ):
        where = column("shots", name)
        assert str(parse(where, pd.Series([None], dtype=object), Reading()).values.dtype) == kind
        assert DTYPES[where.kind] == kind

import re

import pytest

from tastefield.tables.headings import COMMON, suggest, tidy, understand, unit_of, volumes
from tastefield.tables.units import CLOCK_UNITS, known_units
from tastefield.words.columns import TABLES, column, names

TOGETHER = ("shots", "readings", "scores")


def taken(*found, configured=None, tables=TOGETHER):
    return dict(understand(found, tables, configured or {}).columns)


def test_a_technicians_headings_are_understood_without_configuration():
    found = ["Machine", "Beans", "Grind", "In (g)", "Out (g)", "Time, s", "Taste", "TDS %", "Who tasted", "Notes"]
    assert taken(*found) == {
        "machine": "Machine",
        "coffee": "Beans",
        "grind_setting": "Grind",
        "dose_g": "In (g)",
        "beverage_g": "Out (g)",
        "shot_time_s": "Time, s",
        "score": "Taste",
        "tds_pct": "TDS %",
        "taster": "Who tasted",
        "notes": "Notes",
    }


@pytest.mark.parametrize("table", TABLES)
def test_a_canonical_name_names_itself_whatever_its_case_width_and_spaces(table):
    for name in names(table):
        for written in (name, name.upper(), f" {name.replace('_', ' ')} ", name.replace("_", "-")):
            assert taken(written, tables=[table]).get(name) == written


@pytest.mark.parametrize("heading", ["Dosing", "timer", "outlet", "tastes", "grinding", "scores", "machines"])
def test_likeness_is_not_enough(heading):
    assert taken(heading) == {}
    assert understand([heading], TOGETHER, {}).unused == (heading,)


def test_yield_as_a_percentage_is_no_weight():
    assert taken("Yield (%)") == {}
    assert taken("Yield (g)") == {"beverage_g": "Yield (g)"}


def test_the_configuration_comes_first_then_the_canonical_name_then_custom():
    found = ["Dose", "dose_g", "Ground"]
    assert taken(*found, configured={"dose_g": "Ground"}) == {"dose_g": "Ground"}
    assert taken(*found) == {"dose_g": "dose_g"}
    assert taken("Dose", "Ground") == {"dose_g": "Dose"}


def test_a_configured_heading_that_is_absent_is_not_replaced_by_a_guess():
    assert taken("Dose", configured={"dose_g": "Ground"}) == {}
    assert taken("dose_g", configured={"dose_g": "Ground"}) == {}


def test_configured_headings_are_matched_exactly():
    assert taken("IN", configured={"dose_g": "in"}) == {}
    assert taken(" in ", configured={"dose_g": "in"}) == {"dose_g": " in "}


def test_of_several_common_headings_the_first_in_the_list_is_taken():
    understood = understand(["Taste", "Score"], TOGETHER, {})
    assert understood.columns == {"score": "Score"}
    assert understood.unused == ("Taste",)
    both = understand(["Time", "Shot time"], TOGETHER, {})
    assert both.columns == {"shot_time_s": "Shot time"}


@pytest.mark.parametrize(
    ("heading", "name", "unit"),
    [
        ("In (oz)", "dose_g", "oz"),
        ("dose [g]", "dose_g", "g"),
        ("Time / min", "shot_time_s", "min"),
        ("dose_g", "dose_g", ""),
        ("shot_time_s (ms)", "shot_time_s", "ms"),
        ("shot_time_ms", "shot_time_s", "ms"),
        ("dose_g, oz", "dose_g", "oz"),
        ("beverage_mg", "beverage_g", "mg"),
        ("temp_set_f", "temp_set_c", "F"),
        ("Pressure (kPa)", "pressure_bar", "kPa"),
        ("Pressure PSI", "pressure_bar", "PSI"),
        ("Shot time (Min:S)", "shot_time_s", "Min:S"),
    ],
)
def test_a_unit_in_a_heading_is_seen_and_said_as_it_is_written(heading, name, unit):
    assert unit_of(heading, column("shots", name)) == unit


@pytest.mark.parametrize("table", TABLES)
def test_a_canonical_column_is_known_with_any_unit_it_is_converted_from(table):
    for one in TABLES[table]:
        written = [unit for unit in known_units(one) if unit not in CLOCK_UNITS]
        stem = re.sub(r"_(g|s|c|pct|bar)$", "", one.name)
        for unit in written:
            suffixed = [f"{stem}_{unit}"] if " " not in unit else []
            for heading in (f"{one.name} ({unit})", f"{one.name} [{unit}]", f"{stem} ({unit})", *suffixed):
                assert taken(heading, tables=[table]).get(one.name) == heading
                if heading != one.name:
                    assert unit_of(heading, one) == {"f": "F", "c": "C"}.get(unit, unit).replace("º", "°")


@pytest.mark.parametrize("heading", ["beverage_ml", "dose_g (ml)", "dose_stone", "shot_time_s (g)", "notes_ms"])
def test_a_canonical_column_with_a_unit_it_is_not_converted_from_is_not_taken(heading):
    assert taken(heading) == {}


def test_a_canonical_name_goes_before_the_same_with_another_unit():
    understood = understand(["shot_time_ms", "shot_time_s"], TOGETHER, {})
    assert understood.columns == {"shot_time_s": "shot_time_s"}
    assert understood.unused == ("shot_time_ms",)


def test_no_common_heading_is_claimed_by_two_columns():
    together = set(names("shots") + names("readings") + names("scores"))  # only these can stand in one row
    known = [words for name in sorted(together) for words in set(COMMON.get(name, ()))]
    assert {words for words in known if known.count(words) > 1} == set()
    assert all(tidy(words) == words for words in known)


@pytest.mark.parametrize(
    ("heading", "column"),
    [
        ("Machne", "machine"),
        ("Grind seting", "grind_setting"),
        ("Shot time (total)", "shot_time_s"),
        ("Dose of coffee (g)", "dose_g"),
        ("Tasters", "taster"),
    ],
)
def test_a_heading_that_looks_like_a_column_is_suggested_and_never_taken(heading, column):
    found = understand([heading], ["shots", "scores"], {})
    assert found.columns == {}
    assert suggest(found, ["shots", "scores"]) == {column: heading}


def test_nothing_is_suggested_twice_nor_for_a_column_that_is_named():
    found = understand(["Machine", "Machne", "Weather", "In the cup"], ["shots"], {})
    assert suggest(found, ["shots"]) == {}
    found = understand(["Machin", "Machne"], ["shots"], {})
    assert suggest(found, ["shots"]) == {"machine": "Machin"}


def test_a_volume_is_no_suggestion_for_a_weight():
    found = understand(["Weight out (ml)", "Out ml", "Temp"], ["shots"], {})
    assert volumes(["Weight out (ml)", "Out ml", "Temp"]) == ("Weight out (ml)", "Out ml")
    assert suggest(found, ["shots"]) == {}

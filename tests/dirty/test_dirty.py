"""Realistic dirty files, one kind of dirt each: what is kept, what is set aside, what is said."""

import datetime as dt
import importlib.util
from pathlib import Path

import pytest

from tastefield.config import SetupsConfig, SourceConfig, TasteConfig
from tastefield.stages.derive import derive
from tastefield.stages.ingest import ingest
from tastefield.stages.reconcile import reconcile
from tastefield_plugins.read_table import TableOptions, TableReader

HERE = Path(__file__).resolve().parent
spec = importlib.util.spec_from_file_location("workbooks", HERE / "workbooks.py")
workbooks = importlib.util.module_from_spec(spec)
spec.loader.exec_module(workbooks)


class Found:
    """What came of one file."""

    def __init__(self, path, **source):
        config = SourceConfig(path=path.name, **source)
        read = ingest([config], {"table": TableReader()}, path.parent, 1, [TableOptions()])
        self.records = reconcile(read.raw, [config], TasteConfig())
        self.findings = {one.code: one for one in (*read.findings, *self.records.findings)}

    def column(self, name, table="shots"):
        values = self.records.tables[table][name]
        return values.astype(object).where(values.notna(), None).tolist()

    @property
    def aside(self):
        frame = self.records.set_aside
        return [(row, column, reason) for row, column, reason in frame[["row", "column", "reason"]].to_numpy()]

    def said(self, code):
        return f"{self.findings[code].message} {self.findings[code].do}"


def text(name, **source):
    return Found(HERE / name, **source)


def test_semicolons_and_decimal_commas():
    found = text("semicolon-decimal-comma.csv")
    assert found.column("dose_g") == [18.2, 18.0, 17.9]
    assert found.column("beverage_g") == [36.4, 37.1, None]
    assert found.column("shot_time_s") == [27.5, 29.0, None]
    assert found.column("grind_setting") == ["7,5", "7", "7"]  # as its owner writes it
    assert found.column("score", "scores") == [7.0, 6.5]
    assert found.aside == []


def test_letters_of_cp1252():
    found = text("cp1252.csv")
    assert found.column("coffee") == ["Café Noël"] * 2
    assert found.column("notes") == ["crème – “thick”", "5 €"]
    assert found.aside == []


def test_a_row_of_groups_above_the_headings():
    found = text("merged-header.csv")
    assert found.column("beverage_g") == [36.0, 35.5]
    assert found.column("score", "scores") == [7.0, 6.0]
    assert "row 2: 1" in found.said("rows_above_headings")
    assert found.aside == []


def test_merged_cells_of_a_workbook(tmp_path):
    found = Found(workbooks.merged_header(tmp_path))
    assert found.column("dose_g") == [18.1]
    assert found.aside == [(5, "", "there is no machine and no coffee")]
    assert "fill_down" in found.records.set_aside["do"].iloc[0]
    mended = Found(tmp_path / "merged-header.xlsx", fill_down=("machine", "coffee"))
    assert mended.column("machine") == ["red", "red"]
    assert mended.aside == []


def test_rows_that_sum_up_others():
    found = text("totals.csv")
    assert found.column("row") == [2, 3, 6]
    sums = "it looks like a sum of other rows"
    assert found.aside == [(4, "", sums), (7, "", sums)]
    assert "2 of 5" in found.said("rows_set_aside")


def test_thousands_separators():
    found = text("thousands.csv")
    assert found.column("pressure_bar") == [pytest.approx(12.345), 9.0, None]
    assert found.aside == [(4, "pressure_bar", 'it is not a number; it stands under "Pressure (kPa)", in kPa')]
    assert "Pressure (kPa) is in kPa and was converted to bar" in found.said("units_converted")


def test_times_as_fractions_of_a_day(tmp_path):
    found = text("fractions-of-a-day.csv")
    assert found.column("shot_time_s") == [None, None, 26.0]
    looks = "it looks like a fraction of a day: 27 s as a time"
    assert found.aside == [(2, "shot_time_s", looks), (3, "shot_time_s", looks)]
    assert 'shot_time_s = "day"' in found.said("cells_asked_about")
    path = workbooks.times_of_day(tmp_path)
    assert [reason for *_, reason in Found(path).aside] == [looks, looks]
    answered = Found(path, units={"shot_time_s": "day"})
    assert answered.column("shot_time_s")[0] == pytest.approx(27.0)
    why = '1620 s is impossible: more than 0 and at most 600 s; it stands under "Time", in fractions of a day'
    assert answered.aside == [(3, "shot_time_s", why)]


def test_formulas_without_their_values_and_with_errors(tmp_path):
    found = Found(workbooks.unanswered_formulas(tmp_path))
    assert found.column("beverage_g") == [None, None, None]
    assert "2, the first D2" in found.said("formulas_without_values")
    assert "save it again" in found.said("formulas_without_values")
    assert "1, the first D4" in found.said("formulas_with_errors")


def test_percent_cells_beside_plain_ones(tmp_path):
    found = Found(workbooks.percent_cells(tmp_path))
    assert found.column("tds_pct", "readings") == [8.8]
    assert ["fraction of 1" in reason for *_, reason in found.aside] == [True, True]
    assert "0.091 is 9.1" in found.said("rows_set_aside")


def test_headings_that_stand_there_twice():
    found = text("duplicated-headings.csv")
    assert found.column("shot_time_s") == [27.0, 26.0]
    assert found.column("notes") == ["slow", None]
    assert '"Time", "Notes"' in found.said("headings_twice")
    assert '"Time (2)" (2 filled), "Notes (2)" (1 filled)' in found.said("columns_unused")
    assert found.aside == []


def test_dates_counted_from_1904(tmp_path):
    found = Found(workbooks.dates_from_1904(tmp_path))
    assert found.column("pulled_at") == [dt.datetime(2026, 3, 4, 10, 5)]
    assert found.column("roast_date") == [dt.datetime(2026, 2, 20)]


def test_several_units_in_one_column():
    found = text("mixed-units.csv")
    assert found.column("dose_g") == [18.1, pytest.approx(18.144, abs=1e-3), 18.0]
    assert found.column("shot_time_s") == [27.0, 27.0, 27.0]
    assert found.column("temp_set_c") == [93.0, pytest.approx(93.333, abs=1e-3), 93.0]
    (whole, temperature) = found.aside  # the row without its unit, and the cell in it that F would explain
    assert whole[:2] == (3, "")
    assert "ounces" in whole[2]
    assert temperature[:2] == (3, "temp_set_c")
    assert "write 200 F" in found.records.set_aside["do"].iloc[1]
    converted = [one.message for one in found.records.findings if one.code == "cells_converted"]
    assert any("0.64 oz in row 4, converted to g" in message for message in converted)
    assert any("200 F in row 4, converted to C" in message for message in converted)


def test_names_that_look_alike_are_one_finding_with_the_fix():
    found = text("look-alike-names.csv")
    assert found.column("machine") == ["Red", "red", "Ｒｅｄ", "Red", "Red"]
    assert found.column("coffee") == ["House", "House", "House", "House blend", "House blend"]
    told = [one for one in found.records.findings if one.code == "names_differ_only_in_case"]
    assert [one.where for one in told] == [{"machine": "Red"}, {"taster": "Ann"}]
    assert '"Red" (3), "red" (1), "Ｒｅｄ" (1)' in told[0].message
    assert told[0].do == "If they are one, write Red everywhere."
    assert '("House", "House blend")' in found.said("names_folded")


def test_last_years_sheet_with_volumes():
    found = text("last-year-ml.csv")
    assert found.column("beverage_g") == [None, None]
    assert '"Out (ml)"' in found.said("volumes_unused")
    configured = text("last-year-ml.csv", columns={"beverage_g": "Out (ml)"})
    assert configured.column("beverage_g") == [None, None]
    assert {reason for *_, reason in configured.aside} == {
        "it is a volume, 45 ml, not a weight",
        "it is a volume, 50 ml, not a weight",
    }


def test_times_of_two_clocks():
    found = text("mixed-clocks.csv")
    assert found.column("clock") == ["pump"] * 4 + ["first_drip"] * 2
    assert found.aside == []
    told = derive(found.records, SetupsConfig())
    codes = {one.code for several in told.setup_findings.values() for one in several}
    assert "two_clocks" in codes
    assert told.shots["shot_time_s"].notna().sum() == 4


def test_targets_typed_as_weights():
    found = text("typed-targets.csv")
    assert len(found.column("dose_g")) == 6
    assert found.aside == []
    assert "red (6 of 18.0 g); so is every weight out" in found.said("targets_typed_as_weights")
    assert "Weigh" in found.said("targets_typed_as_weights")


def test_every_kind_of_dirt_has_its_file_here():
    stored = {path.name for path in HERE.glob("*.csv")}
    used = {line.split('"')[1] for line in Path(__file__).read_text("utf-8").splitlines() if 'text("' in line}
    assert stored == {name for name in used if name.endswith(".csv")}

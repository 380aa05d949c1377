"""The writer ``workbook``: every number with its unit, texts that stay texts, read back by two other libraries."""

from __future__ import annotations

import dataclasses
import math
import re
import zipfile
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import openpyxl
import pandas as pd
import pytest
from openpyxl.utils.escape import unescape
from python_calamine import CalamineWorkbook

from tastefield.hooks import NoOptions
from tastefield.records import Context, RunResult
from tastefield.testing.samples import empty_run
from tastefield.words import columns
from tastefield.words.bench_line import bench_line
from tastefield.words.cautions import CAUTIONS
from tastefield.words.phrases import printable
from tastefield_plugins.write_workbook import WorkbookWriter, book

from . import sample_run

SHEETS = [
    "Bench",
    "Recipes",
    "Windows",
    "Next shots",
    "Another coffee",
    "Shots",
    "Findings",
    "What was read",
    "Set aside",
    "Tasters",
    "Bench checks",
    "Method",
    "Cautions",
    "Columns",
]


def write(run: RunResult, folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    WorkbookWriter().write_run(run, folder, Context(NoOptions()))
    assert [file.name for file in folder.iterdir()] == ["workbook.xlsx"], "what it needed meanwhile is swept up"
    return folder / "workbook.xlsx"


@lru_cache(maxsize=1)
def made() -> tuple[RunResult, bytes]:
    run = sample_run.run()
    with TemporaryDirectory() as folder:
        return run, write(run, Path(folder)).read_bytes()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "workbook.xlsx").write_bytes(made()[1])
    return tmp_path / "workbook.xlsx"


def table(path: Path, name: str) -> list[dict[str, Any]]:
    """A sheet as openpyxl reads it, a row a dictionary."""
    head, *rows = openpyxl.load_workbook(path)[name].iter_rows(values_only=True)
    return [dict(zip(head, row, strict=True)) for row in rows]


def test_the_bench_comes_first_and_says_what_the_page_says(path):
    run = made()[0]
    assert openpyxl.load_workbook(path).sheetnames == SHEETS
    told = [bench_line(result.entry, result.clock) for result in run.setups]
    rows = table(path, "Bench")
    for heading, key in (("Machine", "machine"), ("Ready?", "ready"), ("How sure", "sure"), ("Do next", "next")):
        assert [row[heading] for row in rows] == [line[key] for line in told]
    assert all(row["Set this"].startswith(line["set"]) for row, line in zip(rows, told, strict=True) if line["set"])


def test_recipes_are_the_numbers_of_the_results_file_unrounded(path):
    run = made()[0]
    for row, result in zip(table(path, "Recipes"), run.setups, strict=True):
        entry = result.entry
        assert row["Setup"] == result.slug
        if not entry["aim"]:
            assert row["In (g)"] is row["Chance (0 to 1)"] is None
            continue
        assert row["Out (g)"] == pytest.approx(entry["aim"]["beverage_g"], rel=1e-15)
        assert row["Time (s)"] == pytest.approx(entry["aim"]["shot_time_s"], rel=1e-15)
        assert row["Chance (0 to 1)"] == entry["assurance"]
        assert row["Dial"] == entry["aim"]["grind_setting"], "a setting is a name, even one of digits"
        assert row["Last pulled"] == datetime(2025, 3, 4)
        assert isinstance(row["Grinder leaves"], (bool, type(None)))


def test_windows_next_shots_and_another_coffee_have_a_row_each(path):
    run = made()[0]
    assert len(table(path, "Windows")) == sum(result.entry["window"] is not None for result in run.setups)
    assert len(table(path, "Next shots")) == sum(len(result.entry["next_shots"]) for result in run.setups)
    assert [row["In (g)"] for row in table(path, "Another coffee")] == [18, None]
    assert "about 1 in 2" in table(path, "Another coffee")[0]["How sure"]


def test_two_libraries_read_the_same_and_every_shot_is_there(path):
    run = made()[0]
    ours = table(path, "Shots")
    head, *theirs = CalamineWorkbook.from_path(str(path)).get_sheet_by_name("Shots").to_python(skip_empty_area=False)
    assert len(ours) == len(theirs) == len(run.records.tables["shots"])
    for heading in ("Dose (g)", "Shot time (s)", "Ratio (g/g)"):
        at = head.index(heading)
        assert [row[heading] for row in ours] == [row[at] for row in theirs]
    expected = pd.concat([result.shots for result in run.setups])["ratio"].tolist()
    assert [row["Ratio (g/g)"] for row in ours] == pytest.approx(expected, rel=1e-15)
    scores = run.setups[0].scores.groupby("shot_id")["score"].mean()
    assert {row["Shot id"]: row["Score (points)"] for row in ours[:6]} == pytest.approx(scores.to_dict())


def test_a_shot_of_no_setup_is_written_too(tmp_path):
    run = sample_run.run(sample_run.CASES[:1])
    lone = run.records.tables["shots"].head(1).assign(shot_id="lone", beverage_g=float("nan"))
    shots = pd.concat([run.records.tables["shots"], lone], ignore_index=True)
    records = dataclasses.replace(run.records, tables={**run.records.tables, "shots": shots})
    last = table(write(dataclasses.replace(run, records=records), tmp_path / "out"), "Shots")[-1]
    assert (last["Shot id"], last["Setup"], last["Beverage (g)"]) == ("lone", None, None)


def test_extraction_has_no_column_where_nothing_was_read(path, tmp_path):
    assert "Extraction (%)" in table(path, "Recipes")[0]
    unread = write(sample_run.run(sample_run.CASES[:2]), tmp_path / "out")
    assert not [name for name in table(unread, "Recipes")[0] if "TDS" in name or "xtraction" in name]


def test_hostile_names_are_whole_and_run_nothing(path):
    run = made()[0]
    names = {row["Machine"] for row in table(path, "Recipes")}
    assert {printable(name) for name in sample_run.HOSTILE} <= names
    assert "x" * 300 in names
    for sheet in openpyxl.load_workbook(path):
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f", f"{sheet.title}!{cell.coordinate} is a formula"
                assert cell.hyperlink is None
                if isinstance(cell.value, str) and cell.value.startswith(("=", "+", "@")):
                    assert cell.quotePrefix, "it stays a text when somebody edits it"
    with zipfile.ZipFile(path) as parts:
        for name in parts.namelist():
            content = parts.read(name)
            assert not re.search(rb"<f[ >]", content)
            assert "externalLink" not in name
    assert len(run.setups) == len(table(path, "Bench"))


@pytest.mark.parametrize(
    "name", ["_x0041_", "\U0001f600 crema", "a\x07b", "http://x.example/", "007", "1:2", "TRUE", " padded "]
)
def test_no_name_is_changed_into_something_else(name, tmp_path):
    run = sample_run.run((sample_run.Case(name, "house"),))
    path = write(run, tmp_path / "out")
    assert unescape(table(path, "Recipes")[0]["Machine"]) == printable(name)  # openpyxl leaves ST_Xstring as it is
    rows = CalamineWorkbook.from_path(str(path)).get_sheet_by_name("Recipes").to_python()
    assert rows[1][0] == printable(name)


def test_a_text_longer_than_a_cell_may_be_is_cut_and_says_so(tmp_path):
    run = sample_run.run(sample_run.CASES[:1])
    run.records.set_aside.loc[0, "value"] = "y" * 90_000
    value = table(write(run, tmp_path / "out"), "Set aside")[0]["Value"]
    assert len(value) == 32_767
    assert value.endswith("…")


def test_more_rows_than_a_sheet_holds_end_in_a_line_that_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(book, "MOST_ROWS", 5)
    rows = table(write(sample_run.run(), tmp_path / "out"), "Shots")
    assert len(rows) == 4
    assert rows[-1]["Setup"] == book.FULL


def test_every_sheet_freezes_its_heading_filters_and_prints_on_pages_as_wide_as_they_are(path):
    for sheet in openpyxl.load_workbook(path):
        assert sheet.freeze_panes == "A2"
        assert sheet.auto_filter.ref.startswith("A1:")
        assert sheet.print_title_rows == "$1:$1"
        setup = sheet.page_setup
        assert (setup.orientation, setup.fitToWidth or 1, setup.fitToHeight) == ("landscape", 1, 0)  # 1 unless said
        assert all(8 <= column.width <= 62 for column in sheet.column_dimensions.values())
        assert all(cell.font.bold and cell.comment for cell in sheet[1])


def test_numbers_show_few_digits_and_hold_all(path):
    sheet = openpyxl.load_workbook(path)["Recipes"]
    forms = {sheet.cell(1, at).value: sheet.cell(2, at).number_format for at in range(1, sheet.max_column + 1)}
    assert forms["Ratio (g/g)"] == "0.00"
    assert forms["Time (s)"] == "0.0"
    assert forms["Shots"] == "0"
    assert forms["Last pulled"] == "yyyy-mm-dd"


def test_every_column_is_explained_and_numbers_carry_their_unit(path):
    explained = {(row["Sheet"], row["Column"]): row["Meaning"] for row in table(path, "Columns")}
    workbook = openpyxl.load_workbook(path)
    for name in SHEETS[:-1]:
        for cell in workbook[name][1]:
            assert explained[name, cell.value].strip()
    bare = {"Shots", "Tasted", "Tasters", "Readings", "No.", "Row", "Rows read", "Kept", "Set aside"}
    bare |= {"Cells set aside", "Dial position", "Level", "Spread", "Repeatability", "Agreement"}
    for sheet in workbook:
        for at, cell in enumerate(sheet[1], start=1):
            kinds = {type(below.value) for (below,) in sheet.iter_rows(min_row=2, min_col=at, max_col=at)}
            if kinds & {int, float}:
                assert "(" in cell.value or cell.value in bare, f"{sheet.title}: {cell.value} has no unit"


def test_every_column_that_shots_can_have_is_in_the_glossary():
    known = {column.name for column in (*columns.SHOTS, *columns.DERIVED)} | {*columns.PROVENANCE, "setup"}
    assert set(sample_run.setup(sample_run.CASES[3]).shots) <= known
    assert not {column.name for column in columns.DERIVED} & {column.name for column in columns.SHOTS}


def test_findings_what_was_set_aside_checks_method_and_cautions_are_all_there(path):
    assert table(path, "Findings")[0]["Whose"] == "the whole run"
    assert [row["Row"] for row in table(path, "Set aside")] == [7, 12]
    assert [row["Verdict"] for row in table(path, "Bench checks")] == ["Recorded", "Fails"]
    method = {row["About"]: row["In words"] for row in table(path, "Method")}
    assert method["Made"] == "2025-03-31"
    assert "4 in 5" in method["What “about 4 in 5” means"]
    assert len(table(path, "Cautions")) == len(CAUTIONS)


def test_the_same_run_gives_the_same_bytes_whatever_the_hour(tmp_path):
    run = sample_run.run()
    later = dataclasses.replace(run, summary={**run.summary, "created_at": "2025-03-31T23:59:59+00:00"})
    assert write(later, tmp_path / "out").read_bytes() == made()[1]


def test_unknown_and_infinite_numbers_are_empty_cells(tmp_path):
    run = sample_run.run(sample_run.CASES[:1])
    run.setups[0].shots.loc[0, ["ratio", "beverage_g"]] = [math.nan, math.inf]
    first = table(write(run, tmp_path / "out"), "Shots")[0]
    assert (first["Ratio (g/g)"], first["Beverage (g)"]) == (None, None)


def test_a_run_without_setups_has_every_sheet(tmp_path):
    assert openpyxl.load_workbook(write(empty_run(), tmp_path / "out")).sheetnames == SHEETS

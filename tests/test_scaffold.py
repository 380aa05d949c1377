"""What a beginner gets: a reader that works with a test that passes, a workbook and a configuration to fill in."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner

from tastefield import workflow
from tastefield.cli import main
from tastefield.errors import ConfigError
from tastefield.loading import load
from tastefield.scaffold import new_reader
from tastefield.words.columns import CHECKS, READINGS, SCORES, SHOTS
from tastefield.workbook import CONFIGURATION, LOG, start


def test_a_new_reader_passes_its_test_at_once(tmp_path):
    files = new_reader("my_scale", tmp_path)
    assert [file.name for file in files] == ["read_my_scale.py", "test_read_my_scale.py"]
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-W", "error", str(files[1])]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 0, done.stdout
    assert "17 passed" in done.stdout


def test_a_new_reader_is_read_by_a_configuration_that_names_it(tmp_path):
    new_reader("scale", tmp_path)
    (tmp_path / "log.scale").write_text("Machine|Coffee|In|Out|Time\nA|house|18|36|27\nA|house|18|41|24\n")
    (tmp_path / "bench.toml").write_text(
        'plugins = ["read_scale.py"]\n[[source]]\npath = "log.scale"\nholds = ["shots"]\n[source.columns]\n'
        'machine = "Machine"\ncoffee = "Coffee"\ndose_g = "In"\nbeverage_g = "Out"\nshot_time_s = "Time"\n'
    )
    shots = workflow.check(tmp_path / "bench.toml").tables["shots"]
    assert shots["beverage_g"].tolist() == [36.0, 41.0]
    assert shots["row"].tolist() == [2, 3]


def test_a_new_reader_is_about_ten_lines(tmp_path):
    body = new_reader("scale", tmp_path)[0].read_text().split("class ")[1].split("@hookimpl")[0]
    assert len([line for line in body.splitlines() if line.strip()]) <= 14


def test_the_commands_tell_what_they_wrote_and_what_comes_next(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    made = CliRunner().invoke(main, ["new", "reader", "scale"])
    assert made.exit_code == 0
    assert "tastefield plugins --test read_scale.py" in made.output
    tested = CliRunner().invoke(main, ["plugins", "--test", "read_scale.py"])
    assert tested.exit_code == 0, tested.output
    assert "reader scale keeps its contract" in tested.output
    begun = CliRunner().invoke(main, ["start", "bench"])
    assert begun.exit_code == 0
    assert f"tastefield run {Path('bench') / 'tastefield.toml'}" in begun.output


@pytest.mark.parametrize("name", ["My Reader", "../x", "", "1st", "a.b", "<script>"])
def test_a_name_that_is_no_plugin_name_is_refused(tmp_path, name):
    with pytest.raises(ConfigError, match="lower case"):
        new_reader(name, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_ever_overwritten(tmp_path):
    (tmp_path / "test_read_scale.py").write_text("mine")
    (tmp_path / "tastefield.toml").write_text("mine")
    for write in (lambda: new_reader("scale", tmp_path), lambda: start(tmp_path)):
        with pytest.raises(ConfigError, match="not be overwritten"):
            write()
    assert {file.name: file.read_text() for file in tmp_path.iterdir()} == {
        "test_read_scale.py": "mine",
        "tastefield.toml": "mine",
    }


def test_the_blank_workbook_has_known_headings_comments_and_drop_downs(tmp_path):
    start(tmp_path / "bench")
    book = openpyxl.load_workbook(tmp_path / "bench" / "log.xlsx")
    assert book.sheetnames == ["log", "coffees", "grinders", "checks"]
    log = book["log"]
    headings = [cell.value for cell in log[1]]
    known = {column.name for table in (SHOTS, READINGS, SCORES) for column in table}
    assert headings == list(LOG)
    assert set(headings) <= known
    assert {column.name for column in SHOTS if column.required} <= set(headings)
    assert [cell.value for cell in book["checks"][1]] == [column.name for column in CHECKS]
    assert all(cell.comment for sheet in book for cell in sheet[1])
    assert log.freeze_panes == "A2"
    lists = {str(rule.sqref): rule.formula1 for rule in log.data_validations.dataValidation}
    assert any("coffees" in formula for formula in lists.values())
    assert any("grinders" in formula for formula in lists.values())
    assert any("choked" in formula for formula in lists.values())
    # a setting such as 4-2 typed into a cell of general format becomes a date
    assert log.column_dimensions["E"].number_format == "@"


def test_the_blank_configuration_loads_and_the_blank_log_is_read_without_complaint(tmp_path):
    start(tmp_path)
    loaded = load(tmp_path / "tastefield.toml")
    assert [source.holds for source in loaded.config.source] == [
        ("shots", "readings", "scores"),
        ("coffees",),
        ("grinders",),
        ("checks",),
    ]
    records = workflow.check(tmp_path / "tastefield.toml")
    assert records.set_aside.empty
    assert all(count.read == 0 for count in records.counts)


def test_every_switched_off_line_of_the_configuration_is_a_line_that_loads(tmp_path):
    start(tmp_path)
    switched_on = "\n".join(
        line.removeprefix("# ") for line in CONFIGURATION.splitlines() if not line.startswith(("# Run", "# A line"))
    )
    (tmp_path / "tastefield.toml").write_text(switched_on)
    loaded = load(tmp_path / "tastefield.toml")
    assert loaded.config.taste.scale == (1, 9)
    assert loaded.config.grinder[0].name == "bench-3"
    assert loaded.config.source[0].units == {"dose_g": "oz"}


def test_a_filled_workbook_is_read_with_its_configuration(tmp_path):
    start(tmp_path)
    book = openpyxl.load_workbook(tmp_path / "log.xlsx")
    values = {"machine": "A", "coffee": "house", "grind_setting": "4-2", "dose_g": 18.1, "shot_time_s": "27s"}
    for column, heading in enumerate(book["log"][1], start=1):
        if heading.value in values:
            book["log"].cell(2, column, values[heading.value])
    book["log"].cell(2, list(LOG).index("score") + 1, "serve")
    book["checks"].append(["A", "leaks", "none", "", "2025-03-04", "me", "looked"])
    book.save(tmp_path / "log.xlsx")
    records = workflow.check(tmp_path / "tastefield.toml")
    assert records.tables["shots"][["machine", "grind_setting", "dose_g", "shot_time_s"]].values.tolist() == [
        ["A", "4-2", 18.1, 27.0]
    ]
    assert len(records.tables["scores"]) == 1
    assert records.tables["checks"]["by"].tolist() == ["me"]


def filled_in(folder, sheets):
    """The blank workbook with rows typed into its sheets, each a mapping from heading to cell."""
    start(folder)
    book = openpyxl.load_workbook(folder / "log.xlsx")
    for name, rows in sheets.items():
        at = {cell.value: cell.column for cell in book[name][1]}
        for number, row in enumerate(rows, start=2):
            for heading, value in row.items():
                book[name].cell(number, at[heading], value)
    book.save(folder / "log.xlsx")
    return folder / "tastefield.toml"


DIALLED = [
    {
        "machine": "A",
        "grinder": "bench-3",
        "coffee": "night" if n == 7 else "house",
        "grind_setting": str(8 - n % 4),
        "dose_g": 18,
        "beverage_g": 35 + n % 3,
        "shot_time_s": 21 + 3 * (n % 4) + n % 2 / 2,
        "score": 5 + n % 4,
        "roast": "light" if n == 0 else None,
    }
    for n in range(8)
]


def test_the_sheet_of_coffees_fills_what_the_shots_do_not_say(tmp_path):
    coffees = [
        {"coffee": "house", "roast": "dark", "roast_date": dt.datetime(2026, 3, 1), "decaf": "no"},
        {"coffee": "night", "decaf": "yes"},
        {"coffee": "house", "roast": "medium"},
    ]
    run = workflow.analyse(filled_in(tmp_path, {"log": DIALLED, "coffees": coffees}))
    shots = run.records.tables["shots"]
    assert shots["roast"].fillna("").tolist() == ["light", *["dark"] * 6, ""]
    assert shots["roast_date"].notna().tolist() == [True] * 7 + [False]
    assert shots["decaf"].tolist() == [False] * 7 + [True]
    (count,) = [count for count in run.records.counts if count.table == "coffees"]
    assert (count.read, count.kept, count.set_aside) == (3, 2, 1)  # one coffee was entered twice


def test_the_sheet_of_grinders_is_heeded_like_the_configuration(tmp_path):
    """The shots of this log run slower at lower numbers, so that a dial said to be the other way round is a doubt."""
    grinders = [{"grinder": "bench-3", "lowest": 1, "highest": 16, "step": 1, "higher_is": "finer"}]
    config = filled_in(tmp_path, {"log": DIALLED, "grinders": grinders})

    def doubted():
        (setup, _) = workflow.analyse(config).setups
        return "dial_against_grinder" in {finding["code"] for finding in setup.entry["findings"]}

    assert doubted()
    with config.open("a") as text:
        text.write('[[grinder]]\nname = "bench-3"\nhigher_is = "coarser"\n')
    assert not doubted()  # what the configuration says goes before the sheet


def test_the_sheet_of_grinders_tells_how_settings_are_written(tmp_path):
    log = [
        {**shot, "grind_setting": f"{at // 5}{'ABCDE'[at % 5]}"}
        for shot in DIALLED
        for at in [int(shot["grind_setting"])]
    ]
    grinders = [{"grinder": "bench-3", "notation": "letters", "per": 5, "lowest": "0A", "highest": "3E"}]
    run = workflow.analyse(filled_in(tmp_path, {"log": log, "grinders": grinders}))
    assert run.records.tables["shots"]["dial_position"].tolist() == [int(shot["grind_setting"]) for shot in DIALLED]
    assert {setup.entry["aim"]["grind_setting"] for setup in run.setups} <= {"0E", "1A", "1B", "1C", "1D", "1E", "2A"}


def test_a_dial_that_cannot_be_is_set_aside_with_its_reason(tmp_path):
    grinders = [
        {"grinder": "a", "lowest": 5, "highest": 1},
        {"grinder": "b", "lowest": 1, "highest": 5, "step": 9},
        {"grinder": "c", "step": 0.5},
        {"grinder": "d", "notation": "two_part", "lowest": "1+0"},
        {"grinder": "e", "notation": "letters", "per": 10, "lowest": "1A", "highest": "4K"},
        {"grinder": "f", "notation": "list", "labels": "fine, espresso, moka", "lowest": "Fine"},
    ]
    records = workflow.check(filled_in(tmp_path, {"log": DIALLED, "grinders": grinders}))
    assert records.tables["grinders"]["grinder"].tolist() == ["c", "f"]
    assert records.set_aside["row"].tolist() == [2, 3, 5, 6]
    assert records.set_aside["reason"].tolist() == [
        "highest must be greater than lowest",
        "step is longer than the dial",
        "per is missing",
        'highest "4K" does not fit the notation letters',
    ]

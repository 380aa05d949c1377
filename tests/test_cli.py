"""The command line: exit codes, what is said where, and that it answers at once."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from click.testing import CliRunner

from tastefield import cli, summary, workflow
from tastefield.errors import ConfigError, OutputError, Problem, ReadError
from tastefield.records import Records, SourceCount, Taste
from tastefield.testing import empty_run, sample_run
from tastefield.words.columns import SET_ASIDE
from tastefield.words.findings import Finding, finding
from tastefield.words.phrases import JARGON, chance_in_words, printable, readiness, recipe, setup_name


def called(*arguments: str):
    return CliRunner().invoke(cli.main, list(arguments))


@pytest.fixture
def run_with(monkeypatch):
    """Put a workflow of our own behind the command line; what it was asked is kept."""
    asked = {}

    def put(name: str, answer):
        def function(source, **options):
            asked.update(source=source, **options)
            if isinstance(answer, Exception):
                raise answer
            return answer

        monkeypatch.setattr(workflow, name, function)
        return asked

    return put


def test_help_loads_no_numerical_library():
    code = (
        "import sys\n"
        "from tastefield.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'pydantic', 'pyarrow'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Exit codes" in done.stdout


def test_the_version_is_told():
    assert "0.1.0" in called("--version").output


def test_run_passes_on_what_was_asked_and_says_what_was_found(run_with):
    asked = run_with("run", sample_run())
    done = called(
        "run", "log.csv", "--out", "there", "--jobs", "2", "--cluster", "tcp://there:8786", "--strict", "--fail-fast"
    )
    assert done.exit_code == 0
    assert asked == {
        "source": Path("log.csv"),
        "out": Path("there"),
        "jobs": 2,
        "strict": True,
        "fail_fast": True,
        "progress": None,
        "cluster": "tcp://there:8786",
    }
    assert "Made-up bench" in done.stdout


def test_something_that_failed_beside_a_written_run_is_exit_code_3(run_with):
    run_with("run", replace(sample_run(), failed=("writer page: no ink",)))
    done = called("run", "log.csv")
    assert done.exit_code == 3
    assert "writer page: no ink" in done.stdout


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (ConfigError([Problem("there is no key", "a.toml", do="mend it"), Problem("nor this one", "a.toml")]), 2),
        (ReadError("log.csv", "it is empty", "fill it"), 1),
        (OutputError(Problem("is not ours", "out")), 1),
    ],
)
def test_errors_are_told_whole_on_stderr_with_their_exit_code(run_with, error, code):
    run_with("run", error)
    done = called("run", "log.csv")
    assert done.exit_code == code
    assert done.stdout == ""
    assert done.stderr.splitlines() == str(error).splitlines()


@pytest.mark.parametrize(
    "arguments", [("run",), ("run", "a", "b"), ("run", "a", "--jobs", "0"), ("run", "a", "--job", "2"), ("cook", "a")]
)
def test_a_wrong_command_line_is_exit_code_2(arguments):
    assert called(*arguments).exit_code == 2


def test_a_name_cannot_steer_the_terminal_through_an_error(run_with):
    run_with("run", ConfigError(Problem("no \x1b[2Jreader", "a\u202eb.toml", "x\x07", "y")))
    assert called("run", "log.csv").stderr.splitlines() == ["a?b.toml: no ?[2Jreader", "    why: x?", "    do:  y"]


def test_check_gives_the_account_the_doubts_and_what_to_do(run_with):
    aside = pd.DataFrame(
        [("log.csv", "shots", 3 + n, "dose_g", "-18", "the dose is not above 0 g", "weigh again") for n in range(12)],
        columns=list(SET_ASIDE),
    )
    counts = (SourceCount("log.csv", "shots", 40, 39, 1, 200, 189, 11),)
    doubt = Finding("x", "warn", {}, "Every dose is exactly 18.", "Weigh it.")
    run_with("check", Records({}, aside, counts, Taste(), (doubt,)))
    lines = called("check", "log.csv").stdout.splitlines()
    assert lines[0] == "log.csv, shots: 40 rows read, 39 kept, 1 set aside; 11 cells set aside in all"
    assert lines[1] == "Warning: Every dose is exactly 18. Weigh it."
    assert lines[2] == "log.csv, row 3, dose_g: the dose is not above 0 g (found -18)"
    assert lines[3] == "    do: weigh again"
    assert "4 more" in lines[-1]


def test_check_of_a_clean_log_says_so(run_with):
    clean = Records({}, pd.DataFrame(columns=list(SET_ASIDE)), (SourceCount("log.csv", "shots", 1, 1, 0),), Taste())
    run_with("check", clean)
    assert called("check", "log.csv").stdout.splitlines()[-1] == "Nothing was set aside."


def test_check_of_a_blank_log_says_what_to_write(run_with):
    blank = Records({}, pd.DataFrame(columns=list(SET_ASIDE)), (SourceCount("log.csv", "shots", 0, 0, 0),), Taste())
    run_with("check", blank)
    assert called("check", "log.csv").stdout.splitlines()[-1].startswith("No row is filled in yet")


def test_next_names_shots_with_reasons_and_cautions(run_with):
    run_with("analyse", sample_run())
    lines = called("next", "log.csv").stdout.splitlines()
    assert lines[0].startswith("A, house: ")
    assert lines[1] == "  1. dial 9, 18.0 g in, 38 g out, 28 s. Checks the best guess."
    assert "  No further shot is worth its coffee." in lines
    assert any("pressure" in line for line in lines)
    assert any("caffeine" in line.lower() for line in lines)


def test_plugins_lists_the_built_in_ones_with_who_offers_them():
    done = called("plugins")
    assert done.exit_code == 0
    for plugin in ("reader table", "surface quadratic", "writer data", "writer page"):
        assert plugin in done.stdout
    assert "package tastefield" in done.stdout


def test_plugins_test_is_exit_code_1_where_a_rule_is_broken(monkeypatch):
    from tastefield import testing

    monkeypatch.setattr(testing, "report", lambda file: (["FAIL  loses_no_row: ..."], False))
    done = called("plugins", "--test", "mine.py")
    assert done.exit_code == 1
    assert "loses_no_row" in done.stdout


def test_progress_is_shown_on_a_terminal_only_and_wipes_itself_out(monkeypatch, capsys):
    with cli.progress() as silent:
        assert silent is None
    monkeypatch.setattr(cli.sys, "stderr", SimpleNamespace(isatty=lambda: True))
    with cli.progress() as shown:
        monkeypatch.undo()
        shown("setups", 3, 10)
        shown("setups", 4, 10)
    told = capsys.readouterr().err
    assert "setups: 4 of 10" in told
    assert told.endswith("\r")


# --- what the terminal says -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "cells", "told"),
    [
        (0, 0, "Read 40 shots; kept all of it."),
        (0, 3, "Read 40 shots; set aside 3 cells, each with its reason."),
        (2, 0, "Read 40 shots; set aside 2 rows, each with its reason."),
        (2, 13, "Read 40 shots; set aside 2 rows, 13 cells in all, each with its reason."),
    ],
)
def test_cells_told_beside_rows_are_all_of_them_those_of_the_rows_too(rows, cells, told):
    run = sample_run()
    source = {"table": "shots", "read": 40, "set_aside": rows, "cells_set_aside": cells}
    assert summary.summary_lines(replace(run, summary={**run.summary, "sources": [source]}))[1] == told


@pytest.mark.parametrize("code", ["check_failed", "check_not_understood"])
def test_the_summary_counts_the_machines_that_a_bench_check_holds(code):
    run = sample_run()
    run.setups[0].entry["findings"].append({"code": code, "severity": "note", "message": "", "do": ""})
    assert "3 setups: 1 ready, 1 best guess, 1 cannot say yet, 1 of them held by a bench check" in (
        summary.summary_lines(run)
    )


def test_cards_that_changed_since_the_last_run_are_counted_and_the_first_is_told():
    run = sample_run()
    note = finding("card_changed", changes="36 g out, now 37 g out").as_dict()
    setups = [replace(one, entry={**one.entry, "findings": [note]}) for one in run.setups[:2]]
    (line,) = [line for line in summary.summary_lines(replace(run, setups=setups)) if "changed" in line]
    assert line.startswith("2 cards changed since the last run. ")
    assert "36 g out, now 37 g out" in line


def test_nothing_is_to_be_pulled_on_a_machine_that_a_failed_bench_check_holds():
    run = sample_run()
    entry = {**run.setups[0].entry, "findings": [{"code": "check_failed"}], "next_shots": []}
    name, nothing, *_ = summary.next_lines(replace(run, setups=[replace(run.setups[0], entry=entry)]))
    assert name.endswith("Held: a bench check failed")
    assert "not before somebody qualified has mended it" in nothing


def test_the_summary_says_what_matters_in_ten_lines_of_bench_words(tmp_path):
    (tmp_path / "page.html").touch()
    lines = summary.summary_lines(replace(sample_run(), out=tmp_path))
    assert len(lines) <= 10
    assert lines == [
        "Made-up bench",
        "Read 21 shots, 47 scores; set aside 1 cell, each with its reason.",
        "Good means 6.5 or more on a scale from 1 to 9.",
        "3 setups: 1 ready, 1 best guess, 1 cannot say yet",
        "  A, house: 18.1 g in, 38 g out, 28 s; about 4 in 5. Ready, pull 2 to confirm",
        "  B, house: 17.9 g in, 38 g out, 28 s; about 3 in 5. Best guess, pull 1 more",
        "  ... and 1 more on the page",
        f"Page: {tmp_path / 'page.html'}",
    ]
    assert not [word for word in JARGON if word in " ".join(lines).lower()]


def test_where_to_start_with_another_coffee_takes_one_line_however_many_machines():
    run = sample_run()
    one = {"machine": "A", "aim": {"ratio": 2.0}, "say": "With a coffee not yet tasted here start from 18.0 g in."}
    one |= {"next_shots": [{"why": "Taste it. Finer than the last shot; stop if nothing drips."}, {"why": "No."}]}
    stays = {**one, "findings": [{"code": "check_failed"}]}
    for told, line in (
        ([one, stays], f"{one['say']} Taste it. Finer than the last shot; stop if nothing drips."),
        ([one, one, {**one, "aim": None}], "Where to start with another coffee, on each of 2 machines: see the page."),
    ):
        with_it = replace(run, summary={**run.summary, "handover": told})
        assert set(summary.summary_lines(with_it)) - set(summary.summary_lines(run)) == {line}


def test_the_readiest_setups_come_first():
    run = sample_run()
    lines = summary.summary_lines(replace(run, setups=run.setups[::-1]))
    assert [line.split(":")[0].strip() for line in lines if " in, " in line] == ["A, house", "B, house"]


def test_names_cannot_steer_the_terminal_or_fill_it():
    run = sample_run(("\x1b[31mred", "line\nbreak", "x" * 500), title="a\x07b")
    lines = summary.summary_lines(run) + summary.next_lines(run)
    assert all(line.isprintable() for line in lines)
    assert max(len(line) for line in summary.summary_lines(run)) < 150


def test_an_empty_run_still_has_a_summary():
    assert "No setup was found." in summary.summary_lines(empty_run())


def test_findings_that_return_are_told_once_and_only_in_bench_words():
    run = sample_run()
    doubt = {"code": "edge", "severity": "warn", "where": {}, "message": "Better may lie beyond.", "do": "Pull one."}
    odd = {**doubt, "code": "odd", "message": "The surface is pooled."}
    setups = [
        replace(s, entry={**s.entry, "findings": [doubt, odd, {**doubt, "severity": "note"}]}) for s in run.setups
    ]
    notes = [line for line in summary.summary_lines(replace(run, setups=setups)) if "Better" in line]
    assert notes == ["Warning: Better may lie beyond. (3 like this)"]


@pytest.mark.parametrize(
    ("p", "tasted", "words"),
    [
        (None, 9, "cannot say"),
        (0.9, 0, "a guess, nothing tasted here yet"),
        (0.9, 1, "a guess from 1 tasted shot"),
        (0.9, 2, "a guess from 2 tasted shots"),
        (0.0, 3, "less than 1 in 20"),
        (0.1, 3, "about 1 in 10"),
        (0.5, 3, "about 1 in 2"),
        (0.66, 3, "about 7 in 10"),
        (0.8, 3, "about 4 in 5"),
        (0.94, 3, "about 9 in 10"),
        (0.95, 3, "more than 19 in 20"),
        (1.0, 3, "more than 19 in 20"),
    ],
)
def test_chances_are_fractions_and_words_while_few_shots_were_tasted(p, tasted, words):
    assert chance_in_words(p, tasted) == words


def test_a_recipe_leaves_out_what_is_not_known():
    assert recipe(None) == ""
    assert recipe({"dose_g": 18, "beverage_g": None, "shot_time_s": 28.4}) == "18.0 g in, 28 s"
    assert recipe({"shot_time_s": 22, "clock": "first_drip"}) == "22 s from the first drip"


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"status": "confirmed"}, "Confirmed"),
        ({"status": "window"}, "Ready, pull 2 to confirm"),
        ({"status": "tentative", "next_shots": [1, 2]}, "Best guess, pull 2 more"),
        ({"status": "tentative", "next_shots": []}, "Best guess"),
        ({"status": "failed"}, "Could not be worked out"),
        ({"status": "insufficient", "best_shot": None}, "Cannot say yet: no shot was tasted"),
        (
            {"status": "insufficient", "best_shot": {"dose_g": 18.0, "beverage_g": 36.0, "shot_time_s": 28.0}},
            "Cannot say yet: best shot was 18.0 g in, 36 g out, 28 s",
        ),
    ],
)
def test_readiness_is_told_in_bench_words(entry, words):
    assert readiness(entry) == words


def test_a_setup_is_named_by_what_tells_it_apart():
    key = {"machine": "A", "grinder": "A", "basket": "not recorded", "coffee": "house"}
    assert setup_name(key) == "A, house"
    assert setup_name({"machine": "A", "grinder": "B"}) == "A, B"
    assert setup_name({"machine": ""}) == "unnamed setup"


def test_printable_keeps_ordinary_names_whole():
    assert printable("Café Nº 3 / 浓缩 – ½") == "Café Nº 3 / 浓缩 – ½"


def test_check_shows_every_column_and_a_block_to_paste_that_is_understood_again(tmp_path):
    log = "Machine,Beans,In,Out,Secs,Grind seting,Crema\n" + "A,house,18,36,27,7,x\nA,house,18.1,lots,28,7,\n"
    (tmp_path / "log.csv").write_text(log, "utf-8")
    lines = called("check", str(tmp_path / "log.csv")).stdout.splitlines()
    table = [line.split() for line in lines if line.startswith("  ") and "=" not in line and "[" not in line]
    assert ["column", "heading", "cells", "kept", "set", "aside"] in table
    assert ["beverage_g", "Out", "2", "1", "1"] in table
    assert ["machine", "Machine", "2", "2", "0"] in table
    start = lines.index("  [source.columns]")
    block = [line.strip() for line in lines[start : start + 7]]
    assert '# grind_setting = "Grind seting"  # not read; it only looks like it' in block
    pasted = "\n".join(["[[source]]", 'path = "log.csv"', *block]).replace("# grind_setting", "grind_setting")
    (tmp_path / "own.toml").write_text(pasted, "utf-8")
    again = workflow.check(tmp_path / "own.toml")
    assert again.tables["shots"]["grind_setting"].tolist() == ["7", "7"]
    assert again.tables["shots"]["beverage_g"].notna().tolist() == [True, False]


def test_a_heading_is_written_so_that_toml_reads_it_back_whatever_it_holds():
    for words in ('In "g"', "a\\b", "x\x1b[2J\u202ey\n", "Zoë 🙂"):
        line = summary.toml_text(words)
        assert tomllib.loads(f"a = {line}") == {"a": words}
        assert line.isprintable()


def test_a_missing_dose_is_told_with_the_heading_that_looks_like_one(tmp_path):
    (tmp_path / "log.csv").write_text("Machine,Coffee dose,Out\nA,18,36\n", "utf-8")
    assert 'dose_g = "Coffee dose", if that is it' in called("check", str(tmp_path / "log.csv")).stderr

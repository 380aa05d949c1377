"""``tastefield compare`` through the command line on a small log: what the new owner's numbers stand beside."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from tastefield import cli
from tastefield.words.phrases import JARGON

ROOT = Path(__file__).resolve().parent.parent


def shots(machine: str, *positions: float, **same) -> list[dict]:
    """Shots of a dial that gives 28 s at 12, a tenth faster a step."""
    row = {"machine": machine, "coffee": "house", "dose_g": 18.0, "beverage_g": 36.0, "stage": "dial-in", "score": 6}
    return [row | {"grind": f"{p:g}", "shot_time_s": round(28 * math.exp(-0.1 * (p - 12)))} | same for p in positions]


BLUE = [*shots("Two-group blue", 14, 12, 10), *shots("Two-group blue", 12, 12, stage="confirm", score=8)]
BACK = shots("Two-group blue", 12, stage="return", shot_time_s=15, dose_g=18.2, score=2)
LEVER = [*shots("Lever", 12, 11, 10, dose_g=16.0, beverage_g=32.0), *shots("Lever", 9, outcome="choked", score=None)]


@pytest.fixture
def compared(tmp_path):
    """Write a log, compare, and give exit code, standard output and standard error."""

    def call(rows: list[dict], *arguments: str, dated: bool = True):
        days = pd.date_range("2025-03-01", periods=len(rows)).strftime("%Y-%m-%d")
        rows = [{"pulled_at": day, **row} if dated else row for day, row in zip(days, rows, strict=True)]
        pd.DataFrame(rows).to_csv(tmp_path / "log.csv", index=False)
        done = CliRunner().invoke(cli.main, ["compare", str(tmp_path / "log.csv"), *arguments])
        assert sorted(path.name for path in tmp_path.iterdir()) == ["log.csv"]
        return done.exit_code, done.stdout.splitlines(), done.stderr.splitlines()

    return call


@pytest.mark.parametrize("dated", [True, False])
def test_a_return_stands_beside_what_was_confirmed_and_the_readme_shows_it(compared, dated):
    code, lines, _ = compared([*BLUE, *BACK, *LEVER], "two", dated=dated)
    assert code == 0
    assert lines[:9] == [
        "Two-group blue: handed over 2 shots pulled to confirm, theirs 1 shot as it came back",
        "          handed over  theirs",
        "  in      18.0 g       18.2 g",
        "  out     36 g         36 g",
        "  ratio   1:2.0        1:2.0",
        "  time    28 s         15 s",
        "  grind   12           12",
        "  coffee  house        house",
        "  taste   score 8.0    score 2.0",
    ]
    assert re.fullmatch(r"From 2\d to 3\d s is as handed over: shots of this machine scatter so far\.", lines[9])
    assert lines[11].startswith("  1. Machine, burrs, dose or distribution: 15 s where 28 s")
    assert not [line for line in lines if "finer" in line]
    assert not [word for word in JARGON if word in " ".join(lines).lower()]
    readme = (ROOT / "README.md").read_text("utf-8")
    (shown,) = re.findall(r"<!-- output: compare -->\n```\n(.*?)```", readme, re.DOTALL)
    assert set(shown.splitlines()) <= set(lines)


def test_a_new_coffee_points_to_the_grind_with_the_caution_beside_it(compared):
    code, lines, _ = compared([*BLUE, *BACK], "BLUE", "--coffee", "dark", "--time", "19,5", "--taste", "SOUR")
    assert code == 0
    assert "  coffee  house        dark" in lines
    assert lines[11].startswith("  1. The grind: another coffee (dark, handed over with house)")
    assert re.search(r"Turn \d steps finer \(about \d s each\), from 12 to \d+, then time again\.", lines[12])
    assert "stop if nothing drips after 10 to 15 s" in lines[12]
    assert lines[13].startswith("  2. The taste: sour")


def test_without_shots_of_its_return_or_options_it_says_what_to_give(compared):
    code, lines, _ = compared(LEVER, "lever")
    assert code == 0
    assert lines[0] == "Lever: handed over the recipe"
    assert lines[2] == "  in      16.0 g              -"
    assert "expected" in lines[8]
    assert '--dose 18 --out 36 --time 15 --grind 12 --coffee "house" --taste sour' in lines[-2]


def test_the_numbers_of_a_caller_stand_beside_the_recipe_and_no_choke_is_reached(compared):
    told = ("--dose", "16 g", "--out", "32", "--time", "15", "--grind", "11", "--coffee", "another")
    code, lines, _ = compared(LEVER, "lev", *told)
    assert code == 0
    assert "from 11 to 10" in lines[-2]
    assert "9: it choked" in lines[-2]
    assert "common practice, no source" in lines[-1]


def test_shots_pulled_since_a_return_are_what_was_handed_over_when_somebody_rings(compared):
    again = shots("Two-group blue", 9, 9, 9, stage="dial-in", dose_g=17.0, beverage_g=34.0, shot_time_s=27)
    log = [*BLUE, *BACK, *again, *shots("Two-group blue", 9, stage="confirm", dose_g=17.0, beverage_g=34.0)]
    assert "  in      18.0 g       18.2 g" in compared(log, "two")[1]
    assert "  in      17.0 g       -" in compared(log, "two", "--time", "15")[1]


def test_a_return_with_another_coffee_stands_beside_the_setup_it_left_with(compared):
    theirs = shots("Two-group blue", 12, 12, stage="return", coffee="theirs", shot_time_s=16)
    lines = compared([*BLUE, *LEVER, *theirs], "two")[1]
    assert "  coffee  house        theirs" in lines
    assert lines[0].endswith("theirs 2 shots as it came back")
    assert lines[11].startswith("  1. The grind: another coffee")


def test_a_return_that_only_choked_says_how_to_undo_it_first(compared):
    choked = shots("Two-group blue", 12, stage="return", outcome="choked", shot_time_s=None, beverage_g=None)
    lines = compared([*BLUE, *choked], "two")[1]
    assert "  taste   score 8.0    choked" in lines
    assert "wait until the pressure has gone" in lines[-2]
    assert "coarser" in lines[-2]


@pytest.mark.parametrize("stage", ["intake", "return"])
def test_a_machine_of_which_nothing_was_handed_over_is_an_error_that_says_what_to_do(compared, stage):
    code, lines, told = compared([*LEVER, *shots("Old", 12, 12, stage=stage)], "old", "--time", "12")
    assert (code, lines) == (1, [])
    assert told[0] == "Old: nothing was handed over yet"
    assert "stage dial-in, then confirm" in told[-1]


def test_an_unknown_machine_is_told_the_nearest_name_and_all_there_are(compared):
    code, lines, told = compared([*BLUE, *LEVER], "Levr")
    assert (code, lines) == (2, [])
    assert told == [
        "Levr: no machine is called so",
        '    do:  write "Lever"; known are: Lever, Two-group blue',
    ]


def test_a_part_of_several_names_is_refused_with_these_and_a_whole_name_never_is(compared):
    log = [*shots("A", 12, 11, 12), *shots("A2", 12, 11, 12), *LEVER]
    code, _, told = compared(log, "a")
    assert code == 0, told
    code, _, told = compared([*log, *shots("2A", 12)], "2")
    assert code == 0, told
    code, _, told = compared(log, "e")
    assert code == 0, told
    code, _, told = compared([*log, *shots("Lever two", 12)], "leve")
    assert (code, told[1]) == (2, "    why: Lever; Lever two")


@pytest.mark.parametrize("name", ["\x1b[31mred", "{0}{theirs}", "x" * 500, "=cmd|x", "a\u202eb", "машина", "100%"])
def test_hostile_names_harm_neither_the_terminal_nor_the_advice(compared, name):
    own = {"coffee": name, "grind": name}
    rows = [one | own for one in [*shots(name, 12, 12), *shots(name, 12, stage="return", shot_time_s=15)]]
    code, lines, _ = compared([*rows, *LEVER], name, "--coffee", f"{name}!", "--grind", f"{name}?")
    assert code == 0
    assert all(line.isprintable() for line in lines)
    assert max(len(line) for line in lines[:10]) < 120
    assert compared([*rows, *LEVER], f"{name}{name}zz")[0] == 2


@pytest.mark.parametrize("option", ["--dose", "--out", "--time"])
@pytest.mark.parametrize("value", ["0", "-3", "nan", "inf", "1e9", "much", "18 oz", ""])
def test_what_is_no_weight_or_time_is_refused(compared, option, value):
    code, _, told = compared(LEVER, "lever", option, value)
    assert code == 2
    assert "write for example 18 or 18.5" in told[-1]


def test_a_taste_word_that_is_not_known_is_refused(compared):
    assert compared(LEVER, "lever", "--taste", "sourish")[0] == 2

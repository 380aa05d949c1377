"""The two invented demos: made again they are the same, they hold what they promise, their world obeys the trade."""

import ast
import importlib
import io
import sys
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tastefield.words import columns

CONFIGS = Path(__file__).parents[1] / "configs"
DEMO = CONFIGS / "demo"
BENCH_LOG = DEMO / "bench" / "bench-log.xlsx"
PANEL = DEMO / "panel"


@pytest.fixture(scope="module")
def demo():
    """Import a script of the demo folder by name."""
    sys.path.insert(0, str(DEMO))
    yield importlib.import_module
    sys.path.remove(str(DEMO))
    for name in ("world", "make_bench", "make_panel"):
        sys.modules.pop(name, None)


@pytest.fixture(scope="module")
def world(demo):
    return demo("world")


@pytest.fixture(scope="module")
def make_bench(demo):
    return demo("make_bench")


@pytest.fixture(scope="module")
def make_panel(demo):
    return demo("make_panel")


@pytest.fixture(scope="module")
def bench_log():
    return pd.read_excel(BENCH_LOG, sheet_name="log", engine="calamine", dtype=object)


@pytest.fixture(scope="module")
def panel():
    return {
        "shots": pd.read_csv(PANEL / "shots.csv", dtype=str),
        "readings": pd.read_csv(PANEL / "readings.csv", dtype=str, encoding="cp1252"),
        "scores": pd.read_csv(PANEL / "scores.csv", dtype=str, encoding="utf-8-sig", sep=";"),
    }


def sources(name):
    """The sources of a configuration, each with the headings of its file."""
    for source in tomllib.loads((CONFIGS / name).read_text(encoding="utf-8"))["source"]:
        path = CONFIGS / source["path"]
        if path.suffix == ".xlsx":
            frame = pd.read_excel(path, sheet_name=source["sheet"], engine="calamine", nrows=0)
        else:
            raw = path.read_bytes().decode(source.get("encoding", "utf-8-sig"))
            frame = pd.read_csv(io.StringIO(raw), sep=source.get("separator", ","), nrows=0)
        yield source, list(frame.columns)


# --- the files ---------------------------------------------------------------------------------------------------


def test_the_bench_log_made_again_holds_the_same_cells(make_bench, tmp_path):
    make_bench.write(tmp_path / "again.xlsx")
    kept = pd.read_excel(BENCH_LOG, sheet_name=None, engine="calamine", dtype=object, header=None)
    again = pd.read_excel(tmp_path / "again.xlsx", sheet_name=None, engine="calamine", dtype=object, header=None)
    assert list(kept) == list(again) == ["log", "grinders"]
    for sheet in kept:
        pd.testing.assert_frame_equal(kept[sheet], again[sheet])


def test_the_bench_log_is_the_same_to_the_byte_when_made_twice(make_bench, tmp_path):
    make_bench.write(tmp_path / "one.xlsx")
    make_bench.write(tmp_path / "two.xlsx")
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()


@pytest.mark.parametrize("name", ["shots.csv", "readings.csv", "scores.csv"])
def test_the_panel_files_made_again_are_the_same(make_panel, tmp_path, name):
    make_panel.write(tmp_path)
    # a checkout may change line ends, nothing else
    assert (tmp_path / name).read_bytes().splitlines() == (PANEL / name).read_bytes().splitlines()


@pytest.mark.parametrize("path", [BENCH_LOG, *sorted(PANEL.glob("*.csv"))], ids=lambda path: path.name)
def test_a_demo_file_is_small(path):
    assert path.stat().st_size < 100_000


@pytest.mark.parametrize("name", ["bench.toml", "panel.toml"])
def test_a_demo_configuration_maps_known_columns_to_headings_that_are_there(name):
    for source, headings in sources(name):
        known = {column for table in source["holds"] for column in columns.names(table)}
        assert set(source["columns"]) <= known
        assert set(source["columns"].values()) <= set(headings)
        assert set(source.get("fill_down", [])) <= set(source["columns"])


@pytest.mark.parametrize("name", ["bench.toml", "panel.toml"])
def test_no_truth_stands_beside_the_shots(name):
    for source, headings in sources(name):
        beside = set(headings) - set(source["columns"].values())
        assert beside <= {"Job", "Unnamed: 22", "__UNNAMED__22"}, "a heading nobody maps: is it the truth of the world?"


# --- what they promise -------------------------------------------------------------------------------------------


def bench_shots(log):
    """Rows of the bench log with a dial setting, machine filled down: its shots."""
    shots = log.assign(Machine=log["Machine"].ffill())
    return shots[shots["Grind"].notna()]


def test_the_bench_log_holds_30_machines_of_3_to_8_shots(bench_log, make_bench):
    clean = pd.DataFrame(make_bench.clean_log()).groupby("Machine").size()
    assert len(clean) == 30
    assert clean.between(3, 8).all()
    written = bench_shots(bench_log)
    assert len(written) == clean.sum() + 1  # one row pasted twice


def test_few_bench_shots_are_tasted_and_hardly_any_is_read(make_bench, bench_log):
    tasted = pd.DataFrame(make_bench.clean_log()).groupby(["Machine", "Coffee"])["Taste"].count()
    assert tasted.between(1, 3).mean() > 0.9
    assert 3 <= bench_log["TDS"].notna().sum() <= 5


def test_bench_verdicts_are_words_and_numbers_of_two_tasters(bench_log):
    taste = bench_log["Taste"].dropna()
    words = taste.map(lambda cell: isinstance(cell, str))
    assert 0.3 < words.mean() < 0.7
    assert set(bench_log["Who"].dropna()) == {"me", "Jo"}
    assert {"serve", "nearly", "sour", "bitter", "harsh"} <= set(taste[words])


def test_the_bench_has_chokes_gushers_and_dials_of_both_directions(bench_log, make_bench):
    assert (bench_log["Went"] == "choked").sum() >= 3
    assert (bench_log["Went"] == "gushed").sum() >= 5
    directions = {grinder.higher_is for _, _, grinder, _, _, _ in make_bench.blocks()}
    assert directions == {"coarser", "finer"}
    shared = bench_log["Grinder"].dropna().unique()
    assert sorted(shared) == ["bench conical", "bench flat", "loan grinder"]
    assert bench_log["Grinder"].isna().sum() > 50  # the machine grinds itself


def test_bench_dates_lie_in_two_months_and_no_shot_is_older_than_its_coffee(make_bench):
    log = pd.DataFrame(make_bench.clean_log())
    assert log["Date"].map(lambda day: (day.year, day.month)).isin([(2026, 9), (2026, 10)]).all()
    age_days = (pd.to_datetime(log["Date"]) - pd.to_datetime(log["Roasted"])).dt.days
    assert age_days.between(3, 40).all()


def test_the_panel_holds_14_setups_6_tasters_and_240_shots(panel):
    shots = panel["shots"].dropna(subset="Shot").drop_duplicates("Shot")
    assert len(shots) == 240
    tidy = shots[["Machine", "Grinder", "Coffee"]].apply(lambda cells: cells.str.split().str.join(" "))
    counts = tidy.groupby(["Machine", "Grinder", "Coffee"]).size()
    assert len(counts) == 14
    assert (counts >= 12).mean() >= 0.8
    tasters = panel["scores"]["taster"].dropna().str.strip().str.title()
    assert set(tasters) == {"Ada", "Ben", "Cleo", "Dev", "Eva", "Finn"}


def test_panel_shots_are_scored_by_two_to_four_and_three_in_five_are_read(make_panel):
    shots, readings, scores = (pd.DataFrame(rows) for rows in make_panel.clean_tables())
    liking = scores[scores["attribute"] == "liking"]
    assert liking.groupby("shot")["taster"].nunique().between(2, 4).all()
    assert liking["shot"].nunique() == len(shots)
    assert 0.5 < readings["Shot"].nunique() / len(shots) < 0.7
    assert (readings["No"] == "2").sum() >= 20
    assert not scores.duplicated(["shot", "taster", "attribute"]).any()


def test_panel_shots_spread_over_ratio_and_time_and_some_aims_are_repeated(make_panel):
    shots = pd.DataFrame(make_panel.clean_tables()[0])
    ratio = shots["Cup g"].astype(float) / shots["Dose g"].astype(float)
    assert ratio.quantile(0.05) < 1.55
    assert ratio.quantile(0.95) > 2.6
    assert shots["Time s"].astype(float).quantile([0.05, 0.95]).tolist() == pytest.approx([18.5, 38], abs=2.5)
    aims = shots.groupby(["Machine", "Coffee", "Plan cup g", "Plan time s"]).size()
    assert aims.groupby(["Machine", "Coffee"]).max().ge(2).all()


# --- the world ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted(DEMO.glob("*.py")), ids=lambda path: path.name)
def test_the_world_and_its_scripts_import_nothing_of_the_product(path):
    imported = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            imported |= {name.name.split(".")[0] for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add(str(node.module).split(".")[0])
    assert imported.isdisjoint({"tastefield", "tastefield_plugins"})


def test_a_finer_grind_runs_longer(make_bench, world):
    """Common practice, no source."""
    size_um = np.linspace(200.0, 450.0, 26)
    for _, machine, _, dose_g, coffee, _ in make_bench.blocks():
        time_s = world.brew(coffee, machine, dose_g, 2.0 * dose_g, size_um, 12.0)["shot_time_s"]
        assert (np.diff(time_s) < 0).all()


def test_a_dial_moved_toward_finer_runs_longer_whichever_way_it_is_numbered(make_bench, world):
    """Common practice, no source."""
    for _, machine, grinder, dose_g, coffee, _ in make_bench.blocks():
        ends = [grinder.size_um(dial) for dial in (grinder.lowest, grinder.highest)]
        low, high = (float(world.brew(coffee, machine, dose_g, 2 * dose_g, um, 12.0)["shot_time_s"]) for um in ends)
        assert (high > low) == (grinder.higher_is == "finer")


def test_a_pressurised_basket_hardly_answers_to_the_grind(make_bench, world):
    """Common practice, no source."""
    size_um = np.array([400.0, 500.0])
    for _, machine, _, dose_g, coffee, _ in make_bench.blocks():
        time_s = world.brew(coffee, machine, dose_g, 2.0 * dose_g, size_um, 12.0)["shot_time_s"]
        hardly = time_s[0] / time_s[1] < 1.2
        assert hardly == (machine.hole_resistance > 0)


def test_at_one_grind_a_longer_ratio_extracts_more_and_tastes_weaker(make_panel, world):
    """Extraction up with ratio at fixed dose, strength down: published espresso factor studies agree on the signs."""
    ratio = np.linspace(1.2, 3.0, 19)
    for coffee in make_panel.COFFEES:
        for size_um in (250.0, 300.0, 350.0):
            cup = world.brew(coffee, make_panel.MACHINES[0], 18.0, 18.0 * ratio, size_um, 12.0)
            assert (np.diff(cup["extraction_pct"]) > 0).all()
            assert (np.diff(cup["tds_pct"]) < 0).all()


def test_strength_is_extraction_over_ratio(make_panel, world):
    """Mass balance: what left the dose is in the cup; 36 g at 9.50 % from 18 g is 19.0 %."""
    out_g = np.linspace(20.0, 54.0, 12)
    cup = world.brew(make_panel.COFFEES[0], make_panel.MACHINES[0], 18.0, out_g, 290.0, 12.0)
    assert cup["extraction_pct"] == pytest.approx(out_g * cup["tds_pct"] / 18.0, rel=1e-12)
    assert (cup["extraction_pct"] < make_panel.COFFEES[0].soluble_pct).all()


def test_usual_shots_have_usual_strength_and_extraction(make_panel, world):
    """1:2 in 25-30 s: TDS 5-14 %, extraction 14-26 % (a working window from memory)."""
    for machine, dose_g in zip(make_panel.MACHINES, make_panel.DOSES_G, strict=True):
        for coffee in make_panel.COFFEES:
            _, cup = world.liking_at(coffee, machine, dose_g, 12.0, make_panel.TASTERS, 2.0, [25.0, 30.0])
            assert cup["shot_time_s"] == pytest.approx([25.0, 30.0], abs=1e-6)
            assert ((cup["tds_pct"] > 5) & (cup["tds_pct"] < 14)).all()
            assert ((cup["extraction_pct"] > 14) & (cup["extraction_pct"] < 26)).all()


def test_liking_is_no_quadratic_of_log_ratio_and_log_time(make_panel, world):
    ratio, time_s = np.meshgrid(np.linspace(1.4, 2.8, 15), np.linspace(18.0, 42.0, 15))
    a, b = np.log(ratio / 2.0).ravel(), np.log(time_s / 27.0).ravel()
    terms = np.column_stack([np.ones_like(a), a, b, a * a, b * b, a * b])
    for coffee in make_panel.COFFEES:
        machine = make_panel.MACHINES[0]
        score, _ = world.liking_at(coffee, machine, 18.0, 12.0, make_panel.TASTERS, ratio, time_s)
        coefficients = np.linalg.lstsq(terms, score.ravel(), rcond=None)[0]
        assert np.abs(score.ravel() - terms @ coefficients).max() > 0.3


def test_the_truth_of_a_setup_is_its_best_and_most_panel_setups_can_be_good(make_panel, world):
    truths = make_panel.truths()
    best = pd.DataFrame(truths)
    assert len(best) == 14
    assert best["ratio"].between(1.4, 2.8).all()
    assert best["shot_time_s"].between(18, 42).all()
    assert 0.5 < (best["liking"] > 6.5).mean() < 1.0  # and some never can
    elsewhere, _ = world.liking_at(
        make_panel.COFFEES[0],
        make_panel.MACHINES[0],
        18.0,
        12.0,
        make_panel.TASTERS,
        [1.5, 2.0, 2.6],
        [22.0, 27.0, 33.0],
    )
    assert (elsewhere <= truths[0]["liking"] + 1e-9).all()
    assert truths[0]["tds_pct"] == pytest.approx(truths[0]["extraction_pct"] / truths[0]["ratio"])

"""The main job from outside: files in, a report out, as a technician would do it."""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path

import jsonschema
import openpyxl
import pandas as pd
import pytest
from tests.sparing import undrawn, without_handover
from tests.sweep import breaches

import tastefield
from tastefield import workflow
from tastefield.loading import load

ROOT = Path(__file__).resolve().parent.parent
pytestmark = pytest.mark.slow


def results(folder: Path) -> dict:
    return json.loads((folder / "results.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def five_rows(tmp_path_factory) -> Path:
    """Five rows typed in a spreadsheet: no TDS, words only, "27s", one choke, no configuration."""
    folder = tmp_path_factory.mktemp("five")
    book = openpyxl.Workbook()
    sheet = book.active
    for row in (
        ["Machine", "Beans", "Grind", "In", "Out", "Time", "Taste"],
        ["red two-group", "house", 9, 18, 41, "19s", "sour"],
        ["red two-group", "house", 7, 18.1, 38, "24s", "nearly"],
        ["red two-group", "house", 6, 18, 36, "27s", "serve"],
        ["red two-group", "house", 4, 18, None, "choked", None],
        ["red two-group", "house", 6, 17.9, 37, "28 sec", "serve"],
    ):
        sheet.append(row)
    book.save(folder / "log.xlsx")
    return folder


@pytest.fixture(scope="module")
def five_rows_out(five_rows) -> Path:
    done = subprocess.run(
        [Path(sys.executable).with_name("tastefield"), "run", "log.xlsx", "--out", "out"],
        cwd=five_rows,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (five_rows / "terminal.txt").write_text(done.stdout, "utf-8")
    return five_rows / "out"


def test_five_typed_rows_give_a_recipe_a_technician_can_set(five_rows_out):
    (setup,) = results(five_rows_out)["setups"]
    aim = setup["aim"]
    assert setup["shots"] == 5
    assert setup["tasted"] == 4
    assert 17 < aim["dose_g"] < 19
    assert 33 <= aim["beverage_g"] <= 42
    assert 19 <= aim["shot_time_s"] <= 30
    assert aim["grind_setting"] in {"5", "6", "7"}


def test_five_typed_rows_never_ask_for_the_choked_setting_or_finer(five_rows_out):
    (setup,) = results(five_rows_out)["setups"]
    asked = [setup["aim"]["grind_setting"], *(shot["grind_setting"] for shot in setup["next_shots"])]
    assert all(float(setting) > 4 for setting in asked if setting is not None)


def test_five_typed_rows_claim_nothing_about_extraction(five_rows_out):
    (setup,) = results(five_rows_out)["setups"]
    assert setup["aim"]["extraction_pct"] is None
    assert setup["aim"]["tds_pct"] is None


def test_five_typed_rows_say_what_to_pull_next(five_rows_out):
    (setup,) = results(five_rows_out)["setups"]
    assert setup["next_shots"]
    assert setup["next_shots"][0]["why"]


def test_five_typed_rows_lose_nothing(five_rows_out):
    for source in results(five_rows_out)["sources"]:
        assert source["read"] == source["kept"] + source["set_aside"]


def test_the_terminal_says_the_recipe_in_about_ten_lines(five_rows, five_rows_out):
    lines = (five_rows / "terminal.txt").read_text("utf-8").strip().splitlines()
    assert len(lines) <= 12
    assert any("g in" in line and "g out" in line for line in lines)


def test_separate_files_of_shots_readings_and_scores_are_joined(tmp_path):
    shots = pd.DataFrame(
        {
            "shot_id": [f"s{i}" for i in range(12)],
            "machine": "A",
            "coffee": "house",
            "dose_g": 18.0,
            "beverage_g": [30, 33, 36, 39, 42, 45] * 2,
            "shot_time_s": [22, 31, 26, 36, 24, 29, 33, 23, 28, 25, 35, 27],
        }
    )
    shots.to_csv(tmp_path / "shots.csv", index=False)
    pd.DataFrame({"shot_id": ["s0", "s1", "s99"], "tds_pct": [10.1, 9.8, 9.0]}).to_csv(
        tmp_path / "readings.csv", index=False
    )
    scores = [(f"s{i}", name, 5 + (i + len(name)) % 3) for i in range(12) for name in ("me", "you two")]
    pd.DataFrame(scores, columns=["shot_id", "taster", "score"]).to_csv(tmp_path / "scores.csv", index=False)
    (tmp_path / "bench.toml").write_text(
        "\n".join(f'[[source]]\nholds = ["{name}"]\npath = "{name}.csv"' for name in ("shots", "readings", "scores"))
        + "\n[taste]\nscale = [1, 9]\ngood = 6.5\n"
    )
    run = tastefield.run(tmp_path / "bench.toml", out=tmp_path / "out")
    (setup,) = run.setups
    assert setup.entry["tasted"] == 12
    assert setup.entry["readings"] == 2
    (row,) = run.records.set_aside.to_dict("records")
    assert "s99" in str(row["value"])


def test_running_twice_in_one_process_gives_the_same(five_rows, tmp_path):
    first = tastefield.run(five_rows / "log.xlsx", out=tmp_path / "a")
    second = tastefield.run(five_rows / "log.xlsx", out=tmp_path / "b")
    assert first.setups[0].entry == second.setups[0].entry


def files_without_time(folder: Path) -> dict[str, bytes]:
    """Every file of a run, the stamp of the run taken out; the manifest holds hashes of files that bear it."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.name not in {"run.log", "manifest.json"}:
            found[str(path.relative_to(folder))] = path.read_bytes()
    stamp = json.loads(found["results.json"])["created_at"].encode()
    return {name: content.replace(stamp, b"") for name, content in found.items()}


@pytest.fixture(scope="module")
def demo_runs(tmp_path_factory) -> Callable[[str], Path]:
    """The output of a demo, by its name, run on one core; each runs once, whatever the order of the tests.

    Figures are drawn for the panel alone: of the bench words and numbers are looked at.
    """
    outs: dict[str, Path] = {}

    def out_of(name: str) -> Path:
        if name not in outs:
            out = tmp_path_factory.mktemp(name) / "out"
            with undrawn() if name == "bench" else nullcontext():
                tastefield.run(ROOT / "configs" / f"{name}.toml", out=out, jobs=1)
            outs[name] = out
        return outs[name]

    return out_of


@pytest.fixture(params=["bench", "panel"])
def demo_run(request, demo_runs) -> tuple[str, Path]:
    """A demo run on one core: its name and its output."""
    return request.param, demo_runs(request.param)


def test_any_number_of_jobs_gives_identical_bytes(demo_run, tmp_path):
    """Of the larger demo numbers and text: that pictures do not differ, the other shows."""
    name, out = demo_run
    config = ROOT / "configs" / f"{name}.toml"
    if name == "bench":
        reports = "".join(f'\n[[report]]\nwriter = "{writer}"\n' for writer in ("data", "summary", "workbook"))
        written = config.read_text("utf-8").replace('path = "', f'path = "{config.parent}/')
        config = tmp_path / config.name
        config.write_text(written + reports, "utf-8")
    tastefield.run(config, out=tmp_path / "two", jobs=2)
    one, two = files_without_time(out), files_without_time(tmp_path / "two")
    assert two.keys() <= one.keys()
    assert one.keys() == two.keys() or name == "bench"
    assert [name for name in two if one[name] != two[name]] == []


def test_shuffled_rows_and_renamed_machines_give_the_same_recipes(demo_runs, tmp_path):
    folder = ROOT / "configs" / "demo" / "panel"
    for path in folder.glob("*.csv"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    shots = pd.read_csv(folder / "shots.csv", dtype=str, keep_default_na=False)
    shots = shots.drop_duplicates("Shot").sample(frac=1, random_state=3)
    shots["Machine"] = shots["Machine"].map(lambda name: f"z{name.strip()}" if name.strip() else name)
    shots.to_csv(tmp_path / "shots.csv", index=False)
    text = (ROOT / "configs" / "panel.toml").read_text("utf-8").replace("demo/panel/", "")
    (tmp_path / "panel.toml").write_text(text, "utf-8")
    as_written = results(demo_runs("panel"))["setups"]
    with without_handover():
        shuffled = [one.entry for one in workflow.analyse(tmp_path / "panel.toml").setups]
    same, moved = (
        {(one["key"]["machine"].removeprefix("z"), one["key"]["coffee"]): one for one in entries}
        for entries in (as_written, shuffled)
    )
    assert same.keys() == moved.keys()
    for key, entry in same.items():
        if entry["aim"]:
            for name in ("ratio", "shot_time_s"):
                assert moved[key]["aim"][name] == pytest.approx(entry["aim"][name], rel=1e-6)
            assert moved[key]["assurance"] == pytest.approx(entry["assurance"], abs=1e-6)


def test_the_dial_of_every_recipe_gives_its_time_by_the_line_it_is_told_from(demo_run):
    lines = 0
    for setup in results(demo_run[1])["setups"]:
        settings = setup["settings"]
        if settings and settings["line"] and settings["position"] is not None:
            lines += 1
            by_line = math.exp(settings["line"]["intercept"] + settings["line"]["slope"] * settings["position"])
            assert by_line == pytest.approx(setup["aim"]["shot_time_s"], rel=1e-6)
            assert settings["position"] / settings["step"] == pytest.approx(
                round(settings["position"] / settings["step"])
            )
    assert lines >= 5


def test_a_run_writes_the_files_that_readme_lists_and_no_figures_unasked(demo_run):
    readme = (ROOT / "README.md").read_text("utf-8")
    listed = readme.split("| file | what it is |")[1].split("\n\n")[0].splitlines()[2:]
    names = {name for line in listed for name in re.findall(r"`([^`]+)`", line.split("|")[1])}
    assert {name for name in names if not (demo_run[1] / name).exists()} == {"figures/"}
    assert {path.name for path in demo_run[1].iterdir()} <= {name.rstrip("/") for name in names}


def shown(text: str) -> tuple[list[str], list[float]]:
    """Words and numbers of what people read: without drawings, markup and the day it was made."""
    text = re.sub(r"(?s)<(svg|script|style)\b.*?</\1>", " ", text)
    text = re.sub(r"<[^>]*>|\b20\d\d-\d\d-\d\d\b", " ", text)
    number = r"(?<![\w.])-?\d+(?:\.\d+)?"
    return re.sub(number, " ", text).split(), [float(found) for found in re.findall(number, text)]


def article(page: str, slug: str = "") -> tuple[str, str]:
    """The name and the text of a setup's section, the first unless a name says which."""
    found = re.search('(?s)<article[^>]* id="(' + (slug or '[^"]+') + ')".*?</article>', page)
    assert found, f"no section {slug}"
    return found[1], found[0]


@pytest.mark.parametrize("demo_run", ["bench"], indirect=True)
def test_the_committed_example_has_the_numbers_of_a_run_made_now(demo_run):
    out, example = demo_run[1], ROOT / "reports" / "example"
    slug, page = article((example / "page.html").read_text("utf-8"))
    pairs = [
        ((example / "summary.md").read_text("utf-8"), (out / "summary.md").read_text("utf-8")),
        (page, article((out / "page.html").read_text("utf-8"), slug)[1]),
    ]
    if (out / "cards").is_dir():
        card = out / "cards" / f"{slug}.txt"
        pairs.append(((example / "card.txt").read_text("utf-8"), card.read_text("utf-8")))
    for committed, now in pairs:
        (their_words, theirs), (our_words, ours) = shown(committed), shown(now)
        assert their_words == our_words, "make it anew: python -m tests.example"
        assert theirs == pytest.approx(ours, rel=1e-4), "make it anew: python -m tests.example"
        assert len(theirs) > 20


def test_every_recipe_lies_inside_its_own_window(demo_run):
    for setup in results(demo_run[1])["setups"]:
        if setup["window"]:
            for name in ("ratio", "shot_time_s"):
                low, high = setup["window"][name]
                assert low < setup["aim"][name] < high


def test_a_setup_takes_at_most_four_kilobytes_of_the_results_file(demo_run):
    for setup in results(demo_run[1])["setups"]:
        assert len(json.dumps(setup, separators=(",", ":"), ensure_ascii=False).encode()) <= 4096


def test_every_machine_of_a_demo_says_where_to_start_with_another_coffee(demo_run):
    found = results(demo_run[1])
    told = {(one["machine"], one["grinder"]) for one in found["handover"]}
    assert told == {(one["key"]["machine"], one["key"]["grinder"]) for one in found["setups"]}
    assert len(told) == len(found["handover"])
    for one in found["handover"]:
        assert one["aim"]["grind_setting"] is None
        assert one["aim"]["support"] == "bench"
        assert len(json.dumps(one, separators=(",", ":"), ensure_ascii=False).encode()) <= 4096
        assert one["next_shots"][0]["shot_time_s"] == one["aim"]["shot_time_s"]


def test_results_of_a_demo_keep_to_the_shipped_schema(demo_run):
    schema = json.loads((ROOT / "pipeline" / "tastefield" / "results.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(schema).validate(results(demo_run[1]))


def test_no_recommendation_of_a_demo_chokes_overfills_or_says_finer_without_the_warning(demo_run):
    name, out = demo_run
    assert breaches(out, *load(ROOT / "configs" / f"{name}.toml").config.grinder) == []


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize("letter", ["x", "Ж", "\u0001", '"'])
def test_a_setup_takes_at_most_four_kilobytes_whatever_its_names(tmp_path, letter):
    """Names of 300 letters everywhere, and as many doubts about one setup as shots can raise."""
    long = {name: f"{letter * 300}{name}" for name in ("machine", "grinder", "basket", "coffee", "head")}
    outcomes = ["ok"] * 6 + ["gushed", "choked"]
    rows = [
        {
            **long,
            "shot_id": f"{letter * 300}{i}",
            "grind_setting": 8 - i % 4,
            "dose_g": 18 + i % 3 / 10,
            "beverage_g": 34 + i,
            "shot_time_s": 22 + 3 * i,
            "clock": "pump" if i else "first_drip",
            "served_as": "milk" if i == 3 else None,
            "score": 5 + i % 4,
            "outcome": outcomes[i],
            "tds_pct": 9 + i / 10,
        }
        for i in range(8)
    ]
    pd.DataFrame(rows).to_csv(tmp_path / "log.csv", index=False)
    tastefield.run(tmp_path / "log.csv", out=tmp_path / "out")
    (setup,), (start,) = (results(tmp_path / "out")[part] for part in ("setups", "handover"))
    assert setup["tasted"] >= 5
    assert len(json.dumps(start, separators=(",", ":"), ensure_ascii=False).encode()) <= 4096
    assert len(json.dumps(setup, separators=(",", ":"), ensure_ascii=False).encode()) <= 4096
    shots = pd.read_parquet(tmp_path / "out" / "tables" / "shots.parquet")
    assert set(shots["machine"]) == {long["machine"]}


HOSTILE = ["=cmd", "../../x", "<script>alert(1)</script>", "CON", "A/B", "a\tb", "машина", "'; DROP TABLE shots"]


def test_hostile_names_harm_no_path_page_or_export(tmp_path):
    rows = [
        {"machine": name, "coffee": name, "dose_g": 18, "beverage_g": 34 + i, "shot_time_s": 25 + i, "score": 6 + i % 2}
        for name in HOSTILE
        for i in range(3)
    ]
    (tmp_path / "in").mkdir()
    pd.DataFrame(rows).to_csv(tmp_path / "in" / "log.csv", index=False)
    run = tastefield.run(tmp_path / "in" / "log.csv", out=tmp_path / "deep" / "out")
    assert not run.failed
    assert len(run.setups) == len(HOSTILE)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["deep", "in"]
    page = (tmp_path / "deep" / "out" / "page.html").read_text("utf-8")
    assert "<script>alert(1)" not in page
    for path in (tmp_path / "deep" / "out").rglob("*.csv"):
        for line in path.read_text("utf-8").splitlines():
            assert not any(cell.strip('"').startswith("=") for cell in line.split(","))


def own_notation(folder: Path, settings: list[str], grinder: str) -> dict:
    """Results of six shots on a dial whose steps take the time from 36 to 21 s; the fifth tastes best."""
    rows = [
        {"machine": "A", "grinder": "shop", "coffee": "house", "grind": setting, "in": 18, "out": 36, "time": time}
        for setting, time in zip(settings, (36, 33, 30, 27, 24, 21), strict=True)
    ]
    for row, taste in zip(rows, (5, 5.5, 6.5, 7.5, 6.5, 5), strict=True):
        row["taste"] = taste
    pd.DataFrame(rows).to_csv(folder / "log.csv", index=False)
    source = '[[source]]\npath = "log.csv"\nclock = "pump"\n[taste]\nscale = [1, 9]\n[[report]]\nwriter = "data"\n'
    source += '[[grinder]]\nname = "shop"\n'
    (folder / "bench.toml").write_text(source + grinder, "utf-8")
    tastefield.run(folder / "bench.toml", out=folder / "out")
    return results(folder / "out")


@pytest.mark.usefixtures("without_handover")
@pytest.mark.parametrize(
    ("settings", "grinder", "best"),
    [
        (["3+9", "4+0", "4+1", "4+2", "4+3", "4+4"], 'notation = "two_part"\nper = 10\nlowest = "0+0"', {"4+2", "4+1"}),
        (["3-8", "3-9", "4-0", "4-1", "4-2", "4-3"], 'notation = "two_part"\nper = 10', {"4-1", "4-0"}),
        (["2Y", "2Z", "3A", "3B", "3C", "3D"], 'notation = "letters"', {"3B", "3A"}),
        (["3D", "3C", "3B", "3A", "2Z", "2Y"], 'notation = "letters"\nhigher_is = "finer"', {"3A", "3B"}),
        (
            ["11:00", "11:30", "12 o'clock", "12:30", "1:00", "half past 1"],
            'notation = "clock"\nlowest = "7:00"\nhighest = "5:00"',
            {"12:30", "12:00"},
        ),
        (
            ["28 clicks", "29 clicks", "1 turn", "1 turn + 1", "1 turn + 2", "1 turn + 3"],
            'notation = "turns"\nper = 30',
            {"1 turn + 1", "1 turn"},
        ),
        (
            ["a", "b", "c", "d", "e", "f"],
            'notation = "list"\nlabels = ["a", "b", "c", "d", "e", "f"]\nhigher_is = "coarser"',
            {"c", "d"},
        ),
    ],
)
def test_what_is_recommended_is_written_as_the_owner_of_the_grinder_writes_it(tmp_path, settings, grinder, best):
    found = own_notation(tmp_path, settings, grinder)
    (setup,) = found["setups"]
    assert setup["aim"]["grind_setting"] in best
    assert setup["settings"]["line"] is not None
    assert f'notation = "{setup["settings"]["notation"]}"' in grinder
    assert setup["settings"]["say"].startswith(f"Set {setup['aim']['grind_setting']};")
    assert all(shot["grind_setting"] for shot in setup["next_shots"])
    assert "notation" not in " ".join(finding["code"] for finding in found["findings"])
    shots = pd.read_parquet(tmp_path / "out" / "tables" / "shots.parquet")
    assert shots["grind_setting"].tolist() == settings
    assert shots["dial_position"].notna().all()


@pytest.mark.usefixtures("without_handover")
def test_a_stepless_dial_is_set_anywhere_and_back_where_it_stood(tmp_path):
    found = own_notation(tmp_path, ["5.13", "5.41", "5.72", "6.04", "6.33", "6.6"], 'notation = "stepless"')
    (setup,) = found["setups"]
    assert 5.7 <= float(setup["aim"]["grind_setting"]) <= 6.1
    assert float(setup["aim"]["grind_setting"]) == setup["settings"]["position"]


@pytest.mark.usefixtures("without_handover")
def test_settings_in_an_unknown_notation_are_kept_and_one_is_suggested(tmp_path):
    found = own_notation(tmp_path, ["3+9", "4+0", "4+1", "4+2", "4+3", "4+4"], "step = 1")
    (setup,) = found["setups"]
    assert setup["settings"]["line"] is None
    (finding,) = (finding for finding in found["findings"] if finding["code"] == "notation_suggested")
    assert finding["where"] == {"grinder": "shop"}
    assert 'name = "shop", notation = "two_part", per = ...' in finding["do"]

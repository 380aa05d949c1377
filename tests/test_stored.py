"""One setup read back from a stored run, and its page written on demand."""

import json
import re

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from tests.sparing import undrawn

import tastefield
from tastefield import output, stored, workflow
from tastefield.cli import main
from tastefield.errors import ConfigError, OutputError

ROWS = """machine,coffee,grind_setting,dose_g,beverage_g,shot_time_s,taster,score,tds_pct
Bench A,house,6,18,33,34,me,6,9.1
Bench A,house,7,18,36,30,me,7,8.8
Bench A,house,8,18,38,27,you,7.5,8.5
Bench A,house,9,18.2,41,23,me,5,8.0
Bench A,dark,8,18,34,26,me,6.5,
Loan B,house,,18,33,24,,,
"""
TAG = re.compile(r"<[^>]+>")
CONFIGURATION = """
[[source]]
path = "log.csv"
holds = ["shots", "scores", "readings"]
clock = "pump"
[taste]
attribute = "liking"
scale = [1, 9]
good = 6.5
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A run and the folder it was written to."""
    folder = tmp_path_factory.mktemp("stored")
    (folder / "log.csv").write_text(ROWS)
    (folder / "bench.toml").write_text(CONFIGURATION)
    with undrawn():
        return tastefield.run(folder / "bench.toml", out=folder / "out")


def test_what_is_read_back_is_what_was_found(made):
    for result in made.setups:
        again = stored.setup(made.out, result.slug)
        assert again.slug == result.slug
        assert again.entry["key"] == dict(result.entry["key"])
        assert again.shots["shot_id"].tolist() == result.shots["shot_id"].tolist()
        for name in ("ratio", "shot_time_s", "extraction_pct"):
            np.testing.assert_allclose(again.shots[name].astype(float), result.shots[name].astype(float))
        kept = ["shot_id", "score"]
        assert again.scores[kept].to_numpy().tolist() == result.scores[kept].to_numpy().tolist()
        if result.lattice is not None:
            for name in (
                "ratio",
                "shot_time_s",
                "mean",
                "sd",
                "chance",
                "expected",
                "lower",
                "upper",
                "supported",
                "own",
            ):
                np.testing.assert_allclose(getattr(again.lattice, name), getattr(result.lattice, name), atol=1e-5)
        assert (again.dial is None) == (result.dial is None)
        if result.dial is not None:
            pd.testing.assert_frame_equal(again.dial, result.dial, check_dtype=False)


def test_a_setup_is_named_by_part_of_its_names_and_several_are_asked_about(made):
    assert stored.setup(made.out, "bench a DARK").entry["key"]["coffee"] == "dark"
    with pytest.raises(ConfigError) as told:
        stored.setup(made.out, "bench a")
    assert "2 setups are called so" in str(told.value)
    assert "Bench A, dark" in str(told.value)
    with pytest.raises(ConfigError, match="no setup is called so"):
        stored.setup(made.out, "kitchen")


@pytest.mark.usefixtures("undrawn")
def test_the_page_of_one_setup_is_written_and_told_to_the_manifest(made):
    file = workflow.page(made.out, "loan")
    (result,) = [one for one in made.setups if one.entry["key"]["machine"] == "Loan B"]
    assert file == made.out / "setups" / f"{result.slug}.html"
    assert "Loan B" in file.read_text("utf-8")
    manifest = json.loads((made.out / output.MANIFEST).read_text("utf-8"))
    assert manifest["files"][f"setups/{result.slug}.html"] == output.sha256(file)
    assert workflow.page(made.out, "loan") == file, "and again"


def test_a_page_made_later_is_the_one_the_run_would_have_written_and_its_line_leads_to_it(tmp_path):
    """No key of ``[[report]]`` changes what a page says: they say only which setups get one."""
    (tmp_path / "log.csv").write_text(
        "machine,coffee,dose_g,beverage_g,shot_time_s,score\nA,house,18,36,27,7\nB,house,18,33,24,6\n"
    )
    report = 'title = "t"\n[[source]]\npath = "log.csv"\nholds = ["shots", "scores"]\n[[report]]\nwriter = "data"\n'
    page = '[[report]]\nwriter = "page"\none_file = 0\n'
    (tmp_path / "each.toml").write_text(report + page)
    each = workflow.run(tmp_path / "each.toml", out=tmp_path / "each")
    slug = each.setups[0].slug
    first, index = (tmp_path / "each" / name for name in (f"setups/{slug}.html", "page.html"))
    written, linked = first.read_text("utf-8"), index.read_text("utf-8")
    first.unlink()
    index.write_text(linked.replace(f'<a href="setups/{slug}.html">', f'<b data-page="setups/{slug}.html">'), "utf-8")
    index.write_text(index.read_text("utf-8").replace("</bdi></a>", "</bdi></b>", 1), "utf-8")
    again = workflow.page(tmp_path / "each", "A").read_text("utf-8")
    assert TAG.sub(" ", again) == TAG.sub(" ", written)
    assert index.read_text("utf-8") == linked
    manifest = json.loads((tmp_path / "each" / output.MANIFEST).read_text("utf-8"))
    assert manifest["files"]["page.html"] == output.sha256(index)


@pytest.mark.usefixtures("undrawn")
def test_runs_after_it_replace_the_page_as_a_file_of_ours(tmp_path):
    (tmp_path / "log.csv").write_text("machine,coffee,dose_g,beverage_g,shot_time_s,score\nA,house,18,36,27,7\n")
    for _ in range(3):
        workflow.run(tmp_path / "log.csv", out=tmp_path / "out")
        workflow.page(tmp_path / "out", "house")
    assert (tmp_path / "out.last" / "setups").is_dir()


def test_a_folder_that_is_no_run_is_refused(tmp_path):
    with pytest.raises(OutputError, match="is no stored run"):
        workflow.page(tmp_path, "A")
    with pytest.raises(OutputError, match="is no finished run"):
        output.added(tmp_path, [])


def test_a_name_in_a_changed_results_file_is_never_taken_for_a_path(made, tmp_path):
    document = json.loads((made.out / "results.json").read_text("utf-8"))
    document["setups"] = [{**document["setups"][0], "slug": "../../x"}]
    (tmp_path / "results.json").write_text(json.dumps(document))
    with pytest.raises(OutputError, match="was changed"):
        stored.setup(tmp_path, "bench")


@pytest.mark.usefixtures("undrawn")
def test_the_command_says_where_the_page_is_or_what_to_name(made):
    told = CliRunner().invoke(main, ["page", str(made.out), "bench a dark"])
    assert told.exit_code == 0
    assert told.output.startswith("Page: ")
    wrong = CliRunner().invoke(main, ["page", str(made.out), "kitchen"])
    assert wrong.exit_code == 2
    assert "name one of" in wrong.output


@pytest.mark.usefixtures("undrawn")
def test_recordings_reach_the_page_of_their_setup_and_are_read_back_with_it(tmp_path):
    (tmp_path / "log.csv").write_text(
        "shot_id,machine,coffee,dose_g,beverage_g,shot_time_s,score\n1,A,house,18,36,28,7\n2,B,house,18,36,28,6\n"
    )
    seconds = np.arange(0.0, 32.0, 0.2)
    grams = 36 * np.clip((seconds - 7) / 21, 0, 1)
    pd.DataFrame({"time s": seconds, "weight g": grams.round(2)}).to_csv(tmp_path / "pour-1.csv", index=False)
    (tmp_path / "bench.toml").write_text(
        CONFIGURATION.replace(', "readings"', "")
        + '[[source]]\nreader = "trace"\npath = "pour-*.csv"\nshot = "pour-*"\nclock = "pump"\n'
        + '[[report]]\nwriter = "data"\n[[report]]\nwriter = "page"\none_file = 1\n'
    )
    run = tastefield.run(tmp_path / "bench.toml", out=tmp_path / "out")
    recorded, other = run.setups
    assert recorded.traces["mass_g"].tolist() == pytest.approx(grams.round(2).tolist())
    assert other.traces is None
    again = stored.setup(run.out, recorded.slug)
    assert again.traces["t_s"].tolist() == pytest.approx(seconds.tolist())
    pages = {file.stem: file.read_text("utf-8") for file in (run.out / "setups").iterdir()}
    assert pages.keys() == {recorded.slug, other.slug}, "more setups than one file holds: each has its own page"
    assert "How the shots poured" in pages[recorded.slug]
    assert "How the shots poured" not in pages[other.slug]
    assert f"setups/{recorded.slug}.html" in json.loads((run.out / output.MANIFEST).read_text("utf-8"))["files"]

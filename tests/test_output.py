"""The output swap: whatever happens, the last good run is there, and nothing of anybody else is lost."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tastefield import output, workflow
from tastefield.errors import OutputError
from tastefield.runlog import RunLog


def a_run(out: Path, says: str) -> None:
    part = output.prepare(out)
    (part / "page.html").write_text(says)
    (part / "tables").mkdir()
    (part / "tables" / "shots.csv").write_text(says)
    output.seal(part, {"versions": {"tastefield": "1"}})
    output.commit(part, out)


def said(folder: Path) -> str | None:
    """What a complete run wrote, both files alike."""
    if output.manifest_of(folder) is None or not (folder / "page.html").exists():
        return None
    first, second = (folder / "page.html").read_text(), (folder / "tables" / "shots.csv").read_text()
    assert first == second
    return first


def test_a_run_becomes_out_and_the_one_before_becomes_last(tmp_path):
    out = tmp_path / "deep" / "bench"
    for says in ("one", "two", "three"):
        a_run(out, says)
    assert (said(out), said(tmp_path / "deep" / "bench.last")) == ("three", "two")
    assert sorted(entry.name for entry in out.parent.iterdir()) == ["bench", "bench.last"]


def test_the_manifest_lists_every_file_with_its_hash(tmp_path):
    part = output.prepare(tmp_path / "bench")
    (part / "page.html").write_text("abc")
    (part / "run.log").write_text("{}")
    output.seal(part, {"title": "Märch"})
    manifest = json.loads((part / "manifest.json").read_text(encoding="utf-8"))
    # the hash of "abc" is the worked example of the standard: FIPS 180-2, appendix B.1 (written from memory)
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert manifest == {
        "schema": "tastefield/manifest/1",
        "title": "Märch",
        "files": {"page.html": abc, "run.log": None},
    }


def test_two_runs_never_write_into_one_folder_at_once(tmp_path):
    with output.held(tmp_path / "deep" / "bench"):
        with pytest.raises(OutputError, match="another run") as caught, output.held(tmp_path / "deep" / "bench"):
            pytest.fail("both got in")
        with output.held(tmp_path / "deep" / "other"):
            pass
    assert f"process {os.getpid()} on " in caught.value.problems[0].why
    assert "--out" in caught.value.problems[0].do
    with output.held(tmp_path / "deep" / "bench"):
        pass
    assert list((tmp_path / "deep").iterdir()) == []


def test_a_run_holds_its_folder_from_beginning_to_end(tmp_path):
    (tmp_path / "log.csv").write_text("machine,coffee,dose_g,beverage_g\nA,house,18,36\n")
    with output.held(tmp_path / "out"), pytest.raises(OutputError, match="another run"):
        workflow.run(tmp_path / "log.csv", out=tmp_path / "out")
    workflow.run(tmp_path / "log.csv", out=tmp_path / "out")
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["log.csv", "out"]


@pytest.mark.skipif(sys.platform == "win32", reason="has no such locks")
def test_the_lock_of_a_killed_run_is_taken_over(tmp_path):
    code = (
        "import sys, time; from pathlib import Path; from tastefield import output\n"
        "with output.held(Path(sys.argv[1])):\n    print('held', flush=True); time.sleep(60)"
    )
    other = subprocess.Popen([sys.executable, "-c", code, str(tmp_path / "bench")], stdout=subprocess.PIPE, text=True)
    with other:
        assert other.stdout.readline() == "held\n"
        with pytest.raises(OutputError) as caught, output.held(tmp_path / "bench"):
            pytest.fail("both got in")
        other.kill()
    assert f"process {other.pid} on " in caught.value.problems[0].why
    assert (tmp_path / "bench.lock").exists()
    with output.held(tmp_path / "bench"):
        assert f"process {os.getpid()} on " in (tmp_path / "bench.lock").read_text()
    assert not (tmp_path / "bench.lock").exists()


@pytest.mark.parametrize("victim", ["bench", "bench.part", "bench.last"])
def test_a_folder_that_no_run_wrote_is_refused_and_untouched(tmp_path, victim):
    (tmp_path / victim).mkdir()
    (tmp_path / victim / "thesis.txt").write_text("mine")
    (tmp_path / victim / "manifest.json").write_text('{"schema": "another/1"}')
    with pytest.raises(OutputError, match="not written by a run") as caught:
        output.prepare(tmp_path / "bench")
    assert victim in caught.value.problems[0].where
    assert (tmp_path / victim / "thesis.txt").read_text() == "mine"


def test_a_file_or_the_root_is_no_output_folder(tmp_path):
    (tmp_path / "bench").write_text("a file")
    with pytest.raises(OutputError, match="no folder"):
        output.prepare(tmp_path / "bench")
    with pytest.raises(OutputError, match="root"):
        output.prepare(Path("/"))
    with pytest.raises(OutputError, match="cannot be written"):
        output.prepare(tmp_path / "bench" / "below")


def test_an_empty_folder_may_be_replaced(tmp_path):
    (tmp_path / "bench").mkdir()
    a_run(tmp_path / "bench", "one")
    assert said(tmp_path / "bench") == "one"


def test_a_link_is_followed(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    a_run(tmp_path / "link", "one")
    assert (tmp_path / "link").is_symlink()
    assert said(tmp_path / "real") == "one"


def test_files_put_into_an_old_output_are_never_deleted(tmp_path):
    out = tmp_path / "bench"
    a_run(out, "one")
    (out / "my-log.xlsx").write_text("mine")
    (out / ".DS_Store").write_text("litter")
    a_run(out, "two")
    with pytest.raises(OutputError, match=r"my-log\.xlsx"):
        output.prepare(out)
    assert (tmp_path / "bench.last" / "my-log.xlsx").read_text() == "mine"
    assert said(out) == "two"


def test_an_unfinished_run_is_never_swapped_in(tmp_path):
    part = output.prepare(tmp_path / "bench")
    with pytest.raises(OutputError, match="not complete"):
        output.commit(part, tmp_path / "bench")
    output.discard(part)
    assert list(tmp_path.iterdir()) == []


STEPS = ["mkdir", "seal", "remove last", "out to last", "part to out", "done"]


class Killed(BaseException):
    """Stands in for the process going away: nothing of ours may catch it."""


def kill_after(path: Path) -> None:
    if path.name == "page.html":
        raise Killed


def break_at(monkeypatch, step: str) -> None:
    """Let the run be killed just before one step of its writing."""

    def before(name, function):
        def wrapped(self, *args, **kwargs):
            if name(self):
                raise Killed
            return function(self, *args, **kwargs)

        return wrapped

    tests = {
        "mkdir": ("mkdir", lambda path: path.name == "bench.part"),
        "seal": ("replace", lambda path: True),
        "remove last": ("unlink", lambda path: path.parent.name == "bench.last" and path.name == "manifest.json"),
        "out to last": ("rename", lambda path: path.name == "bench"),
        "part to out": ("rename", lambda path: path.name == "bench.part"),
    }
    if step in tests:
        method, name = tests[step]
        monkeypatch.setattr(Path, method, before(name, getattr(Path, method)))


@pytest.mark.parametrize("step", STEPS)
def test_a_run_killed_before_any_step_leaves_a_good_one_and_the_next_run_repairs(tmp_path, monkeypatch, step):
    out = tmp_path / "bench"
    a_run(out, "one")
    a_run(out, "two")
    with monkeypatch.context() as patched:
        break_at(patched, step)
        if step == "done":
            a_run(out, "three")
        else:
            with pytest.raises(Killed):
                a_run(out, "three")
    assert {said(out), said(tmp_path / "bench.last")} & {"two", "three"}
    output.repair(out)
    assert said(out) == ("three" if step in ("part to out", "done") else "two")
    a_run(out, "four")
    assert said(out) == "four"
    assert not (tmp_path / "bench.part").exists()


def test_a_first_run_killed_before_its_only_rename_is_finished_by_the_next_command(tmp_path, monkeypatch):
    with monkeypatch.context() as patched:
        break_at(patched, "part to out")
        with pytest.raises(Killed):
            a_run(tmp_path / "bench", "one")
    output.repair(tmp_path / "bench")
    assert said(tmp_path / "bench") == "one"


def test_a_part_thrown_away_by_halves_is_never_taken_for_complete(tmp_path, monkeypatch):
    part = output.prepare(tmp_path / "bench")
    (part / "page.html").write_text("one")
    output.seal(part, {})
    with monkeypatch.context() as patched:
        unlink = Path.unlink
        patched.setattr(Path, "unlink", lambda path, missing_ok=False: unlink(path, missing_ok) or kill_after(path))
        with pytest.raises(Killed):
            output.discard(part)
    output.repair(tmp_path / "bench")
    assert not (tmp_path / "bench").exists()


def test_without_a_complete_part_the_run_before_comes_back(tmp_path):
    a_run(tmp_path / "bench", "one")
    (tmp_path / "bench").rename(tmp_path / "bench.last")
    output.repair(tmp_path / "bench")
    assert said(tmp_path / "bench") == "one"


ENDLESS = """
import sys
from pathlib import Path
from tastefield import output
out = Path(sys.argv[1])
number = 0
while True:
    part = output.prepare(out)
    for name in range(20):
        (part / f"{name}.txt").write_text(f"{number}")
    output.seal(part, {})
    output.commit(part, out)
    number += 1
    print(number, flush=True)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL: run on Linux or macOS")
def test_a_process_that_is_really_killed_leaves_a_whole_run(tmp_path):
    out = tmp_path / "bench"
    for _ in range(3):
        process = subprocess.Popen([sys.executable, "-c", ENDLESS, str(out)], stdout=subprocess.PIPE, text=True)
        for _ in range(5):
            assert process.stdout.readline()
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        process.stdout.close()
        output.repair(out)
        manifest = output.manifest_of(out)
        found = {name: digest for name, digest in output.hashes(out).items() if name != "manifest.json"}
        assert found == manifest["files"]
        assert len({(out / name).read_text() for name in found}) == 1


@pytest.mark.parametrize(
    ("title", "source", "name"),
    [
        ("Bench log, March", "x.toml", "bench-log-march"),
        ("", "my log.csv", "my-log"),
        ("../../x", "x.toml", "x"),
        ("<script>", "x.toml", "script"),
    ],
)
def test_runs_go_below_reports_by_title_or_file_name(title, source, name):
    assert output.default_out(title, Path(source)) == Path("reports") / name


@pytest.mark.parametrize("title", ["CON", "nul", "コーヒー", "..", "/"])
def test_a_title_that_is_no_file_name_still_gives_one_of_its_own(title):
    out = output.default_out(title, Path("x.toml"))
    assert out.parent == Path("reports")
    assert len(out.name) > 8


def test_the_run_log_has_one_json_object_a_line_with_seconds(tmp_path):
    with RunLog(tmp_path / "run.log") as log:
        with log.stage("read", files=2):
            pass
        with pytest.raises(ValueError, match="boom"), log.stage("fit"):
            raise ValueError("boom")
        log.note("written", out=tmp_path)
        lines = [json.loads(line) for line in (tmp_path / "run.log").read_text().splitlines()]
    assert [(line["event"], line.get("stage")) for line in lines] == [
        ("start", "read"),
        ("done", "read"),
        ("start", "fit"),
        ("failed", "fit"),
        ("written", None),
    ]
    assert lines[1]["seconds"] >= 0
    assert lines[3]["error"] == "ValueError: boom"


def test_without_a_folder_nothing_is_logged(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with RunLog(None) as log, log.stage("read"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_what_the_last_run_said_of_each_setup_is_read_back_from_a_whole_run_alone(tmp_path):
    out = tmp_path / "bench"
    assert output.entries_before(out) == {}
    a_run(out, "one")
    assert output.entries_before(out) == {}  # no results in it
    aim = {"dose_g": 18.0}
    (out / "results.json").write_text(
        json.dumps({"setups": [{"slug": "a", "status": "window", "aim": aim, "more": 1}]})
    )
    assert output.entries_before(out) == {"a": {"status": "window", "aim": aim}}
    (out / "results.json").write_text('{"setups": [{}]}')
    assert output.entries_before(out) == {}
    (out / "results.json").write_text(json.dumps({"setups": [{"slug": "a", "status": "window", "aim": aim}]}))
    (out / "manifest.json").unlink()
    assert output.entries_before(out) == {}

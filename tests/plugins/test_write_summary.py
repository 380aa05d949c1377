"""The writer ``summary``: one page of Markdown whose tables hold, read by an independent Markdown library."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import Any

import pytest
from markdown_it import MarkdownIt

from tastefield.hooks import NoOptions
from tastefield.records import Context, RunResult
from tastefield.testing.samples import empty_run
from tastefield.words.bench_line import bench_line
from tastefield.words.cautions import CAUTIONS
from tastefield.words.phrases import JARGON, printable
from tastefield_plugins import write_summary
from tastefield_plugins.write_summary import SummaryWriter
from tastefield_plugins.write_summary.markdown import table, words

from . import sample_run

READER = MarkdownIt("commonmark").enable(["table", "strikethrough"])
"""CommonMark as its specification 0.31 reads it, with the tables and struck-out text of GitHub's."""


def write(run: RunResult, folder: Path) -> str:
    folder.mkdir(exist_ok=True)
    SummaryWriter().write_run(run, folder, Context(NoOptions()))
    assert [file.name for file in folder.iterdir()] == ["summary.md"]
    return (folder / "summary.md").read_text("utf-8")


def parts(markdown: str) -> dict[str, str]:
    """What stands below each heading."""
    return dict(re.findall(r"(?ms)^## ([^\n]+)\n\n(.*?)(?=^## |\Z)", markdown))


def cells(markdown: str) -> list[list[str]]:
    """The rows of every table as they are shown."""
    tokens, rows = READER.parse(markdown), []
    for at, token in enumerate(tokens):
        if token.type == "tr_open":
            rows.append([])
        elif token.type in ("td_open", "th_open"):
            rows[-1].append(shown(tokens[at + 1]))
    return rows


def shown(token: Any) -> str:
    """The text of a line as a reader sees it."""
    return "".join(child.content for child in token.children or ())


@pytest.mark.parametrize(
    "name",
    [
        *sample_run.HOSTILE,
        "a|b||c",
        "| --- |",
        "\\|",
        "`code`",
        "**bold** __x__ ~~gone~~",
        "[link](http://x.example)",
        "![picture](http://x.example/p.png)",
        "<!-- gone",
        "&lt;b&gt; &copy; &#35;",
        "www.x.example me@x.example http://x.example",
        "# heading",
        "- item",
        "1. item",
        "> quote",
        "$x^2$ :smile: #12 @somebody",
        "line\nend",
        "\U0001f600 \u2615",
        "*",
        "\\",
    ],
)
def test_any_name_is_shown_as_it_is_and_nothing_else_happens(name):
    for before, after in (("", ""), ("in ", " out"), ("**", "**")):
        html = READER.render("\n".join(["| a | b |", "| --- | --- |", f"| {before}{words(name)}{after} | end |"]))
        assert not re.search(r"<(?!/?(table|thead|tbody|tr|th|td|strong)>)", html), html
    text = " ".join(printable(name).split())
    assert cells("\n".join(table(("a", "b"), [(name, "end")])))[1] == [text, "end"]
    paragraph = READER.parse(f"x {words(name)}")[1]
    assert shown(paragraph) == f"x {text}"
    assert not re.search(r"(?<!\\)(://|www\.)", words(name)), "no reader makes a link of it"


def test_the_bench_table_holds_whatever_the_names_and_says_what_the_page_says(tmp_path):
    run = sample_run.run()
    head, *rows = cells(parts(write(run, tmp_path))["The bench"].replace("\u00a0", " "))
    assert head == ["Machine", "Coffee", "Ready?", "Set this", "How sure", "Do next"]
    told = [bench_line(result.entry, result.clock) for result in run.setups]
    assert [len(row) for row in rows] == [6] * len(told)
    for row, line in zip(rows, told, strict=True):
        assert row[0].startswith(line["machine"])
        assert row[1:3] == [line["coffee"], line["ready"]]
        assert row[4:] == [line["sure"], line["next"]]
        assert row[3].startswith(line["set"] or "–")


def test_only_what_is_ready_leaves_and_what_a_check_holds_is_said_to_stay(tmp_path):
    run = sample_run.run(sample_run.CASES)
    failed = {"code": "check_failed", "severity": "stop", "where": {}, "message": "Leaks: drips.", "do": "Mend it."}
    first = run.setups[0]
    entry = {**first.entry, "findings": [failed]}
    setups = [dataclasses.replace(first, entry=entry), *run.setups[1:]]
    told = parts(write(dataclasses.replace(run, setups=setups), tmp_path))
    leave, stay = told["What can leave today"].split("Held here")
    assert "Panel A" in leave
    assert "Bench 06" in leave
    assert not [name for name in ("Bench 01", "Bench 02", "Bench 03") if name in leave]
    assert "Bench 01" in stay
    assert "Leaks: drips." in stay


def test_nothing_ready_is_said_in_a_sentence(tmp_path):
    assert "Nothing yet" in parts(write(sample_run.run(sample_run.CASES[1:2]), tmp_path))["What can leave today"]


def test_a_grinder_that_stays_sends_no_mark_along(tmp_path):
    run = sample_run.run(sample_run.CASES[:1])
    entry = dict(run.setups[0].entry)
    assert "dial 7.5" in parts(write(run, tmp_path / "leaves"))["What can leave today"]
    entry["settings"] = {**entry["settings"], "leaves": False}
    run = dataclasses.replace(run, setups=[dataclasses.replace(run.setups[0], entry=entry)])
    told = parts(write(run, tmp_path / "stays"))
    assert "dial" not in told["What can leave today"]
    assert "dial\u00a07.5" in told["The bench"], "here it is the setting to turn to"


def test_those_with_most_to_gain_come_first_each_shot_with_its_reason(tmp_path, monkeypatch):
    monkeypatch.setattr(write_summary, "MOST_PULLED", 2)
    run = sample_run.run(sample_run.CASES)
    pulled = parts(write(run, tmp_path))["What to pull next"]
    gains = {
        printable(result.entry["key"]["machine"]): sum(shot["expected_gain"] for shot in result.entry["next_shots"])
        for result in run.setups
        if result.entry["next_shots"]
    }
    named = re.findall(r"(?m)^- \*\*(.+?)\*\*", pulled)
    assert [gains[name] for name in named] == sorted(gains.values(), reverse=True)[:2]
    assert pulled.count("settles how much to let out") == 2 + 3
    assert "4 more setups have shots to pull." in pulled


def test_the_first_screen_keeps_to_bench_words(tmp_path):
    told = parts(write(sample_run.run(sample_run.CASES), tmp_path))
    for name in ("What can leave today", "What to pull next", "The bench"):
        assert not [word for word in JARGON if word in told[name].lower()]
    assert not re.search(r"\b0\.\d", told["What can leave today"]), "chances are told as tenths"


def test_findings_are_told_once_with_how_often_and_cautions_are_all_there(tmp_path):
    run = sample_run.run(sample_run.CASES[:2])
    warn = {"code": "choked_shots", "severity": "warn", "where": {}, "message": "Choked: *1*.", "do": "Wait."}
    setups = [dataclasses.replace(one, entry={**one.entry, "findings": [warn]}) for one in run.setups]
    told = parts(write(dataclasses.replace(run, setups=setups, failed=("writer a|b",)), tmp_path))
    assert told["What to mind"].strip() == r"- **Mind this** (2 like this): Choked: \*1\*. Wait."
    assert told["Cautions"].count("\n- ") == len(CAUTIONS) - 1


def test_a_large_bench_still_is_one_page(tmp_path, monkeypatch):
    monkeypatch.setattr(write_summary, "MOST_LINES", 3)
    run = sample_run.run(sample_run.CASES)
    told = parts(write(run, tmp_path))["The bench"]
    ready = [row[2] for row in cells(told)[1:]]
    assert len(ready) == 3
    assert ready[0] == "Confirmed", "the readiest are listed"
    assert "4 more setups are not listed here" in told


def test_the_same_run_gives_the_same_bytes_whatever_the_hour(tmp_path):
    run = sample_run.run()
    later = dataclasses.replace(run, summary={**run.summary, "created_at": "2025-03-31T23:59:59+00:00"})
    assert write(run, tmp_path / "one") == write(later, tmp_path / "two")


def test_a_run_without_setups_is_still_a_page(tmp_path):
    told = write(empty_run(), tmp_path)
    assert "No setup could be made" in told
    assert "No setup was found." in told

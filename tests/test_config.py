"""Loading a configuration: what is wrong, where, why and what to do, all at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tastefield import registry
from tastefield.config import Config, matching_files, with_listed
from tastefield.errors import ConfigError, PluginError
from tastefield.loading import load
from tastefield.place import line_of
from tastefield.words.columns import names

PLAIN = (Path(__file__).parent / "guest" / "plain_plugins.py").read_text(encoding="utf-8")

GOOD = """
title = "Bench log, March"
plugins = ["plain.py"]

[[source]]
path = "log-*.pipe"
holds = ["shots", "scores"]
separator = ";"
clock = "pump"
fill = { machine = "A", taster = "me" }
fill_down = ["coffee"]
[source.columns]
dose_g = "In"
[source.units]
dose_g = "oz"

[setups]
by = ["machine", "coffee"]
[taste]
attribute = "liking"
scale = [1, 9]
good = 6.5
[surface]
model = "flat"
[window]
assurance = 0.9
[[report]]
writer = "list"
[[grinder]]
name = "bench-3"
lowest = 1
highest = 16
step = 1
higher_is = "coarser"
"""


@pytest.fixture(autouse=True)
def _nothing_installed(monkeypatch):
    monkeypatch.setattr(registry, "_installed", list)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "plain.py").write_text(PLAIN, encoding="utf-8")
    (tmp_path / "log-1.pipe").write_text("In|Out\n18|36\n", encoding="utf-8")
    return tmp_path


def loaded(folder: Path, text: str):
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


def refused(folder: Path, text: str, kind: type[ConfigError] = ConfigError):
    with pytest.raises(ConfigError) as caught:
        loaded(folder, text)
    assert type(caught.value) is kind
    assert all("bench.toml" in problem.where for problem in caught.value.problems)
    return caught.value.problems


def test_every_key_of_the_example_is_understood(folder):
    done = loaded(folder, GOOD)
    (source,) = done.config.source
    assert source.reader == "pipe"
    assert source.holds == ("shots", "scores")
    assert source.fill == {"machine": "A", "taster": "me"}
    assert source.columns == {"dose_g": "In"}
    assert done.reader_options[0].separator == ";"
    assert done.config.setups.by == ("machine", "coffee")
    assert (done.config.taste.scale, done.config.taste.good) == ((1, 9), 6.5)
    assert done.config.window.assurance == 0.9
    assert done.config.grinder[0].higher_is == "coarser"
    assert list(done.writer_options) == ["list"]
    assert done.config.folder == folder
    assert done.plugin_texts == (("plain.py", PLAIN),)


def test_only_a_source_is_required_and_default_writers_run(folder):
    text = 'plugins = ["plain.py"]\n[surface]\nmodel = "flat"\n[[source]]\npath = "log-1.pipe"'
    done = loaded(folder, text)
    assert list(done.writer_options) == ["list"]
    assert [report.writer for report in done.config.report] == ["list"]
    assert done.config.source[0].holds == ()
    assert done.config.window.assurance == Config(source=()).window.assurance


def test_one_word_is_a_list_of_one(folder):
    text = GOOD.replace('["shots", "scores"]', '"scores"').replace('["machine", "coffee"]', '"machine"')
    text = text.replace('fill_down = ["coffee"]', 'fill_down = "taster"').replace('machine = "A", ', "")
    text = text.replace('[source.columns]\ndose_g = "In"\n[source.units]\ndose_g = "oz"', "")
    config = loaded(folder, text).config
    assert (config.source[0].holds, config.source[0].fill_down) == (("scores",), ("taster",))
    assert config.setups.by == ("machine",)
    (problem,) = refused(folder, text.replace('"scores"', '"score"'))
    assert "'scores'" in problem.why


def test_grinders_of_a_list_stand_below_those_of_the_configuration_each_once(folder):
    row = dict.fromkeys(names("grinders"), float("nan"))
    listed = [
        {**row, "grinder": "bench-3", "lowest": "5"},
        {**row, "grinder": "loan", "step": 0.5, "notes": "old"},
        {**row, "grinder": "lever", "notation": "list", "labels": "fine, espresso, moka", "highest": "espresso"},
        {**row, "grinder": "shop", "notation": "two_part", "per": 10.0, "lowest": "2+0"},
    ]
    found = with_listed(loaded(folder, GOOD).config, listed).grinder
    assert [(one.name, one.written_as.kind, one.written_as.ends, one.step, one.higher_is) for one in found] == [
        ("bench-3", "marks", (1, 16), 1, "coarser"),
        ("loan", "marks", (None, None), 0.5, None),
        ("lever", "list", (0, 1), None, None),
        ("shop", "two_part", (20, None), None, None),
    ]


def test_a_byte_order_mark_does_no_harm(folder):
    (folder / "bench.toml").write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert load(folder / "bench.toml").config.title == "Bench log, March"


def test_a_log_needs_no_configuration(folder, monkeypatch):
    class Point:
        name, dist = "plain", None

        def load(self):
            return registry.module_from_text("plain.py", PLAIN.replace('name = "flat"', 'name = "pooled"'))

    monkeypatch.setattr(registry, "_installed", lambda: [Point()])
    done = load(folder / "log-1.pipe")
    assert [(source.reader, source.path) for source in done.config.source] == [("pipe", "log-1.pipe")]
    assert done.config.folder == folder
    with pytest.raises(ConfigError, match="no reader knows"):
        load(folder / "plain.py")


def test_a_kind_of_file_nobody_knows_leads_to_a_plugin_of_ones_own(tmp_path):
    for name, plugin in (("sample.twig", "read_twig.py"), ("sample", "read_NAME.py"), ("sample.3-d", "read_NAME.py")):
        (tmp_path / name).write_text("x")
        with pytest.raises(ConfigError) as caught:
            load(tmp_path / name)
        (problem,) = caught.value.problems
        assert 'reader = "..."' in problem.do
        assert f'plugins = ["{plugin}"]' in problem.do


def test_a_path_that_is_a_folder_is_told_to_be_one(tmp_path):
    (tmp_path / "march").mkdir()
    config = tmp_path / "bench.toml"
    for path, what, do in (
        ("march", '"march" is a folder', 'path = "march/*.csv"'),
        ("marhc.csv", 'no file matches "marhc.csv"', "correct the path"),
        ("marhc", 'no file matches "marhc"', 'did you mean the files in the folder "march"'),
    ):
        config.write_text(f'[[source]]\nreader = "table"\npath = "{path}"\n')
        with pytest.raises(ConfigError) as caught:
            load(config)
        told = {problem.what: problem.do for problem in caught.value.problems}
        assert do in told[what]
    config.write_text('[[source]]\npath = "march"\n')
    with pytest.raises(ConfigError) as caught:
        load(config)
    assert [problem.what for problem in caught.value.problems if problem.where.endswith("path")] == [
        '"march" is a folder'
    ]


def test_a_missing_file_gets_the_nearest_name(folder):
    with pytest.raises(ConfigError, match=r"log-1\.pipe") as caught:
        load(folder / "log1.pipe")
    assert "no such file" in str(caught.value)


def test_a_folder_is_no_source(folder):
    with pytest.raises(ConfigError, match="is a folder"):
        load(folder)


def test_broken_toml_is_told_first_with_its_line(folder):
    (problem,) = refused(folder, GOOD + "[taste\nplugins = 3")
    assert "TOML" in problem.what
    assert "line" in problem.why


def test_plugins_are_told_before_other_errors(folder):
    text = GOOD.replace('"plain.py"', '"plain.py", "gone.py"').replace("0.9", "7")
    (problem,) = refused(folder, text, PluginError)
    assert "gone.py" in problem.what
    assert "line 3" in problem.where


def test_plugins_must_be_a_list_of_files(folder):
    (problem,) = refused(folder, GOOD.replace('["plain.py"]', '"plain.py"'))
    assert "list of files" in problem.what


def test_all_other_errors_are_told_at_once(folder):
    text = (
        GOOD.replace('clock = "pump"', 'clock = "pimp"')
        .replace("assurance = 0.9", "assurence = 0.9")
        .replace("good = 6.5", "good = 65")
        .replace('writer = "list"', 'writer = "lst"')
        .replace("highest = 16", "highest = 0")
    )
    assert len(refused(folder, text)) == 5


def test_a_fault_in_a_later_source_is_placed_there(folder):
    text = GOOD + '[[source]]\npath = "log-1.pipe"\n[source.columns]\ndose_gram = "In"\n'
    (problem,) = refused(folder, text)
    assert "[[source]] 2, columns.dose_gram" in problem.where
    assert f"line {1 + text[: text.index('dose_gram')].count(chr(10))}," in problem.where


@pytest.mark.parametrize(
    ("old", "new", "where", "says"),
    [
        ("title =", "titel =", "line 2", 'write "title"'),
        ('title = "Bench log, March"', "title = 3", "title", "string"),
        ('title = "Bench log, March"', 'folder = "/"', "folder", "no key"),
        ("[setups]", "[setup]", "setup", 'write "setups"'),
        ('clock = "pump"', 'clok = "pump"', "line 9, [[source]] 1, clok", 'write "clock"'),
        ("separator =", "seperator =", "line 8, [[source]] 1, seperator", 'write "separator"'),
        ('separator = ";"', 'separator = ""', "[[source]] 1, separator", "at least 1"),
        ('separator = ";"', "options = {}", "[[source]] 1, options", "no key"),
        ('clock = "pump"', 'clock = "drip"', "clock", "'first_drip'"),
        ('path = "log-*.pipe"', 'path = "lag.pipe"', "path", "no file matches"),
        ('path = "log-*.pipe"', 'path = "plain.py"', "path", "no reader knows"),
        ('path = "log-*.pipe"', 'reader = "pip"', "reader", 'write "pipe"'),
        ('path = "log-*.pipe"', 'reader = "pipe"', "[[source]] 1", "path is missing"),
        ('path = "log-*.pipe"\n', "", "[[source]] 1", "neither path nor reader"),
        ('holds = ["shots", "scores"]', 'holds = ["shots", "score"]', "holds", "'scores'"),
        ('holds = ["shots", "scores"]', 'holds = ["shots", "scores", "traces"]', "holds", "of its own"),
        ('fill = { machine = "A"', 'fill = { machin = "A"', "fill.machin", 'write "machine"'),
        ('fill = { machine = "A"', 'fill = { tds_pct = "A"', "fill.tds_pct", "columns of shots, scores"),
        ('fill = { machine = "A"', "fill = { machine = 3", "fill.machine", "string"),
        ('fill_down = ["coffee"]', 'fill_down = ["cofee"]', "fill_down", 'write "coffee"'),
        ('dose_g = "In"', 'dose = "In"', "columns.dose", 'write "dose_g"'),
        ('dose_g = "oz"', 'dos_g = "oz"', "units.dos_g", 'write "dose_g"'),
        ('by = ["machine", "coffee"]', "by = []", "[setups], by", "at least one"),
        ('by = ["machine", "coffee"]', 'by = ["machine", "machine"]', "[setups], by", "once"),
        ('by = ["machine", "coffee"]', 'by = ["machine", "bean"]', "[setups], by", "'coffee'"),
        ("scale = [1, 9]", "scale = [9, 1]", "[taste], scale", "must rise"),
        ("scale = [1, 9]", "scale = [1]", "[taste], scale", "required"),
        ("good = 6.5", "good = 10", "[taste], good", "outside the scale"),
        ("good = 6.5", "good = nan", "[taste], good", "finite"),
        ("good = 6.5", "words = { nearly = 12 }", "[taste], words.nearly", "outside the scale"),
        ('model = "flat"', 'model = "flatt"', "[surface], model", 'write "flat"'),
        ('model = "flat"', 'model = "flat"\nterms = 6', "[surface], terms", "no key"),
        ("assurance = 0.9", "assurance = 90", "[window], assurance", "less than 1"),
        ('writer = "list"', 'writer = "lisst"', "[[report]] 1, writer", 'write "list"'),
        ('writer = "list"', 'writer = "list"\nsize = 3', "[[report]] 1, size", "no key"),
        ('writer = "list"', "", "[[report]] 1", "missing"),
        ('writer = "list"', 'writer = "list"\n[[report]]\nwriter = "list"', "[[report]] 2, writer", "twice"),
        ("[[report]]", "[report]", "report", "twice bracketed"),
        ("[taste]", "[[taste]]", "taste", "section"),
        ('name = "bench-3"', 'name = "bench-3"\n[[grinder]]\nname = "bench-3"', "[[grinder]] 2, name", "twice"),
        ("highest = 16", "highest = 1", "[[grinder]] 1, highest", "greater than lowest"),
        ('name = "bench-3"', f'name = "{"b" * 90}"', "[[grinder]] 1, name", "longer than 80"),
        ("step = 1", "step = 0", "[[grinder]] 1, step", "greater than 0"),
        ("step = 1", "step = 20", "[[grinder]] 1, step", "longer than the dial"),
        ("highest = 16", 'highest = "lots"', "[[grinder]] 1, highest", "for example 7.5"),
        ("highest = 16", "highest = [16]", "[[grinder]] 1, highest", "string"),
        ("step = 1", 'notation = "letter"', "[[grinder]] 1, notation", "'letters'"),
        ("step = 1", "per = 10", "[[grinder]] 1, per", "no meaning in the notation marks"),
        ("step = 1", 'labels = ["fine", "moka"]', "[[grinder]] 1, labels", 'notation = "list"'),
        ("step = 1", 'notation = "two_part"', "[[grinder]] 1, per", "counts small steps in a mark"),
        ("step = 1", 'notation = "turns"\nper = 0', "[[grinder]] 1, per", "greater than 0"),
        ("step = 1", 'notation = "stepless"\nstep = 1', "[[grinder]] 1, step", "no stepless dial"),
    ],
)
def test_one_fault_is_one_problem_with_place_and_remedy(folder, old, new, where, says):
    assert old in GOOD
    problems = refused(folder, GOOD.replace(old, new, 1))
    assert len(problems) == 1, [str(problem) for problem in problems]
    assert where in problems[0].where
    assert says in str(problems[0])
    assert problems[0].do


ENDS = "lowest = 1\nhighest = 16\nstep = 1"


@pytest.mark.parametrize(
    ("dial", "told"),
    [
        ('notation = "letters"\nlowest = "2A"\nhighest = "1Z"', ["highest: must be greater"]),
        ('notation = "letters"\nper = 30', ["per: 30 letters are too many"]),
        ('notation = "letters"\nper = 10\nlowest = 2\nhighest = "4K"', ['lowest: "2" does', 'highest: "4K" does']),
        (
            'notation = "two_part"\nstep = 0.5\nlabels = ["a", "b"]',
            ["per: is", "labels: have no", "step: must be"],
        ),
        ('notation = "two_part"\nper = 10\nlowest = 4\nhighest = "4+3"\nstep = 5', ["step: is longer"]),
        ('notation = "clock"\nhighest = 12\nstep = 0.5', ["lowest: is missing", "step: must be"]),
        ('notation = "turns"\nper = 30\nhighest = "0 turns"', ["highest: must be greater"]),
        ('notation = "clock"\nlowest = "7:00"\nhighest = 7', ["highest: must be greater"]),
        ('notation = "clock"\nlowest = "7:00"\nhighest = "25:00"', ['highest: "25:00" does']),
        ('notation = "list"', ["labels: are missing"]),
        ('notation = "list"\nlabels = ["fine", "", "moka", "Fine"]', ["labels: one is empty", 'labels: "fine" stands']),
        ('notation = "list"\nlabels = ["fine", "moka"]\nlowest = "coarse"', ['lowest: "coarse" does']),
        ('notation = "turns"\nlowest = 1', ["per: is missing"]),
        ('notation = "marks"\nlowest = "2,5"\nhighest = 2', ["highest: must be greater"]),
    ],
)
def test_all_that_is_wrong_with_a_dial_is_told_at_once(folder, dial, told):
    problems = refused(folder, GOOD.replace(ENDS, dial))
    found = [f"{problem.where.rsplit(', ', 1)[-1]}: {problem.what}" for problem in problems]
    assert len(found) == len(told), found
    assert all(one.startswith(start) for one, start in zip(found, told, strict=True)), found
    assert all(problem.do for problem in problems)


@pytest.mark.parametrize(
    ("dial", "ends"),
    [
        ('notation = "letters"\nlowest = "2A"\nhighest = "4z"', (52, 129)),
        ('notation = "letters"\nper = 10', (0, None)),
        ('notation = "two_part"\nper = 10\nlowest = 1\nhighest = "9-9"\nstep = 1', (10, 99)),
        ('notation = "clock"\nlowest = "7 o\'clock"\nhighest = "half past 4"\nstep = 30', (420, 990)),
        ('notation = "turns"\nper = 30\nhighest = "2.5 turns"', (0, 75)),
        ('notation = "list"\nlabels = "fine, espresso, moka"', (0, 2)),
        ('notation = "stepless"\nlowest = -0.5\nhighest = 11', (-0.5, 11)),
        ("lowest = 0.1", (0.1, None)),
    ],
)
def test_the_ends_of_a_dial_are_written_in_its_notation(folder, dial, ends):
    (grinder,) = loaded(folder, GOOD.replace(ENDS, dial)).config.grinder
    assert grinder.written_as.ends == ends


def test_a_configuration_without_a_source_says_how_to_write_one(folder):
    (problem,) = refused(folder, 'plugins = ["plain.py"]\nsurface = { model = "flat" }')
    assert "[[source]]" in problem.do


def test_no_default_writer_and_none_named_is_refused(folder):
    (folder / "plain.py").write_text(PLAIN.replace("default = True", "default = False"), encoding="utf-8")
    (problem,) = refused(folder, GOOD.replace('[[report]]\nwriter = "list"', ""))
    assert "writer" in problem.what


def test_files_of_a_pattern_come_sorted_and_brackets_in_names_are_just_brackets(tmp_path):
    for name in ("log-2.csv", "log-1.csv", "b[1].csv", "b1.csv", "star*.csv"):
        (tmp_path / name).touch()
    assert [file.name for file in matching_files(tmp_path, "log-*.csv")] == ["log-1.csv", "log-2.csv"]
    assert [file.name for file in matching_files(tmp_path, "b[1].csv")] == ["b[1].csv"]
    assert [file.name for file in matching_files(tmp_path, "b[1].*")] == ["b[1].csv"]
    assert [file.name for file in matching_files(tmp_path, str(tmp_path / "log-?.csv"))] == ["log-1.csv", "log-2.csv"]
    assert [file.name for file in matching_files(tmp_path, "star*.csv")] == ["star*.csv"]
    assert matching_files(tmp_path, "gone.csv") == ()


def test_the_line_of_a_key_is_found_in_tables_quotes_and_dotted_keys():
    text = '[[source]]\npath = "a"\n\n[[source]]\n"path" = "b"\ncolumns.dose_g = "In"\n[taste]\ngood = 3'
    assert line_of(text, ("source", 1, "path")) == 5
    assert line_of(text, ("source", 1, "columns", "dose_g")) == 6
    assert line_of(text, ("source", 0, "gone")) == 1
    assert line_of(text, ("taste", "good")) == 8
    assert line_of(text, ("title",)) is None

"""The registry: what is wrong with a plugin is told before any data are read, all at once."""

from __future__ import annotations

import pickle
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from tastefield import registry
from tastefield.config import ReportConfig, SourceConfig, SurfaceConfig
from tastefield.contract import KINDS
from tastefield.errors import ConfigError, PluginError

PLAIN = (Path(__file__).parent / "guest" / "plain_plugins.py").read_text(encoding="utf-8")


@pytest.fixture(autouse=True)
def _nothing_installed(monkeypatch):
    monkeypatch.setattr(registry, "_installed", list)


def reader_file(body: str = "", name: str = "mine", base: str = "Reader") -> str:
    """A one-file plugin with one reader, its class body given."""
    return f"""
from pydantic import BaseModel, ConfigDict
from tastefield import hookimpl
from tastefield.hooks import Reader, Writer, SurfaceModel

class Mine({base}):
    name = "{name}"
    def read(self, files, ctx):
        return []
{body}

@hookimpl
def tastefield_readers():
    return [Mine()]
"""


def refused(*texts: tuple[str, str]) -> list[str]:
    with pytest.raises(PluginError) as caught:
        registry.build(texts)
    assert all(problem.where and problem.what for problem in caught.value.problems)
    return [str(problem) for problem in caught.value.problems]


def one_problem(text: str) -> str:
    problems = refused(("mine.py", text))
    assert len(problems) == 1, problems
    assert "mine.py" in problems[0]
    return problems[0]


def test_a_one_file_plugin_is_found_by_name_and_by_file_ending():
    found = registry.build([("plain.py", PLAIN)])
    assert set(found.readers) == {"pipe"}
    assert set(found.surfaces) == {"flat"}
    assert set(found.writers) == {"list"}
    assert found.reader_for("a/LOG.PIPE").name == "pipe"
    assert found.origins["reader pipe"] == "plugin file plain.py"


def test_a_plugin_survives_the_way_to_another_process():
    reader = registry.build([("plain.py", PLAIN)]).readers["pipe"]
    assert type(pickle.loads(pickle.dumps(reader))) is type(reader)


def test_building_twice_in_one_process_gives_the_same_classes():
    first, second = (registry.build([("plain.py", PLAIN)]).readers["pipe"] for _ in range(2))
    assert type(first) is type(second)


def test_a_changed_text_is_a_new_plugin():
    old = registry.build([("mine.py", reader_file(name="old"))])
    new = registry.build([("mine.py", reader_file(name="new"))])
    assert (set(old.readers), set(new.readers)) == ({"old"}, {"new"})


def test_the_keys_reserved_for_the_core_are_those_of_its_blocks():
    blocks = {"reader": SourceConfig, "surface": SurfaceConfig, "writer": ReportConfig}
    assert {kind.word: set(kind.core_keys) for kind in KINDS} == {
        word: set(block.model_fields) for word, block in blocks.items()
    }


def test_an_unknown_file_ending_lists_the_known_ones():
    with pytest.raises(ConfigError, match=r"\.pipe"):
        registry.build([("plain.py", PLAIN)]).reader_for("log.docx")


def test_two_readers_for_one_ending_must_be_named():
    second = reader_file('    suffixes = (".pipe",)')
    with pytest.raises(ConfigError, match="mine and pipe"):
        registry.build([("plain.py", PLAIN), ("mine.py", second)]).reader_for("log.pipe")


def test_the_longer_ending_wins():
    second = reader_file('    suffixes = (".log.pipe",)')
    both = registry.build([("plain.py", PLAIN), ("mine.py", second)])
    assert both.reader_for("x.log.pipe").name == "mine"
    assert both.reader_for("x.pipe").name == "pipe"


def test_two_plugins_of_one_name_are_refused_naming_both():
    (problem,) = refused(("one.py", reader_file()), ("two.py", reader_file()))
    assert "one.py" in problem
    assert "two.py" in problem


def test_an_installed_plugin_that_cannot_be_imported_is_named(monkeypatch):
    point = EntryPoint("broken", "no_such_module_anywhere", "tastefield")
    monkeypatch.setattr(registry, "_installed", lambda: [point])
    (problem,) = refused()
    assert "plugin broken" in problem
    assert "no_such_module_anywhere" in problem


def test_all_problems_of_all_plugins_are_told_at_once():
    problems = refused(
        ("one.py", "import nothing_of_that_name"),
        ("two.py", reader_file("    suffixes = 'txt'", name="Bad Name")),
        ("three.py", "x = 1"),
    )
    assert len(problems) == 4


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("this is no python", "SyntaxError"),
        ("raise SystemExit(3)", "SystemExit"),
        ("x = 1", "no hook function"),
        (reader_file().replace("def tastefield_readers", "def tastefield_reader"), 'write "tastefield_readers"'),
        (reader_file().replace("@hookimpl\n", ""), "not marked"),
        (reader_file().replace("tastefield_readers()", "tastefield_readers(files)"), "never given"),
        (reader_file().replace("[Mine()]", "Mine()"), "must return a list"),
        (reader_file().replace("[Mine()]", "[Mine]"), "is a class"),
        (reader_file().replace("[Mine()]", "[object()]"), "is not a Reader"),
        (reader_file().replace("[Mine()]", "1 / 0"), "ZeroDivisionError"),
        (reader_file(base="Writer"), "abstract"),
        (reader_file(name="My Reader"), "lower case"),
        (reader_file("    def read(self, files): return []"), "read takes other arguments"),
        (reader_file("    def read(self, ctx, files): return []"), "read takes other arguments"),
        (reader_file("    def read(self, files, *, ctx): return []"), "read takes other arguments"),
        (reader_file("    async def read(self, files, ctx): return []"), "never run"),
        (reader_file("    suffixes = ['.txt']"), "tuple of file endings"),
        (reader_file("    suffixes = ('txt',)"), "tuple of file endings"),
        (reader_file("    suffixes = ('.TXT',)"), "tuple of file endings"),
        (reader_file("    Options = dict"), "pydantic"),
        (reader_file("    class Options(BaseModel):\n        lines: int = 1"), "misspelt keys"),
        (
            reader_file(
                "    class Options(BaseModel):\n        model_config = ConfigDict(extra='forbid')\n        path: str"
            ),
            "keys of the core: path",
        ),
        (reader_file("    def __init__(self): self.open = lambda: 1"), "another process"),
    ],
)
def test_a_breach_of_the_contract_is_the_one_problem_told(text, says):
    assert says in one_problem(text)


WRITER = """
from pydantic import BaseModel, ConfigDict
from tastefield import hookimpl
from tastefield.hooks import Writer

class Mine(Writer):
    name = "mine"
    def write_run(self, run, folder, ctx):
        return None
{body}

@hookimpl
def tastefield_writers():
    return [Mine()]
"""


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("    default = 'yes'", "True or False"),
        ("    def write_setup(self, result, folder): return None", "write_setup takes other arguments"),
        ("    def write_run(self, run, folder, ctx):\n        yield", "never run"),
        (
            "    default = True\n    class Options(BaseModel):\n"
            "        model_config = ConfigDict(extra='forbid')\n        size: int",
            "needs size",
        ),
    ],
)
def test_a_writer_that_breaks_the_contract_is_refused(body, says):
    assert says in one_problem(WRITER.format(body=body))

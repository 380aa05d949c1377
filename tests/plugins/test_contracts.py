"""Built-in plugins pass the same kit as guests do."""

from __future__ import annotations

import contextlib
import sqlite3

from tastefield.registry import build
from tastefield.testing import ReaderContract, ReaderSample, SurfaceContract, WriterContract

REGISTRY = build()


class TestTableReader(ReaderContract):
    plugin = REGISTRY.readers["table"]
    sample = ReaderSample(
        {"a.csv": "Machine;In;Out\nA;18,1;36\n\nB;18;40\n", "b.tsv": "Machine\tIn\tOut\nB\t17\t30\n"},
        rows=4,  # the blank row is a row: the core decides what it is worth
        headings=("Machine", "In", "Out"),
    )


class TestTraceReader(ReaderContract):
    plugin = REGISTRY.readers["trace"]
    sample = ReaderSample(
        {"7.csv": "Dose: 18\nTime (s),Weight (g)\n0,0\n0.5,0.1\n", "8.csv": "Time (s);Weight (g)\n0;0\n"},
        rows=3,
        headings=("Time (s)", "Weight (g)", "shot_id"),
    )


class TestTastingSheetReader(ReaderContract):
    plugin = REGISTRY.readers["tasting_sheet"]
    sample = ReaderSample(
        {"a.csv": "Cup,Taster,Liking,Body\nS1,ana,7,4\nS2,ana,6,\n", "b.csv": "Cup;Taster;Liking;Body\nS1;ben;8;5,5\n"},
        rows=5,  # a row a filled score
        headings=("Cup", "Taster", "attribute", "score"),
    )


def two_shots() -> bytes:
    """A database of SQLite with two shots in it."""
    with contextlib.closing(sqlite3.connect(":memory:")) as database:
        database.executescript("CREATE TABLE pulls (Machine, Dose); INSERT INTO pulls VALUES ('A', 18), ('B', 17.5);")
        return database.serialize()


class TestDatabaseReader(ReaderContract):
    plugin = REGISTRY.readers["database"]
    options = {"table": "pulls"}
    sample = ReaderSample({"bench.db": two_shots()}, rows=2, headings=("Machine", "Dose"))


class TestQuadratic(SurfaceContract):
    plugin = REGISTRY.surfaces["quadratic"]


class TestPooled(SurfaceContract):
    plugin = REGISTRY.surfaces["pooled"]


class TestCardWriter(WriterContract):
    plugin = REGISTRY.writers["card"]


class TestDataWriter(WriterContract):
    plugin = REGISTRY.writers["data"]


class TestFigureWriter(WriterContract):
    plugin = REGISTRY.writers["figures"]
    options = {"dpi": 50}


class TestPageWriter(WriterContract):
    plugin = REGISTRY.writers["page"]


class TestSummaryWriter(WriterContract):
    plugin = REGISTRY.writers["summary"]


class TestWorkbookWriter(WriterContract):
    plugin = REGISTRY.writers["workbook"]


def test_every_built_in_plugin_is_held_to_the_contract():
    held = {
        TestTableReader,
        TestTraceReader,
        TestTastingSheetReader,
        TestDatabaseReader,
        TestQuadratic,
        TestPooled,
        TestCardWriter,
        TestDataWriter,
        TestFigureWriter,
        TestPageWriter,
        TestSummaryWriter,
        TestWorkbookWriter,
    }
    known = [*REGISTRY.readers.values(), *REGISTRY.surfaces.values(), *REGISTRY.writers.values()]
    ours = [plugin for plugin in known if type(plugin).__module__.startswith("tastefield_plugins")]
    assert {type(plugin) for plugin in ours} == {type(contract.plugin) for contract in held}

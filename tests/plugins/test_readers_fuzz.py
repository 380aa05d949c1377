"""Fuzzing of readers ``trace``, ``tasting_sheet`` and ``database``: broken files give chunks or our own errors."""

import io
import sqlite3

import openpyxl
import pytest

from tastefield.errors import ReadError
from tastefield.records import Chunk, Context
from tastefield_plugins.read_database import DatabaseOptions, DatabaseReader
from tastefield_plugins.read_tasting_sheet import TastingSheetOptions, TastingSheetReader
from tastefield_plugins.read_trace import TraceOptions, TraceReader

from .fuzzing import TIMES, broken

BUDGET = 50 * TIMES
"""Broken files of each kind."""
POUR = "made by a scale\ntime,weight,pressure\n" + "".join(f"{at / 5:.1f},{at * 0.3:.1f},9\n" for at in range(60))
FORM = "Code;Taster;Liking;Acidity;Remarks\n417;ana;7;4;bright\n038;ana;6;;\n417;ben;5;3;\n"


def workbook(rows):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def database(folder):
    with sqlite3.connect(folder / "made.db") as made:
        made.execute("CREATE TABLE pulls (machine TEXT, dose REAL, at TEXT, raw BLOB)")
        made.executemany("INSERT INTO pulls VALUES (?, ?, ?, ?)", [("A", 18.2, "2026-03-04", b"\xff")] * 200)
    made.close()
    return (folder / "made.db").read_bytes()


CASES = {
    "trace csv": ("pour-7.csv", lambda folder: POUR.encode(), TraceReader(), TraceOptions()),
    "trace named": ("pour-7.csv", lambda folder: POUR.encode(), TraceReader(), TraceOptions(shot="pour-*")),
    "sheet csv": ("form.csv", lambda folder: FORM.encode("cp1252"), TastingSheetReader(), TastingSheetOptions()),
    "sheet xlsx": (
        "form.xlsx",
        lambda folder: workbook([line.split(";") for line in FORM.splitlines()]),
        TastingSheetReader(),
        TastingSheetOptions(),
    ),
    "database": ("bench.db", database, DatabaseReader(), DatabaseOptions(table="pulls", chunk_rows=50)),
}


@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize("case", CASES)
def test_a_broken_file_gives_chunks_or_an_error_of_ours(tmp_path, case):
    name, make, reader, options = CASES[case]
    whole, path = make(tmp_path), tmp_path / name
    read = 0
    for seed in range(-1, BUDGET):
        path.write_bytes(whole if seed < 0 else broken(whole, seed))
        chunks, told = [], ()
        try:
            chunks = list(reader.read((path,), Context(options)))
        except ReadError as error:
            told = error.problems
        assert told == () or seed >= 0, told
        assert all(problem.what and (problem.why or problem.do) for problem in told)
        assert all(isinstance(chunk, Chunk) and chunk.rows.index.is_unique for chunk in chunks)
        read += not told
    assert read > 0

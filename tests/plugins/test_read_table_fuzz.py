"""Fuzzing of reader ``table``, for a fixed budget: broken files and wild cells give rows or our own errors."""

import bz2
import gzip
import io
import json
import lzma
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest

from tastefield.config import SourceConfig, TasteConfig
from tastefield.errors import TastefieldError
from tastefield.stages.ingest import ingest
from tastefield.stages.reconcile import reconcile
from tastefield_plugins.read_table import TableOptions, TableReader

from .fuzzing import TIMES, broken

BUDGET = 20 * TIMES
"""Broken files of each kind."""
HEADINGS = ["Machine", "Beans", "Grind", "In", "Out", "Time", "Date", "TDS", "Taste", "Who"]
ROW = ["A", "house", "4-2", 18.2, 36, "0:27", "2026-03-04", 8.9, "7 sour", "Ann"]
TEXT = "\n".join(";".join(map(str, row)) for row in (HEADINGS, ROW, ROW))
CELLS = ["", "-", '"', "~36", "27-28", ">40", "18/36/27", "1:2", "to taste", "0.63 oz", "#DIV/0!", "1e400", "9" * 5000]
CELLS += ["٣٦", "½", "1,234", "\u202e18", "18\u00a0g", "=1+1", "<b>", "0:0:0:27", "-0", "1.2.3", "+", "ditto", "Total"]


def workbook():
    book = openpyxl.Workbook()
    for row in (HEADINGS, ROW, ROW):
        book.active.append(row)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def parquet():
    stream = io.BytesIO()
    pd.DataFrame([[str(cell) for cell in ROW]] * 3, columns=HEADINGS).to_parquet(stream)
    return stream.getvalue()


def zipped():
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("a.csv", TEXT)
        package.writestr("b.jsonl", json.dumps(dict(zip(HEADINGS, ROW, strict=True))))
    return stream.getvalue()


WHOLE = {
    "log.csv": TEXT.encode(),
    "log.tsv": TEXT.replace(";", "\t").encode("utf-16"),
    "log.jsonl": "\n".join([json.dumps(dict(zip(HEADINGS, ROW, strict=True)))] * 3).encode(),
    "log.xlsx": workbook(),
    "log.parquet": parquet(),
    "log.csv.gz": gzip.compress(TEXT.encode(), mtime=0),
    "log.csv.bz2": bz2.compress(TEXT.encode()),
    "log.csv.xz": lzma.compress(TEXT.encode()),
    "log.zip": zipped(),
}


def outcome(path):
    """Rows read, or the error of ours that says why not; every other error fails the test."""
    source = SourceConfig(path=path.name)
    try:
        read = ingest([source], {"table": TableReader()}, path.parent, 1, [TableOptions()])
        records = reconcile(read.raw, [source], TasteConfig())
    except TastefieldError as error:
        told = error.problems
    else:
        told = ()
    if told:
        assert all(problem.what and (problem.do or problem.why) for problem in told)
        assert not any("the reader table failed" in problem.why for problem in told), told
        return None
    for count in records.counts:
        assert count.read == count.kept + count.set_aside
    return sum(count.read for count in records.counts)


@pytest.mark.parametrize("name", WHOLE)
def test_a_broken_file_gives_rows_or_an_error_of_ours(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(WHOLE[name])
    assert outcome(path)
    for seed in range(BUDGET):
        path.write_bytes(broken(WHOLE[name], seed))
        outcome(path)


@pytest.mark.parametrize("ending", ["csv", "jsonl", "xlsx", "parquet"])
def test_wild_cells_under_any_heading_are_kept_or_set_aside(tmp_path, ending):
    rng = np.random.default_rng(7)
    signs = [*"0123456789.,:;-+~<>/%'\" gs", "\t", "é", "〃", "\u200b"]
    path = tmp_path / f"log.{ending}"
    for _ in range(BUDGET // 3):
        made = [["".join(rng.choice(signs, rng.integers(0, 9))) for _ in HEADINGS] for _ in range(6)]
        rows = [[cell if rng.random() < 0.5 else str(rng.choice(CELLS)) for cell in row] for row in made]
        frame = pd.DataFrame(rows, columns=HEADINGS)
        frame.loc[len(frame)] = [str(cell) for cell in ROW]
        if ending == "csv":
            frame.to_csv(path, index=False)
        elif ending == "jsonl":
            frame.to_json(path, orient="records", lines=True)
        elif ending == "xlsx":
            with pd.ExcelWriter(path, "xlsxwriter", engine_kwargs={"options": {"strings_to_formulas": False}}) as book:
                frame.to_excel(book, index=False)
        else:
            frame.to_parquet(path)
        assert outcome(path)

"""Writer ``data``: everything a program may want of a run, in open formats.

``results.json`` (its JSON Schema ships with the package), ``tables/*.csv`` and ``tables/*.parquet``, ``set_aside.csv``
and ``lattice.parquet``. CSV files are made safe to open in a spreadsheet: a text cell that a spreadsheet would run as a
formula gets an apostrophe in front. Parquet keeps every text exactly as it was.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import orjson
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from tastefield import hookimpl
from tastefield.errors import OutputError, Problem
from tastefield.hooks import Writer
from tastefield.records import Context, Lattice, RunResult, SetupResult
from tastefield.words import statistics
from tastefield.words.columns import SET_ASIDE
from tastefield.words.findings import finding

DIGITS = 9
"""Significant digits in the results file: below them computers differ in the last bit, and a setup stays small."""

MOST_BYTES = 4096
"""Most that one setup may take in the results file."""
_GRAVITY = {"note": 0, "warn": 1}

_STARTS_FORMULA = re.compile(r"^[=+\-@\t\r\n＝＋－＠]")
_PLAIN_NUMBER = re.compile(r"^[+-]?\d+(?:[.,]\d+)?$")


class DataWriter(Writer):
    """Results, tables, rows set aside and surfaces, for programs and spreadsheets."""

    name = "data"
    default = True

    def write_run(self, run: RunResult, folder: Path, ctx: Context) -> None:
        """Write all files of the run below ``folder``.

        :raises tastefield.errors.OutputError: a number of the results is NaN or infinite; names each by its path.
        """
        write_results(run.summary, run.setups, folder / "results.json")
        tables = folder / "tables"
        tables.mkdir(parents=True, exist_ok=True)
        for name, frame in _tables(run):
            spreadsheet_safe(frame).to_csv(tables / f"{name}.csv", index=False, lineterminator="\n")
            frame.to_parquet(tables / f"{name}.parquet", index=False)
        aside = run.records.set_aside.reindex(columns=list(SET_ASIDE))
        spreadsheet_safe(aside).to_csv(folder / "set_aside.csv", index=False, lineterminator="\n")
        _write_lattices(run.setups, folder / "lattice.parquet")


def write_results(summary: Mapping[str, Any], setups: Iterable[SetupResult], path: Path) -> None:
    """Stream the results file: the summary's keys, then one setup a line.

    :raises tastefield.errors.OutputError: NaN or infinity anywhere (orjson would turn it into null silently).
    """
    problems: list[Problem] = []
    with path.open("wb") as file:
        file.write(b"{\n")
        for key, value in summary.items():
            file.write(orjson.dumps(key) + b": " + orjson.dumps(plain(value, key, problems)) + b",\n")
        file.write(b'"setups": [')
        for number, result in enumerate(setups):
            entry = plain(result.entry, f"setups[{number}]", problems)
            file.write((b",\n" if number else b"\n") + _within_most(entry))
        file.write(b"\n]\n}\n")
    if problems:
        raise OutputError(problems)


def _within_most(entry: dict[str, Any]) -> bytes:
    """The setup as JSON; the last of the least grave findings are left out where they find no room, and counted."""
    text = orjson.dumps(entry)
    findings = list(entry.get("findings", ()))
    order = sorted(range(len(findings)), key=lambda at: (_GRAVITY.get(findings[at]["severity"], 2), -at))
    for left in range(1, len(order) + 1):
        if len(text) <= MOST_BYTES:
            break
        kept = [one for at, one in enumerate(findings) if at not in order[:left]]
        text = orjson.dumps({**entry, "findings": [*kept, finding("findings_left_out", count=left).as_dict()]})
    return text


def plain(value: Any, path: str, problems: list[Problem]) -> Any:
    """The value as JSON knows it; what JSON cannot hold is added to ``problems`` under its path.

    :param value: strings, numbers (also numpy's), booleans, ``None``, dates, mappings and sequences of such.
    """
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, (float, np.floating)):
        if math.isfinite(value):
            return float(f"{value:.{DIGITS}g}")
        problems.append(_unwritable(path, f"is {float(value)}", "an unknown number must be null"))
        return None
    if isinstance(value, Mapping):
        return {str(key): plain(item, f"{path}.{key}", problems) for key, item in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [plain(item, f"{path}[{number}]", problems) for number, item in enumerate(value)]
    if isinstance(value, (np.bool_, np.integer)):
        return value.item()
    if isinstance(value, (datetime, date)) and value is not pd.NaT:
        return value.isoformat()
    problems.append(_unwritable(path, f"is {value!r} of type {type(value).__name__}", "it must be a JSON value"))
    return None


def _unwritable(path: str, what: str, why: str) -> Problem:
    return Problem(f"{path} {what}", "results.json", why, "This is a fault of the program or of a plugin: report it.")


def spreadsheet_safe(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with an apostrophe before every text cell that a spreadsheet would run as a formula.

    Number columns, and texts that are nothing but a number, stay as they are.
    """
    safe = frame.copy()
    for position, (name, column) in enumerate(frame.items()):
        if not (pd.api.types.is_numeric_dtype(column.dtype) or pd.api.types.is_datetime64_any_dtype(column.dtype)):
            safe.isetitem(position, np.array([_safe_cell(cell) for cell in column], dtype=object))
        if not isinstance(name, str) or _safe_cell(name) != name:
            safe = safe.rename(columns={name: _safe_cell(str(name))})
    return safe


def _safe_cell(cell: Any) -> Any:
    if isinstance(cell, str) and _STARTS_FORMULA.match(cell) and not _PLAIN_NUMBER.match(cell):
        return "'" + cell
    return cell


def _tables(run: RunResult) -> Iterator[tuple[str, pd.DataFrame]]:
    """Each table to write: what was kept, with its setup and derived columns, then what the surfaces answered."""
    kept = run.records.tables
    setup_of = {shot: result.slug for result in run.setups for shot in result.shots["shot_id"]}
    if "shots" in kept:
        yield "shots", _with_derived(kept["shots"], run.setups).pipe(_with_setup, setup_of)
    for name in ("readings", "scores", "traces"):
        if name in kept and (len(kept[name]) or name != "traces"):
            yield name, _with_setup(kept[name], setup_of)
    for name in ("checks", "coffees", "grinders"):
        if name in kept and len(kept[name]):
            yield name, kept[name]
    for name in statistics.SURFACE_TABLES:
        parts = [getattr(result.tables, name).assign(setup=result.slug) for result in run.setups if result.tables]
        columns = ["setup", *statistics.names(name)]
        joined = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
        yield name, joined[[column for column in columns if column in joined]]
    marks = [result.dial.assign(setup=result.slug) for result in run.setups if result.dial is not None]
    columns = list(statistics.names("dial"))
    yield "dial", pd.concat(marks, ignore_index=True)[columns] if marks else pd.DataFrame(columns=columns)
    yield "findings", _findings(run)
    yield "tasters", pd.DataFrame(list(run.summary.get("tasters", ())), columns=list(statistics.names("tasters")))


def _findings(run: RunResult) -> pd.DataFrame:
    """Every finding: those about the whole run without a setup, then those of each setup."""
    told = [("", one) for one in run.summary.get("findings", ())]
    told += [(result.slug, one) for result in run.setups for one in result.entry["findings"]]
    rows = [{"setup": slug, **one, "where": ", ".join(map(str, one["where"].values()))} for slug, one in told]
    return pd.DataFrame(rows, columns=list(statistics.names("findings")), dtype="str")


def _with_setup(frame: pd.DataFrame, setup_of: Mapping[str, str]) -> pd.DataFrame:
    """The rows with the file-safe name of their setup in front."""
    named = frame.drop(columns="setup", errors="ignore")
    named.insert(0, "setup", named["shot_id"].map(setup_of).astype("str"))
    return named


def _with_derived(kept: pd.DataFrame, setups: Iterable[SetupResult]) -> pd.DataFrame:
    """Every kept shot, in the order kept; those of a setup as deriving left them, with the derived columns."""
    parts = [result.shots for result in setups if len(result.shots)]
    if not parts:
        return kept
    derived = pd.concat(parts, ignore_index=True)
    others = kept[~kept["shot_id"].isin(derived["shot_id"])]
    shots = pd.concat([derived, others], ignore_index=True) if len(others) else derived
    columns = [*kept.columns, *(name for name in derived if name not in kept)]
    return shots.set_index("shot_id", drop=False).loc[kept["shot_id"], columns].reset_index(drop=True)


def _write_lattices(setups: Iterable[SetupResult], path: Path) -> None:
    """All surfaces in one long table, one row group a setup, so that one can be read without the others.

    Four-byte numbers: their error (under 1e-6 of a score) is far below what the lattice itself allows.
    """
    small = ("mean", "sd", "chance", "extraction_pct", "expected", "lower", "upper")
    types = {
        "setup": pa.string(),
        "ratio": pa.float64(),
        "shot_time_s": pa.float64(),
        "supported": pa.bool_(),
        "own": pa.bool_(),
    }
    names = statistics.names("lattice")
    schema = pa.schema([(name, pa.float32() if name in small else types[name]) for name in names])
    with pq.ParquetWriter(path, schema) as writer:
        for result in setups:
            if result.lattice is not None:
                writer.write_table(_lattice_rows(result.slug, result.lattice, schema))


def _lattice_rows(slug: str, lattice: Lattice, schema: pa.Schema) -> pa.Table:
    ratio, time_s = np.meshgrid(lattice.ratio, lattice.shot_time_s, indexing="ij")
    columns: dict[str, Any] = {
        "setup": pa.array([slug] * ratio.size),
        "ratio": ratio.ravel(),
        "shot_time_s": time_s.ravel(),
        "mean": lattice.mean.ravel(),
        "sd": lattice.sd.ravel(),
        "chance": lattice.chance.ravel(),
        "supported": lattice.supported.ravel(),
        "own": pa.nulls(ratio.size) if lattice.own is None else lattice.own.ravel(),
    }
    for name in ("extraction_pct", "expected", "lower", "upper"):
        values = getattr(lattice, name)
        columns[name] = pa.nulls(ratio.size) if values is None else values.ravel()
    return pa.table(
        {name: pa.array(columns[name]).cast(schema.field(name).type) for name in schema.names}, schema=schema
    )


@hookimpl
def tastefield_writers() -> list[Writer]:
    """The writer of this file."""
    return [DataWriter()]

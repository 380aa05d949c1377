"""One setup of a stored run, read back from its folder: what a writer needs to write it again, without the log."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import orjson
import pandas as pd

from tastefield.errors import ConfigError, OutputError, Problem
from tastefield.records import Lattice, SetupResult, SurfaceTables
from tastefield.words.phrases import printable, setup_name
from tastefield.words.statistics import SURFACE_TABLES

RESULTS = "results.json"
FILE_SAFE = re.compile("[a-z0-9-]{1,80}")
"""What :func:`tastefield.slug.slug` makes; nothing else becomes the name of a file."""
MOST_NAMED = 12
"""Setups that an error names."""


def setup(folder: Path, called: str) -> SetupResult:
    """The setup of that name with its shots, scores, readings, recordings, surface and dial.

    :param called: its file-safe name, or part of the names it is known by: machine, coffee ...; it must fit one alone.
    :raises tastefield.errors.OutputError: the folder holds no run that writer ``data`` wrote.
    :raises tastefield.errors.ConfigError: none or several are called so; the error names them.
    """
    entry = _called(_entries(folder), called, folder)
    slug = str(entry["slug"])
    if not FILE_SAFE.fullmatch(slug):
        raise OutputError(_no_run(folder, f"{RESULTS} was changed: {printable(slug)!r} is no name that a run gives"))
    shots = _rows(folder, "shots", slug)
    if shots is None:
        raise OutputError(_no_run(folder, "tables/shots.parquet is missing"))
    return SetupResult(
        entry=entry,
        slug=slug,
        shots=shots,
        scores=_modelled(_rows(folder, "scores", slug), str(entry["taste"]["attribute"])),
        readings=_or_empty(_rows(folder, "readings", slug), ("shot_id",)),
        lattice=_lattice(folder, slug),
        tables=_tables(folder, slug),
        dial=_filled(_rows(folder, "dial", slug)),
        traces=_filled(_rows(folder, "traces", slug)),
    )


def _entries(folder: Path) -> list[Mapping[str, Any]]:
    try:
        document = orjson.loads((folder / RESULTS).read_bytes())
        entries: list[Mapping[str, Any]] = document["setups"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise OutputError(_no_run(folder, f"{RESULTS} cannot be read: {error}")) from error
    return entries


def _no_run(folder: Path, why: str) -> Problem:
    return Problem("is no stored run", str(folder), why, "name the folder that tastefield run wrote")


def _called(entries: list[Mapping[str, Any]], called: str, folder: Path) -> Mapping[str, Any]:
    names = {str(entry["slug"]): setup_name(entry["key"]) for entry in entries}
    words = printable(called).casefold().split()
    found = [entry for entry in entries if entry["slug"] == called] or [
        entry
        for entry in entries
        if words and all(word in f"{names[entry['slug']]} {entry['slug']}".casefold() for word in words)
    ]
    if len(found) == 1:
        return found[0]
    listed = [f"{slug} ({names[slug]})" for slug in (one["slug"] for one in (found or entries)[:MOST_NAMED])]
    more = len(found or entries) - len(listed)
    what = f"{len(found)} setups are called so" if found else "no setup is called so"
    do = f"name one of: {'; '.join(listed)}{f'; and {more} more' if more > 0 else ''}"
    raise ConfigError(Problem(what, printable(called) or "(nothing)", f"in {folder}", do))


def _rows(folder: Path, table: str, slug: str) -> pd.DataFrame | None:
    """Rows of one setup of a stored table, without its name; ``None`` where there is no such table."""
    file = folder / "tables" / f"{table}.parquet"
    if not file.exists():
        return None
    return pd.read_parquet(file, filters=[("setup", "==", slug)]).drop(columns="setup").reset_index(drop=True)


def _modelled(scores: pd.DataFrame | None, attribute: str) -> pd.DataFrame:
    """Scores of the modelled attribute; a score that names none is of it."""
    rows = _or_empty(scores, ("shot_id", "taster", "score"))
    if "attribute" not in rows:
        return rows
    return rows[rows["attribute"].isna() | (rows["attribute"] == attribute)].reset_index(drop=True)


def _or_empty(rows: pd.DataFrame | None, columns: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame(columns=list(columns)) if rows is None else rows


def _filled(rows: pd.DataFrame | None) -> pd.DataFrame | None:
    return None if rows is None or rows.empty else rows


def _tables(folder: Path, slug: str) -> SurfaceTables | None:
    found = {name: _rows(folder, name, slug) for name in SURFACE_TABLES}
    kept = {name: rows for name, rows in found.items() if rows is not None and len(rows)}
    return SurfaceTables(**kept) if kept.keys() == found.keys() else None


def _lattice(folder: Path, slug: str) -> Lattice | None:
    file = folder / "lattice.parquet"
    rows = pd.read_parquet(file, filters=[("setup", "==", slug)]) if file.exists() else pd.DataFrame()
    if rows.empty:
        return None
    ratio, time_s = (np.unique(rows[name].to_numpy(dtype="float64")) for name in ("ratio", "shot_time_s"))
    grids: dict[str, Any] = {}
    for name in ("mean", "sd", "chance", "supported", "extraction_pct", "own", "expected", "lower", "upper"):
        known = name in rows and bool(rows[name].notna().all())
        kind = "bool" if name in ("supported", "own") else "float64"
        grids[name] = rows[name].to_numpy(dtype=kind).reshape(len(ratio), len(time_s)) if known else None
    return Lattice(ratio, time_s, **grids)

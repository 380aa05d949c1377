"""The writer ``data``: results against the shipped schema, tables whole, nothing that harms a spreadsheet or a path."""

from __future__ import annotations

import copy
import csv
import dataclasses
import importlib.resources
import json
import math
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from tastefield.errors import OutputError
from tastefield.hooks import NoOptions
from tastefield.records import Context, RunResult
from tastefield_plugins.write_data import DataWriter, spreadsheet_safe

from . import sample_run


@pytest.fixture(scope="module")
def run() -> RunResult:
    return sample_run.run()


@pytest.fixture(scope="module")
def folder(run: RunResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out")
    write(run, out)
    return out


def write(run: RunResult, out: Path) -> None:
    DataWriter().write_run(run, out, Context(NoOptions()))


def schema() -> dict[str, Any]:
    return json.loads(importlib.resources.files("tastefield").joinpath("results.schema.json").read_text("utf-8"))


def results(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "results.json").read_text("utf-8"))


def test_results_keep_to_the_shipped_schema(folder: Path) -> None:
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.Draft202012Validator(schema()).validate(results(folder))


@pytest.mark.parametrize("key", ["aim", "assurance", "window", "why", "slug", "next_shots", "taste"])
def test_the_schema_misses_a_key_that_is_not_there(folder: Path, key: str) -> None:
    spoilt = results(folder)
    del spoilt["setups"][0][key]
    assert not jsonschema.Draft202012Validator(schema()).is_valid(spoilt)


@pytest.mark.parametrize(
    "key",
    [
        "machine",
        "grinder",
        "aim",
        "assurance",
        "window",
        "settings",
        "findings",
        "expected_score",
        "next_shots",
        "status",
        "shots",
        "tasted",
        "say",
    ],
)
def test_the_schema_misses_a_key_of_a_handover_that_is_not_there(folder: Path, key: str) -> None:
    spoilt = results(folder)
    del spoilt["handover"][0][key]
    assert not jsonschema.Draft202012Validator(schema()).is_valid(spoilt)


@pytest.mark.parametrize(("key", "value"), [("status", "window"), ("aim", None), ("status", "ready"), ("shots", -1)])
def test_the_schema_lets_no_handover_contradict_itself(folder: Path, key: str, value: object) -> None:
    spoilt = results(folder)
    spoilt["handover"][0][key] = value
    assert not jsonschema.Draft202012Validator(schema()).is_valid(spoilt)


def test_the_lattice_tells_own_shots_from_those_of_the_bench_and_leaves_it_empty_where_nobody_told(
    run: RunResult, tmp_path: Path
) -> None:
    first, second = [result for result in run.setups if result.lattice is not None][:2]
    assert first.lattice is not None
    own = first.lattice.supported & (first.lattice.ratio[:, None] < 2)
    first = dataclasses.replace(first, lattice=dataclasses.replace(first.lattice, own=own))
    write(dataclasses.replace(run, setups=[first, second]), tmp_path)
    stored = pq.read_table(tmp_path / "lattice.parquet").to_pandas()
    assert (stored.loc[stored["setup"] == first.slug, "own"].to_numpy(dtype=bool) == own.ravel()).all()
    assert stored.loc[stored["setup"] == second.slug, "own"].isna().all()


def test_the_schema_lets_a_window_stand_only_where_the_status_says_so(folder: Path) -> None:
    spoilt = results(folder)
    spoilt["setups"][0]["status"] = "tentative"
    assert not jsonschema.Draft202012Validator(schema()).is_valid(spoilt)
    spoilt = results(folder)
    spoilt["setups"][0]["window"] = None
    assert not jsonschema.Draft202012Validator(schema()).is_valid(spoilt)


def test_the_schema_lets_keys_be_added(folder: Path) -> None:
    grown = results(folder)
    grown["later"] = grown["setups"][0]["later"] = {"anything": 1}
    jsonschema.Draft202012Validator(schema()).validate(grown)


def test_results_are_the_run_and_nothing_else(run: RunResult, folder: Path) -> None:
    written = results(folder)
    setups = written.pop("setups")
    assert written == run.summary
    assert [entry["slug"] for entry in setups] == [result.slug for result in run.setups]
    assert set(setups[0]) == set(run.setups[0].entry)
    for name, value in run.setups[0].entry["aim"].items():
        assert setups[0]["aim"][name] == (pytest.approx(value, rel=1e-11) if isinstance(value, float) else value)


def test_a_setup_takes_at_most_four_kilobytes(folder: Path) -> None:
    named_plainly = [entry for entry in results(folder)["setups"] if len(str(entry["key"])) < 200]
    assert max(len(json.dumps(entry, separators=(",", ":"))) for entry in named_plainly) <= 4096


def test_findings_that_find_no_room_are_counted_and_stand_in_their_table(run: RunResult, tmp_path: Path) -> None:
    told = [
        {"code": f"c{n}", "severity": severity, "where": {}, "message": "x" * 250, "do": "y" * 50}
        for n, severity in enumerate(["note", "stop", "warn", "note"] * 4)
    ]
    full = dataclasses.replace(run.setups[0], entry={**run.setups[0].entry, "findings": told})
    write(dataclasses.replace(run, setups=[full, *run.setups[1:]]), tmp_path)
    entry = results(tmp_path)["setups"][0]
    jsonschema.Draft202012Validator(schema()).validate(results(tmp_path))
    assert len(json.dumps(entry, separators=(",", ":"), ensure_ascii=False).encode()) <= 4096
    *kept, last = entry["findings"]
    assert last["code"] == "findings_left_out"
    assert last["message"].endswith(f"no room here: {16 - len(kept)}.")
    assert {one["severity"] for one in kept} == {"stop"}
    written = pd.read_csv(tmp_path / "tables/findings.csv").query(f"setup == '{full.slug}'")
    assert written["code"].tolist() == [one["code"] for one in told]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, np.float64("nan"), np.float32("nan"), pd.NA, pd.NaT])
def test_a_number_that_is_none_is_refused_with_its_path(run: RunResult, tmp_path: Path, value: Any) -> None:
    entry = copy.deepcopy(dict(run.setups[1].entry))
    entry["next_shots"][0]["expected_gain"] = value
    entry["expected_score"]["mean"] = value
    setups = [run.setups[0], dataclasses.replace(run.setups[1], entry=entry)]
    with pytest.raises(OutputError) as caught:
        write(dataclasses.replace(run, setups=setups), tmp_path)
    told = [problem.what for problem in caught.value.problems]
    assert [what.split(" is ")[0] for what in told] == [
        "setups[1].expected_score.mean",
        "setups[1].next_shots[0].expected_gain",
    ]


def test_numbers_of_numpy_are_written_as_numbers(run: RunResult, tmp_path: Path) -> None:
    entry = {**run.setups[0].entry, "shots": np.int64(6), "assurance": np.float32(0.5), "at": (np.bool_(True), 2)}
    write(dataclasses.replace(run, setups=[dataclasses.replace(run.setups[0], entry=entry)]), tmp_path)
    (written,) = results(tmp_path)["setups"]
    assert (written["shots"], written["assurance"], written["at"]) == (6, 0.5, [True, 2])


def test_the_same_run_gives_the_same_bytes(run: RunResult, folder: Path, tmp_path: Path) -> None:
    write(run, tmp_path)
    names = sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    assert names == sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
    for name in names:
        assert (folder / name).read_bytes() == (tmp_path / name).read_bytes(), name


# Spreadsheets run a cell that starts with =, +, -, @, tab or carriage return as a formula (OWASP, "CSV Injection").
@pytest.mark.parametrize("cell", ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "=cmd|' /C calc'!A0"])
def test_a_text_that_is_a_formula_is_disarmed(cell: str) -> None:
    assert list(spreadsheet_safe(pd.DataFrame({"text": [cell, "plain"]}))["text"]) == ["'" + cell, "plain"]


def test_numbers_stay_numbers() -> None:
    frame = pd.DataFrame({"number": [-1.5, 2.0], "text": ["-3", "+2,5"], "blank": [None, np.nan]})
    pd.testing.assert_frame_equal(spreadsheet_safe(frame), frame, check_dtype=False)


def test_no_cell_of_any_csv_is_a_formula(folder: Path) -> None:
    seen = 0
    for path in [*folder.glob("tables/*.csv"), folder / "set_aside.csv"]:
        with path.open(newline="", encoding="utf-8") as file:
            for cell in (cell for row in csv.reader(file) for cell in row):
                seen += cell.startswith("'=")
                assert not cell.startswith(("=", "+", "@", "\t", "\r")), (path, cell)
                assert not cell.startswith("-") or float(cell) <= 0
    assert seen > 5


def test_parquet_keeps_every_text_as_it_was(run: RunResult, folder: Path) -> None:
    machines = set(pd.read_parquet(folder / "tables/shots.parquet")["machine"])
    assert set(sample_run.HOSTILE) < machines


def test_every_kept_row_is_in_the_tables_and_every_other_in_set_aside(run: RunResult, folder: Path) -> None:
    for name in ("shots", "scores", "readings"):
        kept = run.records.tables[name]
        written = pd.read_csv(folder / f"tables/{name}.csv", dtype={"shot_id": str})
        assert list(written["shot_id"].str.removeprefix("'")) == list(kept["shot_id"])
    assert len(pd.read_csv(folder / "set_aside.csv")) == len(run.records.set_aside)


def test_a_shot_of_no_setup_is_written_too_and_derived_columns_are_joined(run: RunResult, tmp_path: Path) -> None:
    left_out = dataclasses.replace(run, setups=run.setups[1:])
    write(left_out, tmp_path)
    shots = pd.read_parquet(tmp_path / "tables/shots.parquet")
    own = shots["shot_id"].isin(run.setups[0].shots["shot_id"])
    assert own.sum() == len(run.setups[0].shots)
    assert shots.loc[own, ["setup", "ratio"]].isna().all(axis=None)
    assert shots.loc[~own, ["setup", "ratio"]].notna().all(axis=None)


def test_names_never_become_paths(run: RunResult, folder: Path) -> None:
    names = {path.name for path in folder.parent.rglob("*")}
    assert not any(name in names for name in ("x", "CON", "A", "B", "npp.exe"))
    assert {path.name for path in folder.iterdir()} == {"results.json", "tables", "set_aside.csv", "lattice.parquet"}


def test_a_stored_surface_is_read_back_alone_and_unchanged(run: RunResult, folder: Path) -> None:
    stored = pq.ParquetFile(folder / "lattice.parquet")
    with_surface = [result for result in run.setups if result.lattice is not None]
    assert stored.num_row_groups == len(with_surface)
    number = next(i for i, result in enumerate(with_surface) if result.lattice.extraction_pct is not None)
    group, lattice = stored.read_row_group(number).to_pandas(), with_surface[number].lattice
    assert set(group["setup"]) == {with_surface[number].slug}
    for name in ("mean", "sd", "chance", "extraction_pct"):
        back = group.pivot(index="ratio", columns="shot_time_s", values=name).to_numpy()
        np.testing.assert_allclose(back, getattr(lattice, name), atol=1e-4)
    assert (group["supported"].to_numpy() == lattice.supported.ravel()).all()
    assert group["ratio"].is_monotonic_increasing


def test_a_run_without_any_setup_is_written(run: RunResult, tmp_path: Path) -> None:
    write(dataclasses.replace(run, setups=[]), tmp_path)
    jsonschema.Draft202012Validator(schema()).validate(results(tmp_path))
    assert pq.read_table(tmp_path / "lattice.parquet").num_rows == 0
    assert list(pd.read_parquet(tmp_path / "tables/terms.parquet").columns)[:2] == ["setup", "term"]

"""The contract of writers."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pandas as pd

from tastefield.contract import KINDS
from tastefield.records import RunResult, SetupResult
from tastefield.testing.contract import Breach, Check, Contract, require
from tastefield.testing.samples import empty_run, sample_run

PATHS = ("../x", "A/B", "CON")
MARKUP = ("<b onload=alert(1)>", "'\"><i onload=alert(1)>", "&lt;")
FORMULAS = ("=cmd|' /C calc'!A0", "@SUM(1)", "+1+cmd")
STARTS_FORMULA = ("=", "@", "+", "-", "\t", "\r")


def writes_something(kept: WriterContract, folder: Path) -> None:
    """A run leaves at least one file."""
    kept.write(sample_run(), folder)
    require(bool(_bytes(folder)), "a run of three setups wrote no file")


def writes_only_into_its_folder(kept: WriterContract, folder: Path) -> None:
    """Nothing outside the folder it is given is made or changed, the current folder included."""
    outside = _outside(kept, sample_run(), folder)
    require(not outside, f"wrote outside its folder: {sorted(outside)}")


def names_are_no_paths(kept: WriterContract, folder: Path) -> None:
    """Names such as ``../x``, ``A/B`` and ``CON`` are written, and lead nowhere."""
    try:
        outside = _outside(kept, sample_run(PATHS, title="../../x"), folder / "odd")
    except OSError as error:
        raise Breach(f"a name was taken for a path: {error}; use the setup's slug for file names") from error
    led = sorted(outside - _outside(kept, sample_run(), folder / "plain"))
    require(not led, f"a name led outside the folder: {led}; use the setup's slug for file names")


def names_are_no_markup(kept: WriterContract, folder: Path) -> None:
    """Names that look like markup stand escaped in HTML and SVG."""
    kept.write(sample_run(MARKUP, title=MARKUP[0]), folder)
    for file, content in _bytes(folder).items():
        if file.lower().endswith((".html", ".htm", ".svg")):
            raw = [name for name in MARKUP[:2] if name.encode() in content]
            require(not raw, f"{file} holds a name unescaped: {raw}")


def names_are_no_formulas(kept: WriterContract, folder: Path) -> None:
    """Names that a spreadsheet would run as a formula are made harmless in CSV and TSV."""
    kept.write(sample_run(FORMULAS, title=FORMULAS[0]), folder)
    for file in sorted(folder.rglob("*")):
        if file.suffix.lower() in (".csv", ".tsv"):
            with file.open(encoding="utf-8-sig", newline="") as stream:
                rows = list(csv.reader(stream, delimiter="," if file.suffix.lower() == ".csv" else "\t"))
            live = [cell for row in rows for cell in row if cell.startswith(STARTS_FORMULA) and not _number(cell)]
            require(not live, f"{file.name} holds cells a spreadsheet would run: {live[:3]}")


def setups_come_in_any_order(kept: WriterContract, folder: Path) -> None:
    """Setups written in another order give the same bytes."""
    run = sample_run()
    first, again, turned = (folder / name for name in ("first", "again", "turned"))
    kept.write(run, first)
    kept.write(run, turned, order=list(run.setups)[::-1])
    if _bytes(first) != _bytes(turned):
        kept.write(run, again)
        if _bytes(first) == _bytes(again):  # otherwise writes_the_same_bytes_twice tells
            _alike(_bytes(first), _bytes(turned), "setups in another order")


def writes_the_same_bytes_twice(kept: WriterContract, folder: Path) -> None:
    """The same run gives the same bytes: no clock, no chance, no order of a set."""
    kept.write(sample_run(), folder / "first")
    kept.write(sample_run(), folder / "second")
    _alike(_bytes(folder / "first"), _bytes(folder / "second"), "the same run again")


def leaves_the_run_untouched(kept: WriterContract, folder: Path) -> None:
    """Writing changes nothing of the results: the next writer gets the same."""
    run = sample_run()
    frames = _frames(run)
    copies = {name: frame.copy(deep=True) for name, frame in frames.items()}
    told = repr([run.summary, *(dict(setup.entry) for setup in run.setups)])
    kept.write(run, folder)
    changed = [name for name, frame in copies.items() if not frame.equals(frames[name])]
    require(not changed, f"writing changed {', '.join(changed)}")
    now = repr([run.summary, *(dict(setup.entry) for setup in run.setups)])
    require(told == now, "writing changed the summary or an entry")


def a_run_without_setups_is_no_error(kept: WriterContract, folder: Path) -> None:
    """A run that found nothing is still written."""
    try:
        kept.write(empty_run(), folder)
    except Exception as error:
        raise Breach(f"a run without setups raised {type(error).__name__}: {error}") from error


RULES: tuple[Check, ...] = (
    writes_something,
    writes_only_into_its_folder,
    names_are_no_paths,
    names_are_no_markup,
    names_are_no_formulas,
    setups_come_in_any_order,
    writes_the_same_bytes_twice,
    leaves_the_run_untouched,
    a_run_without_setups_is_no_error,
)


class WriterContract(Contract):
    """What every writer must hold. Derive from it, set ``plugin``, and run pytest. The runs are made up."""

    kind = KINDS[2]
    rules = RULES

    def write(self, run: RunResult, folder: Path, order: Iterable[SetupResult] | None = None) -> None:
        """Write a run: each setup, in the given order, then the whole."""
        folder.mkdir(parents=True, exist_ok=True)
        count = len(run.setups)
        for setup in order or run.setups:
            self.subject.write_setup(setup, folder, replace(self.context(), setups=count))
        self.subject.write_run(run, folder, replace(self.context(), setups=count))

    def exercise(self, folder: Path) -> None:
        """Write a run."""
        self.write(sample_run(), folder)


def _outside(kept: WriterContract, run: RunResult, folder: Path) -> set[str]:
    """Files that writing a run leaves outside the folder it was given."""
    out, here = folder / "a" / "b" / "out", folder / "here"
    out.mkdir(parents=True)
    here.mkdir()
    with _working_in(here):
        kept.write(run, out)
    return {name for name in _bytes(folder) if not name.startswith("a/b/out/")}


@contextmanager
def _working_in(folder: Path) -> Iterator[None]:
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def _bytes(folder: Path) -> dict[str, bytes]:
    """Every file below a folder by its path there."""
    return {file.relative_to(folder).as_posix(): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def _alike(first: dict[str, bytes], second: dict[str, bytes], what: str) -> None:
    differ = sorted(name for name in {*first, *second} if first.get(name) != second.get(name))
    require(not differ, f"{what} gives other bytes in {', '.join(differ[:5])}")


def _frames(run: RunResult) -> dict[str, pd.DataFrame]:
    frames = dict(run.records.tables)
    for setup in run.setups:
        for name in ("shots", "scores", "readings"):
            frames[f"{name} of {setup.slug}"] = getattr(setup, name)
    return {**frames, "set_aside": run.records.set_aside}


def _number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True

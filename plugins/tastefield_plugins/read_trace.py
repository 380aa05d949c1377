"""Reader ``trace``: recordings of mass (and pressure) against time, one file a shot or many shots in one long table."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, field_validator

import tastefield
from tastefield.errors import ReadError
from tastefield.hooks import Chunk, Context, Reader
from tastefield.tables.cells import is_filled, shown
from tastefield.tables.grid import Row, below_headings, places, text_rows
from tastefield.tables.headings import understand
from tastefield.tables.numbers import split_unit
from tastefield.tables.text import Encoding
from tastefield.words.findings import finding

_DESCRIBES = re.compile(r"\s*#?\s*(?P<key>[^:=,;\t]+?)\s*[:=]\s*(?P<value>.+?)\s*")


class TraceOptions(BaseModel):
    """Keys of a ``[[source]]`` read as recordings."""

    model_config = ConfigDict(extra="forbid")

    shot: str = Field(
        default="*", description="pattern of the file's name without its ending; * stands for the shot_id"
    )
    shots: bool = Field(default=False, description="whether each recording is also listed as a shot of its own")
    separator: str = Field(default="", max_length=1, description="sign between cells; found out")
    encoding: Encoding = "cp1252"

    @field_validator("shot")
    @classmethod
    def _one_star(cls, value: str) -> str:
        if value.count("*") != 1:
            raise ValueError('it should hold one * where the shot_id stands, as in "pour-*"')
        return value


class TraceReader(Reader):
    """Reads recordings, every sample as it stands; the core reads the pour out of them."""

    name = "trace"
    Options = TraceOptions

    def read(self, files: Sequence[Path], ctx: Context) -> Iterable[Chunk]:
        """Yield the samples of each file, the name of its shot beside them where no column says it."""
        options = ctx.options
        assert isinstance(options, TraceOptions)
        described = 0
        for file, place in zip(files, places(files), strict=True):
            rows = text_rows(file, place, options.encoding, options.separator)
            at = _heading_row(rows, place)
            samples = below_headings(rows, at, lambda cell: shown(cell).strip(), place)
            if "shot_id" not in understand(list(samples.columns), ["traces"], {}).columns:
                samples["shot_id"] = _shot_of(file, place, options.shot)
            above = {row: line for row, line in enumerate(rows[:at], start=1) if any(is_filled(cell) for cell in line)}
            if options.shots:
                yield Chunk(_listed(samples, above), f"{place}, its shots", ("shots",))
            else:
                described += len(above)
            yield Chunk(samples, place, ("traces",))
        if described:
            ctx.note(finding("recording_described", None, count=described))


@tastefield.hookimpl
def tastefield_readers() -> list[Reader]:
    """The one reader of this file."""
    return [TraceReader()]


def _heading_row(rows: list[Row], place: str) -> int:
    """The row of words right above the first numbers."""
    last = None
    for number, row in enumerate(rows):
        cells = [cell for cell in row if is_filled(cell)]
        numeric = sum(split_unit(cell) is not None for cell in cells)
        if numeric >= 2 and last is not None:
            return last
        if cells:
            last = number if len(cells) >= 2 and not numeric else None
    why = "no row of headings stands above rows with at least two numbers"
    raise ReadError(place, why, "write a heading above times and weights, as in: time,weight; or set separator")


def _shot_of(file: Path, place: str, pattern: str) -> str:
    """The part of the file's name that is the shot's."""
    if not fnmatch.fnmatchcase(file.stem, re.sub(r"([\[?])", r"[\1]", pattern)):
        do = "correct shot, or narrow path to the recordings"
        raise ReadError(place, f'its name does not fit shot = "{pattern}"', do)
    before, after = pattern.split("*")
    return file.stem[len(before) : len(file.stem) - len(after)]


def _listed(samples: pd.DataFrame, above: dict[int, Row]) -> pd.DataFrame:
    """A row for each shot of a file, with what stands above the headings: ``Dose: 18.2``, or two cells."""
    named = understand(list(samples.columns), ["traces"], {}).columns["shot_id"]
    shot = samples[named].map(lambda cell: shown(cell).strip() if is_filled(cell) else None).dropna()
    first = shot.drop_duplicates()
    listed = pd.DataFrame({"shot_id": first}, dtype=object)
    for number, row in above.items():
        cells = [shown(cell).strip() for cell in row if is_filled(cell)]
        whole = _DESCRIBES.fullmatch(cells[0]) if len(cells) == 1 else None
        if whole:
            key, value = whole["key"], whole["value"]
        elif len(cells) == 2:
            key, value = cells[0].strip("#: "), cells[1]
        else:
            key, value = f"(row {number})", " ".join(cells)
        listed[key if key and key not in listed else f"{key} (row {number})"] = value
    return listed

"""Reader ``tasting_sheet``: forms with a column an attribute, or a sheet a taster, and codes in place of shots."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any, Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, field_validator

import tastefield
from tastefield.errors import ReadError
from tastefield.hooks import Chunk, Context, Reader
from tastefield.tables.cells import folded, is_filled, shown
from tastefield.tables.grid import Row, below_headings, places, sheets, text_rows
from tastefield.tables.headings import tidy, understand
from tastefield.tables.numbers import split_unit
from tastefield.tables.parts import code_without_shot
from tastefield.tables.text import Encoding
from tastefield.words.findings import finding
from tastefield.words.tastes import TASTES, VERDICTS

_CODES = ("code", "cup", "cup code", "sample", "sample code", "blind code")
"""Headings of codes in common use."""
_TOLD = 8


class TastingSheetOptions(BaseModel):
    """Keys of a ``[[source]]`` read as tasting sheets."""

    model_config = ConfigDict(extra="forbid")

    attributes: tuple[str, ...] = Field(default=(), description="headings of the scored columns; found out")
    taster: Literal["column", "sheet", "file"] = Field(
        default="column", description="where the taster's name stands: in a column, as name of the sheet or of the file"
    )
    code: str = Field(default="", description="heading of the codes, on the sheets and in the key; found out")
    key: str = Field(default="", description="file beside the sheets that gives each code its shot_id")
    encoding: Encoding = "cp1252"

    @field_validator("key")
    @classmethod
    def _beside(cls, value: str) -> str:
        if PurePath(value).is_absolute() or ".." in PurePath(value).parts or "\\" in value:
            raise ValueError("it should be the name of a file in the folder of the sheets, or below it")
        return value


@dataclass(frozen=True)
class _Key:
    """Which shot each code stands for, by session where the key has sessions.

    :param shots: (session, code) -> shots, more than one where the key says two things.
    """

    name: str
    shots: Mapping[tuple[str, str], tuple[str, ...]]
    by_session: bool

    def shots_of(self, session: str, code: str) -> tuple[str, ...]:
        """The shots of a code; leading zeros count only where they tell codes apart."""
        session = session if self.by_session else ""
        exact = self.shots.get((session, code))
        if exact is None:
            like = {
                s for (at, c), found in self.shots.items() if at == session and _bare(c) == _bare(code) for s in found
            }
            exact = tuple(like)
        return exact


class TastingSheetReader(Reader):
    """Reads tasting forms: every filled score cell becomes a row, its attribute beside it."""

    name = "tasting_sheet"
    Options = TastingSheetOptions

    def read(self, files: Sequence[Path], ctx: Context) -> Iterable[Chunk]:
        """Yield one chunk for each attribute of each sheet, and one for rows that score nothing."""
        options = ctx.options
        assert isinstance(options, TastingSheetOptions)
        key = _key(files[0].parent / options.key, options) if options.key and files else None
        forms = [file for file in files if not (options.key and file == files[0].parent / options.key)]
        for file, place in zip(forms, places(forms), strict=True):
            for sheet, rows in _grids(file, place, options.encoding).items():
                where = f"{place}, sheet {sheet}" if sheet else place
                named = {"sheet": sheet, "file": file.stem}.get(options.taster, "")
                if options.taster == "sheet" and not sheet:
                    raise ReadError(place, "it has no sheets to be named after tasters", 'write taster = "file"')
                yield from _scores(rows, where, named, key, options, ctx)


@tastefield.hookimpl
def tastefield_readers() -> list[Reader]:
    """The one reader of this file."""
    return [TastingSheetReader()]


def _grids(file: Path, place: str, encoding: str) -> dict[str, list[Row]]:
    if file.suffix.lower() == ".xlsx":
        return sheets(file, place)
    return {"": text_rows(file, place, encoding)}


def _frame(rows: list[Row], place: str) -> pd.DataFrame:
    """Rows below the first that has two cells of words, under its headings; filled columns without one by number."""
    at = next((n for n, row in enumerate(rows) if sum(_is_word(cell) for cell in row) >= 2), None)
    if at is None:
        raise ReadError(place, "no row has two headings", "put a heading above every column")
    return below_headings(rows, at, lambda cell: folded(shown(cell)) if is_filled(cell) else "", place)


def _is_word(cell: Any) -> bool:
    return isinstance(cell, str) and is_filled(cell) and split_unit(cell) is None


def _scores(
    rows: list[Row], place: str, taster: str, key: _Key | None, options: TastingSheetOptions, ctx: Context
) -> Iterator[Chunk]:
    frame = _frame(rows, place)
    known = understand(list(frame.columns), ["scores"], {}).columns
    described = set(known.values()) - {known.get("score", "")}
    code = _code_heading(frame, options, key)
    _refuse_two_answers(place, known, code, taster, key)
    attributes = _attributes(frame, described | {code}, place, options, ctx)
    base = frame.drop(columns=attributes)
    if taster:
        base["taster"] = taster
    if key is not None:
        shots = _resolved(base, code, known.get("session", ""), key, place, ctx)
        base = base.drop(columns=[code] if code == known.get("shot_id") else [])
        base["shot_id"] = pd.Series(shots, index=base.index, dtype=object)
    filled = frame[attributes].map(is_filled)
    for attribute in attributes:
        scored = base[filled[attribute]]
        if len(scored):
            score = frame.loc[scored.index, attribute]
            yield Chunk(scored.assign(attribute=attribute, score=score), f"{place}, {attribute}", ("scores",))
    rest = base[~filled.any(axis=1) & frame.map(is_filled).any(axis=1)]
    if len(rest):
        yield Chunk(rest.assign(attribute=None, score=None), f"{place}, without a score", ("scores",))


def _refuse_two_answers(place: str, known: Mapping[str, str], code: str, taster: str, key: _Key | None) -> None:
    """A form that says itself what the configuration lets the reader fill in, or that has a row a score already."""
    if "attribute" in known:
        why = f'its column "{known["attribute"]}" names attributes, so it has a row a score already'
        raise ReadError(place, why, 'read it with reader = "table", holds = "scores"')
    if taster and "taster" in known:
        raise ReadError(place, f'it names tasters in its column "{known["taster"]}" too', 'write taster = "column"')
    if key is not None and known.get("shot_id", code) != code:
        why = f'its column "{known["shot_id"]}" names the shots already'
        raise ReadError(place, why, "leave key away, or name the column of the codes: code = ...")


def _code_heading(frame: pd.DataFrame, options: TastingSheetOptions, key: _Key | None) -> str:
    if options.code:
        return next((name for name in _headings(frame) if tidy(name) == tidy(options.code)), "")
    return next((name for name in _headings(frame) if tidy(name) in _CODES), "") if key is not None else ""


def _attributes(
    frame: pd.DataFrame, described: set[str], place: str, options: TastingSheetOptions, ctx: Context
) -> list[str]:
    """The scored columns: those named, else those with nothing but numbers and words that are scores."""
    if options.attributes:
        wanted = {tidy(name) for name in options.attributes}
        found = [name for name in _headings(frame) if tidy(name) in wanted]
        if not found:
            listed = ", ".join(f'"{name}"' for name in _headings(frame))
            raise ReadError(place, "none of the attributes is a heading", f"its headings are {listed}")
        return found
    found = [name for name in _headings(frame) if name not in described and _looks_scored(frame[name])]
    if not found:
        listed = ", ".join(f'"{name}"' for name in _headings(frame))
        why = "no column holds nothing but scores"
        raise ReadError(place, why, f"name them: attributes = [...]; its headings are {listed}")
    ctx.note(finding("attributes_understood", {"place": place}, list=", ".join(f'"{name}"' for name in found)))
    return found


def _headings(frame: pd.DataFrame) -> list[str]:
    return [str(name) for name in frame]


def _looks_scored(cells: pd.Series) -> bool:
    written = [cell for cell in cells if is_filled(cell)]
    words = {*VERDICTS, *TASTES}
    scored = [
        (isinstance(cell, (int, float)) and not isinstance(cell, bool))
        or (isinstance(cell, str) and (split_unit(cell) is not None or cell.strip().casefold() in words))
        for cell in written
    ]
    return bool(written) and all(scored)


def _resolved(base: pd.DataFrame, code: str, session: str, key: _Key, place: str, ctx: Context) -> list[str | None]:
    """The shot of each row's code. A code that stands for none is kept in words no shot is called by."""
    if not code:
        listed = ", ".join(f'"{name}"' for name in base)
        raise ReadError(place, "no heading names the codes", f'write code = "..."; its headings are {listed}')
    shots: list[str | None] = []
    unknown: list[str] = []
    sessions = base[session].tolist() if session in base else [""] * len(base)
    for cell, sitting in zip(base[code].tolist(), sessions, strict=True):
        if not is_filled(cell):
            shots.append(None)
            continue
        found = key.shots_of(_label(sitting), _label(cell))
        if len(found) != 1:
            unknown.append(shown(cell))
        shots.append(found[0] if len(found) == 1 else code_without_shot(shown(cell), key.name, bool(found)))
    where, told = {"place": place}, list(dict.fromkeys(unknown))
    coded = sum(shot is not None for shot in shots)
    if len(unknown) < coded:
        ctx.note(finding("codes_resolved", where, key=key.name, count=coded - len(unknown), all=coded))
    if unknown:
        listed = ", ".join(told[:_TOLD]) + (", ..." if len(told) > _TOLD else "")
        ctx.note(finding("codes_not_resolved", where, key=key.name, count=len(unknown), list=listed))
    return shots


def _label(cell: Any) -> str:
    return folded(shown(cell)).casefold() if is_filled(cell) else ""


def _bare(code: str) -> str:
    return code.lstrip("0") or "0"


def _key(file: Path, options: TastingSheetOptions) -> _Key:
    """The key file: a column of codes, a column of shots, and a session where codes are used again."""
    place = options.key
    grids = list(_grids(file, place, options.encoding).values())
    frame = _frame(grids[0], place)
    known = understand(list(frame.columns), ["scores"], {}).columns
    wanted = (tidy(options.code),) if options.code else _CODES
    code = next((name for name in _headings(frame) if tidy(name) in wanted), "")
    shot = known.get("shot_id", "")
    if not code or not shot or code == shot:
        listed = ", ".join(f'"{name}"' for name in _headings(frame))
        do = f"call them code and shot_id, or write code = ...; its headings are {listed}"
        raise ReadError(place, "it needs a column of codes and a column of shots", do)
    session = known.get("session", "")
    found: dict[tuple[str, str], dict[str, None]] = {}
    for row in frame.to_dict("records"):
        if is_filled(row[code]) and is_filled(row[shot]):
            sitting = _label(row[session]) if session else ""
            found.setdefault((sitting, _label(row[code])), {})[folded(shown(row[shot]))] = None
    return _Key(place, {at: tuple(shots) for at, shots in found.items()}, bool(session))

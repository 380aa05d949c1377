"""Ingest: from the files of every source to raw tables under canonical headings, cells still as they were written."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from pydantic import BaseModel

from tastefield.config import SourceConfig, matching_files
from tastefield.errors import ConfigError, PluginError, Problem, ReadError, TastefieldError, crashed
from tastefield.hooks import Reader
from tastefield.records import Chunk, Context, Headings, RawTable
from tastefield.tables import ditto, grid, headings, parts, units
from tastefield.tables.cells import compact, filled, joined, there
from tastefield.words.columns import TABLES, column, names
from tastefield.words.findings import Finding, finding
from tastefield.words.nearest import nearest, suggestion

NOT_NAMED = "not named"
BELONGS_TO: dict[str, tuple[str, ...]] = {
    "machine": (
        "grinder",
        "basket",
        "basket_g",
        "basket_kind",
        "head",
        "machine_model",
        "grinder_model",
        "grinder_zero",
    ),
    "grinder": ("grinder_model", "grinder_zero"),
    "coffee": ("roast", "roast_date", "decaf"),
}
"""What is not filled down past a change of the thing it belongs to: a new machine has not the last one's basket."""


NEVER_DITTO = {"notes", "shot_id"}
"""Columns in which a ditto mark stays as written."""

MEASURED = {"dose_g", "beverage_g", "shot_time_s", "tds_pct", "brix_pct", "refractive_index", "score", "mass_g", "t_s"}


@dataclass(frozen=True, eq=False)
class Ingested:
    """What the readers gave.

    :param raw: one raw table for each place and table.
    :param headings: how the headings of each place were understood.
    """

    raw: tuple[RawTable, ...]
    findings: tuple[Finding, ...]
    headings: tuple[Headings, ...] = ()


@dataclass(eq=False)
class _Place:
    """All rows of one place of one source, in the source's own headings."""

    number: int
    source: SourceConfig
    name: str
    rows: pd.DataFrame
    holds: tuple[str, ...]
    files: tuple[Path, ...] = ()
    understood: headings.Understood = field(default_factory=lambda: headings.Understood({}, (), ()))


def ingest(
    sources: Sequence[SourceConfig],
    readers: Mapping[str, Reader],
    folder: Path,
    seed: int,
    options: Sequence[BaseModel],
) -> Ingested:
    """Read every source and map its headings.

    :param readers: readers by name.
    :param folder: folder that relative paths start from.
    :param options: for each source the validated options of its reader.
    :raises ConfigError: a source cannot be understood; every problem of every source at once.
    :raises ReadError: a file cannot be read (:class:`TastefieldError` with all of them where several cannot).
    """
    findings: list[Finding] = []
    problems = [problem for number, source in enumerate(sources) for problem in _faulty_units(number, source)]
    if problems:
        raise ConfigError(problems)
    places: list[_Place] = []
    unreadable: list[TastefieldError] = []
    for number, (source, own) in enumerate(zip(sources, options, strict=True)):
        try:
            places += _read(number, source, readers, folder, Context(own, seed), findings)
        except ReadError as error:
            unreadable.append(error)
    if len(unreadable) == 1:
        raise unreadable[0]
    if unreadable:
        raise TastefieldError(problem for error in unreadable for problem in error.problems)
    _tell_apart(places, findings)
    for place in places:
        problems += _understand(place, findings)
    problems += _headings_nowhere(places)
    if problems:
        raise ConfigError(problems)
    raw = [table for place in places for table in _tables(place, findings)]
    told = [
        Headings(place.name, dict(place.understood.columns), headings.suggest(place.understood, place.holds))
        for place in places
    ]
    return Ingested(tuple(raw), tuple(findings), tuple(told))


def _faulty_units(number: int, source: SourceConfig) -> Iterable[Problem]:
    """Units no column can be given in."""
    for name, unit in source.units.items():
        choices = [column(table, name) for table in source.holds or TABLES if name in names(table)]
        if choices and not any(units.is_unit(one, unit) for one in choices):
            known = units.known_units(choices[0])
            why = f"{name} is kept in {choices[0].unit}" if choices[0].unit else f"{name} has no unit"
            if any(units.is_volume(one, unit) for one in choices):
                why = f"{why}, and nothing turns a volume into a weight"
            where = f"[[source]] {number + 1}, units.{name}"
            yield Problem(f'"{unit}" is no unit of {name}', where, why, suggestion(unit, known))


def _read(
    number: int,
    source: SourceConfig,
    readers: Mapping[str, Reader],
    folder: Path,
    ctx: Context,
    findings: list[Finding],
) -> list[_Place]:
    """Let the reader read, and join the chunks of each place."""
    files = _files(source, folder, findings)
    reader = _reader(number, source, readers, files)
    pieces: dict[str, list[Chunk]] = {}
    try:
        for chunk in chunks(reader, files, ctx):
            pieces.setdefault(chunk.place, []).append(chunk)
    except ReadError as error:
        if len(files) == 1 or not _names_one([file.name for file in files], error.place):
            raise
        do = f"{error.do}; to go on without it, move it to where {source.path} does not match it"
        raise ReadError(error.place, error.why, do) from error
    except TastefieldError:
        raise
    except Exception as error:
        place = source.path or f"[[source]] {number + 1}"
        why = f"the reader {reader.name} failed: {crashed(error, reader)}"
        raise ReadError(place, why, "mend the reader or the file") from error
    findings += ctx.findings
    return [_joined(number, source, place, of_place, findings, files) for place, of_place in pieces.items()]


def chunks(reader: Reader, files: Sequence[Path], ctx: Context) -> Iterator[Chunk]:
    """What a reader gives, with places that tell files of one name in two folders apart.

    A reader that names a place by the file alone is given such files one at a time, and the folder is put before it.

    :raises PluginError: something else than a chunk comes out.
    """
    told = grid.places(files)
    if told == [file.name for file in files]:
        yield from _checked(reader, files, ctx)
        return
    tried = Context(ctx.options, ctx.seed)  # what it notes the first time is not told twice
    together = []
    try:
        for chunk in _checked(reader, files, tried):
            together.append(chunk)
            if not _names_one(told, chunk.place):
                break
    except ReadError as error:
        if _names_one(told, error.place):
            raise
    else:
        if all(_names_one(told, chunk.place) for chunk in together):
            for note in tried.findings:
                ctx.note(note)
            yield from together
            return
    del together
    for file, name in zip(files, told, strict=True):
        try:
            for chunk in _checked(reader, [file], ctx):
                yield replace(chunk, place=_with_folder(chunk.place, file.name, name))
        except ReadError as error:
            raise ReadError(_with_folder(error.place, file.name, name), error.why, error.do) from error


def _names_one(told: Sequence[str], place: str) -> bool:
    return any(name in place for name in told)


def _with_folder(place: str, file: str, told: str) -> str:
    """A place with the folder of its file: "a/x.bin, scores" of "x.bin, scores"."""
    if told in place:
        return place
    return place.replace(file, told, 1) if file in place else f"{told}, {place}"


def _checked(reader: Reader, files: Sequence[Path], ctx: Context) -> Iterator[Chunk]:
    """What a reader gives, made sure to be chunks, each in little memory until the others are there."""
    for chunk in reader.read(tuple(files), ctx):
        if not isinstance(chunk, Chunk) or not isinstance(chunk.rows, pd.DataFrame):
            raise PluginError(
                Problem(
                    "does not yield chunks",
                    f"reader {reader.name}",
                    f"found {type(chunk).__name__}",
                    "yield Chunk(rows=a DataFrame, place=the file or sheet)",
                )
            )
        yield replace(chunk, rows=_smaller(chunk.rows), place=str(chunk.place))


def _files(source: SourceConfig, folder: Path, findings: list[Finding]) -> tuple[Path, ...]:
    if not source.path:
        return ()
    relative = not Path(source.path).is_absolute()
    if relative and ".." in Path(source.path).parts and re.search(r"[*?]", source.path):
        raise ReadError(source.path, "a pattern may not leave its folder", "write the whole path from / on")
    found = matching_files(folder, source.path)
    for path in found:
        if path.name.startswith("~$"):
            findings.append(finding("file_skipped", {"place": path.name}, file=path.name))
    found = tuple(path for path in found if not path.name.startswith("~$"))
    if found:
        return found
    where = folder / source.path
    if where.is_dir():
        raise ReadError(source.path, "it is a folder", f'name the files in it, for example "{source.path}/*.csv"')
    there = [path.name for path in where.parent.iterdir() if path.is_file()] if where.parent.is_dir() else []
    close = nearest(where.name, there)
    do = f'did you mean "{close}"?' if close else f"check the name; paths start from {folder}"
    raise ReadError(source.path, "no such file", do)


def _reader(number: int, source: SourceConfig, readers: Mapping[str, Reader], files: Sequence[Path]) -> Reader:
    where = f"[[source]] {number + 1}"
    if source.reader:
        if source.reader not in readers:
            do = suggestion(source.reader, readers)
            raise ConfigError(Problem(f'there is no reader "{source.reader}"', f"{where}, reader", do=do))
        return readers[source.reader]
    name = files[0].name.lower() if files else ""
    suffix = Path(name).suffix
    for reader in readers.values():
        if name.endswith(reader.suffixes):
            return reader
    known = sorted({ending for reader in readers.values() for ending in reader.suffixes})
    do = f"name a reader ({', '.join(readers)}), or give a file that ends in {', '.join(known)}"
    raise ConfigError(Problem(f'no reader knows files ending in "{suffix}"', f"{where}, path", do=do))


def _joined(
    number: int,
    source: SourceConfig,
    name: str,
    chunks: Sequence[Chunk],
    findings: list[Finding],
    files: tuple[Path, ...],
) -> _Place:
    rows = _one_frame([chunk.rows.rename(columns=str) for chunk in chunks])
    numbered = pd.api.types.is_integer_dtype(rows.index) and rows.index.is_unique
    if not rows.columns.is_unique:
        raise PluginError(
            Problem("two columns have the same heading", name, do="let the reader make the headings unique")
        )
    if not numbered:
        rows.index = pd.RangeIndex(1, len(rows) + 1)
        findings.append(finding("rows_renumbered", {"place": name}, place=name))
    rows = rows.set_axis(rows.index.astype("int64"))
    for chunk in chunks:
        if not isinstance(chunk.holds, tuple):
            do = f'let the reader write a tuple, ("shots",), of {", ".join(TABLES)}'
            raise PluginError(Problem("what a chunk holds is no tuple", name, f"found {chunk.holds!r}", do))
    holds = tuple(dict.fromkeys(table for chunk in chunks for table in chunk.holds)) or source.holds
    unknown = [table for table in holds if table not in TABLES]
    if unknown:
        raise PluginError(
            Problem(f"holds {', '.join(unknown)}", name, "there is no such table", f"known are: {', '.join(TABLES)}")
        )
    used = parts.rows_filled(rows)
    return _Place(number, source, name, rows if used.all() else rows[used], holds, files)


def _smaller(rows: pd.DataFrame) -> pd.DataFrame:
    """A chunk in less memory until the others are there; what Arrow holds is small already."""
    if not rows.columns.is_unique or all(isinstance(kind, pd.ArrowDtype) for kind in rows.dtypes):
        return rows
    return _one_frame([rows])


def _one_frame(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Chunks below each other; long columns of text held by their different cells, all others as objects."""
    if any(not frame.columns.is_unique for frame in frames):
        return pd.concat([frame.astype(object) for frame in frames])
    columns = {}
    index = frames[0].index.append([frame.index for frame in frames[1:]])
    for name in dict.fromkeys(name for frame in frames for name in frame.columns):
        cells = compact(joined([frame[name] if name in frame else _empty(frame) for frame in frames]))
        columns[name] = pd.Series(cells.array, index=index, dtype=cells.dtype, copy=False)
    return pd.DataFrame(columns, index=index, copy=False)


def _empty(frame: pd.DataFrame) -> pd.Series:
    return pd.Series(None, index=frame.index, dtype=object)


def _tell_apart(places: Sequence[_Place], findings: list[Finding]) -> None:
    """Give a place that two sources read two names, and say so where both hold the same table of the same file."""
    seen: dict[str, list[_Place]] = {}
    for place in places:
        before = seen.setdefault(place.name, [])
        shared = [table for other in before for table in other.holds if table in place.holds]
        if before and (shared or not place.holds or not all(other.holds for other in before)):
            table = ", ".join(dict.fromkeys(shared)) or "rows"
            if any(other.files == place.files or set(other.files) & set(place.files) for other in before):
                findings.append(finding("place_read_twice", {"place": place.name}, table=table))
            place.name = f"{place.name} (source {place.number + 1})"
        before.append(place)


def _understand(place: _Place, findings: Sequence[Finding]) -> list[Problem]:
    """Map the headings of one place, decide what it holds, and tell what is missing for that."""
    found = [str(heading) for heading in place.rows.columns]
    if not place.holds:
        place.holds = _holds(found, place.source.columns)
    place.understood = headings.understand(found, place.holds, place.source.columns)
    given = {*place.understood.columns, *place.source.fill}
    problems = []
    for name, value in place.source.fill.items():
        if "{sheet}" in value and not _sheet_name(place.name):
            do = "write {file} for the name of the file, or read sheets of a workbook"
            problems.append(Problem("has no sheet to take a name from", f"{place.name}, fill.{name}", "", do))
    for table in place.holds:
        needed: list[tuple[str, ...]] = [
            (one.name,) for one in TABLES[table] if one.required and (one.name, table) not in parts.MADE_UP
        ]
        needed += [parts.MEASURES["readings"]] if table == "readings" else []
        made = {"shot_id"} if len(place.holds) > 1 and "shots" in place.holds else set()
        for group in needed:
            if not {*given, *made} & set(group):
                problems.append(_no_heading(place, table, group, findings))
    return problems


def _no_heading(place: _Place, table: str, group: Sequence[str], findings: Sequence[Finding]) -> Problem:
    listed = ", ".join(f'"{heading}"' for heading in place.rows.columns[:40])
    why = f"the headings are {listed}" if listed else "there are no headings"
    suggested = headings.suggest(place.understood, [table])
    name, heading = next(((name, suggested[name]) for name in group if name in suggested), (group[0], ""))
    theirs = f'"{heading}", if that is it' if heading else '"the heading as it stands"'
    do = f"write under [source.columns] of its [[source]]: {name} = {theirs}"
    for note in findings:
        if note.code in ("sheets_not_read", "sheet_found") and place.name.startswith(f"{note.where['place']}, sheet "):
            why, do = f"{why}. {note.message}", f'{do}; or name another sheet: sheet = "..."'
    return Problem(f"no heading names {' or '.join(group)}, which {table} cannot do without", place.name, why, do)


def _holds(found: Sequence[str], configured: Mapping[str, str]) -> tuple[str, ...]:
    """Which tables the headings speak of, where neither reader nor configuration says."""
    is_log = {"machine", "coffee", "dose_g"} & set(headings.understand(found, ["shots"], configured).columns)
    for table, marks in (("traces", {"t_s", "mass_g"}), ("checks", {"check", "value"})):
        named = set(headings.understand(found, [table], configured).columns)
        if marks <= named and not (table == "traces" and is_log):  # "time" and "weight" are headings of a log too
            return (table,)
    columns = headings.understand(found, ["shots", "readings", "scores"], configured).columns
    holds = [table for table in ("readings", "scores") if set(parts.MEASURES[table]) & set(columns)]
    if "dose_g" in columns or "shot_id" not in columns or not holds:
        holds.insert(0, "shots")
    return tuple(holds)


def _headings_nowhere(places: Sequence[_Place]) -> list[Problem]:
    """Configured headings that stand in no place of their source."""
    problems = []
    for number in dict.fromkeys(place.number for place in places):
        mine = [place for place in places if place.number == number]
        every = list(dict.fromkeys(str(heading) for place in mine for heading in place.rows.columns))
        for name, theirs in mine[0].source.columns.items():
            if any(name in place.understood.columns for place in mine):
                continue
            held = {table for place in mine for table in place.holds}
            if not any(name in names(table) for table in held):
                why = f"this source holds {', '.join(sorted(held))}"
                problem = Problem(f"{name} is no column of them", f"{mine[0].name}, columns.{name}", why, "remove it")
            else:
                listed = ", ".join(f'"{heading}"' for heading in every[:40])
                close = nearest(theirs, every)
                do = f'write "{close}"' if close else "name one of them"
                where = f"{mine[0].name}, columns.{name}"
                problem = Problem(f'there is no heading "{theirs}"', where, f"the headings are {listed}", do)
            problems.append(problem)
    return problems


def _tables(place: _Place, findings: list[Finding]) -> list[RawTable]:
    """One raw table for each table the place holds."""
    _tell_headings(place, findings)
    typed = place.rows[list(place.understood.columns.values())].set_axis(list(place.understood.columns), axis=1)
    canonical = {theirs: name for name, theirs in place.understood.columns.items()}
    total = parts.total_rows(place.rows.rename(columns=canonical))
    typed = _without_dittos(place.name, typed, total, findings)
    whole = _filled_in(typed, place, total)
    if "shots" in place.holds or "checks" in place.holds:
        for name, default in (("machine", _file_name(place.name)), ("coffee", NOT_NAMED)):
            wanted = any((name, table) in parts.MADE_UP for table in place.holds)
            if wanted and (name not in whole or not filled(whole[[name]]).any()) and len(whole):
                whole[name] = pd.Series(default, index=whole.index, dtype=object).where(~total, None)
                findings.append(_not_named(place, name, default))
    together = len(place.holds) > 1
    out = []
    for table in place.holds:
        columns = [name for name in names(table) if name in whole]
        rows = whole[columns]
        if together and table != "shots":
            rows = _part(rows, typed, table)
        known = {name: place.understood.columns[name] for name in columns if name in place.understood.columns}
        out.append(RawTable(table, place.name, rows, place.number, together, known))
    return out


def _not_named(place: _Place, what: str, name: str) -> Finding:
    """A note where nothing can name it, a warning where a heading that was not understood may.

    The heading that looks like it, else those that look like nothing else: the same suggestions as everywhere.
    """
    others = place.rows[list(place.understood.unused)]
    like = headings.suggest(place.understood, place.holds)
    free = [like[what]] if what in like else [one for one in map(str, others) if one not in like.values()]
    maybe = [heading for heading in free if len(set(parts.labels(others, heading)) - {""}) > 1]
    if not maybe:
        return finding("not_named", {"place": place.name}, what=what, name=name)
    listed = ", ".join(f'"{heading}"' for heading in maybe)
    return finding("perhaps_named", {"place": place.name}, what=what, name=name, list=listed, first=maybe[0])


def _tell_headings(place: _Place, findings: list[Finding]) -> None:
    where = {"place": place.name}
    if place.understood.common:
        listed = ", ".join(f'{name} = "{place.understood.columns[name]}"' for name in place.understood.common)
        told = finding("headings_understood", where, list=listed)
        if told.message not in {one.message for one in findings}:  # hundreds of files have the same headings
            findings.append(told)
    counts = filled(place.rows[list(place.understood.unused)]).sum(axis=0).tolist()
    used = [(heading, count) for heading, count in zip(place.understood.unused, counts, strict=True) if count]
    if used:
        listed = ", ".join(f'"{heading}" ({count} filled)' for heading, count in used)
        like = headings.suggest(place.understood, place.holds)
        name, heading = next(iter(like.items()), ("notes", used[0][0]))
        findings.append(finding("columns_unused", where, list=listed, example=f'{name} = "{heading}"'))
    unweighed = [heading for heading, _ in used if heading in headings.volumes([heading])]
    if unweighed and "shots" in place.holds:
        listed = ", ".join(f'"{heading}"' for heading in unweighed)
        findings.append(finding("volumes_unused", where, list=listed))
    for name, theirs in place.source.columns.items():
        if name not in place.understood.columns and any(name in names(table) for table in place.holds):
            findings.append(finding("heading_missing_here", where, heading=f'"{theirs}"', column=name))


def _without_dittos(place: str, typed: pd.DataFrame, total: parts.Mask, findings: list[Finding]) -> pd.DataFrame:
    """The cells with every ditto mark replaced by what stands above it."""
    resolved = typed.copy(deep=False)
    for name in typed.columns:
        if name in NEVER_DITTO:
            continue
        cells, rows = ditto.resolved(typed[name], total)
        if rows:
            resolved[name] = cells
            code = "dittos_of_measurements" if name in MEASURED else "ditto_marks"
            findings.append(finding(code, {"place": place}, column=name, count=len(rows), row=rows[0]))
    return resolved


def _filled_in(typed: pd.DataFrame, place: _Place, total: parts.Mask) -> pd.DataFrame:
    """Cells filled down from above, then constants; nothing typed is overwritten."""
    source = place.source
    whole = typed.copy(deep=False)
    new = {name: _changes(typed, name, total) for name in BELONGS_TO} if source.fill_down else {}
    for name in source.fill_down:
        if name not in whole:
            continue
        written = there(whole[name]) & ~total
        block = np.zeros(len(whole), dtype=int)
        for owner, owned in BELONGS_TO.items():
            if name in owned:
                block += np.cumsum(new[owner])
        down = whole[name].astype(object).where(written, None).groupby(block).ffill()
        whole[name] = whole[name].astype(object).where(written | total, down)
    for name, value in source.fill.items():
        if name not in whole:
            whole[name] = pd.Series(None, index=whole.index, dtype=object)
        written = there(whole[name])
        if (written | total).all():
            continue
        whole[name] = whole[name].astype(object).where(written | total, _constant(value, place.name))
    return whole


def _constant(value: str, place: str) -> str:
    """A constant with ``{file}`` and ``{sheet}`` replaced by the names of the place."""
    return value.replace("{file}", _file_name(place)).replace("{sheet}", _sheet_name(place))


def _file_name(place: str) -> str:
    """The name of the file of a place, without its endings."""
    name = Path(place.split(", ")[-1].removeprefix("file ") if ", file " in place else place.split(", ")[0]).name
    return re.sub(r"(?:\.(?:csv|tsv|txt|jsonl|ndjson|xlsx|parquet|gz|bz2|xz|zip))+$", "", name, flags=re.I) or name


def _sheet_name(place: str) -> str:
    """The name of the sheet of a place; empty where it is none."""
    return place.partition(", sheet ")[2]


def _changes(typed: pd.DataFrame, name: str, total: parts.Mask) -> list[bool]:
    """Rows on which the label of a column changes from the one written last."""
    last, changes = "", []
    for written, is_total in zip(parts.labels(typed, name), total.tolist(), strict=True):
        changes.append(bool(written) and not is_total and written != last)
        last = written if changes[-1] else last
    return changes


def _part(rows: pd.DataFrame, typed: pd.DataFrame, table: str) -> pd.DataFrame:
    """Rows of a shared sheet that hold a reading or a score, or describe one; the rest keep to the shots."""
    own = [name for name in rows.columns if name in parts.own_columns(table)]
    measures = [name for name in parts.MEASURES[table] if name in typed]
    measured = parts.rows_filled(typed[measures])
    part, any_cell = rows.copy(deep=False), measured.copy()
    for name in part.columns:
        keep = measured
        if name in own and name in typed and not measured.all():
            keep = measured | there(typed[name])
            any_cell |= keep
        if not keep.all():
            part[name] = part[name].where(keep, None)
    return part if any_cell.all() else part[any_cell]

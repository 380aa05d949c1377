"""The contract of readers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

import pandas as pd

from tastefield.contract import KINDS
from tastefield.errors import ReadError
from tastefield.records import Chunk
from tastefield.stages.ingest import chunks as read_apart
from tastefield.testing.contract import Breach, Check, Contract, require
from tastefield.words.columns import TABLES


@dataclass(frozen=True)
class ReaderSample:
    """A few lines of the reader's own kind, and what stands in them.

    :param files: file name -> content.
    :param rows: rows of records in all files together, the line of headings not counted.
    :param headings: every heading, exactly as written.
    """

    files: Mapping[str, str | bytes]
    rows: int
    headings: tuple[str, ...] = field(default=())


def yields_chunks(kept: ReaderContract, folder: Path) -> None:
    """Everything yielded is a Chunk that holds a DataFrame."""
    for item in kept.read(kept.write_sample(folder)):
        whole = isinstance(item, Chunk) and isinstance(item.rows, pd.DataFrame)
        require(whole, f"read yielded {type(item).__name__}: yield Chunk(rows, place)")


def loses_no_row(kept: ReaderContract, folder: Path) -> None:
    """As many rows come out as the sample holds."""
    rows = sum(len(chunk.rows) for chunk in kept.chunks(folder))
    require(rows == kept.sample.rows, f"the sample holds {kept.sample.rows} rows, {rows} came out")


def rows_are_numbered_as_their_owner_counts(kept: ReaderContract, folder: Path) -> None:
    """The index holds whole row numbers that rise and never return within a place."""
    last: dict[str, int] = {}
    for chunk in kept.chunks(folder):
        numbers = list(chunk.rows.index)
        whole = pd.api.types.is_integer_dtype(chunk.rows.index.dtype)
        require(whole, f"the index holds {chunk.rows.index.dtype}, not whole row numbers")
        rising = all(a < b for a, b in zip([last.get(chunk.place, 0), *numbers], numbers, strict=False))
        require(rising, f"row numbers of {chunk.place} do not rise from 1 on: {numbers[:10]}")
        last[chunk.place] = numbers[-1] if numbers else last.get(chunk.place, 0)


def headings_are_untouched(kept: ReaderContract, folder: Path) -> None:
    """Columns are the source's own headings, letter for letter, as text."""
    found = [heading for chunk in kept.chunks(folder) for heading in chunk.rows.columns]
    require(all(isinstance(heading, str) for heading in found), f"headings must be text: {found}")
    wrong = sorted(set(found) ^ set(kept.sample.headings))
    require(not wrong, f"headings differ from the sample's: {wrong}")


def names_the_place(kept: ReaderContract, folder: Path) -> None:
    """Every chunk says where it was read, in words that are not empty."""
    for chunk in kept.chunks(folder):
        text = isinstance(chunk.place, str) and bool(chunk.place.strip())
        require(text, f"place is {chunk.place!r}, no text: give file.name")


def holds_known_tables(kept: ReaderContract, folder: Path) -> None:
    """What a chunk says it holds is a tuple of tables, or empty."""
    for chunk in kept.chunks(folder):
        known = isinstance(chunk.holds, tuple) and all(table in TABLES for table in chunk.holds)
        require(known, f'holds is {chunk.holds!r}: write a tuple, ("shots",), of {", ".join(TABLES)}')


def cells_are_single_values(kept: ReaderContract, folder: Path) -> None:
    """No cell holds bytes, or several values at once."""
    for chunk in kept.chunks(folder):
        for heading, cells in chunk.rows.items():
            for row, cell in cells.items() if cells.dtype == object else ():
                what = f"row {row} of {heading} holds {type(cell).__name__} {cell!r:.60}"
                require(not isinstance(cell, bytes | bytearray | memoryview), f"{what}: decode it into text")
                several = isinstance(cell, Iterable) and not isinstance(cell, str)
                require(not several, f"{what}: give one value a cell")


def leaves_the_files_alone(kept: ReaderContract, folder: Path) -> None:
    """Reading changes no file and makes none."""
    kept.write_sample(folder)
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    kept.read(sorted(folder / name for name in kept.sample.files))
    after = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    changed = sorted(path.name for path in {*before, *after} if before.get(path) != after.get(path))
    require(not changed, f"reading changed {changed}")


def reads_the_same_twice(kept: ReaderContract, folder: Path) -> None:
    """Reading again gives the same rows, headings and places."""
    first, second = kept.chunks(folder), kept.chunks(folder)
    same = [chunk.place for chunk in first] == [chunk.place for chunk in second] and all(
        one.rows.equals(other.rows) for one, other in zip(first, second, strict=True)
    )
    require(same, "the second reading differs from the first")


def tells_files_of_one_name_apart(kept: ReaderContract, folder: Path) -> None:
    """Files of the same names in two folders keep all their rows, each file in places of its own.

    As in a run: the core puts the folder before a place that names its file alone.
    """
    if not kept.sample.files:
        return
    files, expected = [], 0
    for name in ("one", "two"):
        (folder / name).mkdir()
        written = kept.write_sample(folder / name)
        alone = kept.read(written)
        if not all(isinstance(chunk, Chunk) and isinstance(chunk.rows, pd.DataFrame) for chunk in alone):
            return  # told by another check
        expected += sum(len(chunk.rows) for chunk in alone)
        files += written
    numbers: dict[str, list[int]] = {}
    for chunk in read_apart(kept.subject, sorted(files), kept.context()):
        numbers.setdefault(chunk.place, []).extend(chunk.rows.index)
    rows = sum(map(len, numbers.values()))
    require(rows == expected, f"the sample in two folders gave {rows} rows, in one after the other {expected}")
    twice = [place for place, found in numbers.items() if len(set(found)) < len(found)]
    require(not twice, f"row numbers of {', '.join(twice)} stand for two rows: give file.name as the place")


def says_that_a_file_is_missing(kept: ReaderContract, folder: Path) -> None:
    """A file that is not there raises ReadError, nothing else."""
    if not kept.sample.files:
        return
    try:
        kept.read([folder / name for name in sorted(kept.sample.files)])
    except ReadError:
        return
    except Exception as error:
        raise _other(kept, "a missing file", error) from error
    raise Breach("a missing file was read without a word: raise ReadError(place, why, do)")


def survives_garbage(kept: ReaderContract, folder: Path) -> None:
    """Bytes that mean nothing raise ReadError or come out as rows; nothing else happens."""
    for number, garbage in enumerate((b"", bytes(range(256)) * 8, b"\xff\xfe\x00", b"a\nb|c;d,e\tf\n\n\x00")):
        files = [folder / f"{number}-{name}" for name in sorted(kept.sample.files)]
        for file in files:
            file.write_bytes(garbage)
        try:
            kept.read(files)
        except ReadError:
            continue
        except Exception as error:
            raise _other(kept, "garbage", error) from error


def notices_a_file_cut_short(kept: ReaderContract, folder: Path) -> None:
    """A sample file that ends too early raises ReadError or gives no more rows than before.

    Cut at half and by its last byte, one file at a time. A shorter text is a text still; a binary file without its last
    byte holds part of a value, so that it must raise.
    """
    for file in kept.write_sample(folder):
        whole = file.read_bytes()
        for length, named in ((len(whole) // 2, "at half"), (len(whole) - 1, "by one byte")):
            file.write_bytes(whole[: max(length, 0)])
            what = f"{file.name} cut {named}"
            try:
                read = kept.read(sorted(folder / name for name in kept.sample.files))
            except ReadError:
                continue
            except Exception as error:
                raise _other(kept, what, error) from error
            rows = sum(len(chunk.rows) for chunk in read if isinstance(chunk, Chunk))
            require(
                rows <= kept.sample.rows, f"{what} gave {rows} rows, more than the {kept.sample.rows} of the sample"
            )
            torn = length == len(whole) - 1 and _is_binary(whole)
            why = f"{what} was read without a word, {rows} of {kept.sample.rows} rows: raise ReadError(place, why, do)"
            require(not torn, why)
        file.write_bytes(whole)


def _is_binary(content: bytes) -> bool:
    """Whether bytes are no text in any encoding: they hold control characters that no text holds."""
    return any(byte < 32 and byte not in b"\t\n\v\f\r\x1a\x1b" for byte in content)


def _other(kept: ReaderContract, what: str, error: Exception) -> Breach:
    return Breach(f"{what} raised {kept.crashed(error)}; raise ReadError(place, why, do)")


RULES: tuple[Check, ...] = (
    yields_chunks,
    loses_no_row,
    rows_are_numbered_as_their_owner_counts,
    headings_are_untouched,
    names_the_place,
    holds_known_tables,
    cells_are_single_values,
    leaves_the_files_alone,
    reads_the_same_twice,
    tells_files_of_one_name_apart,
    says_that_a_file_is_missing,
    survives_garbage,
    notices_a_file_cut_short,
)


class ReaderContract(Contract):
    """What every reader must hold. Derive from it, set ``plugin`` and ``sample``, and run pytest."""

    kind = KINDS[0]
    rules = RULES
    sample: ClassVar[ReaderSample]

    def write_sample(self, folder: Path) -> list[Path]:
        """The sample as files, sorted as a run would hand them over."""
        for name, content in self.sample.files.items():
            (folder / name).write_bytes(content.encode() if isinstance(content, str) else content)
        return sorted(folder / name for name in self.sample.files)

    def read(self, files: list[Path]) -> list[Any]:
        """Everything the reader yields."""
        return list(self.subject.read(files, self.context()))

    def chunks(self, folder: Path) -> list[Chunk]:
        """Chunks of the sample."""
        return [chunk for chunk in self.read(self.write_sample(folder)) if isinstance(chunk, Chunk)]

    def exercise(self, folder: Path) -> None:
        """Read the sample."""
        self.chunks(folder)

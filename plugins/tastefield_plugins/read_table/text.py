"""Text tables: encoding and separator found out, then row by row, or column by column where no cell is quoted."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import IO, Any

import pandas as pd

from tastefield.errors import ReadError
from tastefield.tables.grid import Row
from tastefield.tables.text import LONGEST_CELL, marked_encoding, not_closed, sniff_separator
from tastefield.tables.unpacked import BROKEN
from tastefield_plugins.read_table.packed import Opener

FAST_FROM_BYTES = 1_000_000
"""From this size on a file without quotes is read column by column, which is quicker and gives the same cells."""
_HEAD_BYTES = 1 << 18
_NOT_TEXT = 'export it again as CSV in UTF-8 from the program that made it; if it is text, set encoding = "..."'


class Uneven(Exception):  # noqa: N818 - a state of the file, told to nobody
    """What is left of a file cannot be read column by column."""


@dataclass(frozen=True)
class TextTable:
    """A text file whose encoding and separator are known.

    :param skip: characters at its start that hold no row: a line such as ``sep=;``.
    """

    place: str
    opened: Opener
    encoding: str
    separator: str
    size: int
    quoted: bool
    first_line: str

    def rows(self) -> Iterator[Row]:
        """Every record; a blank line is a record without cells.

        :raises ReadError: a cell is not closed or too long.
        """
        number = 0
        with self.opened() as stream, io.TextIOWrapper(stream, self.encoding, newline="") as text:
            lines: Iterator[str] = text
            if self.first_line:
                text.readline()
                lines = iter(_then("\n", text))
            reader = csv.reader(lines, delimiter=self.separator, strict=True)
            try:
                for row in reader:
                    number += 1
                    yield row
            except csv.Error as error:
                raise not_closed(self.place, number + 1, error) from error
            except BROKEN as error:
                raise torn(self.place, error) from error

    def columns(self, skip: int, width: int) -> Iterator[pd.DataFrame]:
        """The rows after the first ``skip``, many at a time, each column of text by its distinct cells.

        :raises Uneven: the next rows are not all of that width; :meth:`rows` reads what is left.
        """
        import pyarrow as pa
        from pyarrow import csv as fast

        names = [str(number) for number in range(width)]
        kinds = dict.fromkeys(names, pa.dictionary(pa.int32(), pa.string()))
        try:
            with self.opened() as stream:
                batches = fast.open_csv(
                    stream,
                    fast.ReadOptions(
                        use_threads=False,
                        block_size=1 << 23,
                        skip_rows=skip,
                        column_names=names,
                        encoding="utf8" if self.encoding.startswith("utf-8") else self.encoding,
                    ),
                    fast.ParseOptions(delimiter=self.separator, quote_char=False, ignore_empty_lines=False),
                    fast.ConvertOptions(column_types=kinds, strings_can_be_null=False),
                )
                for batch in batches:
                    yield by_distinct_cells(batch, self.place)
        except (pa.ArrowException, UnicodeError, ValueError) as error:
            raise Uneven from error
        except BROKEN as error:
            raise torn(self.place, error) from error

    @property
    def may_be_fast(self) -> bool:
        """Whether every line is a row and every separator separates."""
        plain = self.encoding in ("utf-8", "utf-8-sig", "cp1252", "latin-1", "ascii")
        return plain and not self.quoted and not self.first_line and self.size >= FAST_FROM_BYTES


def by_distinct_cells(batch: Any, place: str) -> pd.DataFrame:
    """A batch of dictionary-encoded columns, as categories of text."""
    import pyarrow.compute as pc

    columns = {}
    for name, column in zip(batch.schema.names, batch.columns, strict=True):
        words = column.dictionary.to_numpy(zero_copy_only=False)
        if (pc.max(pc.utf8_length(column.dictionary)).as_py() or 0) > LONGEST_CELL:
            raise ReadError(place, f"a cell is longer than {LONGEST_CELL} characters", "shorten it")
        codes = column.indices.to_numpy(zero_copy_only=False)
        kind = pd.CategoricalDtype(pd.Index(words, dtype=object))
        columns[name] = pd.Categorical.from_codes(codes, dtype=kind, validate=False)
    return pd.DataFrame(columns)


def text_table(place: str, opened: Opener, suffix: str, separator: str, encoding: str) -> TextTable:
    """Find out encoding and separator; the whole file is looked at, a block at a time.

    :raises ReadError: it is empty, or not text.
    """
    try:
        with opened() as stream:
            head = stream.read(_HEAD_BYTES)
        if not head.strip():
            raise ReadError(place, "the file is empty", "export it again, or take it out of path")
        if head.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
            raise ReadError(place, "it is a workbook, not text", "rename it to end in .xlsx, or save it as CSV")
        found, size, quoted = _looked_through(place, opened, encoding)
        with opened() as stream:
            text = codecs.getincrementaldecoder(found)().decode(stream.read(_HEAD_BYTES))
    except BROKEN as error:
        raise torn(place, error) from error
    first = text.partition("\n")[0]
    stated = first.strip()
    if stated.lower().startswith("sep=") and len(stated) == 5:  # a line some spreadsheets put on top
        return TextTable(place, opened, found, stated[4], size, quoted, first)
    sign = separator or ("\t" if suffix == ".tsv" else sniff_separator(text))
    return TextTable(place, opened, found, sign, size, quoted, "")


def _looked_through(place: str, opened: Opener, encoding: str) -> tuple[str, int, bool]:
    """Encoding, size in bytes, and whether there is a quote anywhere."""
    with opened() as stream:
        found = marked_encoding(stream.read(4))
    tried = [found] if found else ["utf-8", encoding]
    for name in tried:
        decoder, size, quoted, before = codecs.getincrementaldecoder(name)(), 0, False, 0
        try:
            with opened() as stream:
                while block := stream.read(1 << 20):
                    text = decoder.decode(block)
                    if "\0" in text:
                        sign = before + text.index("\0") + 1
                        raise ReadError(place, f"it is not text: sign {sign} is a zero byte", _NOT_TEXT)
                    size, quoted, before = size + len(block), quoted or '"' in text, before + len(text)
                decoder.decode(b"", True)
            return name, size, quoted
        except UnicodeError as error:
            at = size + getattr(error, "start", 0) + 1
            last = error
    why = f"it is not text: byte {at} is no character in UTF-8 or in {encoding}"
    raise ReadError(place, why, _NOT_TEXT) from last


def torn(place: str, error: BaseException) -> ReadError:
    """What to say of a file that cannot be opened, or ends before its end."""
    if isinstance(error, FileNotFoundError | PermissionError | IsADirectoryError):
        return ReadError(place, str(error.strerror), "check that the file exists and may be read")
    return ReadError(place, f"it cannot be unpacked or read to its end ({error})", "export or pack it again")


def _then(first: str, rest: IO[str]) -> Iterator[str]:
    yield first
    yield from rest


def blocks(rows: Iterator[Row], size: int) -> Iterator[list[Row]]:
    """Rows in lists of at most ``size``."""
    while block := list(islice(rows, size)):
        yield block

"""Text tables: encoding and separator found out, then row by row, or column by column where quotes allow it."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import IO, Any

import numpy as np
import pandas as pd

from tastefield.errors import ReadError
from tastefield.tables.grid import Row
from tastefield.tables.text import LONGEST_CELL, marked_encoding, not_closed, sniff_separator
from tastefield.tables.unpacked import BROKEN
from tastefield_plugins.read_table.packed import Opener

FAST_FROM_BYTES = 1_000_000
"""From this size on a file is read column by column where its quotes allow it: quicker, and the same cells."""
_HEAD_BYTES = _LOOKED_AT_BYTES = 1 << 18
_QUOTE = ord('"')
_NOT_TEXT = 'export it again as CSV in UTF-8 from the program that made it; if it is text, set encoding = "..."'


class Uneven(Exception):  # noqa: N818 - a state of the file, told to nobody
    """What is left of a file cannot be read column by column."""


@dataclass(frozen=True)
class TextTable:
    """A text file whose encoding and separator are known.

    :param beside_quotes: every sign that stands outside next to a quote; a quote where none may stand, if one does.
    :param first_line: a line at its start that holds no row, such as ``sep=;``.
    """

    place: str
    opened: Opener
    encoding: str
    separator: str
    size: int
    beside_quotes: bytes
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

    def columns(self, skip: int, repeating: Sequence[bool]) -> Iterator[pd.DataFrame]:
        """The rows after the first ``skip``, many at a time; columns of text as that, or by their distinct cells.

        :param repeating: for each column whether its cells repeat themselves.
        :raises Uneven: the next rows are not all of that width; :meth:`rows` reads what is left.
        """
        import pyarrow as pa
        from pyarrow import csv as fast

        names = [str(number) for number in range(len(repeating))]
        by_cells, as_text = pa.dictionary(pa.int32(), pa.string()), pa.large_string()
        kinds = {name: by_cells if repeats else as_text for name, repeats in zip(names, repeating, strict=True)}
        try:
            with self.opened() as stream:
                batches = fast.open_csv(
                    pa.OSFile(stream.name) if isinstance(getattr(stream, "raw", None), io.FileIO) else stream,
                    fast.ReadOptions(
                        use_threads=False,
                        block_size=1 << 23,
                        skip_rows=skip,
                        column_names=names,
                        encoding="utf8" if self.encoding.startswith("utf-8") else self.encoding,
                    ),
                    fast.ParseOptions(
                        delimiter=self.separator,
                        quote_char='"' if self.beside_quotes else False,
                        newlines_in_values=bool(self.beside_quotes),
                        ignore_empty_lines=False,
                    ),
                    fast.ConvertOptions(column_types=kinds, strings_can_be_null=False, check_utf8=False),
                )
                for batch in batches:
                    yield as_frame(batch, self.place)
        except (pa.ArrowException, UnicodeError, ValueError) as error:
            raise Uneven from error
        except BROKEN as error:
            raise torn(self.place, error) from error

    @property
    def may_be_fast(self) -> bool:
        """Whether every separator outside of quotes separates, and quotes stand about whole cells only."""
        plain = self.encoding in ("utf-8", "utf-8-sig", "cp1252", "latin-1", "ascii")
        whole = set(self.beside_quotes) <= {*b"\r\n", ord(self.separator)}
        return plain and whole and not self.first_line and self.size >= FAST_FROM_BYTES


class Quotes:
    """What stands outside next to the quotes of a text, block after block."""

    def __init__(self) -> None:
        self.rest, self.count = b"\n", 0
        self.beside: set[int] = set()

    def see(self, block: bytes) -> None:
        """Look at the quotes of the next block; one at its end waits for what follows."""
        if block and b'"' not in block and b'"' not in self.rest:
            self.rest = block[-1:]
            return
        text = self.rest + block
        self.rest = text[-2:] if text.endswith(b'"') else text[-1:]
        if b'"' not in text[:-1]:
            return
        signs = np.frombuffer(text, np.uint8)
        at = np.flatnonzero(signs[1:-1] == _QUOTE) + 1
        opens = (self.count + np.arange(len(at))) % 2 == 0
        self.count += len(at)
        self.beside |= {*signs[at[opens] - 1].tolist(), *signs[at[~opens] + 1].tolist()}

    def told(self) -> bytes:
        """Every sign outside next to a quote, those of doubled quotes left out; a quote where one is not closed."""
        self.see(b"\n")
        return bytes({*self.beside - {_QUOTE}, *([_QUOTE] if self.count % 2 else [])})


def repeats(cells: Iterable[object]) -> bool:
    """Whether at least half of some cells stand there twice."""
    some = list(cells)
    return 2 * len(set(some)) <= len(some)


def as_frame(batch: Any, place: str) -> pd.DataFrame:
    """A batch of columns as Arrow holds them."""
    import pyarrow as pa
    import pyarrow.compute as pc

    for column in batch.columns:
        text = column.dictionary if pa.types.is_dictionary(column.type) else column
        if _most(pc.binary_length(text)) > LONGEST_CELL and _most(pc.utf8_length(text)) > LONGEST_CELL:
            raise ReadError(place, f"a cell is longer than {LONGEST_CELL} characters", "shorten it")
    columns = dict(zip(batch.schema.names, map(pd.arrays.ArrowExtensionArray, batch.columns), strict=True))
    return pd.DataFrame(columns, copy=False)


def _most(lengths: Any) -> int:
    import pyarrow.compute as pc

    return pc.max(lengths).as_py() or 0


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
        found, size, beside = _looked_through(place, opened, encoding)
        with opened() as stream:
            text = codecs.getincrementaldecoder(found)().decode(stream.read(_HEAD_BYTES))
    except BROKEN as error:
        raise torn(place, error) from error
    first = text.partition("\n")[0]
    stated = first.strip()
    if stated.lower().startswith("sep=") and len(stated) == 5:  # a line some spreadsheets put on top
        return TextTable(place, opened, found, stated[4], size, beside, first)
    sign = separator or ("\t" if suffix == ".tsv" else sniff_separator(text))
    return TextTable(place, opened, found, sign, size, beside, "")


def _looked_through(place: str, opened: Opener, encoding: str) -> tuple[str, int, bytes]:
    """Encoding, size in bytes, and what stands beside quotes."""
    with opened() as stream:
        found = marked_encoding(stream.read(4))
    tried = [found] if found else ["utf-8", encoding]
    for name in tried:
        decoder, size, quotes, before = codecs.getincrementaldecoder(name)(), 0, Quotes(), 0
        try:
            with opened() as stream:
                while block := stream.read(_LOOKED_AT_BYTES):
                    text = decoder.decode(block)
                    if "\0" in text:
                        sign = before + text.index("\0") + 1
                        raise ReadError(place, f"it is not text: sign {sign} is a zero byte", _NOT_TEXT)
                    quotes.see(block.removeprefix(codecs.BOM_UTF8) if not size else block)
                    size, before = size + len(block), before + len(text)
                decoder.decode(b"", True)
            return name, size, quotes.told()
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

"""Text files: which characters the bytes mean, and which sign separates the cells."""

from __future__ import annotations

import codecs
import csv
from collections import Counter
from typing import Annotated

from pydantic import AfterValidator, Field

from tastefield.errors import ReadError

SEPARATORS = ("\t", ";", ",", "|")
_MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_LOOK_AT = 200
LONGEST_CELL = 100_000
"""Most characters of a cell; a spreadsheet holds 32767 in one (ECMA-376 limits as spreadsheets keep them)."""

csv.field_size_limit(LONGEST_CELL)


def known_encoding(name: str) -> str:
    """The name of an encoding of text.

    :raises ValueError: there is none of that name, or it turns no text into bytes, as base64 and zlib.
    """
    try:
        "".encode(name)
        codecs.getincrementaldecoder(name)
    except LookupError as error:
        raise ValueError("no such encoding; common are cp1252, utf-8, latin-1, mac-roman") from error
    return name


Encoding = Annotated[
    str, AfterValidator(known_encoding), Field(description="of text that has no mark and is not UTF-8")
]
"""The option of a reader that says what :func:`decode` takes last."""


def marked_encoding(head: bytes) -> str:
    """The encoding that a byte order mark at the start of a file names; empty where there is none.

    Charset guessers misread short files, so none is used: without a mark a file is UTF-8 where all of it can be.
    """
    return next((name for mark, name in _MARKS if head.startswith(mark)), "")


def decode(data: bytes, encoding: str = "cp1252") -> tuple[str, str]:
    """Bytes as text: a byte order mark decides, then strict UTF-8, then ``encoding``.

    :returns: the text and the encoding that was used.
    :raises UnicodeDecodeError: the bytes are none of them.
    """
    if marked := marked_encoding(data):
        return data.decode(marked), marked
    try:
        return data.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        return data.decode(encoding), encoding


def sniff_separator(text: str) -> str:
    """The sign that cuts most of the first rows into the same number of cells; a comma where none does.

    In a file of semicolons and decimal commas the heading row has no comma, so the semicolon wins.
    """
    lines = text.splitlines(keepends=True)[:_LOOK_AT]
    best, best_score = ",", (0, 0)
    for separator in SEPARATORS:
        try:
            counts = Counter(len(row) for row in csv.reader(lines, delimiter=separator) if len(row) > 1)
        except csv.Error:  # cells longer than any may be, if this is the sign between them
            continue
        if counts:
            columns, rows = max(counts.items(), key=lambda item: (item[1], item[0]))
            if (rows, columns) > best_score:
                best, best_score = separator, (rows, columns)
    return best


def not_closed(place: str, row: int, error: csv.Error) -> ReadError:
    """What to say where the rows of a text can no longer be told apart.

    :param row: about which, counted from 1.
    """
    if "field larger" in str(error):
        why = f"a cell near row {row} is longer than {LONGEST_CELL} characters, as if a quote was not closed"
        return ReadError(place, why, "close the quote, or shorten the cell")
    why = f"the quotes around a cell are not closed properly near row {row} ({error})"
    return ReadError(place, why, 'write every " inside a quoted cell twice, or remove it')

"""A workbook of plain tables: numbers as numbers, texts as texts whatever they begin with, to filter and to print."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import isfinite
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from tastefield.words.phrases import printable

MOST_ROWS = 1_048_576
"""Rows of a sheet, its heading among them (ECMA-376, as the programs that read it hold to)."""
MOST_LETTERS = 32_767
"""Letters of a cell (the same)."""
FULL = "There are more rows than a sheet holds: all of them stand in the folder tables and in set_aside.csv."
NARROW, WIDE = 8, 60
"""Widths of columns, in letters."""
TEXT, WHOLE, DAY, MOMENT = "", "0", "yyyy-mm-dd", "yyyy-mm-dd hh:mm"
"""Forms of columns; a number with decimals has one such as ``0.00``."""
OLDEST = datetime(1900, 3, 1)
"""Days before it are written as words: programs disagree about them."""

_STARTS_FORMULA = re.compile(r"^[=+\-@＝＋－＠]")
_HEAD = {"bold": True, "bottom": 1, "bg_color": "#EFEAE4", "text_wrap": True, "valign": "top"}
_PAPER_A4 = 9


@dataclass(frozen=True)
class Field:
    """One column of a sheet.

    :param heading: with its unit. :param meaning: in a sentence or less. :param form: how its cells look.
    """

    heading: str
    meaning: str
    form: str = TEXT


@dataclass(frozen=True)
class Sheet:
    """One table; ``rows`` may be told one by one and is gone through once."""

    name: str
    fields: Sequence[Field]
    rows: Iterable[Sequence[Any]]


def write(path: Path, title: str, made: datetime, sheets: Iterable[Sheet]) -> None:
    """Write the workbook; a row is on disk before the next is asked for, so that memory does not grow with rows.

    :param made: what stands in its properties; the same sheets give the same bytes.
    """
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with TemporaryDirectory(dir=path.parent, prefix=".workbook-") as scratch:
        book = xlsxwriter.Workbook(str(path), {**options, "tmpdir": scratch})
        book.set_properties({"title": printable(title)[:255], "created": made})
        look = _Look(book)
        for sheet in sheets:
            _sheet(book, look, sheet, title)
        book.close()


class _Look:
    """The formats of a workbook, each made once."""

    def __init__(self, book: Workbook) -> None:
        self.head = book.add_format(_HEAD)
        self._book = book
        self._made: dict[tuple[str, bool], Format] = {}

    def of(self, form: str, quoted: bool = False) -> Format:
        """The format of a form; ``quoted`` keeps a text that is edited later from becoming a formula."""
        if (form, quoted) not in self._made:
            shape: dict[str, Any] = {"valign": "top"}
            shape |= {"text_wrap": True, "quote_prefix": quoted} if form == TEXT else {"num_format": form}
            self._made[form, quoted] = self._book.add_format(shape)
        return self._made[form, quoted]


def _sheet(book: Workbook, look: _Look, sheet: Sheet, title: str) -> None:
    page = book.add_worksheet(sheet.name)
    widths = [len(max(field.heading.split(), key=len)) for field in sheet.fields]
    page.set_row(0, 15 * max(1, max(-(-len(field.heading) // 14) for field in sheet.fields)))
    for column, field in enumerate(sheet.fields):
        page.write_string(0, column, field.heading, look.head)
        page.write_comment(0, column, field.meaning, {"x_scale": 1.6})
    last = 0
    for last, row in enumerate(sheet.rows, start=1):
        if last == MOST_ROWS - 1:
            page.write_string(last, 0, FULL, look.of(TEXT))
            break
        for column, (value, field) in enumerate(zip(row, sheet.fields, strict=True)):
            widths[column] = max(widths[column], _cell(page, look, last, column, value, field.form))
    for column, width in enumerate(widths):
        page.set_column(column, column, min(max(width + 2, NARROW), WIDE))
    page.freeze_panes(1, 0)
    page.autofilter(0, 0, last, len(sheet.fields) - 1)
    page.ignore_errors({"number_stored_as_text": f"A1:XFD{MOST_ROWS}"})  # a dial's setting is a name, not a number
    page.set_landscape()
    page.set_paper(_PAPER_A4)
    page.fit_to_pages(1, 0)
    page.repeat_rows(0)
    page.set_footer(f"&L{printable(title)[:80].replace('&', '&&')}, {sheet.name}&R&P / &N")


def _cell(page: Worksheet, look: _Look, row: int, column: int, value: Any, form: str) -> int:
    """Write one cell, nothing where the value is unknown; how many letters wide it is."""
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return 0
    if isinstance(value, (bool, np.bool_)):
        page.write_boolean(row, column, bool(value), look.of(WHOLE))
        return 5
    if isinstance(value, (int, float, np.integer, np.floating)):
        if not isfinite(value):
            return 0
        page.write_number(row, column, float(value), look.of(form or "General"))
        return 8
    if isinstance(value, date) and datetime(value.year, value.month, value.day) >= OLDEST:
        page.write_datetime(row, column, value, look.of(form or MOMENT))
        return len(form or MOMENT)
    text = printable(value)
    if not text:
        return 0
    kept = text if len(text) <= MOST_LETTERS else f"{text[: MOST_LETTERS - 1]}…"
    page.write_string(row, column, kept, look.of(TEXT, bool(_STARTS_FORMULA.match(kept))))
    return len(kept)

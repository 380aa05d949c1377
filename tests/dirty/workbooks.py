"""Workbooks with the dirt that only a workbook can hold, each written by a library that the reader does not use."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import openpyxl
import xlsxwriter
from openpyxl.utils.datetime import CALENDAR_MAC_1904

HEADINGS = ["Machine", "Beans", "In", "Out", "Time"]


def merged_header(folder: Path) -> Path:
    """A title over all columns and a row of groups, cells merged, above the headings."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Bench log 2025"])
    sheet.append(["Recipe", None, None, "Result", None])
    sheet.append(HEADINGS)
    sheet.append(["red", "house", 18.1, 36, 27])
    sheet.append([None, None, 18, 35.5, 26])  # the machine is merged over both rows
    for area in ("A1:E1", "A2:C2", "D2:E2", "A4:A5", "B4:B5"):
        sheet.merge_cells(area)
    return _saved(book, folder / "merged-header.xlsx")


def times_of_day(folder: Path) -> Path:
    """Times in cells formatted as numbers: 27 s is 0.0003125 of a day, 27 min 0.01875."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(HEADINGS)
    sheet.append(["red", "house", 18.1, 36, 27 / 86400])
    sheet.append(["red", "house", 18, 35.5, 27 / 1440])
    return _saved(book, folder / "times-of-day.xlsx")


def unanswered_formulas(folder: Path) -> Path:
    """Weights out computed from a tare, by a program that stores no values; and one formula with an error."""
    path = folder / "formulas.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("log")
        sheet.write_row(0, 0, [*HEADINGS, "Gross", "Tare"])
        for row, gross in enumerate((136, 136.2), start=1):
            sheet.write_row(row, 0, ["red", "house", 18.1])
            sheet.write_formula(row, 3, f"=F{row + 1}-G{row + 1}", value="")
            sheet.write_row(row, 4, [27, gross, 100])
        sheet.write_row(3, 0, ["red", "house", 18])
        sheet.write_formula(3, 3, "=F4/0", value="#DIV/0!")
        sheet.write_row(3, 4, [27, 136, 100])
    return path


def percent_cells(folder: Path) -> Path:
    """TDS in cells formatted as percent, and one typed as a plain number."""
    path = folder / "percent.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet, percent = book.add_worksheet("log"), book.add_format({"num_format": "0.0%"})
        sheet.write_row(0, 0, [*HEADINGS, "TDS"])
        for row, tds in enumerate((0.085, 0.091), start=1):
            sheet.write_row(row, 0, ["red", "house", 18.1, 36, 27])
            sheet.write_number(row, 5, tds, percent)
        sheet.write_row(3, 0, ["red", "house", 18, 36, 27, 8.8])
    return path


def dates_from_1904(folder: Path) -> Path:
    """Days counted from 1904, as some spreadsheets did, and a time of day."""
    book = openpyxl.Workbook()
    book.epoch = CALENDAR_MAC_1904
    sheet = book.active
    sheet.append([*HEADINGS, "Date", "Roasted"])
    sheet.append(["red", "house", 18.1, 36, 27, dt.datetime(2026, 3, 4, 10, 5), dt.date(2026, 2, 20)])
    return _saved(book, folder / "dates-1904.xlsx")


def _saved(book: openpyxl.Workbook, path: Path) -> Path:
    book.save(path)
    return path

"""Reader ``table`` on real files: rows as their owner counts, every cell as it stands, no crash on a broken file."""

import bz2
import datetime as dt
import gzip
import json
import lzma
import tempfile
import zipfile
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from tastefield.config import SourceConfig, TasteConfig
from tastefield.errors import ConfigError, ReadError
from tastefield.records import Context
from tastefield.stages.ingest import ingest
from tastefield.stages.reconcile import reconcile
from tastefield.tables.cells import filled
from tastefield_plugins.read_table import TableOptions, TableReader, tastefield_readers


def read(*files, **options):
    """Chunks and findings of some files."""
    ctx = Context(TableOptions(**options))
    return list(TableReader().read(files, ctx)), ctx.findings


def text_file(folder, content, name="log.csv"):
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def book(folder, sheets, name="log.xlsx"):
    """A workbook written by one library, to be read by another."""
    path = folder / name
    workbook = openpyxl.Workbook()
    workbook.remove(workbook.active)
    for title, rows in sheets.items():
        sheet = workbook.create_sheet(title)
        for row in rows:
            sheet.append(row)
    workbook.save(path)
    return path


def only(*files, **options):
    (chunk,), _ = read(*files, **options)
    return chunk


# --- text ------------------------------------------------------------------------------------------------------------


def test_rows_are_counted_as_a_spreadsheet_counts_them(tmp_path):
    file = text_file(tmp_path, 'machine,notes\nA,"two\nlines"\n\nB,plain\n')
    rows = only(file).rows
    assert rows.index.tolist() == [2, 3, 4]
    assert rows.loc[2, "notes"] == "two\nlines"
    assert rows.loc[4, "machine"] == "B"


def test_cells_stay_as_they_stand(tmp_path):
    rows = only(text_file(tmp_path, "machine,dose\n A ,018.20\nNA,nan\n")).rows
    assert rows.to_numpy().tolist() == [[" A ", "018.20"], ["NA", "nan"]]
    assert set(rows.dtypes) == {pd.Series([], dtype=object).dtype}


@pytest.mark.parametrize(
    "content",
    [
        "machine;dose\nZoë;18,2\n",
        "machine\tdose\nZoë\t18,2\n",
        'machine,dose\nZoë,"18,2"\n',
        "sep=|\nmachine|dose\nZoë|18,2\n",
        "machine;dose\r\nZoë;18,2\r\n",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_separators_and_encodings_are_found_out(tmp_path, content, encoding):
    file = text_file(tmp_path, content.encode(encoding), "log.txt")
    assert only(file).rows.to_numpy().tolist() == [["Zoë", "18,2"]]


def test_separator_and_encoding_can_be_said(tmp_path):
    file = text_file(tmp_path, "machine:dose\nŽofie:18,2\n".encode("cp1250"))
    assert only(file, separator=":", encoding="cp1250").rows.to_numpy().tolist() == [["Žofie", "18,2"]]


@pytest.mark.parametrize("options", [{"encoding": "klingon"}, {"separator": "ab"}, {"header_row": 0}, {"shet": "x"}])
def test_wrong_options_are_refused(options):
    with pytest.raises(ValidationError):
        TableOptions(**options)


def test_what_stands_above_the_headings_is_told(tmp_path):
    file = text_file(tmp_path, "Bench log\n\n12,18\nmachine,dose\nA,18\n")
    (chunk,), findings = read(file)
    assert chunk.rows.index.tolist() == [5]
    (finding,) = findings
    assert finding.code == "rows_above_headings"
    assert "row 4: 2" in finding.message
    assert list(only(file, header_row=3).rows) == ["12", "18"]


def test_headings_written_twice_are_told_apart_and_told(tmp_path):
    (chunk,), findings = read(text_file(tmp_path, "time,time,time (2)\n1,2,3\n"))
    assert len(set(chunk.rows)) == 3
    assert [finding.code for finding in findings] == ["headings_twice"]


def test_cells_outside_every_heading_are_kept_under_the_letter_of_their_column(tmp_path):
    rows = only(text_file(tmp_path, "machine,dose,\nA,18,,ring the owner\nB,19\n")).rows
    assert list(rows) == ["machine", "dose", "(column D)"]
    assert rows["(column D)"].tolist() == ["ring the owner", None]


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "the file is empty"),
        (b" \n\n", "the file is empty"),
        (b"one column\n1\n", "no row has two headings"),
        (b",,,\n,-,\n", "no cell is filled"),
        (b'machine,dose\n"A,18\nB,19\n', "quotes around a cell are not closed"),
        (b"machine,dose\n\x81\x8d,18\n", "not text: byte 14 is no character in UTF-8 or in cp1252"),
        (b"%PDF-1.7\n1 0 obj\0\0 (machine,dose) endobj", "not text: sign 17 is a zero byte"),
        (b"PK\x03\x04rest", "it is a workbook, not text"),
    ],
)
def test_a_text_file_that_cannot_be_read_says_why_and_what_to_do(tmp_path, content, why):
    with pytest.raises(ReadError, match=why) as caught:
        read(text_file(tmp_path, content))
    assert caught.value.place == "log.csv"
    assert caught.value.do


def test_a_file_of_headings_only_has_no_rows(tmp_path):
    assert only(text_file(tmp_path, "machine,dose\n")).rows.empty


def test_files_of_one_name_in_two_folders_are_two_places(tmp_path):
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        text_file(tmp_path / folder, "machine,dose\nA,18\n")
    chunks, _ = read(tmp_path / "a" / "log.csv", tmp_path / "b" / "log.csv")
    assert [chunk.place for chunk in chunks] == ["a/log.csv", "b/log.csv"]


def test_a_group_row_of_merged_cells_above_the_headings_is_told_and_left_above(tmp_path):
    content = "Recipe,,,Result,\nMachine,Beans,In,Out,Secs\nA,house,18,36,27\n"
    (chunk,), findings = read(text_file(tmp_path, content))
    assert list(chunk.rows) == ["Machine", "Beans", "In", "Out", "Secs"]
    assert [finding.code for finding in findings] == ["rows_above_headings"]


def test_many_rows_come_in_chunks_and_keep_their_numbers(tmp_path, monkeypatch):
    monkeypatch.setattr("tastefield_plugins.read_table.CHUNK_ROWS", 3)
    file = text_file(tmp_path, "Bench\nmachine,dose\n" + "".join(f"A,{n}\n" for n in range(8)) + "A,8,x\n")
    chunks, _ = read(file)
    assert [len(chunk.rows) for chunk in chunks] == [3, 3, 3]
    assert [row for chunk in chunks for row in chunk.rows.index] == list(range(3, 12))
    assert chunks[2].rows["(column C)"].tolist() == [None, None, "x"]


# --- packed, JSON lines, Parquet -------------------------------------------------------------------------------------

PLAIN = "machine;dose\nZoë;18,2\nB;19\n"


@pytest.mark.parametrize("name", ["log.csv.gz", "log.csv.bz2", "log.csv.xz", "log.TSV.GZ"])
@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16"])
def test_packed_text_is_read_like_text(tmp_path, name, encoding):
    pack = {"gz": gzip.compress, "bz2": bz2.compress, "xz": lzma.compress}[name.split(".")[-1].lower()]
    content = PLAIN.replace(";", "\t") if "TSV" in name else PLAIN
    rows = only(text_file(tmp_path, pack(content.encode(encoding)), name)).rows
    assert rows.to_dict("index") == {2: {"machine": "Zoë", "dose": "18,2"}, 3: {"machine": "B", "dose": "19"}}


def zipped(folder, files, name="logs.zip", **how):
    path = folder / name
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        for inner, content in files.items():
            package.writestr(inner, content)
    return path


def test_every_file_of_a_zip_is_a_place_and_what_systems_add_is_none(tmp_path):
    line = json.dumps({"machine": "C", "dose": 18})
    added = {"__MACOSX/._b.csv": "x", ".hidden": "x", "a/": ""}
    file = zipped(tmp_path, {"b.csv": PLAIN, "a/a.jsonl": line, **added})
    chunks, _ = read(file)
    assert [chunk.place for chunk in chunks] == ["logs.zip, file a/a.jsonl", "logs.zip, file b.csv"]
    assert chunks[0].rows.to_dict("index") == {1: {"machine": "C", "dose": 18}}


@pytest.mark.parametrize(
    ("name", "content", "why"),
    [
        ("log.csv.gz", b"no gzip", "cannot be unpacked"),
        ("log.csv.gz", gzip.compress(PLAIN.encode() * 99)[:60], "cannot be unpacked"),
        ("log.csv.bz2", b"no bzip", "cannot be unpacked"),
        ("log.csv.xz", b"no xz", "cannot be unpacked"),
        ("log.csv.gz", gzip.compress(b""), "the file is empty"),
        ("logs.zip", b"no zip", "no zip file"),
        ("logs.zip", b"PK\x05\x06" + bytes(18), "holds no file"),
        ("log.csv.gz", gzip.compress(b"a" * 120_000_000), "unpacks to more than 100 MB"),
    ],
    ids=["no gzip", "torn", "no bzip", "no xz", "empty", "no zip", "empty zip", "bomb"],
)
def test_a_packed_file_that_cannot_be_read_says_why(tmp_path, name, content, why):
    with pytest.raises(ReadError, match=why) as caught:
        read(text_file(tmp_path, content, name))
    assert caught.value.do


def test_bombs_in_a_zip_and_in_a_workbook_are_refused(tmp_path):
    zeros = "a,b\n" + "0" * 120_000_000
    with pytest.raises(ReadError, match="unpacks to more than 100 MB"):
        read(zipped(tmp_path, {"log.csv": zeros}))
    with pytest.raises(ReadError, match="unpacks to more than 100 MB"):
        read(zipped(tmp_path, {"xl/sharedStrings.xml": zeros}, "log.xlsx"))


def test_what_is_packed_twice_is_told_to_be_unpacked(tmp_path):
    inner = zipped(tmp_path, {"log.csv": PLAIN}, "inner.zip").read_bytes()
    with pytest.raises(ReadError, match="packed file is not read") as caught:
        read(zipped(tmp_path, {"inner.zip": inner}))
    assert "unpack it" in caught.value.do


@pytest.mark.parametrize("content", ['a,b\n1,"' + "x" * 120_000 + '"\n', "a,b\n1," + "x" * 120_000 + "\n"])
def test_an_enormous_cell_is_refused(tmp_path, content):
    with pytest.raises(ReadError, match="row 2 is longer than 100000 characters"):
        read(text_file(tmp_path, content))


def test_json_lines_keep_their_types_and_the_number_of_their_line(tmp_path):
    lines = [{"machine": "A", "In": 18.2, "ok": True}, None, {"In": "18 g", "notes": None, "machine": "B"}]
    content = "".join((json.dumps(line) if line else "") + "\n" for line in lines)
    rows = only(text_file(tmp_path, content, "log.jsonl")).rows
    assert rows.loc[1].to_dict() == {"machine": "A", "In": 18.2, "ok": True, "notes": None}
    assert rows.index.tolist() == [1, 2, 3]
    assert rows.loc[3, "In"] == "18 g"


@pytest.mark.parametrize(
    ("content", "why"),
    [
        ("", "no line holds a cell"),
        ("[1, 2]\n", "line 1 holds no object but a list"),
        ('{"a": 1}\n{"a": ', "line 2 is no JSON"),
        ('{"a": 1, "a": 2}\n', 'line 1 names "a" twice'),
        ('{"a": ' + "9" * 5000 + "}\n", "line 1 is no JSON"),
        ('{"a": ' + "[" * 20000 + "]" * 20000 + "}\n", "line 1 is no JSON"),
        ('{"a": "' + "x" * 150_000 + '"}\n', "longer than 100000"),
        ('{"a": "' + "x" * 2_500_000 + '"}\n', "a line is longer"),
        (b'{"a": "\xff"}\n', "not UTF-8"),
    ],
)
def test_json_lines_that_cannot_be_read_say_why(tmp_path, content, why):
    with pytest.raises(ReadError, match=why):
        read(text_file(tmp_path, content, "log.jsonl"))


def test_parquet_keeps_its_types(tmp_path):
    day = dt.datetime(2026, 3, 4, 10, 5)
    frame = pd.DataFrame(
        {"machine": ["A", None], "In": [18.2, None], "no": pd.array([1, None], dtype="Int64"), "when": [day, None]}
    )
    frame.to_parquet(tmp_path / "log.parquet")
    rows = only(tmp_path / "log.parquet").rows
    assert rows.index.tolist() == [1, 2]
    assert rows.loc[1].to_dict() == {"machine": "A", "In": 18.2, "no": 1, "when": day}
    assert not filled(rows.loc[[2]]).any()


def test_a_column_of_parquet_that_was_an_index_is_a_column(tmp_path):
    pd.DataFrame({"In": [18, 19]}, index=pd.Index(["A", "B"], name="Machine")).to_parquet(tmp_path / "log.parquet")
    rows = only(tmp_path / "log.parquet").rows
    assert rows.index.tolist() == [1, 2]
    assert rows["Machine"].tolist() == ["A", "B"]


def test_parquet_that_cannot_be_read_says_why(tmp_path):
    pd.DataFrame({"a": range(1000)}).to_parquet(tmp_path / "log.parquet")
    whole = (tmp_path / "log.parquet").read_bytes()
    for content in (b"", b"PAR1", whole[:200], whole[:-8], whole[:100] + b"\0" * 900 + whole[1000:]):
        with pytest.raises(ReadError):
            read(text_file(tmp_path, content, "torn.parquet"))


def test_parquet_that_stands_for_more_than_can_be_held_is_refused(tmp_path, monkeypatch):
    pd.DataFrame({"a": [1] * 1000}).to_parquet(tmp_path / "log.parquet")
    monkeypatch.setattr("tastefield_plugins.read_table.objects.MOST_PARQUET_CELLS", 999)
    with pytest.raises(ReadError, match="it holds 1000 cells"):
        read(tmp_path / "log.parquet")


SIMPLE = st.text(alphabet="ab1,;\t .é\n\r", max_size=12)
QUOTED = st.lists(st.text(alphabet='ab1,;"\n\r é', max_size=6), min_size=3, max_size=3).map(
    lambda cells: ",".join(f'"{cell.replace(chr(34), chr(34) * 2)}"' for cell in cells)
)
ODD = st.text(alphabet='ab,"\n', max_size=8)


@settings(max_examples=300, deadline=None)
@given(
    lines=st.lists(SIMPLE | QUOTED, max_size=12) | st.lists(QUOTED | ODD | st.just("a,b,c"), max_size=6),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "cp1252"]),
)
def test_column_by_column_and_row_by_row_read_the_same_cells(lines, encoding):
    content = ("aa,bb,cc\n" + "\n".join(lines)).encode(encoding)
    found = []
    for least in (0, 10**9):
        with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
            patch.setattr("tastefield_plugins.read_table.text.FAST_FROM_BYTES", least)
            try:
                chunks, _ = read(text_file(Path(folder), content), separator=",", header_row=1)
            except ReadError as error:
                found.append(str(error))
                continue
        rows = pd.concat([chunk.rows.astype(object) for chunk in chunks])
        cells = [
            [cell or "" for cell in row] for row in rows.astype(object).where(rows.notna(), "").to_numpy().tolist()
        ]
        found.append((list(rows), rows.index.tolist(), cells))
    assert found[0] == found[1]


# --- workbooks -------------------------------------------------------------------------------------------------------


def test_the_first_sheet_with_cells_is_read_and_the_others_named(tmp_path):
    file = book(tmp_path, {"empty": [], "log": [["machine", "dose"], ["A", 18.2]], "more": [["x", "y"], [1, 2]]})
    (chunk,), findings = read(file)
    assert chunk.place == "log.xlsx, sheet log"
    assert chunk.rows.to_dict("index") == {2: {"machine": "A", "dose": 18.2}}
    assert [finding.code for finding in findings] == ["sheets_not_read"]
    assert "more" in findings[0].message


NOTES = [["About this book"], ["Bench", "second floor"], ["Ask", "Anna"]]
LOG = [["Machine", "Beans", "In", "Out"], ["A", "house", 18, 36]]


def test_behind_a_sheet_of_notes_the_log_is_found_and_told(tmp_path):
    file = book(tmp_path, {"notes": NOTES, "coffees": [["coffee", "roast"], ["house", "dark"]], "shots": LOG})
    (chunk,), findings = read(file)
    assert chunk.place == "log.xlsx, sheet shots"
    assert [finding.code for finding in findings] == ["sheet_found"]
    assert "notes, coffees" in findings[0].message
    assert only(file, sheet="coffees").place.endswith("sheet coffees")


@pytest.mark.parametrize(
    "first",
    [
        LOG,
        [["Machine", "Rein", "Dose (g)"], ["A", 1, 18]],
        [["shot_id", "taste"], ["s1", 7]],
        [["machine", "check", "value"], ["A", "leaks", "none"]],
    ],
)
def test_a_first_sheet_of_records_is_never_passed_over(tmp_path, first):
    (chunk,), findings = read(book(tmp_path, {"one": first, "two": LOG}))
    assert chunk.place.endswith("sheet one")
    assert [finding.code for finding in findings] == ["sheets_not_read"]


def test_where_no_sheet_looks_like_a_log_the_sheets_are_named_and_how_to_choose(tmp_path):
    with pytest.raises(ReadError, match="no sheet looks like a log") as caught:
        read(book(tmp_path, {"notes": [["only words"]], "Tabelle": [["Rein", "Raus"], [18, 36]]}))
    assert '"notes", "Tabelle"' in caught.value.do
    assert 'sheet = "..."' in caught.value.do


def test_headings_that_name_no_dose_are_told_with_the_sheets_that_were_not_read(tmp_path):
    file = book(tmp_path, {"Eins": [["Maschine", "Rein"], ["A", 18]], "Zwei": [["Rein", "Raus"], [18, 36]]})
    with pytest.raises(ConfigError) as caught:
        ingest([SourceConfig(path=file.name)], {"table": TableReader()}, tmp_path, 1, [TableOptions()])
    (problem,) = caught.value.problems
    assert "these hold cells too: Zwei" in problem.why
    assert 'sheet = "..."' in problem.do


def test_sheets_are_named_or_matched(tmp_path):
    rows = [["machine", "dose"], ["A", 18]]
    file = book(tmp_path, {"log 1": rows, "log 2": rows, "other": rows})
    assert only(file, sheet="other").place.endswith("sheet other")
    chunks, findings = read(file, sheet="log*")
    assert [chunk.place for chunk in chunks] == ["log.xlsx, sheet log 1", "log.xlsx, sheet log 2"]
    assert findings == []
    with pytest.raises(ReadError, match='no sheet "logs"') as caught:
        read(file, sheet="logs")
    assert '"log 1"' in caught.value.do


def test_row_numbers_are_those_of_the_sheet_even_when_it_starts_further_down(tmp_path):
    file = book(tmp_path, {"log": [[], [], [None, "machine", "dose"], [], [None, "A", 18]]})
    rows = only(file).rows
    assert rows.index.tolist() == [4, 5]
    assert rows.loc[5].tolist() == ["A", 18.0]


@pytest.mark.parametrize("content", [b"", b"hello", b"PK\x03\x04 torn"])
def test_a_broken_workbook_is_told_and_never_crashes(tmp_path, content):
    with pytest.raises(ReadError) as caught:
        read(text_file(tmp_path, content, "log.xlsx"))
    assert caught.value.do


def test_a_torn_workbook_is_told(tmp_path):
    whole = book(tmp_path, {"log": [["machine", "dose"], ["A", 18]]}).read_bytes()
    with pytest.raises(ReadError, match="no workbook"):
        read(text_file(tmp_path, whole[: len(whole) // 2], "torn.xlsx"))


def test_a_workbook_without_a_filled_cell_is_told(tmp_path):
    with pytest.raises(ReadError, match="no cell is filled"):
        read(book(tmp_path, {"log": [], "more": []}))


def test_a_workbook_too_vast_to_hold_is_refused_before_it_is_opened(tmp_path):
    """One word in the last cell of a sheet (XFD1048576, 16384 columns: ECMA-376 limits as spreadsheets keep them)."""
    path = tmp_path / "log.xlsx"
    with xlsxwriter.Workbook(path) as workbook:
        sheet = workbook.add_worksheet("log")
        sheet.write_row(0, 0, ["machine", "dose"])
        sheet.write(1048575, 16383, "x")
    with pytest.raises(ReadError, match="filled as far as XFD1048576, and at most 5000000 cells") as caught:
        read(path)
    assert "delete" in caught.value.do


def test_width_and_height_of_a_vast_sheet_may_stand_far_apart_in_its_file(tmp_path):
    """16384 columns in the first row, 400 rows at the end, and between them more text than is looked at at once."""
    cells = (
        '<row><c s="1" r="XFD1"><v>1</v></c></row>',
        f"<!--{'-' * 3_000_000}>",
        '<row><c r="A400"><v>1</v></c></row>',
    )
    with zipfile.ZipFile(tmp_path / "log.xlsx", "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("xl/worksheets/sheet1.xml", "".join(cells))
    with pytest.raises(ReadError, match="filled as far as XFD400"):
        read(tmp_path / "log.xlsx")


def test_formats_far_out_make_no_sheet_vast(tmp_path):
    path = tmp_path / "log.xlsx"
    with xlsxwriter.Workbook(path) as workbook:
        sheet = workbook.add_worksheet("log")
        sheet.write_row(0, 0, ["machine", "dose"])
        sheet.write_blank(1048575, 16383, None, workbook.add_format({"bold": True}))
    assert list(only(path).rows) == ["machine", "dose"]


def test_what_a_spreadsheet_made_of_times_ratios_and_dials_is_asked_about_from_a_real_file(tmp_path):
    """Typed 0:27, 1:2 and 4-2 become a time, a time and a date; a duration cell of 27 s stays 27 s."""
    path = tmp_path / "log.xlsx"
    with xlsxwriter.Workbook(path) as workbook:
        time, date = workbook.add_format({"num_format": "h:mm"}), workbook.add_format({"num_format": "d-mmm"})
        seconds = workbook.add_format({"num_format": "mm:ss"})
        sheet = workbook.add_worksheet("log")
        sheet.write_row(0, 0, ["Machine", "Beans", "Grind", "In", "Out", "Time", "TDS"])
        sheet.write_row(1, 0, ["A", "house", 5, 18, 36])
        sheet.write_datetime(1, 5, dt.time(0, 27), time)
        sheet.write_row(2, 0, ["A", "house", 5, 18, None, 27])
        sheet.write_datetime(2, 4, dt.time(1, 2), time)
        sheet.write_row(3, 0, ["A", "house", None, 18, 36])
        sheet.write_datetime(3, 2, dt.date(2026, 2, 4), date)
        sheet.write_number(3, 5, 27 / 86400, seconds)
        sheet.write_number(3, 6, 0.085, workbook.add_format({"num_format": "0.0%"}))
    source = SourceConfig(path="log.xlsx")
    ingested = ingest([source], {"table": TableReader()}, tmp_path, 1, [TableOptions()])
    records = reconcile(ingested.raw, [source], TasteConfig())
    asked = records.set_aside.set_index(["row", "column"])
    assert set(asked.index) == {(2, "shot_time_s"), (3, "beverage_g"), (4, "grind_setting")}
    assert asked["do"].iloc[0].startswith('if 0:27 means 27 seconds, write shot_time_s = "min:s"')
    codes = [finding.code for finding in records.findings]
    assert codes.count("cells_asked_about") == 3
    assert "tds_looks_like_fraction" in codes
    assert records.tables["shots"]["shot_time_s"].tolist()[1:] == [27.0, 27.0]

    answered = SourceConfig(path="log.xlsx", units={"shot_time_s": "min:s", "tds_pct": "fraction"})
    again = reconcile(ingested.raw, [answered], TasteConfig())
    assert again.tables["shots"]["shot_time_s"].tolist() == [27.0, 27.0, 27.0]
    assert again.tables["readings"]["tds_pct"].tolist() == pytest.approx([8.5])


def test_the_same_log_as_text_and_as_workbook_gives_the_same_shots(tmp_path):
    rows = [["machine", "coffee", "dose_g", "beverage_g"], ["A", "house", 18.2, 36], ["B", "house", 17.9, 40.5]]
    book(tmp_path, {"log": rows})
    text_file(tmp_path, "\n".join(";".join(str(cell).replace(".", ",") for cell in row) for row in rows))
    found = []
    for name in ("log.xlsx", "log.csv"):
        source = SourceConfig(path=name)
        ingested = ingest([source], {"table": TableReader()}, tmp_path, 1, [TableOptions()])
        shots = reconcile(ingested.raw, [source], TasteConfig()).tables["shots"]
        found.append(shots[["machine", "coffee", "dose_g", "beverage_g", "row"]].values.tolist())
    assert found[0] == found[1]


def test_the_reader_registers_itself():
    (reader,) = tastefield_readers()
    assert reader.name == "table"
    assert {".csv", ".tsv", ".txt", ".xlsx", ".jsonl", ".parquet", ".csv.gz", ".zip"} <= set(reader.suffixes)

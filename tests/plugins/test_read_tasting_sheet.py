"""Reader ``tasting_sheet``: forms as panels fill them in, to one score a row, nothing lost on the way."""

import contextlib
import zipfile

import numpy as np
import openpyxl
import pytest
from pydantic import ValidationError

from tastefield.errors import ReadError, TastefieldError
from tastefield.records import Context
from tastefield.workflow import check
from tastefield_plugins.read_tasting_sheet import TastingSheetOptions, TastingSheetReader

LOG = "shot_id,machine,coffee,dose,out,time\nS1,A,house,18,36,27\nS2,A,house,18,40,30\nS3,A,house,18,33,25\n"
FORM = "Code,Taster,Liking,Acidity,Remarks\n417,ana,7,4,bright\n38,ana,6,,\n417,ben,5,3,\n905,ben,8,2,\n"
KEY = "code,shot_id\n417,S1\n038,S2\n"
TOML = """
[[source]]
path = "log.csv"
[[source]]
reader = "tasting_sheet"
path = "form*"
key = "key.csv"
"""


def bench(folder, toml=TOML, **files):
    for name, text in {"log__csv": LOG, "form__csv": FORM, "key__csv": KEY, **files}.items():
        path = folder / name.replace("__", ".")
        if isinstance(text, openpyxl.Workbook):
            text.save(path)
        else:
            path.write_text(text)
    (folder / "bench.toml").write_text(toml)
    return check(folder / "bench.toml")


def book(sheets):
    workbook = openpyxl.Workbook()
    workbook.remove(workbook.active)
    for title, rows in sheets.items():
        sheet = workbook.create_sheet(title)
        for row in rows:
            sheet.append(row)
    return workbook


def scored(records):
    frame = records.tables["scores"]
    columns = frame[["shot_id", "taster", "attribute", "score"]]
    return sorted(columns.itertuples(index=False, name=None))


def codes(records):
    return {finding.code: finding for finding in records.findings}


def test_a_column_an_attribute_becomes_a_row_a_score_and_codes_become_shots(tmp_path):
    records = bench(tmp_path)
    assert scored(records) == [
        ("S1", "ana", "acidity", 4.0),
        ("S1", "ana", "liking", 7.0),
        ("S1", "ben", "acidity", 3.0),
        ("S1", "ben", "liking", 5.0),
        ("S2", "ana", "liking", 6.0),
    ]
    assert '"Liking", "Acidity"' in codes(records)["attributes_understood"].message


def test_a_code_that_the_key_does_not_know_is_set_aside_whole_and_told(tmp_path):
    records = bench(tmp_path)
    aside = records.set_aside
    assert aside["reason"].tolist() == ["there is no shot 905 (code not in key.csv)"] * 2
    assert aside["do"].tolist() == ["give the code one shot in its key, or correct it on the sheet"] * 2
    assert all("taster=ben" in value for value in aside["value"])
    assert sorted(aside["row"]) == [5, 5]
    told = codes(records)["codes_not_resolved"]
    assert (told.severity, "905" in told.message) == ("warn", True)
    for count in records.counts:
        assert count.read == count.kept + count.set_aside
    assert sum(count.read for count in records.counts if count.table == "scores") == 7  # filled score cells


def test_a_code_never_joins_a_shot_that_happens_to_be_called_like_it(tmp_path):
    records = bench(tmp_path, key__csv="code,shot_id\n417,S1\n38,S2\n", log__csv=LOG + "905,A,house,18,36,27\n")
    assert "905" not in set(records.tables["scores"]["shot_id"])


def test_a_code_that_the_key_gives_two_shots_resolves_to_neither(tmp_path):
    records = bench(tmp_path, key__csv=KEY + "417,S3\n905,S3\n")
    assert set(records.tables["scores"]["shot_id"]) == {"S2", "S3"}
    assert set(records.set_aside["reason"]) == {"there is no shot 417 (code of several shots in key.csv)"}


def test_codes_used_again_are_told_apart_by_session(tmp_path):
    form = "Session,Code,Taster,Liking\nmon,1,ana,7\ntue,1,ana,3\n"
    records = bench(tmp_path, form__csv=form, key__csv="session,code,shot_id\nmon,1,S1\ntue,1,S2\n")
    assert scored(records) == [("S1", "ana", "liking", 7.0), ("S2", "ana", "liking", 3.0)]


def test_a_sheet_a_taster(tmp_path):
    form = book(
        {
            "ana": [["Cup", "Liking", "Body"], [417, 7, 5], ["038", "serve", 4]],
            "ben": [["Liking tonight", None], ["Cup", "Liking"], [417, 6]],
        }
    )
    toml = TOML.replace('path = "form*"', 'path = "form.xlsx"\ntaster = "sheet"')
    records = bench(tmp_path, toml, form__xlsx=form)
    assert [row[:3] for row in scored(records)] == [
        ("S1", "ana", "body"),
        ("S1", "ana", "liking"),
        ("S1", "ben", "liking"),
        ("S2", "ana", "body"),
        ("S2", "ana", "liking"),
    ]
    assert set(records.tables["scores"].loc[records.tables["scores"]["taster"] == "ben", "row"]) == {3}


def test_a_file_a_taster_without_codes(tmp_path):
    toml = '[[source]]\npath = "log.csv"\n[[source]]\nreader = "tasting_sheet"\npath = "t/*.csv"\ntaster = "file"\n'
    (tmp_path / "t").mkdir()
    (tmp_path / "t" / "ana.csv").write_text("shot id;Liking\nS1;7,5\nS2;6\n")
    (tmp_path / "t" / "ben.csv").write_text("shot id;Liking\nS1;6\n")
    records = bench(tmp_path, toml)
    assert scored(records) == [("S1", "ana", "liking", 7.5), ("S1", "ben", "liking", 6.0), ("S2", "ana", "liking", 6.0)]


def test_attributes_that_are_named_are_read_whatever_they_hold(tmp_path):
    toml = TOML + 'attributes = ["liking"]\n'
    form = FORM.replace("417,ana,7", "417,ana,lovely")
    records = bench(tmp_path, toml, form__csv=form)
    assert set(records.tables["scores"]["attribute"]) == {"liking"}
    assert any("lovely" in value for value in records.set_aside["value"])  # no score, so set aside; not lost


def test_a_row_that_scores_nothing_is_set_aside_not_lost(tmp_path):
    records = bench(tmp_path, form__csv=FORM + "417,chi,,,spat it out\n")
    lost = records.set_aside[records.set_aside["place"].str.endswith("without a score")]
    assert lost["row"].tolist() == [6]
    assert "taster=chi" in lost["value"].iloc[0]


@pytest.mark.parametrize(
    ("options", "form", "key", "why"),
    [
        ({}, FORM, "number,shot_id\n1,S1\n", "a column of codes"),
        ({}, FORM.replace("Code", "Number"), KEY, "no heading names the codes"),
        ({"attributes": ["Sweetness"]}, FORM, KEY, "none of the attributes"),
        ({}, "Code,Taster,Remarks\n417,ana,good\n", KEY, "nothing but scores"),
        ({}, "1,2\n3,4\n", KEY, "no row has two headings"),
        ({}, "Code,Liking,Liking\n417,1,2\n", KEY, "several columns"),
        ({}, "Code,Attribute,Score\n417,body,2\n", KEY, "a row a score already"),
        ({"taster": "file"}, FORM, KEY, "names tasters"),
        ({"taster": "sheet"}, FORM, KEY, "no sheets"),
        ({}, FORM.replace("Remarks", "shot id"), KEY, "names the shots already"),
        ({}, FORM, None, "No such file"),
        ({}, FORM, "", "empty"),
    ],
)
def test_what_cannot_be_read_is_refused_with_a_remedy(tmp_path, options, form, key, why):
    (tmp_path / "form.csv").write_text(form)
    if key is not None:
        (tmp_path / "key.csv").write_text(key)
    ctx = Context(TastingSheetOptions(key="key.csv", **options))
    with pytest.raises(ReadError) as refused:
        list(TastingSheetReader().read([tmp_path / "form.csv"], ctx))
    assert why in refused.value.why
    assert refused.value.do


@pytest.mark.parametrize("key", ["../key.csv", "/etc/key.csv", "a/../../key.csv", "..\\key.csv"])
def test_a_key_may_not_lie_outside_the_folder(key):
    with pytest.raises(ValidationError, match="in the folder"):
        TastingSheetOptions(key=key)


def test_a_vast_sheet_is_refused(tmp_path):
    form = book({"ana": [["Cup", "Liking"], [417, 7]]})
    form["ana"]["XFD900000"] = 1
    with pytest.raises(TastefieldError, match="filled as far as XFD900000"):
        bench(tmp_path, TOML.replace("form*", "form.xlsx"), form__xlsx=form)


def test_a_cell_too_long_for_any_spreadsheet_is_refused(tmp_path):
    """Written as XML, because libraries keep to the limit of 32767 characters."""
    book({"ana": [["Cup", "Liking"], ["mark", 7]]}).save(tmp_path / "short.xlsx")
    with zipfile.ZipFile(tmp_path / "short.xlsx") as short, zipfile.ZipFile(tmp_path / "form.xlsx", "w") as long:
        for part in short.namelist():
            long.writestr(part, short.read(part).replace(b"mark", b"x" * 100_001))
    with pytest.raises(ReadError, match="longer than 100000 characters"):
        list(TastingSheetReader().read([tmp_path / "form.xlsx"], Context(TastingSheetOptions())))


@pytest.mark.parametrize("seed", range(40))
def test_a_broken_workbook_is_refused_by_an_error_of_ours(tmp_path, seed):
    rng = np.random.default_rng(seed)
    path = tmp_path / "form.xlsx"
    book({"ana": [["Cup", "Liking"], *[[n, n % 9] for n in range(200)]]}).save(path)
    data = bytearray(path.read_bytes())
    for _ in range(int(rng.integers(1, 12))):
        data[int(rng.integers(0, len(data)))] = int(rng.integers(0, 256))
    path.write_bytes(bytes(data))
    with contextlib.suppress(ReadError):
        list(TastingSheetReader().read([path], Context(TastingSheetOptions(taster="sheet"))))


@pytest.mark.parametrize("seed", range(60))
def test_nothing_but_our_own_errors_comes_of_broken_forms(tmp_path, seed):
    rng = np.random.default_rng(seed)
    texts = {}
    for name, text in (("form__csv", FORM), ("key__csv", KEY)):
        data = bytearray(text.encode())
        for _ in range(int(rng.integers(0, 6))):
            at = int(rng.integers(0, len(data)))
            kind = int(rng.integers(0, 4))
            if kind == 0:
                data[at] = int(rng.integers(0, 128))
            elif kind == 1:
                del data[at : at + int(rng.integers(1, 9))]
            elif kind == 2:
                data[at:at] = data[at : at + int(rng.integers(1, 30))]
            else:
                data[at:at] = rng.choice([b'"', b"\n", b",", b";", b"nan", b"1e999", b"\x00", b"=1+1", b"\t"])
            data = data or bytearray(b"x")
        texts[name] = bytes(data).decode("ascii")
    with contextlib.suppress(TastefieldError):
        bench(tmp_path, **texts)

"""Workbooks that would not fit into memory are refused before a library opens them."""

from __future__ import annotations

import zipfile

import pytest

from tastefield.errors import ReadError
from tastefield.tables.book import open_book


def test_one_vast_part_is_refused_though_the_whole_packs_no_better_than_a_log(tmp_path, monkeypatch):
    monkeypatch.setattr("tastefield.tables.unpacked.MOST_OF_A_PART", 2_000_000)
    with zipfile.ZipFile(tmp_path / "log.xlsx", "w") as package:
        package.writestr("xl/sharedStrings.xml", "0" * 3_000_000)
    with pytest.raises(ReadError, match=r"its part xl/sharedStrings\.xml unpacks to more than 2 MB") as refused:
        open_book(tmp_path / "log.xlsx", "log.xlsx")
    assert refused.value.do

"""Plain text read column by column gives what reading each cell with care gives."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tastefield.tables import cells, plain, units
from tastefield.tables.cells import Reading, parse
from tastefield.tables.numbers import decimal_evidence
from tastefield.words.columns import column

NUMBERS = st.decimals(-5, 1200, places=3).map(str) | st.integers(0, 10**12).map(str) | st.just("18.2")
DAYS = (
    st.datetimes().map(lambda when: when.isoformat(" ", "seconds")) | st.dates().map(str) | st.just("2026-03-04 10:05")
)
ODD = st.sampled_from(
    [
        *(
            "",
            "-",
            "n/a",
            "~36",
            "27-28",
            ">40",
            "1,234",
            "1.234",
            "27,5",
            "18g",
            "0:27",
            "1e3",
            ".5",
            "5.",
            "007",
            "-0",
        ),
        *("2026-02-30", "2026-13-01", "2026-03-04T10", "2026-03-04 24:00", "2026-03-04 10:05Z", "0001-01-01", "4.3.26"),
        *(
            "2026-03-04 10+02",
            "20260304",
            "1949-12-31",
            "2200-12-31 23:59",
            "2201-01-01",
            "A  b",
            " a",
            "choked",
            "x" * 40,
        ),
    ]
)
COLUMNS = (
    "shot_id",
    "dose_g",
    "shot_time_s",
    "basket_g",
    "temp_set_c",
    "pulled_at",
    "roast_date",
    "notes",
    "grind_setting",
)


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    written=st.lists(NUMBERS | DAYS | ODD | st.none() | st.text(alphabet="0123456789.:- /aé", max_size=12), min_size=1),
    name=st.sampled_from(COLUMNS),
    reading=st.builds(
        Reading,
        st.sampled_from(["", ".", ",", "?"]),
        st.sampled_from(["", "g", "oz", "ml", "s", "h:min"]),
        st.booleans(),
    ),
)
def test_a_plain_column_reads_as_its_cells_do_one_by_one(written, name, reading):
    one = column("shots", name)
    if not (units.is_unit(one, reading.unit) or units.is_volume(one, reading.unit)):
        reading = Reading(reading.decimal, "", reading.day_first)
    objects = pd.Series(written, dtype=object, index=range(7, 7 + len(written)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cells, "LONG", 1)
        patch.setattr(cells, "MOST_DIFFERENT", 0.0)
        quick = parse(one, cells.compact(objects), reading)
    careful = parse(one, objects, reading)
    pd.testing.assert_series_equal(quick.values, careful.values)
    pd.testing.assert_frame_equal(quick.problems, careful.problems, check_dtype=False)
    assert quick.taken == careful.taken


@settings(max_examples=100, deadline=None)
@given(written=st.lists(st.text(alphabet=" ab~\x7f\té", max_size=5), max_size=8), cut=st.integers(0, 3))
@example(written=["a "], cut=0)
@example(written=["a", " a"], cut=0)
def test_ordinary_text_is_printable_ascii_with_single_spaces_inside(written, cut):
    text = pa.array(written, pa.large_string())[cut:]
    expected = all(cell.isascii() and cell.isprintable() and cell == " ".join(cell.split()) for cell in written[cut:])
    assert plain.is_ordinary(text) == expected


SHORT_AND_LONG = st.text(alphabet="s01 Z~", min_size=1, max_size=4) | st.builds(
    "{}{}".format, st.sampled_from(["", "s" * 7, "s" * 8, "x" * 63, "x" * 64, "x" * 200]), st.integers(0, 12)
)


@settings(max_examples=200, deadline=None)
@given(st.lists(SHORT_AND_LONG, max_size=12), st.integers(0, 2), st.booleans())
def test_whether_every_row_has_a_word_of_its_own_is_told_whatever_their_order(written, cut, unmarked):
    with pytest.MonkeyPatch.context() as patch:
        if unmarked:  # all words that begin alike share a mark
            patch.setattr(plain, "_MARKED_BYTES", 1)
            patch.setattr(plain, "_FIRST_BYTES", np.zeros(9, np.uint64))
        words = plain.as_words(pa.array(written, pa.large_string())[cut:], pd.RangeIndex(max(len(written) - cut, 0)))
        assert plain.each_once(words) == (len(set(written[cut:])) == len(written[cut:]))
        assert not plain.each_once(pd.concat([words, pd.Series([None], dtype=words.dtype)]))


def test_a_counter_has_each_word_once_and_one_that_starts_again_has_not(monkeypatch):
    counted = [f"s{at}" for at in range(1200)]
    monkeypatch.setattr(plain, "_marks", None)  # it is told by their order alone
    words = plain.as_words(pa.array(counted, pa.large_string()), pd.RangeIndex(len(counted)))
    assert plain.each_once(words)
    monkeypatch.undo()
    again = [*counted, "s7"]
    assert not plain.each_once(plain.as_words(pa.array(again, pa.large_string()), pd.RangeIndex(len(again))))


@given(
    st.lists(st.none() | st.sampled_from(["a", "b", "-", "c"]), max_size=8),
    st.sampled_from(
        [
            cells.is_filled,
            lambda cell: cell == "a",
            lambda cell: cell is None,
            lambda cell: bool(cell),
            lambda cell: True,
        ]
    ),
    st.booleans(),
)
def test_what_holds_of_a_column_holds_of_each_cell_however_the_column_is_kept(written, holds, spare):
    column_ = pd.Series(written, dtype=object)
    for kept in (column_, column_.astype(pd.CategoricalDtype(["a", "b", "-", "c", *(["d"] if spare else [])]))):
        assert cells.which(kept, holds).tolist() == [holds(cell) for cell in written]


@given(st.lists(st.text(alphabet="ab 0", max_size=3), max_size=8), st.integers(0, 3))
def test_the_ends_of_cells_are_their_first_and_last_byte(written, cut):
    first, last = plain.ends(pa.array(written, pa.large_string())[cut:])
    assert first.tolist() == [ord(cell[0]) if cell else 0 for cell in written[cut:]]
    assert last.tolist() == [ord(cell[-1]) if cell else 0 for cell in written[cut:]]


@given(st.text(alphabet="é- ", max_size=3), st.integers(0, 4))
def test_one_word_stands_in_every_row(word, rows):
    assert plain.repeated(word, pd.RangeIndex(rows)).tolist() == [word] * rows


@given(st.lists(st.text(alphabet="0123456789.,e- g", max_size=9)))
def test_shapes_prove_the_same_decimal_mark_as_the_cells(written):
    assert decimal_evidence(plain.shapes(pa.array(written, pa.large_string()))) == decimal_evidence(written)


def test_numbers_and_dates_are_those_of_numpy():
    text = pa.array(["27.5", "0.1", None, "x"], pa.large_string())
    np.testing.assert_array_equal(plain.numbers(text), [27.5, 0.1, np.nan, np.nan])
    days = plain.dates(pa.array(["2026-03-04", "2026-02-30", None, "2024-02-29 10:05:07"], pa.large_string()))
    np.testing.assert_array_equal(days, np.array(["2026-03-04", "NaT", "NaT", "2024-02-29T10:05:07"], "M8[us]"))

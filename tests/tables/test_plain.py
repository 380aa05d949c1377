"""Plain text read column by column gives what reading each cell with care gives."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
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
def test_ordinary_text_is_printable_ascii_with_single_spaces_inside(written, cut):
    text = pa.array(written, pa.large_string())[cut:]
    expected = all(cell.isascii() and cell.isprintable() and cell == " ".join(cell.split()) for cell in written[cut:])
    assert plain.is_ordinary(text) == expected


@given(st.lists(st.text(alphabet="0123456789.,e- g", max_size=9)))
def test_shapes_prove_the_same_decimal_mark_as_the_cells(written):
    assert decimal_evidence(plain.shapes(pa.array(written, pa.large_string()))) == decimal_evidence(written)


def test_numbers_and_dates_are_those_of_numpy():
    text = pa.array(["27.5", "0.1", None, "x"], pa.large_string())
    np.testing.assert_array_equal(plain.numbers(text), [27.5, 0.1, np.nan, np.nan])
    days = plain.dates(pa.array(["2026-03-04", "2026-02-30", None, "2024-02-29 10:05:07"], pa.large_string()))
    np.testing.assert_array_equal(days, np.array(["2026-03-04", "NaT", "NaT", "2024-02-29T10:05:07"], "M8[us]"))

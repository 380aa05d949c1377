"""Reconcile: nothing is lost, whatever the cells hold; only the impossible and the unreadable is set aside."""

import datetime as dt
import decimal
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tastefield.config import SourceConfig, TasteConfig
from tastefield.errors import PluginError
from tastefield.records import RawTable, SourceCount
from tastefield.stages.reconcile import reconcile
from tastefield.tables import account, aside, cells, judge, typed
from tastefield.tables.account import NotBalanced, check_account
from tastefield.tables.cells import LONG, PLAIN, compact
from tastefield.words.columns import PROVENANCE, SET_ASIDE, TABLES, names

SHOT = {"machine": "A", "coffee": "house", "dose_g": "18.0", "beverage_g": "36.4", "shot_time_s": "27"}


def sheet(*rows, table="shots", place="log.csv", together=False, start=2, headings=None):
    """A raw table of the given rows; cells a row does not name are empty."""
    columns = [name for name in names(table) if any(name in row for row in rows)]
    data = {name: [row.get(name) for row in rows] for name in columns}
    frame = pd.DataFrame(data, dtype=object, index=range(start, start + len(rows)))
    return RawTable(table, place, frame, 0, together, headings or {})


def shared(*rows, place="log.csv"):
    """One sheet of one row a shot, cut into its shots, readings and scores as reading does."""
    frames = [sheet(*rows, place=place, together=True)]
    for table in ("readings", "scores"):
        own = [name for name in names(table) if name not in names("shots")]
        if any(name in row for row in rows for name in own):
            frames.append(sheet(*rows, table=table, place=place, together=True))
    return frames


def run(*raw, taste=None, **source):
    return reconcile(list(raw), [SourceConfig(**source)], taste or TasteConfig(scale=(1, 9), good=6.5))


def told(records, column=""):
    return records.set_aside[records.set_aside["column"] == column]


def codes(records):
    return {finding.code for finding in records.findings}


# --- nothing is lost -------------------------------------------------------------------------------------------------

CELLS = st.one_of(
    st.none(),
    st.just(float("nan")),
    st.just(pd.NaT),
    st.just(pd.NA),
    st.booleans(),
    st.integers(),
    st.just(10**400),
    st.floats(),
    st.text(max_size=12),
    st.text(alphabet="0123456789.,:-+ gsozF%/'\"", max_size=8),
    st.sampled_from(["18", "18.2g", "27s", "0:27", "27,5", "1,234", "choked", "gusher", "choked at 45 s"]),
    st.sampled_from(["serve", "sour", "7 sour", "7/10", "sour, bitter", "total", "-", "n/a", "A", "B"]),
    st.sampled_from(["\ud800", "02-Apr", "=cmd", "<script>", "\x00", "2026-03-01", "yes"]),
    st.datetimes(),
    st.datetimes(timezones=st.just(dt.UTC)),
    st.dates(),
    st.times(),
    st.timedeltas(),
    st.decimals(allow_nan=True, allow_infinity=True),
    st.lists(st.sampled_from(["sour", "bitter"]), max_size=2),
    st.dictionaries(st.sampled_from("ab"), st.integers(), max_size=1),
    st.binary(max_size=4),
    st.complex_numbers(max_magnitude=9),
    st.sampled_from([np.float32(18), np.int64(7), np.bool_(True), np.datetime64("2026-03-01"), np.datetime64("NaT")]),
)
LIKELY = {
    "shot_id": st.sampled_from(["1", "2", "3", " 1", None, 1, 2.0]),
    "machine": st.sampled_from(["A", "B", None]),
    "coffee": st.sampled_from(["house", None]),
    "dose_g": st.sampled_from(["18", 18.2, "18,1 g", 0, "x", None]),
    "tds_pct": st.sampled_from(["8.9", 31, None, None]),
    "score": st.sampled_from(["7", "sour", "choked", None, None, 12]),
    "taster": st.sampled_from(["me", "Me", None]),
    "t_s": st.sampled_from([0, 1, 2]),
    "mass_g": st.sampled_from([0.1, 3]),
}


@st.composite
def raw_tables(draw, everything=CELLS):
    """Mangled tables from one or two places; a place may hold several tables in one row each."""
    raw = []
    for place in draw(st.sampled_from([["log.csv"], ["log.csv", "more.csv"]])):
        together = draw(st.booleans())
        choices = ["shots", "readings", "scores"] if together else list(TABLES)
        tables = draw(st.lists(st.sampled_from(choices), min_size=1, max_size=3, unique=True))
        size = draw(st.integers(0, 6))
        index = draw(st.permutations(range(2, 2 + size)))
        made: dict[str, list[object]] = {}
        for table in tables:
            chosen = draw(st.lists(st.sampled_from(names(table)), unique=True, max_size=7))
            required = [one.name for one in TABLES[table] if one.required] if draw(st.booleans()) else []
            for name in {**dict.fromkeys(chosen), **dict.fromkeys(required)}:
                if name not in made:
                    likely = LIKELY[name] if name in LIKELY and everything is CELLS else everything
                    kind = st.one_of(likely, everything)
                    made[name] = draw(st.lists(kind, min_size=size, max_size=size))
        for table in tables:  # tables of one sheet share its columns
            columns = [name for name in names(table) if name in made]
            frame = pd.DataFrame({name: pd.Series(made[name], dtype=object) for name in columns})
            frame = frame.reindex(range(size)).set_axis(pd.Index(index, dtype="int64"))
            raw.append(RawTable(table, place, frame.astype(object), 0, together and len(tables) > 1))
    return raw


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(raw_tables(), st.sampled_from([None, (1.0, 9.0)]), st.sampled_from(["auto", ",", "."]))
def test_whatever_the_cells_hold_every_row_and_cell_is_kept_or_set_aside(raw, scale, decimal_mark):
    records = run(*raw, taste=TasteConfig(scale=scale), decimal=decimal_mark)
    for count in records.counts:
        assert count.read == count.kept + count.set_aside
        assert count.cells_read == count.cells_kept + count.cells_set_aside
    for table, columns in TABLES.items():
        frame = records.tables[table]
        assert list(frame.columns) == [*(one.name for one in columns), *PROVENANCE]
        assert sum(count.kept for count in records.counts if count.table == table) == len(frame)
        for one in columns:
            assert one.kind == "boolean" or frame[one.name].dtype.kind in {"text": "OU", "category": "OU"}.get(
                one.kind, "fM"
            )
    assert list(records.set_aside.columns) == list(SET_ASIDE)
    told = records.set_aside
    assert (told["reason"] != "").all()
    assert (told["do"] != "").all()
    assert set(told["place"]) <= {one.place for one in raw}
    assert (told.loc[told["column"] != "", "value"] != "").all()
    assert not told.duplicated(["place", "table", "row", "column"]).any()
    if scale is None:
        assert not told["reason"].str.contains("outside the scale").any()


WRITTEN = st.one_of(
    st.none(),
    st.text(alphabet="0123456789.,:-+~> gsozF%/'\"", max_size=8),
    st.sampled_from(["18", "27s", "0:27", "27,5", "~36", "27-28", "18/36/27", "1:2", "to taste", ">40", "0.6 oz"]),
    st.sampled_from(
        ["choked", "choked at 45 s", "7 sour", "7/10", "total", "-", "n/a", "A", "a", "A  b", " A b", "Zoë"]
    ),
    st.sampled_from(["2026-03-01", "2026-03-01 10:05", "2026-03-01T10:05:07", "1.3.2026", "2026-13-01", "0001-01-01"]),
)


@pytest.mark.slow
@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(raw_tables(WRITTEN), st.sampled_from([0.0, 0.6, 1.0]))
def test_columns_held_by_their_different_cells_or_as_plain_text_give_the_same_records(raw, most_different):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cells, "LONG", 1)
        patch.setattr(cells, "MOST_DIFFERENT", most_different)
        held = [replace(one, rows=one.rows.apply(cells.compact) if one.rows.shape[1] else one.rows) for one in raw]
        found = run(*held)
    expected = run(*raw)
    for table in TABLES:
        pd.testing.assert_frame_equal(found.tables[table], expected.tables[table])
    pd.testing.assert_frame_equal(found.set_aside, expected.set_aside)
    assert (found.counts, found.findings, found.columns) == (expected.counts, expected.findings, expected.columns)


def test_a_column_is_held_as_categories_as_plain_text_or_as_it_is(monkeypatch):
    monkeypatch.setattr(cells, "LONG", 3)
    for column, kind in (
        (["a", "a", "a", None], "category"),
        (["a b", "c", "d", None], cells.PLAIN),
        (["a  b", "c", "d"], object),
        (["-", "c", "d"], cells.PLAIN),
        (["", "c", "d"], cells.PLAIN),
        (["c", " d", "e"], object),
        (["c", "d\t", "e"], object),
        (["é", "c", "d"], object),
        (["a", "a", 1], object),
        (["a", "b"], object),
    ):
        assert cells.compact(pd.Series(column, dtype=object)).dtype == kind


DIRTY = [
    {**SHOT, "taster": "me", "score": "7", "tds_pct": "8.9"},
    {**SHOT, "taster": "me", "score": "12", "dose_g": "18.1"},
    {**SHOT, "dose_g": "0", "score": "6"},
    {**SHOT, "shot_time_s": "soon", "notes": "long one", "score": "5", "taster": "you"},
]


def test_a_reconcile_that_drops_a_row_is_caught(monkeypatch):
    whole = judge.stacked
    monkeypatch.setattr(judge, "stacked", lambda table, parts: whole(table, parts).iloc[:-1])
    with pytest.raises(NotBalanced, match=r"log\.csv"):
        run(*shared(*DIRTY))


def test_a_reconcile_that_drops_one_cell_is_caught(monkeypatch):
    whole = typed.read

    def lossy(*args):
        part = whole(*args)
        if "notes" in part.frame:
            part.frame["notes"] = part.frame["notes"].where(part.frame["notes"] != "long one")
        return part

    monkeypatch.setattr(typed, "read", lossy)
    with pytest.raises(NotBalanced, match="shots"):
        run(*shared(*DIRTY))


def test_a_reconcile_that_forgets_why_is_caught(monkeypatch):
    whole = aside.in_order
    monkeypatch.setattr(aside, "in_order", lambda pieces, raw: whole(pieces, raw).iloc[1:])
    with pytest.raises(NotBalanced):
        run(*shared(*DIRTY))


def test_a_row_kept_and_set_aside_at_once_is_caught():
    raw = shared(*DIRTY)
    records = run(*raw)
    shots = pd.concat([records.tables["shots"], records.tables["shots"].iloc[:1].assign(row=4)], ignore_index=True)
    tables = {**records.tables, "shots": shots}
    counts = tuple(SourceCount(*count) for count in account.tally(raw, tables, records.set_aside))
    with pytest.raises(NotBalanced, match=r"read=4, kept=4, set_aside=1"):
        check_account(raw, _with(records, tables=tables, counts=counts))


def test_counts_that_are_not_what_is_there_are_caught():
    raw = shared(*DIRTY)
    records = run(*raw)
    with pytest.raises(NotBalanced, match="differ"):
        check_account(raw, _with(records, counts=records.counts[:-1]))


def test_a_row_from_nowhere_is_caught():
    raw = [sheet(SHOT)]
    records = run(*raw)
    shots = pd.concat([records.tables["shots"], records.tables["shots"].assign(place="elsewhere.csv")])
    with pytest.raises(NotBalanced, match="nobody read"):
        check_account(raw, _with(records, tables={**records.tables, "shots": shots}))


def _with(records, **changes):
    from dataclasses import replace

    return replace(records, **changes)


def test_a_clean_log_sets_nothing_aside():
    records = run(*shared({**SHOT, "score": "7", "taster": "me", "tds_pct": "8.9"}))
    assert records.set_aside.empty
    assert {(count.table, count.read, count.kept) for count in records.counts} == {
        ("shots", 1, 1),
        ("readings", 1, 1),
        ("scores", 1, 1),
    }
    assert codes(records) == set()


def test_no_tables_at_all_give_empty_typed_tables():
    records = run()
    assert {table: len(frame) for table, frame in records.tables.items()} == dict.fromkeys(TABLES, 0)
    assert records.tables["shots"]["dose_g"].dtype == "float64"
    assert records.tables["shots"]["pulled_at"].dtype.kind == "M"
    assert records.counts == ()


def test_two_rows_with_one_number_are_the_readers_fault():
    raw = sheet(SHOT, SHOT)
    raw.rows.index = pd.Index([5, 5])
    with pytest.raises(PluginError, match="same number"):
        run(raw)


# --- rows ------------------------------------------------------------------------------------------------------------


def test_a_choked_shot_without_weight_or_time_is_kept():
    records = run(sheet({**SHOT, "beverage_g": None, "shot_time_s": None, "outcome": "Choked "}))
    assert records.tables["shots"]["outcome"].tolist() == ["choked"]
    assert records.set_aside.empty


def test_a_shot_without_weight_time_taste_or_outcome_stays():
    records = run(*shared({"machine": "A", "coffee": "house", "dose_g": 18}, {**SHOT, "score": "7"}))
    assert len(records.tables["shots"]) == 2
    assert len(records.tables["scores"]) == 1
    assert records.set_aside.empty


def test_a_dose_of_nothing_sets_its_shot_aside_and_its_score_with_it():
    records = run(*shared({**SHOT, "dose_g": "0", "score": "7", "taster": "me"}))
    rows = told(records)
    assert rows["table"].tolist() == ["shots", "scores"]
    assert "0 g is impossible" in rows["reason"].iloc[0]
    assert "dose_g=0" in rows["value"].iloc[0]
    assert rows["reason"].iloc[1] == "its shot was set aside"
    assert rows["do"].iloc[1] == "mend row 2 of log.csv"


def test_every_fault_of_a_row_is_told_at_once():
    records = run(sheet({"dose_g": "lots", "beverage_g": "36"}))
    (reason,) = told(records)["reason"]
    assert "dose holds lots: it is not a number" in reason
    assert "there is no machine and no coffee" in reason
    assert 'fill_down = ["machine", "coffee"]' in told(records)["do"].iloc[0]


def test_a_bad_cell_sets_aside_the_cell_and_its_shot_stays():
    records = run(sheet({**SHOT, "shot_time_s": "soon"}))
    (cell,) = records.set_aside.to_dict("records")
    assert (cell["place"], cell["table"], cell["row"], cell["column"], cell["value"]) == (
        "log.csv",
        "shots",
        2,
        "shot_time_s",
        "soon",
    )
    assert cell["reason"] == "it is not a number"
    assert cell["do"].startswith("write a plain number in s")
    assert len(records.tables["shots"]) == 1
    assert "cells_set_aside" in codes(records)


def test_unusual_shots_stay():
    long = {**SHOT, "shot_time_s": "180", "beverage_g": "120", "dose_g": "7"}
    assert run(sheet(long)).set_aside.empty


def test_a_reading_outside_what_can_dissolve_is_set_aside():
    records = run(*shared({**SHOT, "tds_pct": "31"}, {**SHOT, "tds_pct": "16"}, {**SHOT, "tds_pct": "14.8"}))
    reasons = told(records)["reason"].tolist()
    assert "31 % is impossible" in reasons[0]
    assert reasons[1] == "by it 32.4 % of the dry coffee would be in the cup"  # 16 x 36.4 / 18
    assert records.tables["readings"]["tds_pct"].tolist() == [14.8]
    assert len(records.tables["shots"]) == 3


def test_of_two_shots_of_one_name_the_first_is_kept():
    records = run(sheet({**SHOT, "shot_id": "S1"}, {**SHOT, "shot_id": " S1 ", "dose_g": "19"}))
    assert records.tables["shots"]["dose_g"].tolist() == [18.0]
    assert told(records)["reason"].tolist() == ["row 2 of log.csv has the same shot_id"]


def test_the_first_shot_of_a_name_that_can_be_kept_is_kept():
    records = run(sheet({**SHOT, "shot_id": "S1", "dose_g": "-1"}, {**SHOT, "shot_id": "S1"}))
    assert records.tables["shots"]["row"].tolist() == [3]


def test_a_score_of_an_unknown_shot_is_set_aside_with_the_name():
    scores = sheet({"shot_id": "S9", "score": 7}, table="scores", place="scores.csv")
    records = run(sheet({**SHOT, "shot_id": "S1"}), scores)
    assert told(records)["reason"].tolist() == ["there is no shot S9"]


def test_numbers_and_words_join_as_shot_names():
    scores = sheet({"shot_id": 12.0, "score": 7}, table="scores", place="scores.csv")
    records = run(sheet({**SHOT, "shot_id": "12"}), scores)
    assert records.tables["scores"]["shot_id"].tolist() == ["12"]


def test_of_the_same_taster_on_the_same_cup_the_first_score_is_kept():
    scores = sheet(
        {"shot_id": "S1", "taster": "Ann", "score": 7},
        {"shot_id": "S1", "taster": "Ann", "score": 3},
        {"shot_id": "S1", "taster": "Ann", "score": 4, "serving_order": 2},
        table="scores",
        place="scores.csv",
    )
    records = run(sheet({**SHOT, "shot_id": "S1"}), scores)
    assert records.tables["scores"]["score"].tolist() == [7.0, 4.0]
    assert "serving_order" in told(records)["do"].iloc[0]


def test_replicate_readings_without_numbers_are_numbered():
    readings = sheet(
        {"shot_id": "S1", "tds_pct": 8.9},
        {"shot_id": "S1", "tds_pct": 8.9},
        {"shot_id": "S1", "tds_pct": 9.0, "reading_no": 4},
        table="readings",
        place="readings.csv",
    )
    records = run(sheet({**SHOT, "shot_id": "S1"}), readings)
    assert records.tables["readings"]["reading_no"].tolist() == [5.0, 6.0, 4.0]
    assert records.set_aside.empty


def test_a_row_of_sums_is_named_as_one():
    total = {"machine": "Total", "dose_g": 90, "beverage_g": 180}
    records = run(sheet(SHOT, total))
    assert told(records)["reason"].tolist() == ["it looks like a sum of other rows"]


def test_a_score_outside_its_configured_scale_is_set_aside_and_its_shot_stays():
    records = run(*shared({**SHOT, "score": "10"}))
    assert told(records)["reason"].tolist() == ["score holds 10: 10 lies outside the scale of 1 to 9"]
    assert len(records.tables["shots"]) == 1


def test_the_scale_binds_only_the_modelled_attribute():
    scores = sheet(
        {"shot_id": "S1", "score": 7, "attribute": "Liking"},
        {"shot_id": "S1", "score": 40, "attribute": "sweetness"},
        table="scores",
        place="scores.csv",
    )
    records = run(sheet({**SHOT, "shot_id": "S1"}), scores)
    assert records.tables["scores"]["attribute"].tolist() == ["liking", "sweetness"]
    assert records.set_aside.empty


@pytest.mark.parametrize(
    "name", ["=cmd|' /C calc'!A0", "../../x", "<script>alert(1)</script>", "CON", "A/B", "Ünïcode ☕"]
)
def test_strange_names_are_plain_text(name):
    records = run(*shared({**SHOT, "machine": name, "coffee": name, "taster": name, "score": 7}))
    assert records.tables["shots"]["machine"].tolist() == [name]
    assert records.tables["scores"]["taster"].tolist() == [name]


# --- several tables in one row ---------------------------------------------------------------------------------------


def test_a_sheet_of_shots_and_scores_makes_the_name_of_the_shot_from_place_and_row():
    records = run(*shared({**SHOT, "score": "7"}, SHOT))
    assert records.tables["shots"]["shot_id"].tolist() == ["log.csv#2", "log.csv#3"]
    assert records.tables["scores"]["shot_id"].tolist() == ["log.csv#2"]
    assert records.tables["scores"]["taster"].tolist() == ["unnamed taster"]


def test_a_shot_in_one_row_for_each_taster_is_taken_once():
    first = {**SHOT, "shot_id": "S1", "taster": "Ann", "score": "7", "tds_pct": "8.9", "notes": "sweet"}
    second = {"shot_id": "S1", "taster": "Ben", "score": "6", "tds_pct": "8.9", "notes": "long", "operator": "Cy"}
    third = {**SHOT, "shot_id": "S1", "taster": "Cy", "score": "5", "tds_pct": "9.1", "dose_g": "18.00 g"}
    records = run(*shared(first, second, third))
    shots, counts = records.tables["shots"], {count.table: count for count in records.counts}
    assert shots[["shot_id", "operator", "notes"]].values.tolist() == [["S1", "Cy", "sweet; long"]]
    assert records.tables["scores"]["taster"].tolist() == ["Ann", "Ben", "Cy"]
    assert records.tables["readings"]["tds_pct"].tolist() == [8.9, 9.1]  # 8.9 told twice is one reading
    assert (counts["shots"].read, counts["readings"].read, counts["scores"].read) == (1, 2, 3)
    assert records.set_aside.empty


def test_rows_of_one_shot_that_disagree_keep_the_first_and_tell_the_other():
    records = run(
        *shared(
            {**SHOT, "shot_id": "S1", "taster": "Ann", "score": "7"},
            {**SHOT, "shot_id": "S1", "taster": "Ben", "score": "6", "beverage_g": "30"},
        )
    )
    assert records.tables["shots"]["beverage_g"].tolist() == [36.4]
    (cell,) = told(records, "beverage_g").to_dict("records")
    assert (cell["row"], cell["value"], cell["reason"]) == (3, "30", "an earlier row of this shot says 36.4")
    assert len(records.tables["scores"]) == 2


def test_shot_numbers_that_start_again_on_another_machine_never_lend_a_score_to_the_wrong_shot():
    records = run(
        *shared(
            {**SHOT, "shot_id": "1", "score": "7"},
            {**SHOT, "shot_id": "1", "machine": "B", "score": "2"},
        )
    )
    assert records.tables["scores"]["score"].tolist() == [7.0]
    assert set(told(records)["row"]) == {3}
    assert "has the same shot_id" in told(records)["reason"].iloc[0]


def test_a_taster_named_on_a_shot_nobody_scored_is_told_and_makes_no_score():
    records = run(*shared({**SHOT, "taster": "me"}, {**SHOT, "taster": "me", "score": 7}))
    assert len(records.tables["scores"]) == 1
    assert told(records, "taster")["reason"].tolist() == ["its row has no score"]
    assert "described_not_measured" in codes(records)
    assert "cells_set_aside" not in codes(records)


# --- words for outcome and taste -------------------------------------------------------------------------------------


@pytest.mark.parametrize("column", ["shot_time_s", "beverage_g", "score"])
def test_a_choke_written_where_a_number_belongs_is_the_outcome(column):
    records = run(*shared({**SHOT, "score": None, column: "Choked!"}))
    assert records.tables["shots"]["outcome"].tolist() == ["choked"]
    assert records.tables["scores"].empty
    assert records.set_aside.empty
    assert "outcome_from_words" in codes(records)


def test_a_choke_written_as_taste_goes_the_way_of_its_shot():
    records = run(*shared({**SHOT, "dose_g": "0", "score": "choked", "shot_time_s": "27"}))
    assert told(records, "score")["reason"].tolist() == ["its shot was set aside"]


def test_a_choke_with_the_time_it_was_stopped_keeps_both():
    shots = run(sheet({**SHOT, "shot_time_s": "choked at 45s"})).tables["shots"]
    assert shots[["outcome", "shot_time_s"]].values.tolist() == [["choked", 45.0]]


def test_an_outcome_word_that_contradicts_the_outcome_column_is_set_aside():
    records = run(*shared({**SHOT, "outcome": "ok", "shot_time_s": "gusher", "score": "choked"}))
    assert records.tables["shots"]["outcome"].tolist() == ["ok"]
    assert set(records.set_aside["column"]) == {"shot_time_s", "score"}
    assert set(records.set_aside["reason"]) == {"the outcome column says otherwise"}


def test_words_and_numbers_become_scores():
    said = ["serve", "Nearly ", "no", "sour", "sour, bitter", "sour/harsh", "7 sour", "serve, a bit sour", 6, "7,5"]
    records = run(*shared(*({**SHOT, "score": one} for one in said)))
    words = records.taste.words
    assert records.tables["scores"]["score"].tolist() == [
        words["serve"],
        words["nearly"],
        words["no"],
        words["sour"],
        min(words["sour"], words["bitter"]),
        words["harsh"],
        7.0,
        words["serve"],
        6.0,
        7.5,
    ]
    assert words["serve"] >= records.taste.good > words["nearly"]


def test_words_of_ones_own_count():
    taste = TasteConfig(scale=(1, 9), good=6.5, words={"Lovely": 8.5, "sour": 2})
    records = run(*shared({**SHOT, "score": "lovely"}, {**SHOT, "score": "sour"}), taste=taste)
    assert records.tables["scores"]["score"].tolist() == [8.5, 2.0]


def test_a_word_nobody_knows_sets_the_score_aside_and_names_the_known_ones():
    records = run(*shared({**SHOT, "score": "nealry"}))
    (row,) = told(records).to_dict("records")
    assert "nealry" in row["reason"]
    assert "serve, nearly, no, sour" in row["do"]


@pytest.mark.parametrize(
    ("said", "scale"),
    [
        (["sour", "serve"], (1, 9)),
        ([7, 6], (1, 9)),
        ([3, 5, 2], (1, 5)),
        ([0, 7], (0, 10)),
        ([10, 7], (1, 10)),
        ([85, 60], (0, 100)),
        (["7/10", "6/10"], (1, 10)),
        ([-3, 200], (-3, 200)),
    ],
)
def test_the_scale_is_inferred_shown_and_sets_nothing_aside(said, scale):
    records = run(*shared(*({**SHOT, "score": one} for one in said)), taste=TasteConfig())
    assert records.taste.scale == scale
    assert records.taste.good == pytest.approx(scale[0] + 0.7 * (scale[1] - scale[0]))
    assert records.taste.inferred
    assert "scale_inferred" in codes(records)
    assert records.set_aside.empty


def test_a_score_between_two_is_their_middle_and_told():
    records = run(*shared({**SHOT, "score": "6-7"}))
    assert records.tables["scores"]["score"].tolist() == [6.5]
    assert "cells_range" in codes(records)


def test_three_numbers_in_a_score_are_told():
    records = run(*shared({**SHOT, "score": "6, 7 and 8"}))
    assert "several numbers" in told(records)["reason"].iloc[0]


# --- cells as people write them --------------------------------------------------------------------------------------


def only(records, code):
    (finding,) = [one for one in records.findings if one.code == code]
    return finding


def test_in_out_and_time_in_one_cell_are_read_and_told_where_the_row_has_none_of_its_own():
    plain = {"machine": "A", "coffee": "house"}
    combined = {**plain, "dose_g": "18.2 g / 36 g / 27 s"}
    records = run(sheet({**plain, "dose_g": "18/36/27"}, combined, SHOT, {**SHOT, "dose_g": "18/40/30"}))
    shots = records.tables["shots"]
    read = shots[["dose_g", "beverage_g", "shot_time_s"]].to_numpy().tolist()
    assert read == [[18.0, 36.0, 27.0], [18.2, 36.0, 27.0], [18.0, 36.4, 27.0]]
    assert "several numbers" in told(records)["reason"].iloc[0]  # the row that has an out and a time beside them
    finding = only(records, "cells_combined")
    assert finding.severity == "warn"
    assert "18/36/27 in row 2" in finding.message


def test_a_ratio_is_a_target_and_never_a_weight():
    records = run(sheet({**SHOT, "target_beverage_g": "1:2"}, {**SHOT, "beverage_g": "1:2", "shot_time_s": "1:2"}))
    assert records.tables["shots"]["target_beverage_g"].tolist()[0] == 36.0
    asked = told(records, "beverage_g")
    assert asked["reason"].tolist() == ["it is a ratio, 1:2, not a weight"]
    assert told(records, "shot_time_s")["reason"].tolist() == ["it is a ratio, 1:2, not a time"]


def test_numbers_their_owner_was_not_sure_of_are_kept_and_told():
    records = run(sheet({**SHOT, "beverage_g": "~36", "shot_time_s": "27-28"}, {**SHOT, "beverage_g": "36ish"}))
    assert records.tables["shots"]["beverage_g"].tolist() == [36.0, 36.0]
    assert records.tables["shots"]["shot_time_s"].tolist() == [27.5, 27.0]
    assert "~36 in row 2, taken as the number they name: 2" in only(records, "cells_about").message
    assert "27-28 in row 2" in only(records, "cells_range").message
    assert records.set_aside.empty


def test_cells_that_say_nobody_measured_are_a_note_and_a_bound_is_a_warning():
    records = run(sheet({**SHOT, "beverage_g": "to taste", "shot_time_s": ">40"}))
    assert only(records, "cells_not_measured").severity == "note"
    bound = only(records, "cells_set_aside")
    assert bound.severity == "warn"
    assert "it says only that it was more than 40" in bound.message
    assert "choked" in bound.do


def test_converted_cells_and_columns_are_told_with_what_was_written():
    raw = sheet({**SHOT, "dose_g": "0.64 oz", "temp_set_c": "200"}, headings={"temp_set_c": "Temp (F)"})
    records = run(raw)
    assert records.tables["shots"]["dose_g"].tolist() == pytest.approx([18.1437], abs=1e-4)
    assert "0.64 oz in row 2, converted to g" in only(records, "cells_converted").message
    assert "Temp (F) is in F and was converted to C" in only(records, "units_converted").message


def test_what_is_set_aside_says_the_unit_its_column_was_written_in():
    headings = {"shot_time_s": "shot_time_s (ms)", "dose_g": "dose_g"}
    late, whole = {**SHOT, "shot_time_s": "900000"}, {**SHOT, "shot_time_s": "27000", "dose_g": ""}
    records = run(sheet(SHOT | {"shot_time_s": "27000"}, late, whole, headings=headings))
    assert records.tables["shots"]["shot_time_s"].tolist()[0] == 27.0
    cell = told(records, "shot_time_s").iloc[0]
    assert cell["value"] == "900000"
    assert cell["reason"].endswith('; it stands under "shot_time_s (ms)", in ms')
    (row,) = told(records)["value"]
    assert "shot_time_s (ms)=27000" in row


@pytest.mark.parametrize(
    ("heading", "units", "shown"),
    [("shot_time_ms", {}, "; shot_time_ms=27000"), ("Secs", {"shot_time_s": "ms"}, "; Secs (ms)=27000")],
)
def test_a_row_set_aside_shows_a_cell_in_another_unit_under_its_heading_as_it_stands(heading, units, shown):
    without_dose = sheet({**SHOT, "shot_time_s": "27000", "dose_g": ""}, headings={"shot_time_s": heading})
    (row,) = told(run(without_dose, units=units))["value"]
    assert shown in row


def test_bare_ounces_among_grams_are_asked_about_and_those_that_say_so_are_converted():
    rows = [SHOT, {**SHOT, "dose_g": "18.4"}, {**SHOT, "dose_g": "0.64"}, {**SHOT, "dose_g": "0.64 oz"}]
    records = run(sheet(*rows))
    assert records.tables["shots"]["dose_g"].tolist() == pytest.approx([18.0, 18.4, 18.1437], abs=1e-4)
    assert "ounces" in told(records)["reason"].iloc[0]
    alone = run(sheet({**SHOT, "dose_g": "0.64"}))  # nothing beside it says that weights are in grams
    assert alone.tables["shots"]["dose_g"].tolist() == [0.64]


@pytest.mark.parametrize(("cell", "said"), [("36 ml", "36 ml"), (36, "36 mL"), ("36", "36 mL")])
def test_a_volume_never_becomes_a_weight_even_under_a_heading_that_was_configured(cell, said):
    records = run(sheet({**SHOT, "beverage_g": cell}, headings={"beverage_g": "Out (mL)"}))
    assert records.tables["shots"]["beverage_g"].isna().all()
    assert told(records, "beverage_g")["reason"].tolist() == [f"it is a volume, {said}, not a weight"]


def test_a_weight_that_names_grams_under_a_heading_of_volume_is_a_weight():
    records = run(sheet({**SHOT, "beverage_g": "36 g"}, headings={"beverage_g": "Out (ml)"}))
    assert records.tables["shots"]["beverage_g"].tolist() == [36.0]


def test_times_of_several_zones_are_told_and_keep_the_clock_on_the_wall():
    stamps = ("2026-03-04T10:05Z", "2026-03-04 11:05+01:00", "2026-03-04 12:05")
    records = run(sheet(*({**SHOT, "shot_id": stamp, "pulled_at": stamp} for stamp in stamps)))
    assert records.tables["shots"]["pulled_at"].dt.hour.tolist() == [10, 11, 12]
    assert "+00:00, +01:00, none" in only(records, "zones_mixed").message
    assert "zones_mixed" not in codes(run(sheet({**SHOT, "pulled_at": stamps[0]})))


def test_times_of_several_zones_are_told_in_a_long_column_read_at_once_too():
    stamps = pd.date_range("2026-01-01", periods=LONG, freq="37min").strftime("%Y-%m-%d %H:%M")
    shots = [{**SHOT, "shot_id": f"s{at}", "pulled_at": stamp} for at, stamp in enumerate(stamps)]

    def ingested(*rows):  # as ingest hands a long column on
        raw = sheet(*rows)
        return replace(raw, rows=raw.rows.assign(pulled_at=compact(raw.rows["pulled_at"])))

    assert ingested(*shots).rows["pulled_at"].dtype == PLAIN
    assert "zones_mixed" not in codes(run(ingested(*shots)))
    shots[7]["pulled_at"] = "2026-03-04T10:05-05:00"
    assert "-05:00, none" in only(run(ingested(*shots)), "zones_mixed").message
    shots[9]["pulled_at"] = "yesterday"
    records = run(ingested(*shots))
    assert "-05:00, none" in only(records, "zones_mixed").message
    assert told(records, "pulled_at")["row"].tolist() == [11]


@pytest.mark.parametrize(
    ("column", "heading", "cell", "words"),
    [
        ("tds_pct", "TDS (fraction)", "0.091", "in fractions of 1 and"),
        ("shot_time_s", "Time (day)", "0.0003125", "in fractions of a day and"),
        ("dose_g", "In (oz)", "0.64", "in oz and"),
    ],
)
def test_a_unit_that_was_converted_is_named_so_that_it_can_be_said(column, heading, cell, words):
    table = "readings" if column == "tds_pct" else "shots"
    raw = sheet({**SHOT, "shot_id": "a", column: cell}, table=table, headings={column: heading})
    records = run(sheet({**SHOT, "shot_id": "a"}, place="other.csv"), raw)
    assert f"The column {heading} is {words}" in only(records, "units_converted").message


# --- source settings -------------------------------------------------------------------------------------------------


def test_the_clock_of_the_source_fills_rows_that_name_none():
    shots = run(sheet(SHOT, {**SHOT, "clock": "pump"}), clock="first_drip").tables["shots"]
    assert shots["clock"].tolist() == ["first_drip", "pump"]


def test_units_come_from_the_cell_then_the_source_then_the_heading():
    raw = sheet(SHOT | {"dose_g": "18 g"}, SHOT | {"dose_g": "0.65"}, headings={"dose_g": "In (lb)"})
    assert run(raw, units={"dose_g": "oz"}).tables["shots"]["dose_g"].tolist() == pytest.approx([18, 18.427], abs=1e-3)
    assert run(raw).tables["shots"]["dose_g"].iloc[0] == 18.0
    only = sheet(SHOT | {"dose_g": "0.04"}, headings={"dose_g": "In (lb)"})
    assert run(only).tables["shots"]["dose_g"].tolist() == pytest.approx([18.144], abs=1e-3)


def test_the_owners_answer_turns_spreadsheet_times_into_seconds():
    raw = sheet({**SHOT, "shot_time_s": dt.time(0, 27)}, {**SHOT, "shot_time_s": "0:28"})
    asked = run(raw)
    assert told(asked, "shot_time_s")["reason"].str.contains("may have meant 27 s").all()
    assert "cells_asked_about" in codes(asked)
    answered = run(raw, units={"shot_time_s": "min:s"})
    assert answered.tables["shots"]["shot_time_s"].tolist() == [27.0, 28.0]
    assert answered.set_aside.empty


def test_a_decimal_comma_proved_by_one_column_speaks_for_its_place():
    proved = sheet({**SHOT, "dose_g": "18,2", "beverage_g": "36,125"})
    assert run(proved).tables["shots"]["beverage_g"].tolist() == [36.125]
    doubtful = run(sheet({**SHOT, "beverage_g": "36,125", "dose_g": "18"}))
    assert told(doubtful, "beverage_g")["reason"].tolist() == ["it may mean 36.125 or 36125"]
    assert run(sheet({**SHOT, "beverage_g": "36,125"}), decimal=",").tables["shots"]["beverage_g"].tolist() == [36.125]


# --- doubts ----------------------------------------------------------------------------------------------------------


def test_names_that_differ_only_in_runs_of_spaces_are_one_and_told_once():
    spelled = ["autumn blend", "autumn  blend", " autumn\u00a0blend ", "autumnblend"]
    rows = [{**SHOT, "coffee": name, "shot_id": f"s   {n}"} for n, name in enumerate(spelled)]
    scores = sheet({"shot_id": "s  1", "score": 7}, table="scores", place="scores.csv")
    records = run(sheet(*rows), scores)
    assert records.tables["shots"]["coffee"].tolist() == ["autumn blend"] * 3 + ["autumnblend"]
    assert records.tables["scores"]["shot_id"].tolist() == ["s 1"]
    (apart,) = [one for one in records.findings if one.code == "names_differ_only_in_case"]
    assert '"autumn blend" (3), "autumnblend" (1)' in apart.message
    assert "names_folded" not in codes(records)  # the same names are told once
    folded_alone = run(sheet(*rows[:3]))
    (told_,) = [one for one in folded_alone.findings if one.code == "names_folded"]
    assert 'one each: 1 ("autumn blend").' in told_.message
    assert "names_differ_only_in_case" not in codes(folded_alone)
    assert "names_folded" not in codes(run(sheet({**SHOT, "coffee": "two  spaces", "notes": "a  b"})))


def test_notes_keep_their_spaces_and_lines():
    assert run(sheet({**SHOT, "notes": " two\n  lines "})).tables["shots"]["notes"].tolist() == ["two\n  lines"]


def test_names_that_differ_only_in_capitals_or_spaces_are_told_and_kept_apart():
    records = run(sheet(SHOT, {**SHOT, "coffee": "House "}, {**SHOT, "coffee": "house "}))
    assert records.tables["shots"]["coffee"].tolist() == ["house", "House", "house"]
    (told,) = [one for one in records.findings if one.code == "names_differ_only_in_case"]
    assert told.message.endswith('"house" (2), "House" (1).')
    assert "write house everywhere" in told.do


def test_targets_typed_as_weights_are_told():
    alike = [{**SHOT, "beverage_g": "36.0", "shot_time_s": str(time)} for time in range(24, 29)]
    (told,) = [one for one in run(sheet(*alike)).findings if one.code == "targets_typed_as_weights"]
    assert "A (5 of 18.0 g)" in told.message
    assert "every weight out of A" in told.message
    weighed = [{**SHOT, "dose_g": dose} for dose in ("18.0", "18.1", "18.0", "18.0", "18.0")]
    assert "targets_typed_as_weights" not in codes(run(sheet(*weighed)))


def test_a_row_pasted_twice_is_told_and_kept():
    records = run(sheet(SHOT, SHOT, {**SHOT, "shot_time_s": "28"}))
    assert len(records.tables["shots"]) == 3
    (told_,) = [one.message for one in records.findings if one.code == "rows_identical"]
    assert told_ == "Row 3 is the same in every cell as the row above, and kept."
    (told_,) = [one.message for one in run(sheet(SHOT, SHOT, SHOT)).findings if one.code == "rows_identical"]
    assert told_.startswith("2 rows (3, 4) are")


def test_tds_typed_as_a_fraction_is_told():
    assert "tds_looks_like_fraction" in codes(run(*shared({**SHOT, "tds_pct": 0.085})))
    assert run(*shared({**SHOT, "tds_pct": 0.085}), units={"tds_pct": "fraction"}).tables["readings"][
        "tds_pct"
    ].tolist() == [8.5]


def test_a_fraction_among_percents_is_asked_about_and_never_guessed():
    rows = [{**SHOT, "tds_pct": tds} for tds in (9.1, "0.091", 0, 8.7)]
    records = run(*shared(*rows))
    assert records.tables["readings"]["tds_pct"].tolist() == [9.1, 0.0, 8.7]
    (aside_,) = told(records).to_dict("records")
    assert (aside_["table"], aside_["row"]) == ("readings", 3)
    assert "fraction of 1" in aside_["reason"]
    assert "0.091 is 9.1" in aside_["do"]
    assert len(records.tables["shots"]) == 4
    with_brix = run(*shared(rows[0], {**rows[1], "brix_pct": 11}))
    assert "cells_asked_about" in codes(with_brix)
    assert with_brix.tables["readings"]["brix_pct"].notna().tolist() == [False, True]


def test_a_thin_reading_of_a_diluted_sample_is_no_fraction():
    rows = [{"shot_id": "a", "tds_pct": 9.1}, {"shot_id": "a", "reading_no": 2, "tds_pct": 0.25, "dilution": 36}]
    records = run(sheet({**SHOT, "shot_id": "a"}), sheet(*rows, table="readings", place="r.csv"))
    assert records.tables["readings"]["tds_pct"].tolist() == [9.1, 0.25]


def test_the_order_of_the_rows_changes_no_value():
    rows = [{**SHOT, "dose_g": f"{18 + n / 10:.1f}", "score": 1 + n} for n in range(6)]
    there, back = run(*shared(*rows)), run(*shared(*reversed(rows)))
    for table, column in (("shots", "dose_g"), ("scores", "score")):
        assert sorted(there.tables[table][column]) == sorted(back.tables[table][column])


def test_the_account_is_counted_from_the_kept_frames_and_not_handed_down():
    records = run(*shared(*DIRTY))
    counted = account.tally(shared(*DIRTY), records.tables, records.set_aside)
    assert [(one.table, one.read, one.kept, one.set_aside) for one in counted] == [
        ("shots", 4, 3, 1),
        ("readings", 1, 1, 0),
        ("scores", 4, 2, 2),
    ]


def test_a_signalling_nan_is_a_cell_like_any_other():
    records = run(sheet({**SHOT, "beverage_g": decimal.Decimal("sNaN")}))
    assert len(records.tables["shots"]) == 1

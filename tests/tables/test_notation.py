"""Settings in their owner's notation: read, written back, refused."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from typing import get_args

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tastefield.tables.dial import STEPS, settable
from tastefield.tables.notation import (
    MARKS,
    Kind,
    Notation,
    as_owner_writes,
    as_written,
    example,
    likely,
    move_is,
    position,
    positions,
    upwards,
    with_ends,
)
from tastefield.words.columns import NOTATIONS

LETTERS = Notation("letters", per=26)
TWO_PART = Notation("two_part", per=10)
CLOCK = with_ends(Notation("clock"), "7:00", None)
TURNS = Notation("turns", per=30)
LIST = Notation("list", labels=("Fine", "espresso", "moka pot"))
STEPLESS = Notation("stepless")
EVERY = (MARKS, LETTERS, TWO_PART, CLOCK, TURNS, LIST, STEPLESS)


def dials() -> st.SearchStrategy[tuple[Notation, float]]:
    """A notation and a real step of its dial."""
    words = st.text("abcdefgh ", min_size=1, max_size=8).map(lambda word: " ".join(word.split())).filter(bool)
    labels = st.lists(words, min_size=2, max_size=9, unique=True).map(tuple)
    parts = st.integers(1, 60)
    whole = st.sampled_from([1.0, 2.0, 3.0])
    return st.one_of(
        st.tuples(st.just(MARKS), st.sampled_from(STEPS)),
        st.tuples(st.builds(Notation, st.just("letters"), st.integers(1, 26)), whole),
        st.tuples(st.builds(Notation, st.just("two_part"), parts, sign=st.sampled_from("+-")), whole),
        st.tuples(st.builds(Notation, st.just("two_part"), st.integers(1, 10), sign=st.sampled_from(".,")), whole),
        st.tuples(st.builds(Notation, st.just("turns"), parts), whole),
        st.tuples(st.just(Notation("clock")), st.sampled_from([1.0, 5.0, 15.0, 30.0, 60.0])),
        st.tuples(st.builds(Notation, st.just("list"), labels=labels), st.just(1.0)),
        st.tuples(st.just(STEPLESS), st.sampled_from([0.3, 0.07, 2.0])),
    )


@st.composite
def settings(draw: st.DrawFn) -> tuple[Notation, float, list[float]]:
    """A dial and a few of its real positions, as they may be recommended."""
    notation, step = draw(dials())
    starts = st.sampled_from(["12", "7:00", "half past 5", "11:59"])
    notation = with_ends(notation, draw(starts) if notation.kind == "clock" else None, None)
    low, high = notation.ends
    tried = sorted(draw(st.lists(st.integers(0, 400), min_size=1, max_size=5)))
    ran = np.array([(low or 0.0) + step * one for one in tried])
    ran = ran if high is None else np.minimum(ran, high)
    stepless = ran if notation.kind == "stepless" else None
    found = settable(step, (ran.min(), ran.max()), step, notation.ends, None, "coarser", stepless)
    return notation, step, found.tolist()


@given(settings())
def test_what_is_written_is_read_as_the_position_it_was_written_for(case):
    notation, step, found = case
    assert [position(as_written(one, step, notation), notation) for one in found] == found


@given(settings())
def test_reading_keeps_the_order_of_the_dial(case):
    notation, step, found = case
    read = positions(pd.Series([as_written(one, step, notation) for one in found], dtype="str"), notation)
    assert (np.diff(read) > 0).all()


@given(st.text(max_size=12), st.sampled_from(EVERY))
def test_any_text_has_a_finite_position_or_none(text, notation):
    found = position(text, notation)
    assert np.isnan(found) or abs(found) < 1e12


@pytest.mark.parametrize(
    ("notation", "text", "at"),
    [
        (MARKS, "7,5", 7.5),
        (MARKS, " −0.5 ", -0.5),
        (LETTERS, "2E", 56),
        (LETTERS, "2 e", 56),
        (LETTERS, "3-a", 78),
        (TWO_PART, "4+2", 42),
        (TWO_PART, "4 - 2", 42),
        (TWO_PART, "4.2", 42),
        (TWO_PART, "4,2", 42),
        (TWO_PART, "4", 40),
        (CLOCK, "7", 420),
        (CLOCK, "11:30", 690),
        (CLOCK, "12 o'clock", 720),
        (CLOCK, "12 O’Clock", 720),
        (CLOCK, "12h", 720),
        (CLOCK, "1:30", 810),
        (CLOCK, "1h30", 810),
        (CLOCK, "half past 3", 930),
        (CLOCK, "quarter to 1", 765),
        (CLOCK, "6:59", 1139),
        (TURNS, "1 turn + 5", 35),
        (TURNS, "2 turns and 5 clicks", 65),
        (TURNS, "1.5 turns", 45),
        (TURNS, "1,33 turns", 40),
        (TURNS, "2 turns", 60),
        (TURNS, "35 clicks", 35),
        (LIST, "ESPRESSO", 1),
        (LIST, "moka  pot", 2),
        (STEPLESS, "5.137", 5.137),
    ],
)
def test_every_way_of_writing_a_setting_is_understood(notation, text, at):
    assert position(text, notation) == at


@pytest.mark.parametrize(
    ("notation", "text"),
    [
        *((notation, text) for notation in EVERY for text in ("", "coarse", "7.5.1", "2E3")),
        (MARKS, "2E"),
        (MARKS, "1e5"),
        (LETTERS, "7"),
        (replace(LETTERS, per=10), "2K"),
        (TWO_PART, "4+10"),
        (TWO_PART, "4+"),
        (CLOCK, "13:00"),
        (CLOCK, "1:75"),
        (CLOCK, "7.5"),
        (TURNS, "1 turn + 30"),
        (TURNS, "7"),
        (LIST, "1"),
        (STEPLESS, "4+2"),
    ],
)
def test_what_does_not_fit_has_no_position(notation, text):
    assert np.isnan(position(text, notation))


def test_a_point_that_may_have_swallowed_a_zero_is_not_understood():
    """A spreadsheet shows 4.10 as 4.1; where a mark has twelve small steps that is one of two settings."""
    twelve = replace(TWO_PART, per=12)
    assert np.isnan(position("4.1", twelve))
    assert [position(text, twelve) for text in ("4.10", "4.2", "4+1", "4.01")] == [58, 50, 49, 49]


@pytest.mark.parametrize(
    ("notation", "before", "after"),
    [(LETTERS, "2Z", "3A"), (TWO_PART, "4+9", "5+0"), (TURNS, "1 turn + 29", "2 turns"), (CLOCK, "12:59", "1:00")],
)
def test_a_step_crosses_the_carry(notation, before, after):
    assert as_written(position(before, notation) + 1, 1, notation) == after
    assert as_written(position(after, notation) - 1, 1, notation) == before


def test_a_clock_dial_passes_12_without_a_jump_and_knows_its_gap():
    dial = with_ends(Notation("clock"), "7:00", "5:00")
    said = pd.Series(["11:00", "11:30", "12:00", "12:30", "1:00", "5:00", "5:30", "6:59"])
    assert np.isnan(positions(said, dial)).tolist() == [False] * 6 + [True] * 2
    assert np.diff(positions(said, dial)[:5]).tolist() == [30] * 4


def test_a_missing_setting_has_no_position():
    found = positions(pd.Series(["2E", None, "2F"], dtype="str"), LETTERS)
    assert found[[0, 2]].tolist() == [56, 57]
    assert np.isnan(found[1])


@pytest.mark.parametrize("notation", EVERY)
def test_the_example_of_a_notation_fits_it(notation):
    assert np.isfinite(position(example(notation), notation))
    assert np.isfinite(position(example(replace(notation, per=1)), replace(notation, per=1)))


def test_the_notations_that_may_be_chosen_are_those_that_are_read():
    assert get_args(Kind) == NOTATIONS == tuple(notation.kind for notation in EVERY)
    schema = json.loads(files("tastefield").joinpath("results.schema.json").read_text("utf-8"))
    assert tuple(schema["$defs"]["settings"]["properties"]["notation"]["enum"]) == NOTATIONS


def test_the_sign_is_the_owners_own():
    dashed = as_owner_writes(TWO_PART, ["4-2", "4+3", "5-0", "6"])
    assert as_written(51, 1, dashed) == "5-1"
    assert as_written(51, 1, as_owner_writes(TWO_PART, ["4.2"])) == "5.1"
    assert as_written(49, 1, as_owner_writes(replace(TWO_PART, per=12), ["4.2", "5.3", "4-2"])) == "4-1"
    assert as_owner_writes(LETTERS, ["2-E"]) == LETTERS


def test_a_step_is_told_in_the_words_of_the_dial():
    told = [f"{move_is(1, notation)}, {upwards(notation)}" for notation in EVERY]
    assert told == [
        "a step of 1 is, higher numbers are",
        "a letter is, later letters are",
        "a small step is, higher numbers are",
        "a minute of the clock is, clockwise is",
        "a click is, higher numbers are",
        "a label is, later labels are",
        "a move of 1 is, higher numbers are",
    ]
    assert move_is(2, TWO_PART) == "2 small steps are"


@pytest.mark.parametrize(
    ("settings", "kind"),
    [
        (["2E", "2F", "3A"], "letters"),
        (["4+2", "4-3", "5+0", "7"], None),
        (["4+2", "4-3", "5+0", "5-1", "7"], "two_part"),
        (["1:30", "half past 2", "12 o'clock"], "clock"),
        (["1 turn + 5", "1.5 turns", "40 clicks"], "turns"),
        (["2E", "2F"], None),
        (["3h", "4h", "5h"], None),
        (["4.2", "4.3", "4.4"], None),
        (["fine", "fine", "coarse"], None),
        ([], None),
    ],
)
def test_a_notation_is_likely_where_most_settings_fit_it_alone(settings, kind):
    found = likely(settings)
    assert (found and found[0]) == kind
    assert found is None or found[1] == settings[0]


def test_a_decimal_comma_is_kept_where_the_owner_writes_one():
    comma = as_owner_writes(Notation("marks"), ["2,75", "3", "3,25", "2.5"])
    assert as_written(3.5, 0.25, comma) == "3,50"
    assert position("3,50", comma) == 3.5
    assert as_written(3.0, 1.0, comma) == "3"
    assert as_written(3.5, 0.25, as_owner_writes(Notation("marks"), ["2,75", "3.0"])) == "3.50"
    assert as_written(3.6, None, as_owner_writes(Notation("stepless"), ["3,42"])) == "3,6"
    assert move_is(0.25, comma) == "a step of 0,25 is"

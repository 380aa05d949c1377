import pandas as pd
import pytest

from tastefield.tables.taste import Said, default_good, infer_scale, listen, word_scores
from tastefield.words.outcomes import outcome_of, split_outcome
from tastefield.words.tastes import TASTES, VERDICTS

KNOWN = (*VERDICTS, *TASTES)


def heard(cell):
    said = listen(pd.Series([cell], dtype=object), KNOWN, "")
    return said.values.iloc[0] if said.problems.empty else said.problems["reason"].iloc[0]


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("7", Said(7.0)),
        (7, Said(7.0)),
        ("7,5", Said(7.5)),
        ("Sour", Said(words=("sour",))),
        ("a bit sour and weak", Said(words=("sour", "weak"))),
        ("sour/bitter", Said(words=("sour", "bitter"))),
        ("7 sour", Said(7.0, None, ("sour",))),
        ("7?", Said(7.0)),
        ("about 7", Said(7.0)),
        ("6 or 7", Said(6.5)),
        ("6-7, sour", Said(6.5, None, ("sour",))),
        ("7/10", Said(7.0, 10.0)),
        ("7 out of 10", Said(7.0, 10.0)),
        ("No!", Said(words=("no",))),
    ],
)
def test_a_taste_is_understood_however_it_is_written(cell, said):
    assert heard(cell) == said


@pytest.mark.parametrize("cell", ["not sour", "no crema", "lovely", "7 maybe", "sourish", "6 to 9 cups", [7], True])
def test_what_is_not_understood_is_never_half_understood(cell):
    assert isinstance(heard(cell), str)


def test_more_than_all_is_no_score_and_stretches_no_scale():
    assert heard("12/10") == "12 is more than 10"
    assert heard("10/10") == Said(10.0, 10.0)


def test_words_keep_their_order_and_verdicts_stand_on_their_side_of_good_on_any_scale():
    for scale, good in (((1, 9), 6.6), ((0, 100), 80), ((1, 5), 2.0), ((0, 10), 9.9)):
        words = word_scores(scale, good, {})
        assert scale[0] <= min(words.values()) < max(words.values()) <= scale[1]
        assert words["no"] < words["nearly"] < good <= words["serve"]


def test_good_is_seventy_percent_up_the_scale():
    assert default_good((1, 9)) == pytest.approx(6.6)
    assert default_good((0, 100)) == 70


def test_a_scale_is_the_shortest_usual_one_that_holds_every_number():
    assert infer_scale([Said(5.0), Said(2.0)]) == (1, 5)
    assert infer_scale([Said(5.5)]) == (1, 9)
    assert infer_scale([Said(words=("sour",))]) == (1, 9)
    assert infer_scale([Said(4.0, 10.0)]) == (1, 10)
    assert infer_scale([Said(0.0)]) == (0, 5)
    assert infer_scale([Said(500.0)]) == (0, 500)


@pytest.mark.parametrize(
    ("cell", "outcome"), [("Choked!", "choked"), (" gusher", "gushed"), ("OK", "ok"), ("odd", None), (3, None)]
)
def test_outcome_words_are_understood(cell, outcome):
    assert outcome_of(cell) == outcome


@pytest.mark.parametrize(
    ("cell", "parts"),
    [
        ("choked", ("choked", "")),
        ("choked at 45s", ("choked", "45s")),
        ("sour, gusher", ("gushed", "sour")),
        ("ok", (None, "ok")),
        ("27", (None, "27")),
        (27, (None, 27)),
    ],
)
def test_outcome_words_are_taken_out_of_other_cells(cell, parts):
    assert split_outcome(cell) == parts

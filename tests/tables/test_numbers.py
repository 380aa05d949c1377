import pytest

from tastefield.tables.numbers import TwoMeaningsError, decimal_evidence, read_number, split_unit


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("27.5", 27.5),
        ("27,5", 27.5),
        ("0,850", 0.85),
        ("1.234,5", 1234.5),
        ("1,234.5", 1234.5),
        ("1 234,5", 1234.5),
        ("1'234.5", 1234.5),
        ("1,234,567", 1234567),
        ("-3,2", -3.2),
        (".5", 0.5),
        ("12.", 12),
        ("1e-3", 0.001),
    ],
)
@pytest.mark.parametrize("decimal", ["", ".", ",", "?"])
def test_a_number_with_one_meaning_is_read_whatever_the_decimal_mark(text, value, decimal):
    assert read_number(split_unit(text)[0], decimal) == value


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [("1,234", ",", 1.234), ("1,234", ".", 1234), ("1.234", ".", 1.234), ("1.234", "", 1.234), ("1.234", ",", 1234)],
)
def test_a_number_with_two_meanings_follows_the_decimal_mark(text, decimal, value):
    assert read_number(text, decimal) == value


@pytest.mark.parametrize(("text", "decimal"), [("1,234", ""), ("1,234", "?"), ("1.234", "?")])
def test_where_nothing_tells_the_owner_is_asked(text, decimal):
    with pytest.raises(TwoMeaningsError):
        read_number(text, decimal)


@pytest.mark.parametrize("text", ["1.2.3", "1,2,3", "12 34", "1,23.4.5"])
def test_what_is_no_number_is_refused(text):
    with pytest.raises(ValueError):
        read_number(text, "")


@pytest.mark.parametrize(
    ("texts", "mark"),
    [
        (["27,5", "18"], ","),
        (["27.5"], "."),
        (["27.5", "27,5"], "?"),
        (["1,234", "18"], ""),
        (["1.234,5"], ","),
        (["sour", "27s"], ""),
        (["0,850"], ","),
    ],
)
def test_only_a_mark_that_cannot_group_thousands_is_evidence(texts, mark):
    assert decimal_evidence(texts) == mark

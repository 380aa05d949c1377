import pytest

from tastefield.tables.text import marked_encoding, sniff_separator


@pytest.mark.parametrize(("encoding", "told"), [("utf-8-sig", "utf-8-sig"), ("utf-16", "utf-16"), ("utf-8", "")])
def test_a_byte_order_mark_names_the_encoding(encoding, told):
    assert marked_encoding("café".encode(encoding)) == told


@pytest.mark.parametrize(
    ("text", "separator"),
    [
        ("a,b,c\n1,2,3\n", ","),
        ("a;b;c\n1,5;2,5;3,5\n4,5;5,5;6,5\n", ";"),
        ("a\tb\n1,5\t2\n", "\t"),
        ("a|b\n1|2\n", "|"),
        ("My log, March\n\na;b;c\n1;2;3\n", ";"),
        ('a,b\n"x;y;z",2\n"x;y;z",3\n', ","),
        ("only\n1\n", ","),
        ("", ","),
    ],
)
def test_the_separator_is_the_one_that_cuts_rows_alike(text, separator):
    assert sniff_separator(text) == separator

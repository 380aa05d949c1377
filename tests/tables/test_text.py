import pytest

from tastefield.tables.text import decode, sniff_separator


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_text_is_read_in_the_encodings_spreadsheets_write(encoding):
    assert decode("café;Zoë\n".encode(encoding))[0] == "café;Zoë\n"


def test_a_configured_encoding_comes_after_utf_8():
    assert decode("Žofie".encode("cp1250"), "cp1250")[0] == "Žofie"
    assert decode("Žofie".encode(), "cp1250")[0] == "Žofie"


def test_bytes_that_fit_nothing_are_refused():
    with pytest.raises(UnicodeDecodeError):
        decode(b"\x81\x8d", "cp1252")


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

"""Product and software identification against bytes written by hand (device makers' manuals show the asterisks)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire.texts import (
    Product,
    pack_product,
    pack_software,
    read_product,
    read_software,
    text_fields,
)

WORDS = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E, exclude_characters="*"), max_size=30)


def test_a_product_with_four_fields():
    """Make, model, serial number, unit number, each ended by an asterisk."""
    product = read_product(b"Invented*H 50*000123*1*")
    assert product == Product("Invented", "H 50", "000123", "1")
    assert str(product) == "Invented, H 50, serial number 000123"


def test_a_short_one_is_filled_up_with_ones():
    """`A*B*` in one frame."""
    data = bytes.fromhex("412A422AFFFFFFFF")
    assert read_product(data) == Product("A", "B")
    assert pack_product(Product("A", "B")) == b"A*B***\xff\xff"
    assert str(read_product(data)) == "A, B"


@pytest.mark.parametrize("data", [b"", b"\xff" * 8, b"****", b"\x00" * 8])
def test_a_node_without_product_information(data):
    """All fields empty."""
    assert read_product(data) == Product()
    assert str(Product()) == "no product information"


def test_what_is_no_text_stays_printable():
    """Control characters, escapes and other alphabets become question marks; a flood of letters is cut."""
    assert text_fields(b"a\x1b[31mb*\xc3\xa9*") == ("a?[31mb", "??")
    assert text_fields(b"x" * 1000) == ("x" * 200,)
    assert text_fields(b"no end") == ("no end",)


def test_more_fields_than_four():
    """The rest is cut off."""
    assert read_product(b"a*b*c*d*e*f*") == Product("a", "b", "c", "d")


def test_software():
    """The first byte counts the fields."""
    assert read_software(b"\x02boot 1.0*main 2.3*") == ("boot 1.0", "main 2.3")
    assert pack_software("1.0") == b"\x011.0*\xff\xff\xff"
    assert read_software(b"") == ()


@pytest.mark.parametrize("field", ["a*b", "é", "a\nb"])
def test_what_cannot_be_sent(field):
    """An asterisk would end the field, and only printable ASCII goes."""
    with pytest.raises(ValueError, match="cannot be sent"):
        pack_product(Product(field))


@given(st.tuples(WORDS, WORDS, WORDS, WORDS))
def test_every_product_is_read_as_it_was_written(fields):
    """Any printable words without an asterisk and without blanks around them."""
    assert read_product(pack_product(Product(*fields))) == Product(*fields)


@given(st.binary(max_size=300))
def test_any_bytes_are_read(data):
    """Nothing raises, and what comes out can be printed."""
    assert all(field.isprintable() or not field for field in read_product(data))
    assert all(field.isprintable() or not field for field in read_software(data))

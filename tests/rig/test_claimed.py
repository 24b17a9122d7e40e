"""The text form of NAMEs in a rig."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from rvsim.rig.claimed import name_text, read_name
from rvsim.rig.field_types import ClaimedName
from rvsim.wire.name import Name


def test_a_name_stands_most_significant_first():
    """Where a claim has 01 02 ... 08 hex on the wire; the numbers in it by the layout of SAE J1939-81."""
    name = read_name("0807060504030201")
    assert name.to_bytes() == bytes([1, 2, 3, 4, 5, 6, 7, 8])  # type: ignore[attr-defined]
    assert read_name("00000000ddc1e240") == Name(serial_number=123456, manufacturer_code=1774)
    assert name_text(Name(serial_number=123456, manufacturer_code=1774)) == "00000000DDC1E240"


@given(st.binary(min_size=8, max_size=8))
def test_what_is_written_is_read_again(data):
    """Any NAME; one that is read already stays."""
    name = Name.from_bytes(data)
    assert read_name(name_text(name)) == name
    assert read_name(name) is name
    assert TypeAdapter(ClaimedName).validate_python(name_text(name), strict=True) == name


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("0x00000000DDC1E24", '"0x00000000DDC1E24"'),
        ("00000000DDC1E24", '"00000000DDC1E24"'),
        ("00000000DDC1E2400", '"00000000DDC1E2400"'),
        ("00000000DDC1E24\n", '"00000000DDC1E24\\n"'),
        ("٠٠٠٠٠٠٠٠DDC1E240", '"٠٠٠٠٠٠٠٠DDC1E240"'),
        ("", '""'),
        (3720471104, "3720471104"),
        (None, "None"),
    ],
)
def test_anything_else_is_refused(given, shown):
    """With what was given, and how to find the digits in a claim."""
    with pytest.raises(ValidationError) as refused:
        TypeAdapter(ClaimedName).validate_python(given)
    assert refused.value.errors()[0]["msg"] == (
        f"Value error, {shown} is not a NAME; write its 16 hex digits in quotes, most significant first: in an address "
        "claim they are the eight bytes from the last to the first"
    )

"""rvsim.wire.name: the 64-bit NAME, against published claims and the shipped definition of the claim."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire.name import Name

# 64 bits, high bit first: SAE J1939-81; can-j1939 2.0.12 name.py
WIDTHS = {
    "arbitrary_address_capable": 1,
    "compatibility_field_4": 3,
    "compatibility_field_3": 4,
    "compatibility_field_2": 7,
    "reserved_bit": 1,
    "compatibility_field_1": 8,
    "function_instance": 5,
    "node_instance": 3,
    "manufacturer_code": 11,
    "serial_number": 21,
}

PUBLISHED = [
    # can-j1939 2.0.12 test_ca.py (MIT): identity 1234567; manufacturer 666; ECU instance 2; function instance 16;
    # function 201; vehicle system 127; system instance 2; industry group 5; arbitrary address 0
    (
        "87 D6 52 53 82 C9 FE 52",
        Name(
            serial_number=1234567,
            manufacturer_code=666,
            node_instance=2,
            function_instance=16,
            compatibility_field_1=201,
            compatibility_field_2=127,
            compatibility_field_3=2,
            compatibility_field_4=5,
        ),
    ),
    # a recorded claim, 18EEFF11 in gpsd 3.22 Debian source (BSD-2-Clause): identity 123456; manufacturer 1774;
    # function 200; vehicle system 80; industry group 4; arbitrary address 1
    (
        "40 E2 C1 DD 00 C8 A0 C0",
        Name(
            serial_number=123456,
            manufacturer_code=1774,
            compatibility_field_1=200,
            compatibility_field_2=80,
            compatibility_field_4=4,
            arbitrary_address_capable=1,
        ),
    ),
]

NAMES = st.builds(Name, **{part: st.integers(0, (1 << width) - 1) for part, width in WIDTHS.items()})


@pytest.mark.parametrize(("data", "name"), PUBLISHED, ids=["worked", "recorded"])
def test_published_names(data, name):
    """Published claims come apart into the published parts, and the parts give the bytes and the number."""
    assert Name.from_bytes(bytes.fromhex(data)) == name
    assert name.to_bytes() == bytes.fromhex(data)
    assert int(name) == int("".join(reversed(data.split())), 16)


@given(name=NAMES)
def test_parts_stand_where_the_standard_has_them(name):
    """Written as bits, high bit first, the parts follow one another in their documented widths."""
    bits = "".join(f"{getattr(name, part):0{width}b}" for part, width in WIDTHS.items())
    assert f"{int(name):064b}" == bits
    assert name.to_bytes() == bytes(int(bits[start : start + 8], 2) for start in range(56, -1, -8))


@given(data=st.binary(min_size=8, max_size=8))
def test_any_eight_bytes_are_a_name(data):
    """No bit is lost on the way from bytes to parts and back."""
    assert Name.from_bytes(data).to_bytes() == data


@given(name=NAMES)
def test_the_definition_of_the_claim_agrees(catalogue, name):
    """The shipped message ADDRESS_CLAIM has the same parts in the same places."""
    readings = catalogue.by_name("ADDRESS_CLAIM").decode(name.to_bytes())
    assert {reading.field.name: reading.raw for reading in readings} == {part: getattr(name, part) for part in WIDTHS}


@pytest.mark.parametrize(("part", "width"), WIDTHS.items())
def test_a_part_that_does_not_fit_is_refused(part, width):
    """The error names the part, the number and the width; the largest number that fits is taken."""
    top = (1 << width) - 1
    assert int(Name(**{part: top})).bit_count() == width
    for wrong in (-1, top + 1):
        with pytest.raises(ValueError, match=f"^{re.escape(f'NAME: {part} {wrong} does not fit in {width} bits')}$"):
            Name(**{part: wrong})


@pytest.mark.parametrize("count", [0, 7, 9])
def test_a_name_has_eight_bytes(count):
    """Fewer or more are refused."""
    with pytest.raises(ValueError, match=f"^a NAME has 8 bytes, not {count}$"):
        Name.from_bytes(bytes(count))


def test_a_name_is_a_value():
    """Equal parts make equal names, which can be kept in a dict, and none can be altered."""
    assert {Name(serial_number=5): 1}[Name(serial_number=5)] == 1
    assert Name() != Name(serial_number=5)
    with pytest.raises(AttributeError):
        Name().serial_number = 5  # type: ignore[misc]

"""rvsim.wire.fields: every raw integer has one state: a value, or a special code of the field's type.

The borders are those of the standard's data types: all ones no data (rv-c.com/node/522), uint16 valid up to 65530
(rv-c.com/node/500), the others from memory of its table.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire.fields import FieldSpec, Special, State
from rvsim.wire.spec import MessageSpec

VALUE, NO_DATA, ERROR, OUT, RESERVED, UNCHANGED = (
    State.VALUE, State.NO_DATA, State.ERROR, State.OUT_OF_RANGE, State.RESERVED, State.UNCHANGED,
)  # fmt: skip
TYPES = {8: 0xFA, 16: 0xFFFA, 32: 0xFFFFFFFA}
"""The top of the quantities that the standard has, by width."""
IN_COMMANDS = {Special.UNCHANGED, Special.COMMANDED}
WIDTHS = st.sampled_from([1, 2, 3, 4, 6, 7, 8, 12, 16, 24, 32])


def said(special, width, raw):
    """Tell by the table what an unnamed raw integer says."""
    ones = 2**width - 1
    if special is Special.NONE:
        return VALUE
    if raw == ones:
        return UNCHANGED if special in IN_COMMANDS else NO_DATA
    if special in (Special.MEASURED, Special.COMMANDED):
        if width == 2:
            return ERROR if raw == 2 else VALUE
        if width in TYPES and raw > TYPES[width]:
            return OUT if raw == ones - 1 else RESERVED
    return VALUE


CODES = [
    # All ones is no data: rv-c.com/node/522; uint8 255: rv-c.com/node/104; uint16 valid up to 65530: rv-c.com/node/500.
    # The other codes are from memory of the standard's table of data types.
    (2, {0: VALUE, 1: VALUE, 2: ERROR, 3: NO_DATA}),
    (8, {0: VALUE, 250: VALUE, 251: RESERVED, 252: RESERVED, 253: RESERVED, 254: OUT, 255: NO_DATA}),
    (16, {0: VALUE, 65530: VALUE, 65531: RESERVED, 65532: RESERVED, 65533: RESERVED, 65534: OUT, 65535: NO_DATA}),
    (
        32,
        {
            0: VALUE, 0xFFFFFFFA: VALUE, 0xFFFFFFFB: RESERVED, 0xFFFFFFFC: RESERVED, 0xFFFFFFFD: RESERVED,
            0xFFFFFFFE: OUT, 0xFFFFFFFF: NO_DATA,
        },
    ),
    # other widths know no data only
    (1, {0: VALUE, 1: NO_DATA}),
    (4, {0: VALUE, 13: VALUE, 14: VALUE, 15: NO_DATA}),
    (24, {0xFFFFFD: VALUE, 0xFFFFFE: VALUE, 0xFFFFFF: NO_DATA}),
]  # fmt: skip


@pytest.mark.parametrize(("length", "codes"), CODES, ids=lambda item: f"{item} bits" if type(item) is int else "")
def test_special_codes_of_measured_fields(length, codes):
    """Each data type has its codes for no data, out of range and reserved just above its values."""
    field = FieldSpec("x", 0, length, special=Special.MEASURED)
    assert {raw: field.state(raw) for raw in codes} == codes


@pytest.mark.parametrize(("length", "codes"), CODES, ids=lambda item: f"{item} bits" if type(item) is int else "")
def test_special_codes_of_commanded_fields(length, codes):
    """In a command all ones leave a field unchanged (from memory); the other codes are those of a measured field."""
    field = FieldSpec("x", 0, length, special=Special.COMMANDED)
    assert {raw: field.state(raw) for raw in codes} == codes | {(1 << length) - 1: State.UNCHANGED}


@pytest.mark.parametrize(("length", "codes"), CODES, ids=lambda item: f"{item} bits" if type(item) is int else "")
def test_plain_fields_have_no_special_codes(length, codes):
    """An address, a part of a NAME or a counter may be all ones and mean just that."""
    field = FieldSpec("x", 0, length)
    assert {field.state(raw) for raw in codes} == {VALUE}
    assert field.raw_limits == (0, (1 << length) - 1)
    with pytest.raises(ValueError, match=r"^x has no code for no data$"):
        field.sensor_raw(None)


@pytest.mark.parametrize("special", Special)
@pytest.mark.parametrize("width", [1, 2, 4, 8, 16])
def test_every_raw_integer_says_what_the_table_says(special, width):
    """Each of them, for each kind of field; those that are values are the ones within its limits."""
    field = FieldSpec("x", 0, width, special=special)
    for raw in range(2**width):
        assert field.state(raw) is said(special, width, raw), raw
    low, high = field.raw_limits
    assert [raw for raw in range(2**width) if field.state(raw) is VALUE] == list(range(low, high + 1))


@given(st.sampled_from(Special), st.integers(0xFFFFFFF0, 0xFFFFFFFF) | st.integers(0, 0xFFFFFFFF))
def test_the_same_in_32_bits(special, raw):
    """Three reserved numbers above the top, then out of range, then no data."""
    field = FieldSpec("x", 0, 32, special=special)
    assert field.state(raw) is said(special, 32, raw)
    assert (field.state(raw) is VALUE) is (raw <= field.raw_limits[1])


@given(st.data(), st.sampled_from(Special), WIDTHS, st.dictionaries(st.integers(0, 2**32 - 1), st.just("named")))
def test_a_named_number_above_the_top_is_a_value(data, special, width, names):
    """A definition that names it takes it out of the reserved ones; no data and out of range stay what they are."""
    field = FieldSpec("x", 0, width, special=special, labels=names)
    raw = data.draw(st.sampled_from([*(code for code in names if code < 2**width), 2**width - 1]))
    unnamed = said(special, width, raw)
    wanted = VALUE if unnamed is RESERVED and raw in names else unnamed
    assert field.state(raw) is wanted
    assert (field.states.get(raw) is None) is (wanted is VALUE)


@given(
    st.data(), st.sampled_from(Special), WIDTHS, st.integers(1, 1000), st.integers(-(10**6), 10**6), st.integers(0, 4)
)
def test_a_value_goes_out_as_a_value_and_comes_back(data, special, width, scale, offset, decimals):
    """What a field can say is encoded, is a value on the other side, and is the same one."""
    field = FieldSpec("x", 3, width, scale=scale, offset=offset, decimals=decimals, special=special)
    message = MessageSpec("M", 0x1FF00, 6, 8, (field,))
    low, high = field.raw_limits
    raw = data.draw(st.integers(low, high))
    assert field.raw(field.value(raw)) == raw
    (reading,) = message.decode(message.encode({"x": raw}))
    assert (reading.raw, reading.state, reading.value) == (raw, VALUE, field.value(raw))


@given(st.sampled_from(Special), WIDTHS, st.sampled_from(State))
def test_the_code_of_a_state_says_that_state(special, width, state):
    """Where a field has a code for a state, it is read as that state, or as what stands for it."""
    field = FieldSpec("x", 0, width, special=special)
    code = field.code(state)
    instead = {NO_DATA: UNCHANGED, OUT: ERROR}.get(state)
    if code is None:
        assert not {state, instead} & set(field.states.values())
    else:
        assert field.state(code) in (state, instead)


@given(st.sampled_from([Special.MEASURED, Special.NO_DATA]), WIDTHS, st.none() | st.floats(-(10**11), 10**11))
def test_what_a_sensor_sends_is_a_value_or_says_why_it_is_none(special, width, value):
    """No reading is no data; beyond the range it says so where there is a code for that, and is refused elsewhere."""
    field = FieldSpec("x", 0, width, special=special)
    low, high = field.raw_limits
    if value is None:
        assert field.state(field.sensor_raw(value)) is NO_DATA
    elif low <= round(value) <= high:
        assert field.sensor_raw(value) == round(value)
    elif field.code(OUT) is None:
        with pytest.raises(ValueError, match="is outside"):
            field.sensor_raw(value)
    else:
        assert field.state(field.sensor_raw(value)) in (OUT, ERROR)


def test_reserved_is_neither_a_value_nor_a_code():
    """251 of a percent is shown as it is: reserved, without a value."""
    percent = FieldSpec("level", 0, 8, scale=5, decimals=1, unit="%", special=Special.MEASURED)
    (reading,) = MessageSpec("M", 0x1FF00, 6, 8, (percent,)).decode(bytes([251, *[255] * 7]))
    assert (reading.raw, reading.state, reading.value, reading.brief) == (251, RESERVED, None, "reserved")


@pytest.mark.parametrize("raw", [128, 250, 251, 253, 254, 255])
def test_an_alarm_number_is_ordinary_content(raw):
    """Numbers of one's own go from 128 to 253 (rv-c.com/node/527): what is not measured has no special codes."""
    (reading,) = MessageSpec("M", 0x1FF00, 6, 8, (FieldSpec("alarm", 0, 8),)).decode(bytes([raw] * 8))
    assert (reading.state, reading.value, reading.brief) == (VALUE, raw, str(raw))

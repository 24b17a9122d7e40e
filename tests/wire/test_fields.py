"""rvsim.wire.fields: special codes, scaling and bit positions, against published figures and exact arithmetic."""

import math
import re
from decimal import Decimal, localcontext
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rvsim.wire.fields import USER_GRADES, FieldSpec, Grades, Origin, Reading, Special, State


def quantity(length, scale, offset=0, decimals=0, unit="", **more):
    """Build a measured field at the start of a message."""
    return FieldSpec("dc_voltage", 0, length, scale=scale, offset=offset, decimals=decimals, unit=unit,
                     special=Special.MEASURED, **more)  # fmt: skip


# Steps and offsets: makers' RV-C appendices and memory of the standard's table of units.
VOLTAGE = quantity(16, 5, decimals=2, unit="V")
VOLTAGE_BYTE = quantity(8, 1, unit="V")
CURRENT = quantity(16, 5, -160000, 2, "A")
CURRENT_LONG = quantity(32, 1, -2000000000, 3, "A")
TEMPERATURE = quantity(16, 3125, -27300000, 5, "degC")
TEMPERATURE_BYTE = quantity(8, 1, -40, unit="degC")
PERCENT = quantity(8, 5, decimals=1, unit="%")
SLOPE = quantity(16, 1, -32000, unit="mV/s")
NUMBER = FieldSpec("serial_number", 0, 21)
SWITCH = FieldSpec("fan_mode", 2, 2, labels={0: "auto", 1: "on"}, special=Special.COMMANDED)


PLAIN = st.just(Special.NONE)
EITHER = st.booleans()


@st.composite
def scaled_fields(draw, widest=64, special=PLAIN, signed=EITHER):
    """Draw a field of any width, sign and scale."""
    return FieldSpec(
        "level", 0, draw(st.integers(1, widest)), signed=draw(signed), scale=draw(st.integers(1, 10**6)),
        offset=draw(st.integers(-(10**10), 10**10)), decimals=draw(st.integers(0, 6)), special=draw(special),
    )  # fmt: skip


def any_raw(field):
    """Draw a raw integer of the field."""
    low, high = field.raw_limits
    return st.integers(low, high)


# --- special codes

VALUE, RESERVED = State.VALUE, State.RESERVED


def test_the_code_for_a_state():
    """A field tells by which raw integer it says a state; "unchanged" of a command is its "no data".

    Two bits have no code for out of range, and say error.
    """
    asked = [State.NO_DATA, State.ERROR, State.OUT_OF_RANGE, State.RESERVED, State.UNCHANGED, State.VALUE]
    assert [VOLTAGE.code(state) for state in asked] == [65535, None, 65534, 65531, None, None]
    assert [SWITCH.code(state) for state in asked] == [3, 2, 2, None, 3, None]
    assert [NUMBER.code(state) for state in asked] == [None] * 6


def test_a_field_that_the_frame_did_not_hold_is_missing():
    """No raw integer is not the same as no data."""
    assert VOLTAGE.state(None) is State.MISSING


def test_states_in_the_words_of_the_output():
    """The states are spelled as the JSON contract has them."""
    assert [str(state) for state in State] == [
        "value", "no data", "error", "out of range", "reserved", "unchanged", "missing",
    ]  # fmt: skip
    assert [str(special) for special in Special] == ["none", "no_data", "unchanged", "measured", "commanded"]
    assert [str(origin) for origin in Origin] == ["published", "memory", "unsure", "user"]


@pytest.mark.parametrize(
    ("length", "top"),
    # uint16: rv-c.com/node/500; the others from memory; other widths end below all ones
    [(2, 1), (8, 250), (16, 65530), (32, 4294967290), (1, 0), (4, 14), (24, 0xFFFFFE)],
)
@pytest.mark.parametrize("special", [Special.MEASURED, Special.COMMANDED])
def test_values_end_below_the_special_codes(length, top, special):
    """What can be sent as a value ends where the type's codes begin."""
    assert FieldSpec("x", 0, length, special=special).raw_limits == (0, top)


def test_a_named_code_counts_as_a_value():
    """A code list may go on above 250; special codes and codes that do not fit stay out."""
    named = {3: "a", 252: "b", 254: "fault", 255: "none", 300: "slip"}
    field = quantity(8, 1, labels=named)
    assert field.raw_limits == (0, 252)
    assert [field.state(raw) for raw in (250, 251, 252, 253)] == [VALUE, RESERVED, VALUE, RESERVED]
    with pytest.raises(ValueError, match=r"^dc voltage 251 is outside 0 to 252$"):
        field.raw(251)
    assert quantity(8, 1, labels={3: "a"}).raw_limits == (0, 250)


def test_signed_fields_reach_below_zero():
    """Two's complement."""
    assert FieldSpec("x", 0, 8, signed=True).raw_limits == (-128, 127)


# --- scaling

SCALES = [
    # RV-C specification Table 5.3 as remembered
    (TEMPERATURE, 9600, "27.00000", 27.0, "27.00 °C"),
    (CURRENT, 32000, "0.00", 0.0, "0.0 A"),
    (VOLTAGE, 264, "13.20", 13.2, "13.2 V"),
    # rv-c.com/node/569: 200 is 100 %
    (PERCENT, 200, "100.0", 100.0, "100 %"),
    # battery maker's RV-C appendix
    (VOLTAGE, 276, "13.80", 13.8, "13.8 V"),
    (VOLTAGE, 270, "13.50", 13.5, "13.5 V"),
    (CURRENT_LONG, 0x77359400, "0.000", 0.0, "0.000 A"),
    # alternator regulator maker's RV-C appendix
    (CURRENT, 0x7D00, "0.00", 0.0, "0.0 A"),
    (CURRENT, 0, "-1600.00", -1600.0, "-1600.0 A"),
    (CURRENT, 64250, "1612.50", 1612.5, "1612.5 A"),
    (VOLTAGE, 64250, "3212.50", 3212.5, "3212.5 V"),
    (TEMPERATURE, 0, "-273.00000", -273.0, "-273.00 °C"),
    (TEMPERATURE, 9216, "15.00000", 15.0, "15.00 °C"),
    (TEMPERATURE, 64256, "1735.00000", 1735.0, "1735.00 °C"),
    (SLOPE, 32000, "0", 0, "0 mV/s"),
    # fuel level sensor maker's manual
    (TEMPERATURE_BYTE, 0, "-40", -40, "-40 °C"),
    (TEMPERATURE_BYTE, 40, "0", 0, "0 °C"),
    # arithmetic: binary floating point gives 13.850000000000001 and 0.000999999931
    (VOLTAGE, 277, "13.85", 13.85, "13.9 V"),
    (CURRENT_LONG, 2000000001, "0.001", 0.001, "0.001 A"),
    (CURRENT_LONG, 1999999999, "-0.001", -0.001, "-0.001 A"),
    (TEMPERATURE, 8735, "-0.03125", -0.03125, "-0.03 °C"),
    (TEMPERATURE, 8734, "-0.06250", -0.0625, "-0.06 °C"),
    (NUMBER, 123456, "123456", 123456, "123456"),
]


@pytest.mark.parametrize(("field", "raw", "text", "value", "brief"), SCALES)
def test_published_raw_values_stand_for_published_quantities(field, raw, text, value, brief):
    """Values come out exactly, as text, as a number and for a person, and go back to the same raw integer."""
    assert field.text(raw) == text
    assert field.value(raw) == value
    assert type(field.value(raw)) is type(value)
    assert field.brief(raw) == brief
    assert field.raw(value) == raw


@given(data=st.data(), field=scaled_fields())
def test_text_is_exact(data, field):
    """The text is the exact decimal value with all its decimals, whatever the scale."""
    raw = data.draw(any_raw(field))
    with localcontext(prec=60):
        exact = (Decimal(raw) * field.scale + field.offset).scaleb(-field.decimals)
        text = f"{exact:.{field.decimals}f}"
        assert Decimal(text) == exact
    assert field.text(raw) == (text if exact else text.lstrip("-"))
    assert field.text_of(raw * field.scale + field.offset) == field.text(raw)


@given(data=st.data(), field=scaled_fields())
def test_the_value_is_the_nearest_number(data, field):
    """The value is the exact one rounded once, and an integer where no decimals are needed."""
    raw = data.draw(any_raw(field))
    exact = Fraction(raw * field.scale + field.offset, 10**field.decimals)
    if field.decimals:
        assert field.value(raw) == float(exact)
        assert isinstance(field.value(raw), float)
    else:
        assert field.value(raw) == exact
        assert isinstance(field.value(raw), int)


@given(data=st.data(), field=scaled_fields())
def test_brief_rounds_to_the_power_of_ten_nearest_to_a_step(data, field):
    """For a person the value is rounded to 1, 0.1, 0.01 ..., whichever is nearest to one step; halves go up."""
    raw = data.draw(any_raw(field))
    step = Fraction(field.scale, 10**field.decimals)
    ratio = {places: step * 10**places for places in range(field.decimals + 2)}
    shown = min(ratio, key=lambda places: max(ratio[places], 1 / ratio[places]))
    exact = Fraction(raw * field.scale + field.offset, 10**field.decimals)
    rounded = Fraction(math.floor(exact * 10**shown + Fraction(1, 2)), 10**shown)
    assert Fraction(field.brief(raw)) == rounded
    assert len(field.brief(raw).partition(".")[2]) == shown


def test_a_temperature_has_the_decimals_that_its_sensor_means():
    """A step of 0.03125 °C means two decimals, and not five."""
    assert TEMPERATURE.brief(9822) == "33.94 °C"


@given(data=st.data(), field=scaled_fields(widest=32))
def test_a_value_goes_back_to_its_raw_integer(data, field):
    """No raw integer of up to 32 bits is lost on the way to a value and back."""
    raw = data.draw(any_raw(field))
    assert field.raw(field.value(raw)) == raw


@given(raw=st.integers(0, (1 << 64) - 1))
def test_a_number_of_64_bits_goes_back_to_itself(raw):
    """A field without a scale is exact beyond what a floating-point number can hold."""
    field = FieldSpec("serial_number", 0, 64)
    assert field.raw(field.value(raw)) == raw


@given(field=scaled_fields(widest=32, special=st.sampled_from(Special), signed=st.just(False)),
       share=st.floats(0, 1))  # fmt: skip
def test_raw_is_the_nearest_step(field, share):
    """A value between two steps goes to the nearer one."""
    low, high = (field.value(raw) for raw in field.raw_limits)
    value = min(max(low + share * (high - low), low), high)
    miss = Fraction(value) * 10**field.decimals - (field.raw(value) * field.scale + field.offset)
    assert abs(miss) <= Fraction(field.scale, 2) + Fraction(abs(value) * 10**field.decimals) / 2**50


# --- out of range


@pytest.mark.parametrize(
    ("field", "value", "text"),
    [
        (VOLTAGE, 3277, "dc voltage 3277 is outside 0.00 to 3276.50 V"),
        (VOLTAGE, -1, "dc voltage -1 is outside 0.00 to 3276.50 V"),
        (TEMPERATURE_BYTE, 211, "dc voltage 211 is outside -40 to 210 °C"),
        (NUMBER, 1 << 21, "serial number 2097152 is outside 0 to 2097151"),
        (VOLTAGE, math.inf, "dc voltage inf is outside 0.00 to 3276.50 V"),
        (VOLTAGE, -math.inf, "dc voltage -inf is outside 0.00 to 3276.50 V"),
        (VOLTAGE, math.nan, "dc voltage nan is outside 0.00 to 3276.50 V"),
        (NUMBER, math.inf, "serial number inf is outside 0 to 2097151"),
        (NUMBER, math.nan, "serial number nan is outside 0 to 2097151"),
    ],
)
def test_what_a_field_cannot_say_is_refused(field, value, text):
    """A value outside the field's range, or no number at all, is refused with the range and its unit."""
    with pytest.raises(ValueError, match=f"^{re.escape(text)}$"):
        field.raw(value)


@pytest.mark.parametrize(
    ("field", "value", "raw"),
    [
        (VOLTAGE, None, 65535),
        (VOLTAGE, 13.85, 277),
        (VOLTAGE, 3276.5, 65530),
        (VOLTAGE, 3276.6, 65534),
        (VOLTAGE, -0.1, 65534),
        (VOLTAGE, math.inf, 65534),
        (VOLTAGE, math.nan, 65534),
        (CURRENT_LONG, None, 4294967295),
        (CURRENT_LONG, 3e6, 4294967294),
        (TEMPERATURE_BYTE, None, 255),
        (TEMPERATURE_BYTE, 211, 254),
        (TEMPERATURE_BYTE, -41, 254),
        (TEMPERATURE_BYTE, float("inf"), 254),
        (TEMPERATURE_BYTE, float("nan"), 254),
        (FieldSpec("on", 0, 2, special=Special.MEASURED), None, 3),
        (FieldSpec("on", 0, 2, special=Special.MEASURED), 2, 2),
        (FieldSpec("kind", 0, 4, special=Special.MEASURED), None, 15),
    ],
)
def test_a_sensor_says_no_data_and_out_of_range_by_code(field, value, raw):
    """A sensor without a reading sends all ones, one beyond its range the code for that (facts as above)."""
    assert field.sensor_raw(value) == raw


def test_a_sensor_without_a_code_for_out_of_range_cannot_say_it():
    """Where the type has no such code, a value beyond the range is refused."""
    with pytest.raises(ValueError, match=r"^kind 15 is outside 0 to 14$"):
        FieldSpec("kind", 0, 4, special=Special.MEASURED).sensor_raw(15)
    with pytest.raises(ValueError, match=r"^serial number -1 is outside 0 to 2097151$"):
        NUMBER.sensor_raw(-1)


# --- places


def bits_of(field, data):
    """Pick a field's bits out of the data one by one, most significant first."""
    if field.big_endian:
        places = [(place // 8, 7 - place % 8) for place in range(field.first, field.first + field.length)]
    else:
        places = [divmod(place, 8) for place in reversed(range(field.first, field.first + field.length))]
    if any(byte >= len(data) for byte, _ in places):
        return None
    number = sum((data[byte] >> bit & 1) << weight for weight, (byte, bit) in enumerate(reversed(places)))
    return number - (1 << field.length) if field.signed and number >> field.length - 1 else number


@given(
    data=st.binary(max_size=8), first=st.integers(0, 63), length=st.integers(1, 64), big=st.booleans(),
    signed=st.booleans(),
)  # fmt: skip
def test_a_field_is_read_bit_by_bit(data, first, length, big, signed):
    """Any place, width, byte order and sign gives the bits that stand there; a short frame gives nothing."""
    assume(first + length <= 64)
    field = FieldSpec("x", first, length, big_endian=big, signed=signed)
    assert field.raw_in(data) == bits_of(field, data)
    assert field.first_byte == first // 8
    assert field.last_byte == (first + length - 1) // 8


def test_a_field_of_two_bytes_is_read_low_byte_first():
    """RV-C numbers are little-endian: the worked frame of a battery maker's RV-C appendix has 276 in bytes 2 and 3."""
    data = bytes.fromhex("01 78 14 01 00 94 35 77")
    assert FieldSpec("dc_voltage", 16, 16).raw_in(data) == 276
    assert FieldSpec("dc_voltage", 16, 16, big_endian=True).raw_in(data) == 0x1401
    assert FieldSpec("dc_current", 32, 32).raw_in(data) == 2000000000


@pytest.mark.parametrize("count", range(9))
def test_a_field_is_there_once_its_last_byte_is(count):
    """A frame that ends within a field does not hold it."""
    field = FieldSpec("dc_voltage", 16, 16)
    assert (field.raw_in(bytes(count)) is None) is (count < 4)


# --- readings


def test_a_reading_with_a_value():
    """A value has a number, and is written by the name of its code if there is one, else with its unit."""
    reading = Reading(VOLTAGE, 277, VOLTAGE.state(277))
    assert (reading.value, reading.label, reading.brief) == (13.85, None, "13.9 V")
    reading = Reading(SWITCH, 1, SWITCH.state(1))
    assert (reading.value, reading.label, reading.brief) == (1, "on", "on")


@pytest.mark.parametrize(
    ("field", "raw", "words"),
    [
        (VOLTAGE, 65535, "no data"),
        (VOLTAGE, 65534, "out of range"),
        (VOLTAGE, 65533, "reserved"),
        (SWITCH, 3, "unchanged"),
        (SWITCH, None, "missing"),
    ],
)
def test_a_reading_without_a_value(field, raw, words):
    """A special code has no value and is written in words; so is a field that was not there."""
    reading = Reading(field, raw, field.state(raw))
    assert (reading.value, reading.label, reading.brief) == (None, None, words)


@pytest.mark.parametrize(
    ("special", "raw", "label", "shown", "brief"),
    [
        (Special.COMMANDED, 255, "none", None, "unchanged"),
        (Special.MEASURED, 255, "none", None, "no data"),
        (Special.MEASURED, 254, "broken", "broken", "out of range"),
        (Special.MEASURED, 7, "seven", "seven", "seven"),
        (Special.NONE, 255, "none", "none", "none"),
        (Special.MEASURED, None, None, None, "missing"),
    ],
)
def test_a_name_never_hides_no_data_or_unchanged(special, raw, label, shown, brief):
    """The name of all ones is not shown where the state says more: a command leaves the field as it is."""
    field = FieldSpec("kind", 0, 8, labels={7: "seven", 254: "broken", 255: "none"}, special=special)
    reading = Reading(field, raw, field.state(raw))
    assert (reading.label, reading.shown_label, reading.brief) == (label, shown, brief)


def test_names_and_units_as_spoken():
    """Underscores become spaces, and degrees get their sign."""
    assert VOLTAGE.title == "dc voltage"
    assert [field.printed_unit for field in (TEMPERATURE, VOLTAGE, NUMBER)] == ["°C", "V", ""]
    assert (TEMPERATURE.unit, VOLTAGE.unit_steps, NUMBER.unit_steps) == ("degC", 100, 1)


def test_a_field_of_the_users_own():
    """Without a word on its origin a definition is the user's; shared by all readings, it cannot be altered."""
    assert NUMBER.grades == USER_GRADES == Grades(Origin.USER, Origin.USER, Origin.USER)
    assert (NUMBER.special, NUMBER.labels, NUMBER.source, NUMBER.comment) == (Special.NONE, {}, "", "")
    assert (NUMBER.code_grades, NUMBER.alarms, NUMBER.moves_with) == ({}, {}, ())
    with pytest.raises(AttributeError):
        NUMBER.length = 22  # type: ignore[misc]

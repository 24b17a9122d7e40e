"""rvsim.wire.spec: every shipped message encoded and decoded, against cantools field by field."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire.coding import Coding, code_names
from rvsim.wire.fields import FieldSpec, Origin, Special, State
from rvsim.wire.spec import MessageSpec

EIGHT_BYTES = st.binary(min_size=8, max_size=8)
ANY_64_BITS = st.integers(0, (1 << 64) - 1)
"""Each example is tried with every shipped message; layouts of any kind are drawn in test_codec.py."""

PLAIN = MessageSpec(
    "PLAIN",
    0x1FFFD,
    6,
    8,
    (
        FieldSpec("instance", 0, 8, special=Special.MEASURED),
        FieldSpec("class", 8, 4, labels={2: "second"}),
        FieldSpec("dc_voltage", 16, 16, scale=5, decimals=2, unit="V", special=Special.MEASURED),
        FieldSpec("drift", 40, 8, signed=True),
    ),
)


@pytest.fixture(scope="module")
def layouts(catalogue, definition_files):
    """Return each shipped message that has fields: ours, and cantools'."""
    messages = [message for file in definition_files.values() for message in file.messages if message.signals]
    return [(catalogue.by_name(message.name), message) for message in messages]


def raws_in(message, data):
    """Return the raw integers that eight bytes hold, by cantools; any bytes stand for any integers."""
    return message.decode(data, decode_choices=False, scaling=False)


def close(ours, theirs, raw, signal):
    """Tell whether two values differ by no more than the rounding of cantools' product and sum."""
    largest = max(abs(raw * signal.scale), abs(signal.offset), abs(theirs))
    return abs(ours - theirs) <= 2 * math.ulp(largest)


@given(data=EIGHT_BYTES)
def test_encoding_agrees_with_cantools(layouts, data):
    """Any raw integers give the bytes that cantools gives, unused bits as ones."""
    for spec, theirs in layouts:
        raws = raws_in(theirs, data)
        assert spec.encode(raws) == theirs.encode(raws, scaling=False, strict=False, padding=True), spec.name


@given(data=st.binary(min_size=8, max_size=12))
def test_decoding_agrees_with_cantools(layouts, data):
    """Any eight bytes, and any more behind them, give the raw integers and the values that cantools gives."""
    for spec, theirs in layouts:
        values = theirs.decode(data, decode_choices=False, scaling=True)
        readings = spec.decode(data)
        assert {reading.field.name: reading.raw for reading in readings} == raws_in(theirs, data), spec.name
        assert spec.raws(data) == tuple(reading.raw for reading in readings), spec.name
        for reading in readings:
            signal = theirs.get_signal_by_name(reading.field.name)
            where = f"{spec.name} {signal.name}"
            assert close(reading.field.value(reading.raw), values[signal.name], reading.raw, signal), where
            assert reading.state == reading.field.state(reading.raw), where
            coding = signal.dbc.attributes.get("Coding")
            named = code_names(list(Coding)[coding.value]) if coding else {}
            label = ({**named, **(signal.choices or {})}).get(reading.raw)
            if signal.length >= 8 and label == str(reading.state):
                label = None  # the name of a special code, which is for other programs
            assert reading.label == label, where


@given(data=st.binary(max_size=7))
def test_short_frames_give_the_whole_fields(layouts, data):
    """A frame of fewer bytes gives the fields it holds whole, as cantools does; the others are missing."""
    for spec, theirs in layouts:
        held = theirs.decode(data, decode_choices=False, scaling=False, allow_truncated=True)
        readings = spec.decode(data)
        assert [reading.field.name for reading in readings] == [field.name for field in spec.fields]
        for reading in readings:
            where = f"{spec.name} {reading.field.name}"
            assert reading.raw == held.get(reading.field.name), where
            assert (reading.state is State.MISSING) is (reading.field.name not in held), where
            assert reading.value is None or reading.state is State.VALUE, where


def test_every_count_of_bytes_from_none_to_seven(layouts):
    """An empty frame gives no field, and each further byte those that end in it, as cantools does."""
    for spec, theirs in layouts:
        for count in range(8):
            held = theirs.decode(bytes(count), decode_choices=False, scaling=False, allow_truncated=True)
            raws = spec.raws(bytes(count))
            assert sum(raw is not None for raw in raws) == len(held), f"{spec.name}, {count} bytes"


@given(data=EIGHT_BYTES, names=ANY_64_BITS, later=ANY_64_BITS)
def test_what_is_not_named_is_sent_as_ones(layouts, data, names, later):
    """Fields that are not named, and bits that belong to no field, are ones (rv-c.com/node/522)."""
    for spec, theirs in layouts:
        raws = raws_in(theirs, data)
        named = {key for place, key in enumerate(sorted(raws)) if names >> place & 1}
        ones = {field.name: field.all_ones for field in spec.fields}
        expected = theirs.encode(ones | {key: raws[key] for key in named}, scaling=False, strict=False, padding=True)
        assert spec.encode({key: raws[key] for key in named}) == expected, spec.name
        assert spec.encode({}) == spec.pack() == b"\xff" * 8, spec.name
        given_later = {key for place, key in enumerate(sorted(raws)) if later >> place & 1} & named
        pack = spec.packer(*given_later, **{key: raws[key] for key in named - given_later})
        assert pack(**{key: raws[key] for key in given_later}) == expected, spec.name


@given(held=st.binary(min_size=8, max_size=10), which=st.integers(0, 63), bits=ANY_64_BITS)
def test_replacing_changes_one_field_only(layouts, held, which, bits):
    """Replacing a field changes its bits and no other bit, in unused bits and bytes behind the message neither."""
    for spec, theirs in layouts:
        field = spec.fields[which % len(spec.fields)]
        raw, where = bits & field.all_ones, f"{spec.name} {field.name}"
        changed = spec.replace(held, field.name, raw)
        alone = {other.name: field.all_ones if other is field else 0 for other in spec.fields}
        its_bits = theirs.encode(alone, scaling=False, strict=False, padding=False)
        moved = int.from_bytes(held, "little") ^ int.from_bytes(changed, "little")
        assert moved & ~int.from_bytes(its_bits, "little") == 0, where
        assert field.raw_in(changed) == raw, where
        assert len(changed) == len(held), where


def test_a_raw_integer_that_does_not_fit_is_refused(layouts):
    """One more than fits in any field is refused by the field's name."""
    for spec, field in ((one, field) for one, _ in layouts for field in one.fields):
        text = f"{field.name}: raw value {field.all_ones + 1} does not fit in {field.length} bits"
        with pytest.raises(ValueError, match=f"^{re.escape(text)}$"):
            spec.encode({field.name: field.all_ones + 1})


def test_the_head_agrees_with_cantools(catalogue, definition_files):
    """Number, priority, length, comment and place of definition are those of the file."""
    for theirs in (message for file in definition_files.values() for message in file.messages):
        spec = catalogue.by_name(theirs.name)
        destination = 0xFF if theirs.frame_id >> 16 & 0xFF < 0xF0 else None
        assert spec.identifier(theirs.frame_id & 0xFF, destination) == theirs.frame_id, spec.name
        assert (spec.name, spec.length, spec.comment) == (theirs.name, theirs.length, theirs.comment)
        assert [field.comment for field in spec.fields] == [signal.comment or "" for signal in theirs.signals]
        assert [field.unit for field in spec.fields] == [signal.unit or "" for signal in theirs.signals], spec.name


def test_the_worked_frame_of_a_battery_maker(catalogue):
    """A battery maker's RV-C appendix prints 01 78 14 01 00 94 35 77: instance 1, priority 120, 13.8 V, 0 A."""
    data = bytes.fromhex("01 78 14 01 00 94 35 77")
    spec = catalogue.by_name("DC_SOURCE_STATUS_1")
    readings = {reading.field.name: reading for reading in spec.decode(data)}
    assert [readings[name].raw for name in spec.by_name] == [1, 120, 276, 2000000000]
    assert [readings[name].value for name in spec.by_name] == [1, 120, 13.8, 0.0]
    assert readings["dc_voltage"].field.text(276) == "13.80"
    assert spec.encode({"instance": 1, "device_priority": 120, "dc_voltage": 276, "dc_current": 2000000000}) == data
    # the identifier: priority 6, DGN 1FFFDh, and the source address 45h that the same maker states
    assert spec.identifier(0x45) == 0x19FFFD45


def test_a_heartbeat_without_a_fault(catalogue):
    """SPN 7FFFFh and FMI 1Fh when nothing is wrong (rv-c.com/node/522), whatever else is in the frame."""
    raws = dict(zip(catalogue.by_name("DM_RV").by_name, catalogue.by_name("DM_RV").raws(b"\xff" * 8), strict=True))
    assert (raws["spn"], raws["fmi"]) == (0x7FFFF, 0x1F)


def test_special_codes_are_told_before_scaling():
    """All ones in a voltage is no data and never 3276.75 V."""
    (instance, second, voltage, drift) = PLAIN.decode(b"\xff" * 8)
    assert (instance.state, voltage.state) == (State.NO_DATA, State.NO_DATA)
    assert (instance.value, voltage.value) == (None, None)
    assert (second.value, second.label) == (15, None)
    assert drift.value == -1


def test_a_field_with_a_name_python_needs_is_encoded_by_its_own_name():
    """The underscore is for keyword arguments only."""
    assert PLAIN.encode({"class": 2}) == PLAIN.pack(class_=2) == bytes.fromhex("FF F2 FF FF FF FF FF FF")
    assert PLAIN.replace(bytes(8), "class", 2) == bytes.fromhex("00 02 00 00 00 00 00 00")
    assert PLAIN.decode(bytes.fromhex("00 02"))[1].label == "second"


def test_replacing_a_signed_field():
    """A signed field is replaced bit by bit like any other."""
    assert PLAIN.replace(bytes(8), "drift", -2) == bytes.fromhex("00 00 00 00 00 FE 00 00")
    assert PLAIN.replace(b"\xff" * 6, "drift", 1) == bytes.fromhex("FF FF FF FF FF 01")


def test_no_message_takes_a_field_it_does_not_have(layouts):
    """Whatever the message, an unknown field is refused and nothing is encoded."""
    for spec, _ in layouts:
        with pytest.raises(ValueError, match=f"^{spec.name} has no field 'nonsense'; it has: "):
            spec.encode({"nonsense": 1})


@pytest.mark.parametrize("change", [PLAIN.encode, lambda raws: PLAIN.replace(bytes(8), *next(iter(raws.items())))])
def test_an_unknown_field_is_refused_with_a_hint(change):
    """The error names the message, the word, the closest field and all fields."""
    text = "PLAIN has no field 'dc_volt' (did you mean \"dc_voltage\"?); it has: instance, class, dc_voltage, drift"
    with pytest.raises(ValueError, match=f"^{re.escape(text)}$"):
        change({"dc_volt": 1})


def test_a_keyword_is_no_name_of_a_field():
    """A field is encoded by its own name only, not by the keyword that stands for it."""
    with pytest.raises(ValueError, match=r"^PLAIN has no field 'class_' \(did you mean \"class\"\?\)"):
        PLAIN.encode({"class_": 2})


def test_a_raw_value_is_an_integer(catalogue):
    """Something else than an integer is refused and never rounded in secret."""
    for spec in (PLAIN, catalogue.by_name("DC_SOURCE_STATUS_1")):
        with pytest.raises(TypeError):
            spec.encode({"instance": 1.5})  # type: ignore[dict-item]


def test_a_field_that_is_not_there_cannot_be_replaced():
    """Bytes that end before the field are left alone."""
    assert PLAIN.replace(bytes(4), "dc_voltage", 1) == bytes.fromhex("00 00 01 00")
    with pytest.raises(ValueError, match=r"^3 bytes do not contain PLAIN dc_voltage$"):
        PLAIN.replace(bytes(3), "dc_voltage", 1)


def test_needed_bytes_end_with_the_last_field():
    """Bytes behind the last field are not needed; a message without fields needs none."""
    assert PLAIN.min_length == 6
    assert MessageSpec("EMPTY", 0x1FFFD, 6, 8, ()).min_length == 0
    assert MessageSpec("EMPTY", 0x1FFFD, 6, 8, ()).decode(b"") == ()


def test_the_instance_is_the_first_field_of_that_name():
    """Only the first field can be the instance, and only where its name ends so."""
    first = FieldSpec("output_instance", 0, 8)
    other = FieldSpec("level", 8, 8)
    assert MessageSpec("A", 0x1FFFD, 6, 8, (first, other)).instance == first
    assert MessageSpec("B", 0x1FFFD, 6, 8, (other, first)).instance is None
    assert MessageSpec("C", 0x1FFFD, 6, 8, ()).instance is None


def test_an_addressed_message_needs_its_destination(catalogue):
    """An identifier of an addressed DGN has a destination, that of a broadcast has none."""
    request = catalogue.by_name("REQUEST_FOR_DGN")
    # memory (textbook form): F9h asks all nodes
    assert request.identifier(0xF9, 0xFF) == 0x18EAFFF9
    with pytest.raises(ValueError, match=r"^DGN 0EA00 hex needs a destination within 0\.\.255$"):
        request.identifier(0xF9)


def test_a_message_of_the_users_own_says_so():
    """Without a word on gap and origin there is none, and the definition is the user's."""
    assert (PLAIN.gap_us, PLAIN.rule, PLAIN.origin) == (None, "", Origin.USER)
    assert (PLAIN.source, PLAIN.comment, PLAIN.file) == ("", "", "")


def test_a_definition_cannot_be_altered():
    """Messages are shared by all who decode, so none can be changed."""
    with pytest.raises(AttributeError):
        PLAIN.length = 7  # type: ignore[misc]


@pytest.mark.parametrize(
    ("name", "protocol"),
    [
        ("ACKNOWLEDGMENT", True), ("REQUEST_FOR_DGN", True), ("ADDRESS_CLAIM", True), ("INITIAL_PACKET", True),
        ("DATA_PACKET", True), ("DM_RV", True), ("DM1", True), ("PRODUCT_IDENTIFICATION", True),
        ("SOFTWARE_IDENTIFICATION", True), ("VEHICLE_IDENTIFICATION", True), ("COMMANDED_ADDRESS", True),
        ("GENERAL_RESET", True), ("PROPRIETARY_MESSAGE", True), ("TERMINAL", True),
        ("DC_SOURCE_STATUS_1", False), ("FURNACE_COMMAND", False), ("DATE_TIME_STATUS", False),
        ("GENERIC_CONFIGURATION_STATUS", False), ("AMBIENT_CONDITIONS", False),
    ],
)  # fmt: skip
def test_messages_that_keep_the_network_going_are_told_from_readings(catalogue, name, protocol):
    """Requests, answers, claims, long messages, diagnostics, texts and resets say nothing that could be judged."""
    assert catalogue.by_name(name).is_protocol is protocol


def test_the_protocol_is_known_by_number_whatever_the_user_calls_it():
    """A user's own name for the heartbeat's number makes it no reading."""
    assert MessageSpec("MY_HEARTBEAT", 0x1FECA, 6, 8, ()).is_protocol
    assert not MessageSpec("DM_RV", 0x1FF00, 6, 8, ()).is_protocol

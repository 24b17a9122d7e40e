"""The shipped message definitions, held against what was not made from the same table.

canmatrix reads DBC files with code of its own and has to find what cantools finds. tests/vectors/examples.csv has
figures that makers and the standard's site publish, each with its source. Two frames are written out by hand.
"""

import csv
import re
from decimal import Decimal
from pathlib import Path

import canmatrix.formats
import cantools
import pytest
from cantools.j1939 import frame_id_unpack, pgn_pack
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.shipped import dbc_files

EXAMPLES = Path(__file__).parents[1] / "vectors" / "examples.csv"

MESSAGES = {
    message.name: message
    for path in dbc_files()
    for message in cantools.database.load_file(path, database_format="dbc", strict=True).messages
}
FRAMES = {frame.name: frame for path in dbc_files() for frame in canmatrix.formats.loadp_flat(str(path)).frames}


def stated(item):
    """Return the attributes of a message or signal as words, as cantools reads them, long names apart."""
    return {
        name: a.definition.choices[a.value] if a.definition.type_name == "ENUM" else str(a.value)
        for name, a in item.dbc.attributes.items()
        if name != "SystemSignalLongSymbol"
    }


def stated_again(item):
    """Return the attributes of a frame or signal as words, as canmatrix reads them."""
    return {name: text.strip('"') for name, text in item.attributes.items()}


def examples(scope):
    """Return the published rows of one scope."""
    with EXAMPLES.open(newline="", encoding="ascii") as file:
        return [row for row in csv.DictReader(file) if row["scope"] == scope]


def raw_values(name, text):
    """Take a frame apart into raw values; bytes that the source leaves open (xx) are zeros."""
    data = bytes.fromhex(text.replace("xx", "00"))
    return MESSAGES[name].decode(data, decode_choices=False, scaling=False)


def test_both_readers_find_the_same_messages():
    """canmatrix finds every message that cantools finds, and no other."""
    assert list(FRAMES) == list(MESSAGES)


@pytest.mark.parametrize("name", MESSAGES)
def test_second_reader_sees_the_same_layout(name):
    """canmatrix finds the same identifier, fields, places, exact scales, ranges, names and attributes as cantools."""
    message, frame = MESSAGES[name], FRAMES[name]
    assert (frame.arbitration_id.id, frame.arbitration_id.extended, frame.size) == (message.frame_id, True, 8)
    assert frame.comment == message.comment
    assert stated_again(frame) == stated(message)
    theirs = {signal.name: signal for signal in frame.signals}
    assert set(theirs) == {signal.name for signal in message.signals}
    for ours in message.signals:
        other = theirs[ours.name]
        assert other.get_startbit(bit_numbering=1) == ours.start, ours.name
        assert (other.size, other.is_little_endian) == (ours.length, ours.byte_order == "little_endian")
        assert (other.factor, other.offset) == (Decimal(str(ours.scale)), Decimal(str(ours.offset))), ours.name
        assert (float(other.min), float(other.max), other.unit) == (ours.minimum, ours.maximum, ours.unit or "")
        assert other.values == {code: str(text) for code, text in (ours.choices or {}).items()}, ours.name
        assert stated_again(other) == stated(ours), ours.name


@pytest.mark.parametrize("name", MESSAGES)
@settings(deadline=None, max_examples=25)
@given(data=st.binary(min_size=8, max_size=8))
def test_second_reader_takes_frames_apart_alike(name, data):
    """Both readers find the same raw values in any eight bytes, and pack them into the same bytes again."""
    message, frame = MESSAGES[name], FRAMES[name]
    raw = message.decode(data, decode_choices=False, scaling=False)
    assert {key: part.raw_value for key, part in frame.decode(data).items()} == raw
    packed = message.encode(raw, scaling=False, strict=False)
    assert bytes(frame.encode(raw, fill_value=False)) == packed


def test_numbers_are_those_makers_print():
    """The DGNs that makers print in hex and decimal are ours."""
    printed = {}
    for row in examples("RV-C DGN hex/decimal pair"):
        if row["published_meaning"] in MESSAGES:
            pair = re.fullmatch(r"([0-9A-F]{5})h = (\d+)", row["can_id_or_dgn"])
            printed[row["published_meaning"]] = [int(pair[1], 16), int(pair[2])]
    power = {"DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2", "DC_SOURCE_STATUS_3", "CHARGER_STATUS", "CHARGER_STATUS_2"}
    assert set(printed) == power | {"REQUEST_FOR_DGN", "ADDRESS_CLAIM", "DM_RV"}
    for name, pair in printed.items():
        ident = frame_id_unpack(MESSAGES[name].frame_id)
        specific = 0 if ident.pdu_format < 240 else ident.pdu_specific
        assert [pgn_pack(ident.reserved, ident.data_page, ident.pdu_format, specific)] * 2 == pair


def test_worked_frame_of_a_battery_maker():
    """The printed DC_SOURCE_STATUS_1 frame: instance 1, priority 120, 276 x 0.05 V, 2000000000 for 0 A."""
    (row,) = examples("RV-C DC_SOURCE_STATUS_1")
    assert raw_values("DC_SOURCE_STATUS_1", row["data_hex"]) == {
        "instance": 1,
        "device_priority": 120,
        "dc_voltage": 276,
        "dc_current": 2000000000,
    }


def test_heartbeat_without_a_fault():
    """SPN 7FFFFh and FMI 1Fh are what bytes 2 to 4 of all ones give (rv-c.com/node/522)."""
    (row,) = examples("RV-C DM_RV, no fault")
    values = raw_values("DM_RV", row["data_hex"])
    assert (values["spn"], values["fmi"]) == (0x7FFFF, 0x1F)


def test_spn_goes_most_significant_byte_first():
    """SPN = byte 2 * 2048 + byte 3 * 8 + upper three bits of byte 4, written out by hand."""
    values = raw_values("DM_RV", "00 00 01 02 A3 00 00 00")
    assert (values["spn"], values["fmi"]) == (1 * 2048 + 2 * 8 + 5, 3)


def test_name_is_split_at_bit_21():
    """The serial number takes 21 bits, the manufacturer code the next 11 (SAE J1939-81), written out by hand."""
    values = raw_values("ADDRESS_CLAIM", "05 00 40 01 00 00 00 80")
    assert {key: value for key, value in values.items() if value} == {
        "serial_number": 5,
        "manufacturer_code": 10,
        "arbitrary_address_capable": 1,
    }


@pytest.mark.parametrize(
    ("scope", "name", "signal", "raw", "physical"),
    [
        ("RV-C voltage scale", "DC_SOURCE_STATUS_1", "dc_voltage", 0x010E, "13.5"),
        ("RV-C voltage range uint16", "CHARGER_STATUS", "charge_voltage", 64250, "3212.5"),
        ("RV-C current scale uint32", "DC_SOURCE_STATUS_1", "dc_current", 0x77359400, "0"),
        ("RV-C current scale uint16", "CHARGER_STATUS", "charge_current", 0x7D00, "0"),
        ("RV-C current scale uint16", "CHARGER_STATUS_2", "charging_current", 64250, "1612.5"),
        ("RV-C temperature range uint16", "DC_SOURCE_STATUS_2", "source_temperature", 0, "-273"),
        ("RV-C temperature range uint16", "WATERHEATER_STATUS", "water_temperature", 64256, "1735"),
        ("J1939/RV-C temperature scale uint8", "CHARGER_STATUS_2", "charger_temperature", 0, "-40"),
        ("RV-C percent", "FURNACE_STATUS", "heat_output_level", 200, "100"),
    ],
)
def test_scales_are_those_makers_print(scope, name, signal, raw, physical):
    """A raw value printed by a maker or on the standard's site stands for the printed quantity, exactly."""
    (row,) = examples(scope)
    assert physical in row["published_meaning"] + row["check"]
    item = next(s for s in FRAMES[name].signals if s.name == signal)
    assert raw * item.factor + item.offset == Decimal(physical)

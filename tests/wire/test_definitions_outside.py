"""The shipped message definitions, compared with sources other than that table.

canmatrix reads DBC files with code of its own and has to find what cantools finds. tests/vectors/examples.csv has
figures that makers and the standard's site publish, each with its source. Some frames are written out by hand.
"""

import csv
import re
from decimal import Decimal
from pathlib import Path

import canmatrix.formats
import pytest
from cantools.j1939 import frame_id_unpack, pgn_pack
from hypothesis import given
from hypothesis import strategies as st

from rvsim.shipped import dbc_files

EXAMPLES = Path(__file__).parents[1] / "vectors" / "examples.csv"


@pytest.fixture(scope="module")
def messages(definition_files):
    """Return the messages by name, as cantools reads them."""
    return {message.name: message for file in definition_files.values() for message in file.messages}


@pytest.fixture(scope="module")
def frames():
    """Return the messages by name, as canmatrix reads them."""
    return {frame.name: frame for path in dbc_files() for frame in canmatrix.formats.loadp_flat(str(path)).frames}


def stated(item):
    """Return the attributes of a message or signal as words, as cantools reads them, long names apart."""
    return {
        name: a.definition.choices[a.value] if a.definition.type_name == "ENUM" else str(a.value)
        for name, a in item.dbc.attributes.items()
        if name not in ("SystemSignalLongSymbol", "SystemMessageLongSymbol")
    }


def stated_again(item):
    """Return the attributes of a frame or signal as words, as canmatrix reads them."""
    return {name: text.strip('"') for name, text in item.attributes.items()}


def examples(scope):
    """Return the published rows of one scope."""
    with EXAMPLES.open(newline="", encoding="ascii") as file:
        return [row for row in csv.DictReader(file) if row["scope"] == scope]


def dgn_of(message):
    """Return a message's DGN by cantools' own J1939 rules."""
    ident = frame_id_unpack(message.frame_id)
    specific = 0 if ident.pdu_format < 240 else ident.pdu_specific
    return pgn_pack(ident.reserved, ident.data_page, ident.pdu_format, specific)


@pytest.fixture(scope="module")
def raw_values(messages):
    """Take a frame apart into raw values; bytes that the source leaves open (xx) are zeros."""

    def go(name, text):
        data = bytes.fromhex(text.replace("xx", "00"))
        return messages[name].decode(data, decode_choices=False, scaling=False)

    return go


def test_both_readers_find_the_same_messages(messages, frames):
    """canmatrix finds every message that cantools finds, and no other."""
    assert list(frames) == list(messages)


def test_second_reader_sees_the_same_layout(messages, frames):
    """canmatrix finds the same identifier, fields, places, exact scales, ranges, names and attributes as cantools."""
    for name, message in messages.items():
        frame = frames[name]
        assert (frame.arbitration_id.id, frame.arbitration_id.extended, frame.size) == (message.frame_id, True, 8), name
        assert frame.comment == message.comment, name
        assert {key: said for key, said in stated_again(frame).items() if "Long" not in key} == stated(message), name
        theirs = {signal.name: signal for signal in frame.signals}
        assert set(theirs) == {signal.name for signal in message.signals}, name
        for ours in message.signals:
            other, where = theirs[ours.name], f"{name} {ours.name}"
            assert other.get_startbit(bit_numbering=1) == ours.start, where
            assert (other.size, other.is_little_endian) == (ours.length, ours.byte_order == "little_endian"), where
            assert (other.factor, other.offset) == (Decimal(str(ours.scale)), Decimal(str(ours.offset))), where
            assert (float(other.min), float(other.max)) == (ours.minimum, ours.maximum), where
            assert other.unit == (ours.unit or ""), where
            assert other.values == {code: str(text) for code, text in (ours.choices or {}).items()}, where
            assert stated_again(other) == stated(ours), where


@given(data=st.binary(min_size=8, max_size=8))
def test_second_reader_takes_frames_apart_alike(messages, frames, data):
    """Both readers find the same raw values in any eight bytes, and pack them into the same bytes again."""
    for name, message in messages.items():
        if message.signals:
            raw = message.decode(data, decode_choices=False, scaling=False)
            assert {key: part.raw_value for key, part in frames[name].decode(data).items()} == raw, name
            packed = message.encode(raw, scaling=False, strict=False)
            assert bytes(frames[name].encode(raw, fill_value=False)) == packed, name


def test_numbers_are_those_makers_print(messages):
    """The DGNs that makers print in hex and decimal are ours."""
    printed = {}
    for row in examples("RV-C DGN hex/decimal pair"):
        pair = re.fullmatch(r"([0-9A-F]{5})h = (\d+)", row["can_id_or_dgn"])
        printed[re.sub("_ID$", "_IDENTIFICATION", row["published_meaning"])] = [int(pair[1], 16), int(pair[2])]
    assert len(printed) == 16
    for name, numbers in printed.items():
        assert [dgn_of(messages[name])] * 2 == numbers


def test_the_fault_message_of_j1939_has_its_number(messages):
    """An engine maker prints PGN 00FECA = 65226 at priority 6 for DM1."""
    (row,) = examples("J1939 DM1 PGN")
    assert [dgn_of(messages["DM1"])] * 2 == [int(row["can_id_or_dgn"], 16), 254 * 256 + 202]
    assert "65226" in row["check"]
    assert frame_id_unpack(messages["DM1"].frame_id).priority == 6


def test_a_fault_in_the_other_order(raw_values):
    """SPN 520209 = 7F011h is bytes 11 F0 and high bits 7 (an engine maker's display manual), FMI 2, count 5."""
    (row,) = examples("J1939 DM1 single frame")
    assert "520209 = 7F011h -> bytes 11 F0 and high bits 7" in row["check"]
    values = raw_values("DM1", "04 FF 11 F0 E2 05 FF FF")
    spn = values["spn_low_byte"] + (values["spn_second_byte"] << 8) + (values["spn_high_3_bits"] << 16)
    assert (spn, values["fmi"], values["occurrence_count"]) == (520209, 2, 5)
    assert (values["amber_warning_lamp"], values["red_stop_lamp"], values["spn_conversion_method"]) == (1, 0, 0)


@pytest.mark.parametrize(
    ("instance", "line", "way"), [(65, 1, "output"), (81, 2, "output"), (1, 1, "input"), (17, 2, "input")]
)
def test_instance_byte_of_the_ac_pages(messages, instance, line, way):
    """An energy gateway maker prints 65, 81, 1 and 17 for instance 1 in both directions and on both lines."""
    row = next(r for r in examples("RV-C AC instance byte") if int(r["data_hex"], 16) == instance)
    assert row["published_meaning"] == f"{instance} = AC {way}, line {line}, instance 1"
    pages = [name for name in messages if re.search(r"_AC_STATUS_[1-4]$", name)]
    assert len(pages) == 20
    for name in pages:
        said = messages[name].decode(bytes([instance]) + b"\xff" * 7)
        assert (said["instance"], said["ac_line"], said["input_output"]) == (1, f"line {line}", way), name


def test_groups_are_those_of_the_proposal(catalogue):
    """7Eh is group 1, 7Dh group 2, 00h all groups, FFh no data (a copy of the window shade proposal)."""
    rows = {int(row["data_hex"], 16): row["published_meaning"] for row in examples("RV-C group bitmap")}
    assert sorted(rows) == [0x00, 0x7D, 0x7E, 0xFF]
    grouped = [spec for spec in catalogue if "group" in spec.by_name]
    assert grouped
    for spec in grouped:
        for raw, meaning in rows.items():
            (said,) = (each for each in spec.decode(bytes([1, raw]) + b"\xff" * 6) if each.field.name == "group")
            assert said.brief == meaning.removeprefix(f"{raw:08b}b = "), spec.name


def test_the_pattern_of_a_keypad_maker(messages):
    """Instance, pressed, momentary, two positions, bank 15, the rest ones; the instance and open bits are ours."""
    (row,) = examples("RV-C DIGITAL_INPUT_STATUS")
    data = row["data_hex"].replace("ii", "07").replace("xx", "FD").replace("xF", "FF")
    assert messages["DIGITAL_INPUT_STATUS"].decode(bytes.fromhex(data)) == {
        "instance": 7,
        "switch_position": "on",
        "configuration": "momentary",
        "number_of_positions": "on/off",
        "bank_select": "none",
    }


def test_worked_frame_of_a_battery_maker(raw_values):
    """The printed DC_SOURCE_STATUS_1 frame: instance 1, priority 120, 276 x 0.05 V, 2000000000 for 0 A."""
    (row,) = examples("RV-C DC_SOURCE_STATUS_1")
    assert raw_values("DC_SOURCE_STATUS_1", row["data_hex"]) == {
        "instance": 1,
        "device_priority": 120,
        "dc_voltage": 276,
        "dc_current": 2000000000,
    }


def test_heartbeat_without_a_fault(raw_values):
    """SPN 7FFFFh and FMI 1Fh are what bytes 2 to 4 of all ones give (rv-c.com/node/522)."""
    (row,) = examples("RV-C DM_RV, no fault")
    values = raw_values("DM_RV", row["data_hex"])
    assert (values["spn"], values["fmi"]) == (0x7FFFF, 0x1F)


def test_spn_goes_most_significant_byte_first(raw_values):
    """SPN = byte 2 * 2048 + byte 3 * 8 + upper three bits of byte 4, written out by hand."""
    values = raw_values("DM_RV", "00 00 01 02 A3 00 00 00")
    assert (values["spn"], values["fmi"]) == (1 * 2048 + 2 * 8 + 5, 3)


def test_name_is_split_at_bit_21(raw_values):
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
        ("RV-C percent", "AIR_CONDITIONER_STATUS", "fan_speed", 200, "100"),
        ("RV-C percent", "WINDOW_SHADE_CONTROL_STATUS", "motor_duty", 200, "100"),
        ("RV-C dV/dt", "DC_SOURCE_STATUS_5", "dc_voltage_rate_of_change", 32000, "0"),
        ("RV-C current scale uint16", "DC_SOURCE_STATUS_4", "desired_dc_current", 0x7D00, "0"),
        ("RV-C current scale uint16", "INVERTER_AC_STATUS_1", "rms_current", 64250, "1612.5"),
        ("RV-C voltage range uint16", "INVERTER_AC_STATUS_1", "rms_voltage", 64250, "3212.5"),
        ("RV-C temperature range uint16", "FLOOR_HEAT_STATUS", "measured_temperature", 9216, "15"),
    ],
)
def test_scales_are_those_makers_print(frames, scope, name, signal, raw, physical):
    """A raw value printed by a maker or on the standard's site stands for the printed quantity, exactly."""
    (row,) = examples(scope)
    assert physical in row["published_meaning"] + row["check"]
    item = next(s for s in frames[name].signals if s.name == signal)
    assert raw * item.factor + item.offset == Decimal(physical)


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        (
            "INVERTER_AC_STATUS_1",  # 0960h = 2400 x 0.05 V; 7DB0h = 32176 x 0.05 - 1600 A; 1E00h = 7680 / 128 Hz
            "51 60 09 B0 7D 00 1E 04",
            {
                "instance": 1, "ac_line": "line 2", "input_output": "output", "rms_voltage": 120.0, "rms_current": 8.8,
                "frequency": 60.0, "fault_open_ground": "no fault", "fault_open_neutral": "fault",
                "fault_reverse_polarity": "no fault", "fault_ground_current": "no fault",
            },
        ),
        (
            "DC_DIMMER_COMMAND_2",  # half bright in group 2, over five minutes
            "07 7D 64 00 F1 FE 0A FF",
            {
                "instance": 7, "group": "group 2", "desired_level": 50, "command": "set level (with delay)",
                "delay_duration": "5 min", "interlock": "interlock B", "ramp_time": 1.0,
            },
        ),
        (
            "DATE_TIME_STATUS",  # Wednesday 25 November 2026, 03:41:05
            "1A 0B 19 04 03 29 05 FF",
            {
                "year": 2026, "month": 11, "day_of_month": 25, "day_of_week": "Wednesday", "hour": 3, "minute": 41,
                "second": 5, "time_zone": None,
            },
        ),
        (
            "AWNING_STATUS",  # nothing is known of byte 3 and of the lower six bits of byte 4
            "01 01 32 AB 55 F1 FF FF",
            {
                "instance": "main patio awning", "motion": "extending", "position": 25.0,
                "oem_extension_lock": "will not extend, lock-out signal", "awning_light": "on",
                "secondary_light": "off",
            },
        ),
        (
            "GENERATOR_STATUS_1",  # 123456 = 01E240h minutes; 65 % load; 0104h = 260 x 0.05 V
            "03 40 E2 01 00 82 04 01",
            {"status": "running", "engine_run_time": 123456, "engine_load": 65.0, "start_battery_voltage": 13.0},
        ),
        (
            "THERMOSTAT_SCHEDULE_STATUS_2",  # Monday to Friday
            "01 01 54 C5 FF FF FF FF",
            {
                "instance": 1, "schedule_mode_instance": "wake",
                **{f"schedule_active_on_{day}": "scheduled" for day in ("monday", "tuesday", "wednesday")},
                **{f"schedule_active_on_{day}": "scheduled" for day in ("thursday", "friday")},
                "schedule_active_on_sunday": "not scheduled", "schedule_active_on_saturday": "not scheduled",
            },
        ),
    ],
)  # fmt: skip
def test_frames_written_out_by_hand(catalogue, name, data, said):
    """Places, steps, offsets and names of a message of each subject, bit by bit as the table of signals has them."""
    found = catalogue.by_name(name).decode(bytes.fromhex(data))
    assert {reading.field.name: reading.label or reading.value for reading in found} == said

"""Messages listed, found by a word, and explained byte by byte."""

import json

import pytest

from rvsim.errors import InputError
from rvsim.faces.text.spell import as_json
from rvsim.faces.text.spell_example import example_frame
from rvsim.faces.text.spell_layout import layout_json, layout_text
from rvsim.faces.text.spell_list import SUBJECTS, found_json, found_messages, found_text, list_json, list_text
from rvsim.faces.text.spell_senders import parties
from rvsim.wire.fields import State


def layout(catalogue, name):
    """The layout of a message in one line."""
    return " ".join("\n".join(layout_text(catalogue.by_name(name), catalogue)).split())


def test_every_message_is_listed_once(catalogue):
    """Under the subject of its file, with its DGN; the JSON form has the same."""
    lines = list(list_text(catalogue))
    listed = [line.split()[:2] for line in lines if line.startswith("  ")]
    assert sorted(map(tuple, listed)) == sorted((f"{spec.dgn:05X}", spec.name) for spec in catalogue)
    assert [line for line in lines if line in SUBJECTS.values()] == list(SUBJECTS.values())
    assert [one["message"] for one in json.loads(list_json(catalogue))["messages"]] == catalogue.names
    assert max(map(len, lines)) <= 80


def test_a_word_is_found_in_names_first(catalogue):
    """Then in fields, codes, functions and descriptions; several words have to be there together."""
    found = found_messages("tank", catalogue)
    assert [hit.spec.name for hit in found][:3] == ["TANK_STATUS", "TANK_CALIBRATION_COMMAND", "TANK_GEOMETRY_STATUS"]
    assert found[-1].spec.name == "AUTOFILL_COMMAND"
    assert any("function tank filling" in line for line in found_text("tank", found))
    assert [hit.spec.name for hit in found_messages("ambient Temperature", catalogue)]
    assert json.loads(found_json("tank", found))["messages"][0]["dgn"] == "1FFB7"
    with pytest.raises(InputError, match="occurs in no message"):
        found_messages("zzz", catalogue)
    with pytest.raises(InputError, match="needs a word"):
        found_messages(" ", catalogue)


def test_the_layout_of_a_thermostat(catalogue):
    """Types and special codes of the standard's data types (rv-c.com/node/522 and 500), the steps of a temperature."""
    said = layout(catalogue, "THERMOSTAT_STATUS_1")
    assert "THERMOSTAT_STATUS_1, DGN 1FFE2 hex (131042)" in said
    assert "Sent every 5 s; priority 6" in said
    assert "byte 1 bits 0-3: operating mode, bit4 codes: 0 off, 1 cool, 2 heat" in said
    assert "bytes 3-4: set point temperature heat, uint16 number × 0.03125 - 273 = °C: -273 to 1774.8125 °C" in said
    assert "special codes, in hex: FFFF no data; FFFE out of range; FFFB to FFFD reserved" in said
    assert "special codes, in binary: 11 no data; 10 error" in said
    assert "Unused: byte 7, sent as ones." in said
    assert "control panel (address 44) in ottersby" in said


def test_a_command_says_unchanged_and_who_takes_it(catalogue):
    """All ones of a command leave a setting as it is (rv-c.com/node/522)."""
    said = layout(catalogue, "ROOF_FAN_COMMAND_1")
    assert "FF unchanged" in said
    assert "Taken by: roof fan" in said
    assert "any device may send it" in said


def test_what_has_no_layout_says_so(catalogue):
    """A message that is known by its name only; nothing is invented."""
    said = layout(catalogue, "WASTEDUMP_STATUS")
    assert "no layout of it is established" in said
    assert json.loads(layout_json(catalogue.by_name("WASTEDUMP_STATUS")))["example"] is None


def test_every_message_has_a_layout_of_eighty_columns(catalogue):
    """And an example whose fields all carry values, read back by the decoder of frames."""
    for spec in catalogue:
        lines = list(layout_text(spec, catalogue))
        assert max(map(len, lines)) <= 80, spec.name
        told = json.loads(layout_json(spec))
        assert len(told["fields"]) == len(spec.fields)
        if spec.fields:
            frame = example_frame(spec, parties(spec))
            assert told["example"]["identifier"] == f"{frame.identifier:08X}"
            spelled = json.loads(as_json(frame, catalogue))
            assert spelled["message"] == spec.name
            assert {field["state"] for field in spelled["fields"]} <= {str(State.VALUE)}, spec.name


def test_worked_frames_of_the_network_are_right(catalogue):
    """Their fields belong together: a heartbeat without a fault, an announcement that fits; any node sends them."""
    for name, says in (
        ("DM_RV", "bytes 2-4, 19 bits spn 7FFFF hex = 524287: no fault"),
        ("DM_RV", "No fault."),
        ("DM_RV", "byte 1: dsa, uint8"),
        ("DM1", "Fault SPN 100, FMI 1"),
        ("INITIAL_PACKET", "message of 20 bytes in 3 packets to everyone"),
        ("REQUEST_FOR_DGN", "The desired DGN 0FEEB hex is PRODUCT_IDENTIFICATION."),
        ("ADDRESS_CLAIM", "reserved bit 0 binary = 0"),
    ):
        said = layout(catalogue, name)
        assert says in said
        assert "It belongs to no function: any node may send it." in said
        assert "Wrong in this frame" not in said
        assert "red lamp status 01 binary = 1" not in said
    assert "any node may send it" not in layout(catalogue, "TANK_STATUS")


def test_only_what_is_left_out_is_counted(catalogue):
    """Never "and 0 more"."""
    words = ("tank", "mode", "lamp", "current")
    said = [line for word in words for line in found_text(word, found_messages(word, catalogue))]
    assert any(" more" in line for line in said)
    assert not any("and 0 more" in line or "and -" in line for line in said)

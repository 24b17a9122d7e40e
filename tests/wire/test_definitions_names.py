"""The shipped message definitions: every number of the table has a name, and the files can be read by any tool.

The numbers are those of tests/vectors/dgns.csv; test_definitions.py holds the rest against the tables.
"""

import csv
import re
from collections import Counter
from pathlib import Path

import pytest
from cantools.j1939 import frame_id_unpack

from rvsim.shipped import dbc_files
from rvsim.wire.fields import State

TABLE = Path(__file__).parents[1] / "vectors" / "dgns.csv"
with TABLE.open(newline="", encoding="ascii") as opened:
    ROWS = {row["name"]: row for row in csv.DictReader(opened)}
NUMBERED = {name: int(row["dgn_hex"], 16) for name, row in ROWS.items() if row["dgn_hex"]}


@pytest.fixture(scope="module")
def messages(definition_files):
    """Return every message as cantools reads it."""
    return [message for file in definition_files.values() for message in file.messages]


def test_every_number_of_the_table_is_known_by_name(catalogue):
    """A frame of any of them has a name, layout or not, and the name leads to the number."""
    for name, dgn in NUMBERED.items():
        spec = catalogue.by_dgn(dgn)
        assert spec is not None, name
        assert (spec.name, spec.dgn) == (name, dgn)
        assert catalogue.by_name(name) is spec, name


def test_nothing_else_is_known(catalogue):
    """No message is there that the table does not have with a number, and no number is there twice."""
    assert sorted(catalogue.names) == sorted(NUMBERED)
    assert Counter(spec.dgn for spec in catalogue).most_common(1)[0][1] == 1
    assert len(set(NUMBERED.values())) == len(NUMBERED)


def test_a_message_without_a_layout_says_nothing(catalogue):
    """Whatever its bytes, it has no reading, needs no byte and takes no field; sent, it is all ones."""
    bare = [spec for spec in catalogue if not spec.fields]
    assert {"PRODUCT_IDENTIFICATION", "PROPRIETARY_MESSAGE", "SLIDE_SENSOR_STATUS", "TIRE_STATUS"} <= {
        spec.name for spec in bare
    }
    for spec in bare:
        assert spec.decode(bytes(8)) == spec.decode(b"") == spec.raws(bytes(3)) == ()
        assert (spec.min_length, spec.encode({}), dict(spec.by_name)) == (0, b"\xff" * 8, {})
        with pytest.raises(ValueError, match=f"^{spec.name} is known by name only: it has no fields$"):
            spec.encode({"instance": 1})


def test_a_frame_of_ones_says_no_value_but_where_all_ones_are_content(catalogue):
    """No data or unchanged (rv-c.com/node/522): a measured or commanded field never takes all ones for a value."""
    for spec in catalogue:
        for reading in spec.decode(b"\xff" * 8):
            said = {
                "measured": State.NO_DATA,
                "no_data": State.NO_DATA,
                "commanded": State.UNCHANGED,
                "unchanged": State.UNCHANGED,
                "none": State.VALUE,
            }
            assert reading.state is said[reading.field.special], f"{spec.name} {reading.field.name}"


@pytest.mark.parametrize(
    ("name", "milliseconds"),
    [
        ("DM_RV", 5000),  # at most 5000 ms
        ("THERMOSTAT_STATUS_1", 5000),  # at least every 5000 ms
        ("SLIDE_STATUS", 5000),  # 5000 ms, faster in motion
        ("AWNING_STATUS", 5000),  # on change / 5000 ms
        ("INVERTER_AC_STATUS_1", 100),  # two makers
        ("INVERTER_AC_STATUS_2", None),  # on request or 100 ms
        ("LEVELING_CONTROL_STATUS", None),  # 500 ms when active
        ("DM1", None),  # 1000 ms while a fault is active
        ("DATA_PACKET", None),  # 50..200 ms between packets
        ("CHARGER_AC_STATUS_1", None),  # not established
        ("GENERATOR_COMMAND", None),  # as needed
    ],
)
def test_only_an_unconditional_gap_is_promised(catalogue, name, milliseconds):
    """What comes on request, while something is going on or by an unknown rule may stay away without being late."""
    gap = catalogue.by_name(name).gap_us
    assert gap == (None if milliseconds is None else milliseconds * 1000)


def test_identifiers_hold_fillers_and_messages_eight_bytes(messages):
    """The source byte is FE, the destination byte FF where there is one, and every message has eight bytes."""
    for message in messages:
        ident = frame_id_unpack(message.frame_id)
        assert message.is_extended_frame
        assert ident.source_address == 0xFE
        assert ident.pdu_format >= 240 or ident.pdu_specific == 0xFF
        assert message.length == 8


def test_addressed_messages_are_those_of_the_table(messages):
    """A DGN whose PDU format is below F0h goes to one address; all others are for all (SAE J1939-21)."""
    kinds = {name: row["pdu_kind"] for name, row in ROWS.items() if row["dgn_hex"]}
    for message in messages:
        kind = "PDU1" if frame_id_unpack(message.frame_id).pdu_format < 240 else "PDU2"
        assert kinds[message.name].startswith(kind)


@pytest.mark.parametrize("path", dbc_files(), ids=lambda path: path.stem)
def test_files_are_ascii_with_short_symbols(path):
    """Any tool can read the files: plain ASCII, symbols of at most 32 characters, no tool's own node name."""
    text = path.read_bytes().decode("ascii")
    assert max(len(name) for name in re.findall(r"^ SG_ (\w+)|^BO_ \d+ (\w+)", text, re.M) for name in name) <= 32
    assert "Vector__XXX" not in text

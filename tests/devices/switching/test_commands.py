"""Command frames of dimmers and loads, in bytes written by hand, and the codings in them."""

import pytest

from rvsim.devices.switching.commands import (
    Code,
    OutputCommand,
    delay_code,
    group_bits,
    read_command,
    read_delay,
    shares_group,
)

S = 1_000_000
DIMMER_2, DIMMER, LOAD = "DC_DIMMER_COMMAND_2", "DC_DIMMER_COMMAND", "DC_LOAD_COMMAND"


@pytest.mark.parametrize(
    ("message", "data", "instance", "group", "command"),
    [
        (DIMMER_2, "15 FF 50 00 FF FF FF FF", 21, 0xFF, OutputCommand(Code.SET_LEVEL, 40.0)),
        (DIMMER_2, "15 FF C8 11 05 FC 14 FF", 21, 0xFF, OutputCommand(Code.RAMP, 100.0, 5 * S, 2 * S, 0)),
        (DIMMER_2, "FF 7E FF 05 FF FD FF FF", None, 0x7E, OutputCommand(Code.TOGGLE, interlock=1)),
        (DIMMER_2, "FE 7D FF 05 FF FE FF FF", None, 0x7D, OutputCommand(Code.TOGGLE, interlock=2)),
        (DIMMER_2, "15 FF FA 00 00 FF FF FF", 21, 0xFF, OutputCommand(Code.SET_LEVEL, 100.0, 0)),  # above the top
        (DIMMER_2, "15 FF FE 00 00 FF FF FF", 21, 0xFF, OutputCommand(Code.SET_LEVEL, None, 0)),  # out of range
        (DIMMER, "15 FF 64 FF FF FF FF FF", 21, 0xFF, OutputCommand(Code.SET_LEVEL, 50.0)),
        (LOAD, "16 FF C8 FF 01 1E FF FF", 22, 0xFF, OutputCommand(Code.ON_FOR, 100.0, 30 * S)),
        (LOAD, "16 FF FF F4 05 FF FF FF", 22, 0xFF, OutputCommand(Code.TOGGLE, interlock=1)),
    ],
)
def test_a_frame_as_a_command(catalogue, message, data, instance, group, command):
    """Instance or group, code, level in half percents, delay, ramp time and interlock."""
    assert read_command(catalogue.by_name(message), bytes.fromhex(data)) == (instance, group, command)


@pytest.mark.parametrize(
    ("message", "data"),
    [
        (DIMMER_2, "15 FF 50 FF FF FF FF FF"),  # an unchanged command
        (DIMMER_2, "15 FF 50 07 FF FF FF FF"),  # a code without a meaning
        (DIMMER_2, "15 FF 50"),
        (DIMMER_2, ""),
        (LOAD, "16 FF C8 FF"),
    ],
)
def test_what_commands_nothing(catalogue, message, data):
    """Unchanged, unknown and short commands."""
    assert read_command(catalogue.by_name(message), bytes.fromhex(data)) is None


def test_the_coding_of_delays():
    """0 at once, seconds, from 241 on 5 to 14 minutes; all others are none. What is left is rounded up."""
    assert [read_delay(raw) for raw in (0, 1, 240, 241, 250)] == [0, S, 240 * S, 300 * S, 840 * S]
    assert [read_delay(raw) for raw in (None, 251, 254, 255)] == [None] * 4
    assert [delay_code(us) for us in (0, 1, S, 240 * S, 240 * S + 1, 301 * S, 840 * S, 9999 * S)] == [
        0,
        1,
        1,
        240,
        241,
        242,
        250,
        250,
    ]
    assert delay_code(None) == 0xFF


def test_the_bitmap_of_groups():
    """7E hex is group 1, 7D group 2 (window shade proposal); 00 all groups, FF none; a set bit 7 is no bitmap."""
    assert [group_bits(groups) for groups in ((1,), (2,), (1, 3), (7,), ())] == [0x7E, 0x7D, 0x7A, 0x3F, 0xFF]
    assert shares_group(0x7A, 0x7E)
    assert shares_group(0x7A, 0x00)
    assert not shares_group(0x7A, 0x7D)
    assert not shares_group(0x7A, 0x7F)
    assert not shares_group(0x7A, 0xFF)
    assert not shares_group(0xFF, 0x00)
    assert not shares_group(0x7A, 0xFA)

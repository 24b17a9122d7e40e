"""What wrong controllers send: bytes worked out by hand from the message tables."""

import pytest

from rvsim.shakedown.strength import command_mistakes as mistakes
from rvsim.wire.frame import SECOND_US

FURNACE, WATER, DIMMER, STATUS = 0x19FFE344, 0x19FFF644, 0x19FEDB44, 0x19FFE244
"""FURNACE_COMMAND, WATERHEATER_COMMAND, DC_DIMMER_COMMAND_2 and THERMOSTAT_STATUS_1 of address 44."""
PUMP = 0x19FE9644
HEAT = bytes.fromhex("01FCC864FFFFFFFF")
"""Furnace 1: fan 100 % (C8 hex is 200 half percent), heat 50 %."""


@pytest.mark.parametrize(
    ("make", "identifier", "before", "after"),
    [
        (mistakes.wrong_instance, FURNACE, "01FCC864FFFFFFFF", "02FCC864FFFFFFFF"),
        (mistakes.wrong_instance, FURNACE, "FAFCC864FFFFFFFF", "F9FCC864FFFFFFFF"),  # 250 is the highest
        (mistakes.wrong_instance, FURNACE, "FFFCC864FFFFFFFF", "FFFCC864FFFFFFFF"),  # no instance
        (mistakes.low_byte_last, WATER, "0101A029FFFFFFFF", "010129A0FFFFFFFF"),
        (mistakes.whole_percent, FURNACE, "01FCC864FFFFFFFF", "01FC6432FFFFFFFF"),
        (mistakes.whole_percent, FURNACE, "01FCFF64FFFFFFFF", "01FCFF32FFFFFFFF"),  # unchanged stays so
        (mistakes.no_offset, WATER, "0101A029FFFFFFFF", "01018007FFFFFFFF"),  # 60 / 0.03125 = 1920 = 0780 hex
        (mistakes.zeros_for_unchanged, FURNACE, "01FCC864FFFFFFFF", "0100C8640000FFFF"),
        (mistakes.opposite, FURNACE, "01FCC800FFFFFFFF", "01FC00C8FFFFFFFF"),
        (mistakes.opposite, PUMP, "01F1FFFFFFFFFFFF", "01F0FFFFFFFFFFFF"),
        (mistakes.wrong_group, DIMMER, "017DC800FFFFFFFF", "0102C800FFFFFFFF"),  # 7D hex: bit 1 is zero, so group 2
        (mistakes.wrong_group, DIMMER, "01FFC800FFFFFFFF", "01FFC800FFFFFFFF"),  # no group
        (mistakes.short_frames, FURNACE, "01FCC864FFFFFFFF", "01FCC864"),
    ],
)
def test_changed_commands(make, identifier, before, after, site):
    """The same frame with the mistake in it, at the same time."""
    assert make(site)(0, identifier, bytes.fromhex(before)) == (identifier, bytes.fromhex(after), 0)


@pytest.mark.parametrize(
    "make",
    [
        mistakes.wrong_instance,
        mistakes.low_byte_last,
        mistakes.whole_percent,
        mistakes.no_offset,
        mistakes.zeros_for_unchanged,
        mistakes.opposite,
        mistakes.short_frames,
        mistakes.no_command,
        mistakes.first_command_only,
        mistakes.late,
        mistakes.null_address,
        mistakes.status_for_command,
    ],
)
def test_what_is_no_command_passes(make, site):
    """A status of the controller is not changed."""
    data = bytes.fromhex("0102C8C0244025FF")
    assert make(site)(0, STATUS, data) == (STATUS, data, 0)


def test_dropped_and_delayed(site):
    """No command at all; a first one only; one that comes 20 s late."""
    other = HEAT.replace(b"\x64", b"\x32")
    assert mistakes.no_command(site)(0, FURNACE, HEAT) is None
    first = mistakes.first_command_only(site)
    assert [first(0, FURNACE, data) is not None for data in (HEAT, other, HEAT)] == [True, False, True]
    assert mistakes.late(site)(0, FURNACE, HEAT) == (FURNACE, HEAT, 20 * SECOND_US)


def test_other_identifiers(site):
    """The status message instead of the command (1FFE4 for 1FFE3), and no address (FE hex)."""
    assert mistakes.status_for_command(site)(0, FURNACE, HEAT)[0] == 0x19FFE444
    assert mistakes.null_address(site)(0, FURNACE, HEAT)[0] == 0x19FFE3FE


def test_without_claim_and_heartbeat(site):
    """Claims are EE00 hex, heartbeats 1FECA hex; everything else passes."""
    assert mistakes.no_claim(site)(0, 0x18EEFF44, bytes(8)) is None
    assert mistakes.no_claim(site)(0, FURNACE, HEAT) is not None
    assert mistakes.no_heartbeat(site)(0, 0x19FECA44, bytes(8)) is None
    assert mistakes.no_heartbeat(site)(0, FURNACE, HEAT) is not None


def test_it_stops(site):
    """Everything passes before the moment, nothing from it on."""
    gate = mistakes.stops_at(5 * SECOND_US)(site)
    assert gate(5 * SECOND_US - 1, STATUS, HEAT) is not None
    assert gate(5 * SECOND_US, STATUS, HEAT) is None


def test_more_frames(site, make_site):
    """Ten a second in a flood, always the latest; two of each 20 ms apart."""
    gate = mistakes.flood(site)
    gate(0, FURNACE, HEAT)
    site.run(SECOND_US // 2)
    other = HEAT.replace(b"\x64", b"\x32")
    gate(SECOND_US // 2, FURNACE, other)
    site.run(SECOND_US)
    assert [data for _, _, data in site.sent] == [HEAT] * 5 + [other] * 5
    again = make_site()
    mistakes.two_commands(again)(0, FURNACE, HEAT)
    again.run(SECOND_US)
    assert again.sent == [(20_000, FURNACE, HEAT)]


def test_toggled_repeats(site):
    """A repeat is the opposite, the next one is right again; another command is no repeat."""
    gate = mistakes.toggle_on_repeat(site)
    on, off = bytes.fromhex("01F1FFFFFFFFFFFF"), bytes.fromhex("01F0FFFFFFFFFFFF")
    assert [gate(0, PUMP, data)[1] for data in (on, on, on, off, off)] == [on, off, on, off, on]


def test_short_cycles(site):
    """Off after half a minute, on after another; what is commanded off stays off."""
    gate = mistakes.short_cycle(site)
    gate(0, FURNACE, HEAT)
    site.run(95 * SECOND_US)
    off = bytes.fromhex("01FC0000FFFFFFFF")
    assert [data for _, _, data in site.sent] == [off, HEAT, off]
    gate(95 * SECOND_US, FURNACE, off)
    site.run(200 * SECOND_US)
    assert len(site.sent) == 3

"""How wrong controllers read: what reaches them instead, worked out by hand from the message tables."""

import pytest

from rvsim.shakedown.strength import reading_mistakes as mistakes
from rvsim.wire.frame import SECOND_US

AMBIENT, BATTERY, WATER, LOAD, FURNACE = 0x19FF9C91, 0x19FFFD45, 0x19FFF75E, 0x19FEDC90, 0x19FFE45E
"""THERMOSTAT_AMBIENT_STATUS, DC_SOURCE_STATUS_1, WATERHEATER_STATUS, DC_LOAD_STATUS_2 and FURNACE_STATUS."""
SWITCH, HEARTBEAT, CLAIM = 0x19FFB884, 0x19FECA5E, 0x18EEFF5E


@pytest.mark.parametrize(
    ("make", "identifier", "before", "after"),
    [
        (mistakes.no_data_as_number, AMBIENT, "01FFFFFFFFFFFFFF", "01FAFFFFFFFFFFFF"),  # FFFA hex is the highest
        (mistakes.no_data_as_number, AMBIENT, "01A024FFFFFFFFFF", "01A024FFFFFFFFFF"),
        (mistakes.reads_low_byte_last, AMBIENT, "01A024FFFFFFFFFF", "0124A0FFFFFFFFFF"),
        (mistakes.reads_wrong_instance, AMBIENT, "01A024FFFFFFFFFF", "02A024FFFFFFFFFF"),
        (mistakes.reads_wrong_instance, AMBIENT, "04A024FFFFFFFFFF", "03A024FFFFFFFFFF"),
        (mistakes.ignores_faults, WATER, "0101A029A029FFFD", "0101A029A029FFFC"),  # failed to ignite: 01 in byte 7
        (mistakes.ignores_faults, HEARTBEAT, "555E00010BFFFFFF", "055EFFFFFFFFFFFF"),  # lamps on and a fault
        (mistakes.ignores_trips, LOAD, "01F5FFFFFFFFFFFF", "01F1FFFFFFFFFFFF"),
        (mistakes.ignores_overrides, LOAD, "01D5FFFFFFFFFFFF", "01C4FFFFFFFFFFFF"),
        (mistakes.any_level_as_full, FURNACE, "01FC3200FFFFFFFF", "01FCC800FFFFFFFF"),  # 25 % is full, 0 % is none
        (mistakes.ignores_supply, BATTERY, "0101DC0000000000", "0101000100000000"),  # 11.0 V is 12.8 V: 256 x 0.05
        (mistakes.ignores_supply, BATTERY, "0101100100000000", "0101100100000000"),  # 13.6 V stays
    ],
)
def test_changed_readings(make, identifier, before, after, site):
    """What the controller receives instead, at the same time."""
    assert make(site)(0, identifier, bytes.fromhex(before)) == (identifier, bytes.fromhex(after), 0)


def test_commands_and_claims_are_read_as_they_are(site):
    """A command to the controller, and the protocol."""
    command = bytes.fromhex("0102FFA024FFFFFF")
    for make in (mistakes.reads_low_byte_last, mistakes.reads_wrong_instance, mistakes.reads_once):
        gate = make(site)
        gate(0, 0x19FEF9F9, bytes(8))
        assert gate(0, 0x19FEF9F9, command) == (0x19FEF9F9, command, 0)


def test_the_last_value_and_the_first(site):
    """No data is the last value; a controller that reads once keeps the first status of each instance."""
    first, second, lost = (bytes.fromhex(text) for text in ("01A024FFFFFFFFFF", "01C024FFFFFFFFFF", "01" + "FF" * 7))
    gate = mistakes.last_value_for_no_data(site)
    assert [gate(0, AMBIENT, data)[1] for data in (lost, first, second, lost)] == [lost, first, second, second]
    once = mistakes.reads_once(site)
    other = bytes.fromhex("02C024FFFFFFFFFF")
    assert [once(0, AMBIENT, data)[1] for data in (first, second, other, lost)] == [first, first, other, first]


def test_silence(site):
    """From 6 s without a status on the last one comes each second, until a new one comes."""
    gate = mistakes.goes_on_in_silence(site)
    data = bytes.fromhex("01A024FFFFFFFFFF")
    gate(0, AMBIENT, data)
    site.run(8 * SECOND_US)
    assert [time // SECOND_US for time, _, _ in site.received] == [6, 7, 8]
    gate(8 * SECOND_US, AMBIENT, data)
    site.run(13 * SECOND_US)
    assert len(site.received) == 3


def test_switches(site, make_site):
    """Each edge bounces once; a release is followed by another press."""
    off, on = bytes.fromhex("010001FFFFFFFFFF"), bytes.fromhex("010101FFFFFFFFFF")
    gate = mistakes.no_debounce(site)
    gate(0, SWITCH, off)
    gate(0, SWITCH, off)
    gate(0, SWITCH, on)
    site.run(SECOND_US)
    assert [data for _, _, data in site.received] == [off, on]
    again = make_site()
    gate = mistakes.acts_on_release(again)
    for data in (off, on):
        gate(0, SWITCH, data)
    again.run(SECOND_US)
    assert again.received == []
    gate(0, SWITCH, off)
    again.run(2 * SECOND_US)
    assert [data for _, _, data in again.received] == [on, off]


def test_restarts(site):
    """After a device has claimed again its statuses are those from before; the first claim changes nothing."""
    gate = mistakes.ignores_restarts(site)
    before, after = bytes.fromhex("01FCC864FFFFFFFF"), bytes.fromhex("01FC0000FFFFFFFF")
    gate(0, CLAIM, bytes(8))
    assert gate(0, FURNACE, before)[1] == before
    assert gate(0, CLAIM, bytes(8)) is not None
    assert gate(0, FURNACE, after)[1] == before
    assert gate(0, AMBIENT, before)[1] == before  # another device

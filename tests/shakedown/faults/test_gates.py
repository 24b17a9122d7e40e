"""What stands between a device and the wires, each by itself: what it does to a frame, and which it leaves alone."""

from random import Random

import pytest

from rvsim.shakedown.faults import gates
from rvsim.sim.bench import Passed
from rvsim.wire.ident import split_identifier

AMBIENT = 0x19FF9C91
"""Thermostat Ambient Status, 1FF9C hex, of the node 91 hex."""
WARM = bytes.fromhex("018025FFFFFFFFFF")
"""Instance 1, 2580 hex = 9600 = 300 x 32: 27 degrees."""
NO_DATA = bytes.fromhex("01FFFFFFFFFFFFFF")
FURNACE = 0x19FFE491


@pytest.fixture
def field(catalogue):
    """The message, and its field of 1/32 degrees from -273 on."""
    spec = catalogue.by_name("THERMOSTAT_AMBIENT_STATUS")
    return spec, spec.field("ambient_temperature")


def test_a_message_comes_again_after_exactly_its_gap():
    """A microsecond earlier it is held; each identifier and instance by itself, from the last one let through."""
    gate = gates.MinimumGap(5_000_000)
    assert gate(0, AMBIENT, WARM) == Passed(AMBIENT, WARM)
    assert gate(4_999_999, AMBIENT, WARM) is None
    assert gate(4_999_999, AMBIENT, b"\x02" + WARM[1:]) is not None
    assert gate(4_999_999, FURNACE, WARM) is not None
    assert gate(5_000_000, AMBIENT, WARM) is not None
    assert gate(9_999_999, AMBIENT, WARM) is None


def test_another_source_takes_the_whole_of_the_old_ones_place():
    """All eight bits; the rest of the identifier stays."""
    for source in (0x00, 0x90, 0xFE, 0x91):
        assert gates.with_source(source)(0, AMBIENT, WARM) == Passed(0x19FF9C00 | source, WARM)


def test_who_uses_anothers_address_hears_what_is_sent_there():
    """As if it were sent to its own; what is sent to its own it does not hear, and all the rest as it is."""
    ear = gates.with_destination(0x5E, 0x44)
    request = 0x18EA00F9  # a request (EA00 hex) of F9 hex; its destination stands in bits 8 to 15 (SAE J1939-21)
    passed = ear(0, request | 0x44 << 8, b"\xe4\xff\x01")
    assert (passed.identifier, passed.data) == (0x18EA5EF9, b"\xe4\xff\x01")
    assert split_identifier(passed.identifier).destination == 0x5E
    assert ear(0, request | 0x5E << 8, b"") is None
    for others in (request | 0x45 << 8, request | 0xFF << 8, AMBIENT):
        assert ear(0, others, WARM) == Passed(others, WARM)


def test_a_field_is_changed_in_its_message_where_it_has_a_value(field):
    """Other messages, frames that end before it and states stay; with ``always`` a state is changed as well."""
    gate = gates.FieldChange(field[0], field[1], gates.constant(9632))
    assert gate(0, AMBIENT, WARM).data == bytes.fromhex("01A025FFFFFFFFFF")
    for always in (False, True):
        gate = gates.FieldChange(field[0], field[1], gates.constant(9632), always=always)
        assert gate(0, FURNACE, WARM) == Passed(FURNACE, WARM)
        assert gate(0, AMBIENT, WARM[:2]) == Passed(AMBIENT, WARM[:2])
        assert gate(0, AMBIENT, NO_DATA).data == (bytes.fromhex("01A025FFFFFFFFFF") if always else NO_DATA)


def test_a_field_sticks_at_what_was_said_first(field):
    """Of each sender and instance; other messages and short frames stay."""
    gate = gates.StuckField(*field)
    cold = bytes.fromhex("010020FFFFFFFFFF")
    assert gate(0, AMBIENT, WARM) == Passed(AMBIENT, WARM)
    assert gate(1, AMBIENT, cold) == Passed(AMBIENT, WARM)
    assert gate(2, AMBIENT, b"\x02" + cold[1:]).data == b"\x02" + cold[1:]
    assert gate(3, AMBIENT - 1, cold).data == cold
    assert gate(4, FURNACE, cold) == Passed(FURNACE, cold)
    assert gate(5, AMBIENT, cold[:2]) == Passed(AMBIENT, cold[:2])


def test_a_drift_of_so_much_an_hour(field):
    """From the first frame on: a degree, 32 steps, in one hour of 3,600 s, and half of it in half an hour."""
    gate = gates.FieldChange(field[0], field[1], gates.drift(field[1], 1.0))
    begun = 20_000_000
    for after, steps in ((0, 0), (1_800_000_000, 16), (3_600_000_000, 32), (7_200_000_000, 64)):
        said = gate(begun + after, AMBIENT, WARM).data
        assert int.from_bytes(said[1:3], "little") == 9600 + steps


def test_a_change_ends_at_what_the_field_can_say(field):
    """0 to FAFF hex in two bytes hold values; FFFE and FFFF hex are states (rv-c.com's table of data types)."""
    _, spec = field
    low, high = spec.raw_limits
    assert gates.within_limits(spec, -1.0) == low == 0
    assert gates.within_limits(spec, 1e9) == high < 0xFFFE
    assert gates.within_limits(spec, 9600.4) == 9600
    assert gates.scaled(spec, 1000.0, 0.0)(0, 9600) == high


def test_what_is_left_to_chance_stays_within_its_bounds(field):
    """A hundred draws of each: off by up to two degrees, 64 steps, and up to 300 ms late, to both ends of it."""
    change, late = gates.noise(field[1], 2.0, Random(1)), gates.random_delay(300_000, Random(1))
    off = [change(0, 9600) - 9600 for _ in range(100)]
    held = [late(0, AMBIENT, WARM).delay for _ in range(100)]
    assert -64 <= min(off) < -50
    assert 50 < max(off) <= 64
    assert 0 <= min(held) < 30_000
    assert 270_000 < max(held) <= 300_000


def test_a_gate_for_some_messages_lets_the_others_pass():
    """And one for none in particular is for all."""
    nothing = gates.silence()
    assert gates.only_dgns(frozenset({0x1FF9C}), nothing)(0, AMBIENT, WARM) is None
    assert gates.only_dgns(frozenset({0x1FF9C}), nothing)(0, FURNACE, WARM) == Passed(FURNACE, WARM)
    assert gates.only_dgns(None, nothing)(0, FURNACE, WARM) is None

"""Tests for one NAME at two addresses."""

import pytest

FURNACE, AMBIENT = "FURNACE_STATUS", "THERMOSTAT_AMBIENT_STATUS"
RAISED, CLEARED = "raised", "cleared"


def claims(made, *said):
    """Claims, as (seconds, source, serial number)."""
    return [made.frame(seconds, "ADDRESS_CLAIM", source, **made.unit(serial)) for seconds, source, serial in said]


def talk(made, until, source, first, message=FURNACE, **more):
    """Status every five seconds."""
    return made.frames(until, made.every(5, message, source, first, instance=source, **more))


@pytest.mark.parametrize("devices", [(), ("sensor",)])
def test_two_addresses_under_one_name_are_a_fault(bus, heard, of_kind, devices):
    """Both continue; it ends when one is silent."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (10, 0x70, 5)), *talk(made, 60, 0x5E, 1), *talk(made, 120, 0x70, 11)]
    made = heard(frames, 120, *devices)
    assert of_kind(made, "shared-name") == [(16.0, RAISED, "address 70 hex"), (71.0, CLEARED, "address 70 hex")]
    flag = next(one for one in made.watch.all_flags if one.kind == "shared-name")
    assert str(flag.severity) == "fault"
    assert flag.text == "addresses 5E hex and 70 hex both send under one NAME: manufacturer code 0, serial number 5"
    assert flag.evidence[0] == "NAME 0000000000000005"
    assert "16.000 s" in flag.evidence[1]


@pytest.mark.parametrize(("last", "flags"), [(12.0, 0), (12.001, 1)])
def test_queued_frames_of_a_unit_that_moved_do_not_count(bus, heard, of_kind, last, flags):
    """Up to two seconds after the claim of the other address."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (10, 0x70, 5)), *talk(made, 10, 0x5E, 1), *talk(made, 60, 0x70, 11)]
    frames.append(made.frame(last, FURNACE, 0x5E, instance=0x5E))
    assert len([one for one in of_kind(heard(frames, 26), "shared-name") if one[1] == RAISED]) == flags


def test_a_unit_that_moved_and_left_its_address_is_none(bus, heard, of_kind):
    """Silent at the old one; another unit claims that later and sends from there."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (10, 0x70, 5), (20, 0x5E, 6)), *talk(made, 10, 0x5E, 1)]
    frames += [*talk(made, 60, 0x5E, 21), *talk(made, 60, 0x70, 11)]
    assert of_kind(heard(frames, 60), "shared-name") == []


def test_a_sender_at_the_old_address_long_after_the_move_is_another_unit(bus, heard, of_kind):
    """It was silent for longer than its limit, and was not claimed since."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (10, 0x70, 5)), *talk(made, 10, 0x5E, 1), *talk(made, 90, 0x70, 11)]
    assert of_kind(heard([*frames, *talk(made, 90, 0x5E, 40)], 90), "shared-name") == []


def test_a_lost_address_conflict_is_none(bus, heard, of_kind):
    """The winner sends from the old address."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (10, 0x5E, 4), (10.1, 0x70, 5)), *talk(made, 60, 0x5E, 1)]
    assert of_kind(heard(frames + talk(made, 60, 0x70, 11), 60), "shared-name") == []


def test_the_planned_device_is_the_subject_and_another_unit_ends_it(bus, planned, heard, of_kind):
    """The heater is where its NAME was last claimed; unit 6 claims the other address."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (10, 0x70, 5), (40, 0x5E, 6)), *talk(made, 60, 0x5E, 1, AMBIENT)]
    frames += made.frames(60, made.every(5, FURNACE, 0x70, 11))
    facts = of_kind(heard(frames, 60, planned("heater", claimed_name=f"{5:016X}")), "shared-name")
    assert facts == [(16.0, RAISED, "heater"), (40.0, CLEARED, "heater")]


def test_two_names_are_two_flags(bus, heard, of_kind):
    """Those that answer a request one after the other are ordered by their claims."""
    made, frames = bus(), []
    for serial, one, other in ((5, 0x5E, 0x70), (6, 0x60, 0x72)):
        frames += claims(made, (0, one, serial), (0.001, other, serial), (30, one, serial), (30.001, other, serial))
        frames += [*talk(made, 60, one, 1), *talk(made, 60, other, 2)]
    assert of_kind(heard(frames, 60), "shared-name") == [
        (6.001, RAISED, "address 70 hex"),
        (6.001, RAISED, "address 72 hex"),
    ]


def test_the_null_and_the_global_address_are_no_second_address(bus, heard, of_kind):
    """No node is there."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (10, 0xFE, 5), (11, 0xFF, 5)), *talk(made, 60, 0x5E, 1)]
    assert of_kind(heard(frames, 60), "shared-name") == []

"""Tests for one function and instance that two devices send."""

import pytest

FURNACE, WATER, DC, TANK = "FURNACE_STATUS", "WATERHEATER_STATUS", "DC_SOURCE_STATUS_1", "TANK_STATUS"
RAISED, CLEARED = "raised", "cleared"


def talk(made, until, source, first, message=FURNACE, instance=1, off=()):
    """Status every five seconds."""
    return made.frames(until, made.every(5, message, source, first, off, instance=instance))


@pytest.mark.parametrize(
    ("devices", "first"), [((), "address 5E hex"), (("heater",), "heater (address 5E hex)")], ids=["no rig", "rig"]
)
def test_two_devices_that_both_continue_share_an_instance(bus, heard, of_kind, devices, first):
    """Reported once, when the first one continues after the second has started, with both addresses."""
    made = bus()
    made = heard([*talk(made, 60, 0x5E, 1), *talk(made, 60, 0x70, 22)], 60, *devices)
    assert made.flags == [(26.0, RAISED, "shared-instance", "address 70 hex")]
    (flag,) = made.watch.flags
    assert (str(flag.severity), flag.since) == ("warning", 26_000_000)
    assert flag.text == f"furnace 1 is sent by two devices: {first} and address 70 hex"
    assert "give each its own instance" in flag.advice
    assert made.others["address 70 hex"] == ("unplanned" if devices else "present")


@pytest.mark.parametrize("devices", [(), ("heater",)])
def test_it_ends_when_one_of_both_is_silent(bus, heard, of_kind, devices):
    """Three heartbeats after its last frame as that function; it can start again."""
    made = bus()
    frames = [*talk(made, 150, 0x5E, 1), *talk(made, 150, 0x70, 22, off=((40, 100),))]
    assert of_kind(heard(frames, 150, *devices), "shared-instance") == [
        (26.0, RAISED, "address 70 hex"),
        (52.0, CLEARED, "address 70 hex"),
        (106.0, RAISED, "address 70 hex"),
    ]


@pytest.mark.parametrize(("last", "flags"), [(21.0, 0), (26.0, 1)])
@pytest.mark.parametrize("devices", [(), ("heater",)])
def test_the_first_has_to_continue_after_the_second_started(bus, heard, of_kind, devices, last, flags):
    """At 22 s; otherwise it is a replacement."""
    made = bus()
    frames = [*talk(made, last + 0.1, 0x5E, 1), *talk(made, 60, 0x70, 22)]
    assert len([one for one in of_kind(heard(frames, 60, *devices), "shared-instance") if one[1] == RAISED]) == flags


def test_two_functions_of_a_twin_are_one_flag(bus, heard, of_kind):
    """Its text names both."""
    made = bus()
    frames = [one for source, first in ((0x5E, 1), (0x70, 2)) for message in (FURNACE, WATER)
              for one in talk(made, 60, source, first, message)]  # fmt: skip
    made = heard(frames, 60, "heater")
    assert len(of_kind(made, "shared-instance")) == 1
    text = "furnace 1 and water heater 1 are sent by two devices: heater (address 5E hex) and address 70 hex"
    assert made.watch.flags[0].text == text


def test_three_that_send_the_same_are_three_pairs(bus, heard, of_kind):
    """One for each two of them."""
    made = bus()
    frames = [one for source in (0x5E, 0x70, 0x80) for one in talk(made, 60, source, (source - 0x50) / 10)]
    assert [one[2] for one in of_kind(heard(frames, 60), "shared-instance")] == [
        "address 70 hex",
        "address 80 hex",
        "address 80 hex",
    ]


def test_functions_that_devices_share_by_design_do_not_count(bus, heard):
    """Two devices send for one battery; other instances are not shared."""
    made = bus()
    frames = made.frames(60, made.every(0.5, DC, 0x46, 0.1), made.every(0.5, DC, 0x4A, 0.2))
    frames += [*talk(made, 60, 0x5E, 1, TANK, 0), *talk(made, 60, 0x70, 2, TANK, 1)]
    assert heard(frames, 60).flags == []


def test_the_one_that_is_not_planned_is_the_subject(bus, planned, heard, of_kind):
    """Also where it was present first: the planned one is known by its NAME."""
    made = bus()
    claim = made.frame(20, "ADDRESS_CLAIM", 0x5E, **made.unit(5))
    before = made.frame(0.5, "ADDRESS_CLAIM", 0x70, **made.unit(9))
    frames = [before, claim, *talk(made, 60, 0x70, 1), *talk(made, 60, 0x5E, 21)]
    made = heard(frames, 60, planned("heater", claimed_name=f"{5:016X}"))
    assert of_kind(made, "shared-instance") == [(26.0, RAISED, "address 70 hex")]


def test_a_planned_device_with_the_instance_of_another_is_the_subject(bus, heard):
    """It stays present, and nothing else is reported of it."""
    made = bus()
    frames = [*talk(made, 60, 0x5E, 1), *talk(made, 60, 0x5F, 2, instance=2), *talk(made, 60, 0x5F, 3)]
    made = heard(frames, 60, "heater", "heater 2")
    assert made.flags == [(6.0, RAISED, "shared-instance", "heater 2")]
    assert made.who == {"heater": 0x5E, "heater 2": 0x5F}


@pytest.mark.parametrize(("last", "flags"), [(13.0, 0), (13.1, 1)])
def test_a_unit_that_moved_has_two_seconds_for_frames_that_waited(bus, heard, of_kind, last, flags):
    """The same NAME at both addresses, and the old one sends within two seconds of the first status of the new one."""
    made = bus()
    frames = [made.frame(at, "ADDRESS_CLAIM", source, **made.unit(5)) for at, source in ((0, 0x5E), (10, 0x70))]
    frames += [*talk(made, 10, 0x5E, 1), *talk(made, 60, 0x70, 11), made.frame(last, FURNACE, 0x5E, instance=1)]
    assert len([one for one in of_kind(heard(frames, 20), "shared-instance") if one[1] == RAISED]) == flags


def test_a_present_device_without_its_function_shares_nothing(bus, planned, heard):
    """Known by its NAME alone: after fifteen seconds the other one is unplanned."""
    made = bus()
    frames = [made.frame(0, "ADDRESS_CLAIM", 0x5E, **made.unit(5)), *talk(made, 40, 0x70, 1)]
    frames += made.frames(40, made.every(3, "REQUEST_FOR_DGN", 0x5E, 0.5, desired_dgn=0xFECA))
    made = heard(frames, 40, planned("heater", claimed_name=f"{5:016X}"))
    assert made.flags == [(16.0, RAISED, "unplanned-device", "address 70 hex")]
    assert made.watch.flags[0].text == "sends as furnace 1, which the rig gives to heater (address 5E hex)"
    made.say(41, FURNACE, 0x5E, instance=1).say(41.5, FURNACE, 0x70, instance=1)
    assert made.flags[1:] == [
        (41.5, "raised", "shared-instance", "address 70 hex"),
        (41.5, "cleared", "unplanned-device", "address 70 hex"),
    ]

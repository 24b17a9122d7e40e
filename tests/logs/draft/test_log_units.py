"""The units that a log shows: which there are, what each is, and what tells it from the others."""

import pytest

from rvsim.logs.survey import survey
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.name import Name


def claim(seconds, source, serial, maker=7):
    """Return an address claim."""
    return Frame(round(seconds * SECOND_US), 0x18EEFF00 | source, Name(serial, maker).to_bytes())


def beats(say, source, dsa, seconds, first=0.0):
    """Return heartbeats every five seconds."""
    return [
        say(second + first, "DM_RV", source, operating_status_1=1, dsa=dsa, spn=0x7FFFF, fmi=0x1F)
        for second in range(0, seconds, 5)
    ]


def statuses(say, source, instance, seconds, first=0.0):
    """Return furnace statuses every five seconds."""
    return [say(second + first, "FURNACE_STATUS", source, instance=instance) for second in range(0, seconds, 5)]


def in_order(*frames):
    """Return frames by their times."""
    return sorted((frame for some in frames for frame in some), key=lambda frame: frame.time)


def flags_with(frames, catalogue, rig=None):
    """Return the kinds and subjects of the flags of a survey."""
    return [(str(flag.kind), flag.subject) for flag in survey(frames, catalogue, rig).flags]


# Devices.


def test_a_device_is_named_by_what_it_is_else_by_its_name_else_by_its_address(say, learn):
    """And names are its own: two that only speak for one battery are told apart by their address."""
    frames = in_order(
        statuses(say, 0x5E, 2, 30),
        statuses(say, 0x5E, 1, 30, 0.1),
        [say(n, "DC_SOURCE_STATUS_1", source, instance=1) for n in range(30) for source in (0x45, 0x46)],
        [claim(0, 0x20, 123456, 1774)],
        [Frame(n * SECOND_US, 0x09F80102, bytes(8)) for n in range(30)],
    )
    text, rig = learn(frames)
    assert [one.name for one in rig.devices] == [
        "address 02 hex",
        "maker 1774, serial 123456",
        "DC source 1",
        "DC source 1 at address 46 hex",
        "furnace 1",
    ]
    assert rig.devices[4].functions == {"furnace": (1, 2)}
    assert rig.devices[1].claimed_name == Name(123456, 1774)
    assert f'claimed_name = "{int(Name(123456, 1774)):016X}"  # maker 1774, serial 123456' in text


def test_of_two_that_speak_as_one_the_first_heard_keeps_it(catalogue, say, learn):
    """The other one has a note, and what it raises is accepted for it alone."""
    frames = in_order(statuses(say, 0x5E, 1, 60, 0.5), statuses(say, 0x70, 1, 60), statuses(say, 0x70, 2, 60, 0.2))
    assert flags_with(frames, catalogue) == [("shared-instance", "address 5E hex")]
    text, rig = learn(frames)
    assert {one.name: dict(one.functions) for one in rig.devices} == {
        "address 5E hex": {},
        "furnace 1": {"furnace": (1, 2)},
    }
    assert "# Note: it speaks as furnace 1 too, as does address 70 hex, which was heard first\n" in text
    assert [(one.flag, one.device) for one in rig.accepted] == [("shared-instance", "address 5E hex")]
    assert flags_with(frames, catalogue, rig) == []


def test_two_panels_are_counted(catalogue, say, learn):
    """Their heartbeat carries no instance and they have no status: one and two, with a note each."""
    frames = in_order(beats(say, 0x45, 68, 60), beats(say, 0x44, 68, 60, 0.5))
    text, rig = learn(frames)
    assert [(one.name, one.address, dict(one.functions)) for one in rig.devices] == [
        ("control panel 1", 0x44, {"control_panel": (1,)}),
        ("control panel 2", 0x45, {"control_panel": (2,)}),
    ]
    assert text.count("# Note: the bus does not tell the instance of a control panel: counted here, correct it") == 2
    assert rig.accepted == ()
    assert flags_with(frames, catalogue, rig) == []


def test_a_function_whose_status_was_never_heard_is_left_out(catalogue, say, learn):
    """A heartbeat that says furnace is a note; the device is known by its address."""
    frames = beats(say, 0x5E, 94, 60)
    text, rig = learn(frames)
    assert [(one.name, dict(one.functions)) for one in rig.devices] == [("address 5E hex", {})]
    assert "# Note: its heartbeat says furnace, but it told no status with an instance: left out\n" in text
    assert (rig.accepted, flags_with(frames, catalogue, rig)) == ((), [])


def test_an_instance_that_nobody_can_have_is_left_out(catalogue, say, learn):
    """It is noted, and what the watch says of it is accepted."""
    frames = statuses(say, 0x5E, 0, 60)
    text, rig = learn(frames)
    assert dict(rig.devices[0].functions) == {}
    assert "# Note: it speaks as furnace 0, which is no instance: left out\n" in text
    assert [(one.flag, one.device) for one in rig.accepted] == [("unplanned-device", "address 5E hex")]


@pytest.mark.parametrize("instance", [251, 254])
def test_a_number_above_the_highest_instance_names_nobody(catalogue, say, learn, instance):
    """The device is known by its address, as one whose status tells no instance, and there is nothing to accept."""
    frames = statuses(say, 0x5E, instance, 60)
    text, rig = learn(frames)
    assert [(one.name, dict(one.functions)) for one in rig.devices] == [("address 5E hex", {})]
    assert "FURNACE_STATUS: 12 times" in text
    assert (rig.accepted, flags_with(frames, catalogue, rig)) == ((), [])


# NAMEs.


def test_two_nodes_that_share_an_address(catalogue, say, learn):
    """Neither NAME tells which unit it is; the fault is accepted, and told again without its entry."""
    frames = in_order(
        [claim(1, 0x5E, 5), claim(2, 0x5E, 6), claim(2.1, 0x5E, 5), claim(2.2, 0x5E, 6)], statuses(say, 0x5E, 1, 60)
    )
    assert flags_with(frames, catalogue) == [("shared-address", "address 5E hex")]
    text, rig = learn(frames)
    assert [(one.name, one.claimed_name) for one in rig.devices] == [("furnace 1", None)]
    assert "# Note: 2 units claimed this address, so no NAME tells which one this is:\n" in text
    assert "# Note:   maker 7, serial 5\n# Note:   maker 7, serial 6\n" in text
    assert [(one.flag, one.device) for one in rig.accepted] == [("shared-address", "furnace 1")]
    assert flags_with(frames, catalogue, rig) == []


def test_a_unit_that_took_another_address_is_one_device(catalogue, say, learn):
    """The same NAME, and nothing more from the address before."""
    frames = in_order(
        [claim(0, 0x5E, 5), claim(20, 0x70, 5)], statuses(say, 0x5E, 1, 20, 0.5), statuses(say, 0x70, 1, 40, 20.5)
    )
    text, rig = learn(frames)
    (device,) = rig.devices
    assert (device.name, device.address, device.claimed_name) == ("furnace 1", 0x70, Name(5, 7))
    assert "# Note: it had address 5E hex before\n" in text
    assert (rig.accepted, flags_with(frames, catalogue, rig)) == ((), [])


def test_two_units_with_one_name_are_two_devices(catalogue, say, learn):
    """Both go on speaking: the NAME tells neither from the other."""
    frames = in_order(
        [claim(0, 0x5E, 5), claim(20, 0x70, 5)], statuses(say, 0x5E, 1, 60, 0.5), statuses(say, 0x70, 2, 40, 20.5)
    )
    text, rig = learn(frames)
    assert [(one.name, one.claimed_name) for one in rig.devices] == [("furnace 1", None), ("furnace 2", None)]
    assert "# Note: its NAME, maker 7, serial 5, was claimed from address 70 hex too: no two units may\n" in text
    assert flags_with(frames, catalogue, rig) == []


def test_who_cannot_claim_an_address_is_mentioned(say, learn):
    """From the null address, and from the global one, nobody speaks who could be planned."""
    frames = in_order([claim(1, 0xFE, 9), claim(1, 0xFF, 8)], statuses(say, 0x5E, 1, 20))
    text, rig = learn(frames)
    assert [one.address for one in rig.devices] == [0x5E]
    name = f"{int(Name(9, 7)):016X}"
    assert f"# A unit said that it cannot claim an address: maker 7, serial 9, NAME {name}.\n" in text
    assert "serial 8" not in text


def test_what_nobody_in_the_rig_has_said_is_accepted_of_anyone(say, learn):
    """From the null and the global address; whom it was is said where it was one."""
    steady = statuses(say, 0x5E, 1, 20)
    alone, rig = learn(in_order(steady, [Frame(1, 0x19F801FE, bytes(8)), Frame(2, 0x19F802FE, bytes(8))]))
    assert [(one.flag, one.device, one.message) for one in rig.accepted] == [
        ("no-address", None, "1F801"),
        ("unknown-message", None, "1F801"),
        ("no-address", None, "1F802"),
        ("unknown-message", None, "1F802"),
    ]
    assert "# Seen from 0.0 s to the end, address FE hex: DGN 1F801 hex has no definition here.\n" in alone
    both, rig = learn(in_order(steady, [Frame(1, 0x19F801FE, bytes(8)), Frame(4_000_000, 0x19F801FF, bytes(8))]))
    assert [(one.flag, one.device, one.message) for one in rig.accepted] == [
        ("no-address", None, "1F801"),
        ("unknown-message", None, "1F801"),
    ]
    assert "# Seen from 0.0 s to the end, 2 times: DGN 1F801 hex has no definition here.\n" in both


def test_a_unit_that_moved_twice_is_still_one_device(catalogue, say, learn):
    """Where it is in the end, with where it had been."""
    frames = in_order(
        [claim(0, 0x5E, 5), claim(20, 0x70, 5), claim(40, 0x33, 5)],
        statuses(say, 0x5E, 1, 20, 0.5),
        statuses(say, 0x70, 1, 20, 20.5),
        statuses(say, 0x33, 1, 20, 40.5),
    )
    text, rig = learn(frames)
    assert [(one.address, one.claimed_name) for one in rig.devices] == [(0x33, Name(5, 7))]
    assert "# Note: it had address 5E hex and 70 hex before\n" in text
    assert flags_with(frames, catalogue, rig) == []


def test_an_address_that_two_claimed_is_nobodys_next_one(catalogue, say, learn):
    """Unit 5 went to address 70, where unit 6 is too: both addresses have a device, and neither a NAME."""
    frames = in_order(
        [claim(0, 0x5E, 5), claim(20, 0x70, 5), claim(21, 0x70, 6), claim(21.5, 0xFE, 6)],
        statuses(say, 0x5E, 1, 20, 0.5),
        statuses(say, 0x70, 1, 40, 20.5),
    )
    text, rig = learn(frames)
    assert [(one.address, one.claimed_name) for one in rig.devices] == [(0x5E, None), (0x70, None)]
    assert "# Note: its NAME, maker 7, serial 5, was claimed from address 70 hex too: no two units may\n" in text
    assert flags_with(frames, catalogue, rig) == []

"""Tests for devices that are known by their NAME, and for those of which only the address is known."""

import pytest

from rvsim.wire.frame import Frame
from rvsim.wire.name import Name

FURNACE, AMBIENT, DC = "FURNACE_STATUS", "THERMOSTAT_AMBIENT_STATUS", "DC_SOURCE_STATUS_1"
DSA_FURNACE, DSA_PANEL = 94, 68


def named(serial):
    """What a rig says of a unit's NAME."""
    return {"claimed_name": f"{int(Name(serial)):016X}"}


@pytest.fixture
def heaters(bus, planned):
    """A bus of two heaters, units 5 and 6."""
    return lambda: bus(planned("heater", **named(5)), planned("heater 2", **named(6)))


@pytest.fixture
def placed(bus, planned):
    """A bus of a sensor, and of a device at address 5E of which nothing else is known."""
    return lambda *more, **given: bus({"name": "thing", "kind": "x", "address": 0x5E, **given}, "sensor", *more)


def nothing(seconds, source):
    """A frame that tells nothing of its sender."""
    return Frame(round(seconds * 1_000_000), 0x19F80100 | source, bytes(8))


# By the NAME.


def test_a_planned_name_tells_at_once_who_it_is(heaters):
    """Wherever it is claimed, before anything else is said; everything from there is its own."""
    made = heaters().claim(1, 0x70, 6)
    assert (made.who, made.others) == ({"heater": None, "heater 2": 0x70}, {})
    assert made.presence == [(1.0, "heater 2", "present")]
    made.say(2, "REQUEST_FOR_DGN", 0x70, desired_dgn=0xEE00)
    assert {device for device, *_ in made.readings} == {"heater 2"}


def test_a_name_goes_before_function_and_instance(heaters):
    """Unit 5 speaks as furnace 2: it is still unit 5, and that is told, once unit 6 is there or not."""
    made = heaters().claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=2)
    assert made.who == {"heater": 0x5E, "heater 2": None}
    (flag,) = made.watch.flags
    assert (str(flag.kind), flag.subject) == ("unplanned-device", "heater")
    assert (
        flag.text == "a unit other than the planned heater 2 sends as furnace 2: manufacturer code 0, serial number 5"
    )
    made = heaters().claim(0, 0x5E, 5).claim(0, 0x5F, 6).say(1, FURNACE, 0x5E, instance=2)
    made.say(2, FURNACE, 0x5F, instance=2).say(3, FURNACE, 0x5E, instance=2)
    assert made.flags == [(3.0, "raised", "shared-instance", "heater")]
    text = "furnace 2 is sent by two devices: heater (address 5E hex) and heater 2 (address 5F hex)"
    assert made.watch.flags[0].text == text
    made = heaters().claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=3)
    assert made.watch.flags[0].text == "sends as furnace 3, which is not in the rig"
    assert made.who == {"heater": 0x5E, "heater 2": None}


def test_a_unit_that_was_replaced_is_told_with_its_name(heaters):
    """It speaks as furnace 1 and is not the planned unit: the flag has the line for the rig."""
    made = heaters().claim(0, 0x5E, 77).say(1, FURNACE, 0x5E, instance=1)
    assert made.who == {"heater": None, "heater 2": None}
    made.say(2, FURNACE, 0x5F, instance=2).say(6, FURNACE, 0x5E, instance=1).say(15, FURNACE, 0x5F, instance=2)
    made.say(16, FURNACE, 0x5E, instance=1)
    assert made.flags == [(15.0, "raised", "replaced-device", "heater")]
    (flag,) = made.watch.flags
    assert flag.text == (
        "address 5E hex (manufacturer code 0, serial number 77) sends as furnace 1 in place of another unit: "
        "manufacturer code 0, serial number 5"
    )
    assert 'then write it in the rig: claimed_name = "000000000000004D" for heater' in flag.advice
    assert made.claim(17, 0x5E, 5).flags[1:] == [(17.0, "cleared", "replaced-device", "heater")]


def test_a_status_from_a_node_without_a_known_name_binds(heaters):
    """As without NAMEs; a claim of the planned NAME afterwards changes nothing, one of another takes it back."""
    made = heaters().say(0, FURNACE, 0x5E, instance=1)
    assert made.who == {"heater": 0x5E, "heater 2": None}
    assert made.claim(1, 0x5E, 5).who == {"heater": 0x5E, "heater 2": None}
    assert made.presence == [(0.0, "heater", "present")]
    made = heaters().say(0, FURNACE, 0x5E, instance=1).claim(1, 0x5E, 77)
    assert made.who == {"heater": None, "heater 2": None}
    made.say(2, FURNACE, 0x5E, instance=1).say(15.5, FURNACE, 0x5F, instance=2).until(17)
    assert [fact for fact in made.flags if fact[3] == "heater"] == [(16.0, "raised", "replaced-device", "heater")]
    assert (16.0, "heater", "silent") in made.presence


def test_a_heartbeat_does_not_make_another_unit_the_planned_one(bus, planned):
    """Nor does the planned address, for panels."""
    made = bus(planned("heater", **named(5))).claim(0, 0x5E, 77).heartbeat(1, 0x5E, DSA_FURNACE)
    assert made.who == {"heater": None}
    made = bus(planned("panel", **named(5)), planned("panel 2", **named(6)))
    made.claim(0, 0x44, 77).heartbeat(1, 0x44, DSA_PANEL).heartbeat(2, 0x45, DSA_PANEL)
    assert made.who == {"panel": None, "panel 2": 0x45}


def test_a_name_takes_a_device_from_where_a_heartbeat_had_shown_it(bus, planned):
    """And it is sure from then on: a status from elsewhere takes nothing back."""
    made = bus(planned("heater", **named(5))).heartbeat(0, 0x70, DSA_FURNACE)
    assert made.who == {"heater": 0x70}
    assert made.claim(1, 0x5E, 5).who == {"heater": 0x5E}
    made.say(2, FURNACE, 0x70, instance=1)
    assert made.who == {"heater": 0x5E}
    made.say(3, FURNACE, 0x5E, instance=1).say(4, FURNACE, 0x70, instance=1)
    assert made.flags == [(4.0, "raised", "shared-instance", "address 70 hex")]


def test_a_unit_that_claims_another_address_has_moved_at_once(heaters):
    """Nothing is missed at the old one, from which somebody without a known NAME may speak."""
    made = heaters().claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1).claim(2, 0x70, 5)
    assert made.who == {"heater": 0x70, "heater 2": None}
    assert made.say(3, FURNACE, 0x70, instance=1).flags == []


def test_of_two_units_with_one_name_the_later_claim_counts(heaters):
    """The other one goes on speaking and is told; with its own claim it is the device again."""
    made = heaters().claim(0, 0x5E, 5).claim(1, 0x70, 5).say(2, FURNACE, 0x5E, instance=1)
    assert made.who == {"heater": 0x70, "heater 2": None}
    made.say(4, FURNACE, 0x70, instance=1).say(5, FURNACE, 0x5E, instance=1).say(7, FURNACE, 0x5E, instance=1)
    assert made.flags == [
        (5.0, "raised", "shared-name", "heater"),
        (7.0, "raised", "shared-instance", "address 5E hex"),
    ]
    assert made.claim(9, 0x5E, 5).who == {"heater": 0x5E, "heater 2": None}


def test_a_lost_address_is_the_winners(heaters):
    """Unit 5 gives way at 5E and comes back elsewhere; the winner is planned as well and is known at once."""
    made = heaters().claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1, heat_output_level=100)
    made.claim(2, 0x5E, 6)
    assert made.who == {"heater": None, "heater 2": 0x5E}
    made.claim(2.1, 0x70, 5).say(3, FURNACE, 0x70, instance=1).say(3, FURNACE, 0x5E, instance=2)
    assert made.who == {"heater": 0x70, "heater 2": 0x5E}
    assert made.until(6).flags == []


def test_an_address_that_is_defended_stays_its_own(heaters):
    """A stranger claims it, and the planned unit claims it again within moments."""
    made = heaters().claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1).claim(2, 0x5E, 77)
    assert made.who == {"heater": None, "heater 2": None}
    made.claim(2.01, 0x5E, 5).claim(2.02, 0xFE, 77).say(3, FURNACE, 0x5E, instance=1)
    assert made.who == {"heater": 0x5E, "heater 2": None}
    assert made.until(6).flags == [(2.02, "raised", "cannot-claim", "NAME 000000000000004D hex")]


def test_a_claim_unseats_whoever_was_taken_to_be_there(bus, planned):
    """The heartbeat and even the status had shown the fan: the NAME says that it is the heater."""
    made = bus(planned("heater", **named(5)), "roof fan").say(0, "ROOF_FAN_STATUS_1", 0x90, instance=1)
    made.claim(1, 0x90, 5)
    assert made.who == {"heater": 0x90, "roof fan": None}
    made.say(2, "ROOF_FAN_STATUS_1", 0x90, instance=1)
    text = "a unit other than the planned roof fan sends as roof fan 1: manufacturer code 0, serial number 5"
    assert made.watch.flags[0].text == text
    made.until(20)
    assert ("roof fan", "silent") in {fact[1:] for fact in made.presence}


def test_a_silent_unit_is_not_back_when_another_claims_its_address(heaters):
    """What is heard from there is the other one's; its own claim brings it back."""
    for first in ("claim", "status"):
        made = heaters()
        made = made.claim(0, 0x5E, 5) if first == "claim" else made.say(0, FURNACE, 0x5E, instance=1)
        made.say(1, "FURNACE_COMMAND", 0x5E, instance=1).until(30)
        made.claim(31, 0x5E, 77).say(32, "FURNACE_COMMAND", 0x5E, instance=1)
        assert made.watch.roll_call[0].state == "silent"
        assert made.others == {"address 5E hex": None}
        assert made.claim(33, 0x5E, 5).watch.roll_call[0].state == "present"


def test_a_battery_that_is_shared_by_design_is_no_objection_to_a_name(bus, planned):
    """Anybody may speak for a battery of the rig, and nobody for one that it does not have."""
    made = bus(planned("heater", **named(5)), "charger").claim(0, 0x5E, 5).say(1, DC, 0x5E, instance=1)
    assert (made.who["heater"], made.flags) == (0x5E, [])
    assert made.say(2, DC, 0x5E, instance=2).flags == [(2.0, "raised", "unplanned-device", "heater")]


# By the address alone.


def test_where_nothing_else_is_known_the_address_is_the_device(placed):
    """With its first frame; silence and return are told as of any other."""
    made = placed().observe(nothing(1, 0x5E))
    assert (made.who, made.others) == ({"thing": 0x5E, "sensor": None}, {})
    made.say(2, AMBIENT, 0x91, instance=1).observe(nothing(10, 0x5E))
    made.run(40, made.every(5, AMBIENT, 0x91, 11.0)).observe(nothing(41, 0x5E))
    assert [fact for fact in made.presence if fact[1] == "thing"] == [
        (1.0, "thing", "present"),
        (25.0, "thing", "silent"),
        (41.0, "thing", "present"),
    ]


def test_a_name_that_the_rig_does_not_have_is_no_reason_against_it(placed):
    """It was drafted from a log in which nothing was claimed."""
    assert placed().claim(1, 0x5E, 77).who == {"thing": 0x5E, "sensor": None}


def test_a_device_that_is_known_by_its_name_alone_is_taken_to_be_at_its_address_until_a_claim(placed):
    """Whoever listens cannot ask for claims; another NAME takes it back, its own finds it anywhere."""
    made = placed(**named(5)).observe(nothing(1, 0x5E))
    assert made.who == {"thing": 0x5E, "sensor": None}
    assert made.claim(2, 0x5E, 77).observe(nothing(3, 0x5E)).who == {"thing": None, "sensor": None}
    assert made.others == {"address 5E hex": None}
    assert made.claim(4, 0x70, 5).observe(nothing(5, 0x5E)).who == {"thing": 0x70, "sensor": None}
    made = (
        placed(**named(5))
        .observe(nothing(1, 0x5E))
        .claim(2, 0x70, 5)
        .observe(nothing(3, 0x70))
        .observe(nothing(4, 0x5E))
    )
    assert made.who == {"thing": 0x70, "sensor": None}


def test_a_name_is_more_than_an_address_also_after_a_silence(placed):
    """The unit is silent at 70; somebody at its planned address is taken for it until it speaks again."""
    made = placed(**named(5)).claim(0, 0x70, 5).observe(nothing(1, 0x70)).until(30).observe(nothing(31, 0x5E))
    assert made.who["thing"] == 0x5E
    assert made.observe(nothing(32, 0x70)).who["thing"] == 0x70


def test_a_status_of_another_device_takes_the_address(placed):
    """The sensor speaks from there: the thing is not heard, and everything from there is the sensor's."""
    made = placed().observe(nothing(1, 0x5E)).say(2, AMBIENT, 0x5E, instance=1).observe(nothing(3, 0x5E))
    assert made.who == {"thing": None, "sensor": 0x5E}
    assert made.others == {}
    made.run(30, made.every(5, AMBIENT, 0x5E, 5.0))
    assert made.flags[1:] == [
        (17.0, "raised", "silent-device", "thing"),
        (17.0, "raised", "replaced-device", "sensor"),
    ]


def test_a_heartbeat_does_not_take_the_address(placed):
    """It says less than a place in the rig, whichever is heard first."""
    made = placed("panel").heartbeat(1, 0x5E, DSA_PANEL)
    assert made.who == {"thing": 0x5E, "sensor": None, "panel": None}
    made = placed("panel").observe(nothing(0, 0x5E)).heartbeat(1, 0x5E, DSA_PANEL)
    assert made.who == {"thing": 0x5E, "sensor": None, "panel": None}


def test_a_function_that_nobody_has_is_told_of_the_device(placed):
    """Its place in the rig says nothing of furnaces."""
    made = placed().say(1, FURNACE, 0x5E, instance=3)
    assert made.who == {"thing": 0x5E, "sensor": None}
    assert made.flags == [(1.0, "raised", "unplanned-device", "thing")]


def test_who_only_shares_a_battery_is_known_by_its_address(bus):
    """Speaking for a battery binds nobody, so nothing else could tell."""
    made = bus("monitor", "charger").say(1, DC, 0x46, instance=1)
    assert made.who == {"monitor": 0x46, "charger": None}


def test_another_address_says_nothing(placed):
    """Whoever has not said what it is stays unknown there."""
    made = placed().observe(nothing(1, 0x70))
    assert (made.who, made.others) == ({"thing": None, "sensor": None}, {"address 70 hex": None})


def test_who_is_known_elsewhere_by_its_name_has_nothing_to_lose_at_its_address(placed):
    """The sensor speaks from there; the thing is where its NAME was claimed."""
    made = placed(**named(5)).claim(0, 0x70, 5).say(1, AMBIENT, 0x5E, instance=1)
    assert made.who == {"thing": 0x70, "sensor": 0x5E}


def test_a_claim_in_the_same_moment_counts(heaters):
    """Clocks of logs may be coarse: the old address was heard in the same millisecond."""
    made = heaters().claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1).claim(1, 0x70, 5)
    assert made.who == {"heater": 0x70, "heater 2": None}

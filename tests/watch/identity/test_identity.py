"""Tests for who speaks from an address."""

from dataclasses import replace

import pytest

from rvsim.rig.model import Rig
from rvsim.watch.watch import Watch

FURNACE, DSA_FURNACE, DSA_PANEL, DSA_WATER, DSA_INPUT = "FURNACE_STATUS", 94, 68, 101, 132


def test_a_device_is_known_by_function_and_instance_wherever_it_speaks(bus):
    """The address that it prefers does not matter."""
    made = bus("heater", "heater 2").say(1, FURNACE, 0x33, instance=2).say(2, FURNACE, 0x5F, instance=1)
    assert made.who == {"heater": 0x5F, "heater 2": 0x33}
    assert made.presence == [(1.0, "heater 2", "present"), (2.0, "heater", "present")]


def test_the_planned_address_alone_says_nothing(bus):
    """Commands, requests, claims and what devices share by design come from there: it stays an address."""
    made = bus("charger").claim(0, 0x4A, 1).say(1, "CHARGER_COMMAND", 0x4A, instance=1)
    made.say(2, "DC_SOURCE_STATUS_1", 0x4A, instance=1).say(3, "REQUEST_FOR_DGN", 0x4A, desired_dgn=0xEE00)
    made.heartbeat(4, 0x4A, 69)
    assert made.who == {"charger": None}
    assert made.presence == []
    made.say(5, "CHARGER_STATUS", 0x4A, charger_instance=1)
    assert (made.who, made.others) == ({"charger": 0x4A}, {})


def test_events_before_a_source_is_known_carry_its_address(bus):
    """Afterwards its name."""
    made = bus("heater").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1, heat_output_level=100)
    assert {(device, field) for device, _, field, _, _ in made.readings if "level" in field or "serial" in field} == {
        ("address 5E hex", "serial_number"),
        ("heater", "heat_output_level"),
    }
    assert made.watch.roll_call[0].name.serial_number == 5


def test_a_heartbeat_tells_who_speaks_where_one_device_only_has_the_function(bus):
    """The instance is not in it, so of two heaters it tells nothing; a function that nobody has neither."""
    assert bus("panel").heartbeat(1, 0x77, DSA_PANEL).who == {"panel": 0x77}
    assert bus("heater", "heater 2").heartbeat(1, 0x5E, DSA_FURNACE).who == {"heater": None, "heater 2": None}
    assert bus("panel").heartbeat(1, 0x77, DSA_FURNACE).who == {"panel": None}
    assert bus("panel").heartbeat(1, 0x77, 255).who == {"panel": None}


def test_of_several_panels_the_planned_address_chooses(bus):
    """A panel has no status message, so nothing else could; from any other address it stays unknown."""
    made = bus("panel", "panel 2").heartbeat(1, 0x45, DSA_PANEL).heartbeat(2, 0x50, DSA_PANEL)
    assert made.who == {"panel": None, "panel 2": 0x45}
    assert made.others == {"address 50 hex": None}


def test_of_several_keypads_the_planned_address_chooses(bus):
    """Keys are sent when they are pressed: a log that begins later, or is cut, has heartbeats alone for hours."""
    first = {"name": "first", "kind": "keypad", "address": 0x93, "functions": {"dc_input": 31}}
    second = {"name": "second", "kind": "keypad", "address": 0x94, "functions": {"dc_input": 32}}
    made = bus(first, second)
    for seconds in range(0, 60, 5):
        made.heartbeat(seconds, 0x93, DSA_INPUT).heartbeat(seconds + 1, 0x94, DSA_INPUT)
    assert (made.who, made.flags) == ({"first": 0x93, "second": 0x94}, [])
    made.say(61, "DIGITAL_INPUT_STATUS", 0x93, instance=32)
    assert made.who["first"] is None  # a key of the other one says more than the address


def test_a_heartbeat_does_not_take_a_device_from_who_is_present(bus):
    """The second one stays unknown and is told after 15 s; not so once the first is silent."""
    made = bus("panel").heartbeat(0, 0x44, DSA_PANEL)
    for second in range(4, 24, 4):
        made.heartbeat(second, 0x44, DSA_PANEL).heartbeat(second + 0.5, 0x50, DSA_PANEL)
    assert made.who == {"panel": 0x44}
    assert made.flags == [(19.5, "raised", "unplanned-device", "address 50 hex")]
    made.forget()
    for second in range(24, 48, 4):
        made.heartbeat(second, 0x50, DSA_PANEL)
    assert made.presence == [(35.0, "panel", "silent"), (36.0, "panel", "present")]
    assert made.flags == [
        (35.0, "raised", "silent-device", "panel"),
        (36.0, "cleared", "unplanned-device", "address 50 hex"),
        (36.0, "cleared", "silent-device", "panel"),
        (36.0, "raised", "replaced-device", "panel"),
    ]
    assert (made.who, made.others) == ({"panel": 0x50}, {})


def test_a_heartbeat_does_not_make_a_known_device_another_one(bus):
    """A node that is known by its status stays who it is, whatever its heartbeats say."""
    made = bus("heater", "panel").say(0, FURNACE, 0x5E, instance=1).heartbeat(1, 0x5E, DSA_PANEL)
    assert made.who == {"heater": 0x5E, "panel": None}


def test_a_status_takes_back_what_a_heartbeat_had_shown(bus):
    """Furnace, said the heartbeat; furnace 2, says the status, and the rig has furnace 1 only."""
    made = bus("heater").heartbeat(0, 0x5E, DSA_FURNACE)
    assert made.who == {"heater": 0x5E}
    made.say(1, FURNACE, 0x5E, instance=2).heartbeat(2, 0x5E, DSA_FURNACE)
    assert (made.who, made.others) == ({"heater": None}, {"address 5E hex": None})
    made.heartbeat(10, 0x5E, DSA_FURNACE).until(20)
    assert made.presence[-2:] == [(16.0, "heater", "silent"), (16.0, "address 5E hex", "unplanned")]
    assert made.flags == [(16.0, "raised", "replaced-device", "heater")]


def test_a_status_takes_a_device_from_who_is_known_by_a_heartbeat_only(bus):
    """Function and instance say more than the function alone."""
    made = (
        bus("heater").heartbeat(0, 0x70, DSA_FURNACE).say(1, FURNACE, 0x5E, instance=1).heartbeat(2, 0x70, DSA_FURNACE)
    )
    assert made.presence == [(0.0, "heater", "present"), (1.0, "heater", "present")]
    assert (made.who, made.others) == ({"heater": 0x5E}, {"address 70 hex": None})
    assert made.flags == []


def test_a_status_after_the_heartbeat_makes_a_device_sure(bus):
    """Then nobody else can take it."""
    made = bus("heater").heartbeat(0, 0x5E, DSA_FURNACE).say(1, FURNACE, 0x5E, instance=1)
    made.say(2, FURNACE, 0x70, instance=1)
    assert made.who == {"heater": 0x5E}
    made.say(6, FURNACE, 0x5E, instance=1)
    assert made.flags == [(6.0, "raised", "shared-instance", "address 70 hex")]
    text = "furnace 1 is sent by two devices: heater (address 5E hex) and address 70 hex"
    assert made.watch.flags[0].text == text


def test_a_function_and_instance_that_the_rig_does_not_have_is_told_at_once(bus):
    """Once for each source, with what it speaks as; the heater is there, so that it cannot have been replaced."""
    made = bus("heater").say(2, FURNACE, 0x5E, instance=1)
    made.forget().say(3, FURNACE, 0x9C, instance=2).say(4, "ROOF_FAN_STATUS_1", 0x9C, instance=1)
    made.say(8, FURNACE, 0x9C, instance=2).say(8.5, FURNACE, 0x5E, instance=1).until(18)
    assert made.presence[0] == (3.0, "address 9C hex", "unplanned")
    assert [fact for fact in made.flags if fact[3] != "heater"] == [
        (3.0, "raised", "unplanned-device", "address 9C hex")
    ]
    assert made.watch.all_flags[0].text == "sends as furnace 2, which is not in the rig"


def test_a_battery_that_the_rig_does_not_have_is_told(bus):
    """What devices share by design has to be planned too, but anyone may speak for it."""
    made = bus("charger", "sensor").say(0, "CHARGER_STATUS", 0x4A, charger_instance=1)
    made.say(1, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1)
    made.say(2, "DC_SOURCE_STATUS_1", 0x91, instance=1).say(3, "DC_SOURCE_STATUS_1", 0x4A, instance=2)
    assert made.flags == [(3.0, "raised", "unplanned-device", "charger")]


def test_a_planned_device_with_a_strange_function_stays_present(bus):
    """The flag names the device; it is cleared when the device falls silent, and raised again with its return."""
    made = bus("heater").say(0, FURNACE, 0x5E, instance=1).say(1, FURNACE, 0x5E, instance=2)
    made.say(2, FURNACE, 0x5E, instance=2).say(3, "WATERHEATER_STATUS", 0x5E, instance=3)
    assert made.presence == [(0.0, "heater", "present")]
    made.until(30).say(31, FURNACE, 0x5E, instance=2)
    strange = [(time, what) for time, what, kind, _ in made.flags if kind == "unplanned-device"]
    assert strange == [(1.0, "raised"), (3.0, "raised"), (18.0, "cleared"), (18.0, "cleared"), (31.0, "raised")]


def test_a_source_has_fifteen_seconds_to_say_what_it_is(bus):
    """Counted from its first frame; then it is not in the rig."""
    made = bus("sensor").claim(1, 0x9C, 7)
    for second in range(2, 30, 2):
        made.say(second, "REQUEST_FOR_DGN", 0x9C, desired_dgn=0xEE00)
        made.say(second, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1)
    assert [fact for fact in made.presence if "9C" in fact[1]] == [(16.0, "address 9C hex", "unplanned")]
    assert made.flags == [(16.0, "raised", "unplanned-device", "address 9C hex")]
    assert made.watch.flags[0].text == "not in the rig: it sent nothing that identifies it within 15.0 s"


def test_three_gaps_of_the_slowest_planned_status_are_given(bus, planned, catalogue):
    """A rig whose slowest status comes every 60 s waits three minutes."""

    class Slow:
        names = catalogue.names
        by_dgn = staticmethod(catalogue.by_dgn)

        @staticmethod
        def by_name(name):
            return replace(catalogue.by_name(name), gap_us=60_000_000)

    made = bus("sensor")
    rig = Rig.model_validate({"schema": 1, "name": "slow", "title": "Slow", "device": [planned("sensor")]})
    made.watch = Watch(Slow(), rig)  # type: ignore[arg-type]
    made.run(200, made.every(10, "REQUEST_FOR_DGN", 0x9C, desired_dgn=0xEE00))
    assert [fact for fact in made.presence if fact[2] == "unplanned"] == [(180.0, "address 9C hex", "unplanned")]
    made.watch = Watch(Slow(), rig)  # type: ignore[arg-type]
    made.forget().run(400, made.every(10, "REQUEST_FOR_DGN", 0x9C, 0.0, ((15, 160),), desired_dgn=0xEE00))
    assert [fact for fact in made.presence if "9C" in fact[1]] == [
        (25.0, "address 9C hex", "silent"),
        (340.0, "address 9C hex", "unplanned"),
    ]


def test_who_says_what_it_is_after_all_is_no_stranger(bus):
    """The flag is cleared and everything it said counts for the device."""
    made = bus("panel").say(0, "FURNACE_COMMAND", 0x44, instance=1)
    for second in range(5, 21, 5):
        made.say(second, "FURNACE_COMMAND", 0x44, instance=1)
    made.heartbeat(21, 0x44, DSA_PANEL)
    assert made.flags[-2:] == [
        (21.0, "cleared", "unplanned-device", "address 44 hex"),
        (21.0, "cleared", "silent-device", "panel"),
    ]
    assert made.presence[-1] == (21.0, "panel", "present")
    made.forget().say(22, "FURNACE_COMMAND", 0x44, instance=1, heat_output_level=100)
    assert made.readings[0][0] == "panel"


def test_a_stranger_that_goes_is_forgotten_and_told_again_when_it_returns(bus):
    """There is no fault in that it is gone."""
    made = bus("sensor").run(
        90,
        bus().every(5, "THERMOSTAT_AMBIENT_STATUS", 0x91, 0.0),
        bus().every(5, FURNACE, 0x9C, 1.0, ((10, 60),), instance=2),
    )
    assert made.flags == [
        (1.0, "raised", "unplanned-device", "address 9C hex"),
        (21.0, "cleared", "unplanned-device", "address 9C hex"),
        (61.0, "raised", "unplanned-device", "address 9C hex"),
    ]
    assert [state for _, device, state in made.presence if "9C" in device] == ["unplanned", "silent", "unplanned"]


def test_who_is_unknown_and_gone_within_fifteen_seconds_is_no_stranger(bus):
    """A claim and nothing more: a service tool that was plugged in for a moment."""
    made = bus("sensor").claim(0, 0x9C, 7)
    made.run(60, made.every(5, "THERMOSTAT_AMBIENT_STATUS", 0x91, 0.0))
    assert made.flags == []


def test_a_device_is_known_since_the_address_was_first_heard(bus):
    """It has had its second to settle before it said who it is."""
    made = (
        bus("sensor").claim(0, 0x91, 5).say(2, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1, ambient_temperature=65534)
    )
    assert made.flags == [(2.0, "raised", "bad-value", "sensor")]


def test_what_a_known_device_says_later_is_counted_to_it(bus):
    """Also a topic that tells nothing of its sender."""
    made = bus("heater").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1).forget()
    made.say(2, "REQUEST_FOR_DGN", 0x5E, desired_dgn=0xEE00)
    assert {device for device, *_ in made.readings} == {"heater"}
    assert made.others == {}


def test_a_strange_battery_takes_nothing_back(bus):
    """The heartbeat said charger; that it speaks for a battery too many is another matter."""
    made = bus("charger").heartbeat(0, 0x4A, 74).say(1, "DC_SOURCE_STATUS_1", 0x4A, instance=2)
    assert made.who == {"charger": 0x4A}
    assert made.watch.roll_call[0].state == "present"


def test_a_strange_furnace_takes_nothing_from_another_address(bus):
    """The heater that its heartbeat showed at 5E stays there; one that is silent stays silent."""
    made = bus("heater").heartbeat(0, 0x5E, DSA_FURNACE).say(1, FURNACE, 0x70, instance=2)
    assert (made.who, made.watch.roll_call[0].state) == ({"heater": 0x5E}, "present")
    made = bus("heater").heartbeat(0, 0x5E, DSA_FURNACE).until(20).say(21, FURNACE, 0x5E, instance=2)
    assert made.watch.roll_call[0].state == "silent"


def test_a_claim_that_is_too_short_gives_no_name(bus):
    """A NAME has eight bytes."""
    made = bus("heater")
    frame = made.frame(0, "ADDRESS_CLAIM", 0x5E)
    made.observe(frame._replace(data=frame.data[:7])).say(1, FURNACE, 0x5E, instance=1)
    assert made.watch.roll_call[0].name is None


def test_who_cannot_claim_an_address_is_nobody(bus):
    """From the null address, and from the global one, nobody is to be called; that they speak is told."""
    made = bus("sensor").claim(0, 0xFE, 5)
    made.run(40, made.every(5, "THERMOSTAT_AMBIENT_STATUS", 0x91, 0.0), made.every(5, FURNACE, 0xFF, 1.0))
    assert made.flags == [
        (0.0, "raised", "cannot-claim", "NAME 0000000000000005 hex"),
        (1.0, "raised", "no-address", "address FF hex"),
    ]
    assert made.others == {}


def test_without_a_rig_nothing_is_unplanned(bus):
    """Everybody is present with the first frame, under the address."""
    made = bus().claim(0, 0x5E, 5).run(40, bus().every(5, FURNACE, 0x5E, 1.0))
    assert (made.presence, made.flags) == ([(0.0, "address 5E hex", "present")], [])


def test_without_a_rig_a_source_that_is_back_is_the_same_one(bus):
    """It is listed once."""
    made = bus().say(0, FURNACE, 0x5E, instance=1).until(20).say(21, FURNACE, 0x5E, instance=1)
    assert made.others == {"address 5E hex": "present"}
    assert [fact[2] for fact in made.presence] == ["present", "silent", "present"]


BATTERY = {
    "name": "battery monitor",
    "address": 0x45,
    "functions": {"battery_monitor": 1, "dc_source": 1},
    "kind": "battery_monitor",
}


@pytest.mark.parametrize(("source", "instance", "is_heard"), [(0x45, 1, True), (0x45, 2, False), (0x47, 1, False)])
def test_a_battery_monitor_is_known_without_its_heartbeat_by_address_and_battery(bus, source, instance, is_heard):
    """A log may have no heartbeats: from the planned address comes the status of the planned battery."""
    made = bus(BATTERY).run(60, bus().every(0.5, "DC_SOURCE_STATUS_1", source, instance=instance))
    assert ("battery monitor" in {line.device for line in made.watch.roll_call if line.source == source}) is is_heard
    assert [what for _, what, kind, _ in made.flags if kind == "silent-device"] == ([] if is_heard else ["raised"])


def test_another_message_from_its_address_is_no_battery_monitor(bus):
    """An address alone does not tell a device, and a status of its own tells who it is."""
    made = bus(BATTERY, "heater").run(60, bus().every(5, "FURNACE_STATUS", 0x45, instance=1))
    assert [line.device for line in made.watch.roll_call if line.source == 0x45] == ["heater"]

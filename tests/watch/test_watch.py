"""Tests for the watch as a whole: time, what can be asked, lengths, unknown messages."""

from dataclasses import replace

from rvsim.rig.model import Rig
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame

HEAD = {"schema": 1, "name": "test", "title": "Test rig"}
AMBIENT, FURNACE, DC = "THERMOSTAT_AMBIENT_STATUS", "FURNACE_STATUS", "DC_SOURCE_STATUS_1"


# Time.


def test_a_step_back_in_time_counts_as_now(bus):
    """It is counted, and events never go backwards."""
    made = bus().say(5, FURNACE, 0x5E, instance=1, heat_output_level=100)
    made.say(4, FURNACE, 0x5E, instance=1, heat_output_level=80).until(10).say(7, FURNACE, 0x5E, instance=1)
    assert [event.time / SECOND_US for event in made.events] == [5, 5, 5, 10, 10]
    assert made.watch.statistics.steps_back == 2
    assert made.until(9).watch.advance(3) == []


def test_what_was_taken_in_is_counted(bus):
    """Frames, those without a definition, steps back, sources and topics."""
    made = bus().say(1, FURNACE, 0x5E, instance=1).say(2, FURNACE, 0x5E, instance=2)
    for second in (3, 4, 5):
        made.observe(Frame(second * SECOND_US, 0x09F80102, bytes([second] * 8)))
    counts = {"frames": 5, "unknown": 3, "steps_back": 0, "sources": 2, "topics": 3, "accepted": 0}
    assert made.watch.statistics._asdict() == counts


def test_a_fault_in_a_heartbeat_begins_no_new_topic(bus):
    """Status, number and lamps may change: it is the heartbeat of the same function."""
    made = bus().heartbeat(0, 0x5E, 94).heartbeat(1, 0x5E, 101)
    made.say(2, "DM_RV", 0x5E, dsa=94, spn=1, fmi=2, red_lamp_status=1)
    assert made.watch.statistics.topics == 2


def test_a_device_was_heard_last_when_it_spoke_last(bus):
    """Also where it said the same again, or something without a definition."""
    made = bus("sensor").say(1, AMBIENT, 0x91, instance=1).observe(Frame(2 * SECOND_US, 0x09F80102, bytes(8)))
    made.say(4, AMBIENT, 0x91, instance=1).observe(Frame(6 * SECOND_US, 0x09F80102, bytes(8)))
    made.say(9, AMBIENT, 0x91, instance=1)
    assert [record.last_heard for record in made.watch.roll_call] == [9 * SECOND_US, 6 * SECOND_US]
    assert made.until(30).watch.flags[-1].evidence == ("last frame 19FF9C91 01 FF FF FF FF FF FF FF at 9.000 s",)


def test_a_battery_of_24_volts_is_strange_only_where_the_rig_says_12(bus):
    """Without a rig nobody knows what the system is."""
    for devices, kinds in [((), set()), (("charger",), {"bad-value"})]:
        made = bus(*devices).say(0, "CHARGER_STATUS", 0x4A, charger_instance=1)
        made.say(1.5, DC, 0x4A, instance=1, dc_voltage=540)
        assert {flag.kind for flag in made.watch.flags} == kinds


def test_what_the_rig_accepts_is_counted_and_not_told(bus, planned):
    """Neither raised nor cleared, each time it begins; who is there is told as ever."""
    made = bus(planned("sensor"))
    made.rig = Rig.model_validate({**HEAD, "device": [planned("sensor")], "accepted": [{"flag": "silent-device"}]})
    made.watch = Watch(made.catalogue, made.rig)
    for start in (0, 40, 80):
        made.say(start, AMBIENT, 0x91, instance=1).until(start + 30)
    assert (made.flags, made.watch.all_flags, made.watch.statistics.accepted) == ([], (), 3)
    assert [state for _, _, state in made.presence] == ["present", "silent"] * 3


# What a frame says, changed or not.


def test_every_reading_can_be_asked_for(bus):
    """With device and instance, whether it changed or not; the instance is no reading."""
    made = bus("sensor").say(0, AMBIENT, 0x91, instance=1, ambient_temperature=9408)
    frame = made.frame(5, AMBIENT, 0x91, instance=1, ambient_temperature=9408)
    assert made.watch.observe(frame) == []
    decoded = made.watch.readings(frame)
    assert (decoded.time, decoded.device, decoded.source, decoded.instance) == (5 * SECOND_US, "sensor", 0x91, 1)
    assert decoded.spec.name == AMBIENT
    assert [(reading.field.name, reading.brief) for reading in decoded.readings] == [
        ("ambient_temperature", "21.00 °C")
    ]


def test_readings_of_who_was_never_heard_carry_the_address(bus):
    """And a message without a definition has none; one without an instance keeps all its fields."""
    made = bus("sensor")
    assert made.watch.readings(made.frame(0, AMBIENT, 0x0C, instance=1)).device == "address 0C hex"
    assert made.watch.readings(Frame(0, 0x09F80102, bytes(8))) is None
    assert len(made.watch.readings(made.frame(0, "ADDRESS_CLAIM", 0x0C)).readings) == 10
    made.say(1, AMBIENT, 0x91, instance=1)
    assert made.watch.readings(made.frame(2, AMBIENT, 0x91, instance=7)).device == "address 91 hex"


def test_what_each_device_said_last_can_be_asked(bus):
    """Of all devices or of one, topic by topic, with the gap by which it is due again."""
    made = bus("sensor", "heater").say(0, FURNACE, 0x5E, instance=1).say(1, AMBIENT, 0x91, instance=1)
    made.observe(Frame(2 * SECOND_US, 0x09F8015E, bytes(8))).say(3, FURNACE, 0x5E, instance=1)
    assert [(told.device, str(told.topic), told.gap_us) for told in made.watch.last_frames()] == [
        ("sensor", "THERMOSTAT_AMBIENT_STATUS, instance 1", 5 * SECOND_US),
        ("heater", "FURNACE_STATUS, instance 1", 5 * SECOND_US),
        ("heater", "DGN 1F801 hex", None),
    ]
    furnace, unknown = made.watch.last_frames("heater")
    assert (furnace.spec.name, furnace.frame.time, unknown.spec) == (FURNACE, 3 * SECOND_US, None)


# Lengths.


def test_a_short_frame_is_flagged_once_for_a_sender_and_a_message(bus):
    """Whatever the instance; three of the right length in a row end it, and then it can come again."""
    made = bus()
    for second, length, instance in [(0, 3, 1), (1, 3, 2), (2, 8, 1), (3, 3, 1), (4, 8, 1), (5, 8, 2)]:
        made.say(second, FURNACE, 0x5E, length, instance=instance)
    assert made.flags == [(0.0, "raised", "wrong-length", "address 5E hex")]
    made.say(6, FURNACE, 0x5E, instance=2).say(7, FURNACE, 0x5F, 3, instance=3).say(8, FURNACE, 0x5E, 3, instance=1)
    assert made.flags[1:] == [
        (6.0, "cleared", "wrong-length", "address 5E hex"),
        (7.0, "raised", "wrong-length", "address 5F hex"),
        (8.0, "raised", "wrong-length", "address 5E hex"),
    ]


def test_what_a_short_frame_leaves_out_decides_how_serious_it_is(bus, planned):
    """A notice where it reads as no data; a warning where it was said before, is required, or has no such code."""
    made = bus().say(0, FURNACE, 0x5E, 4, instance=1)
    assert made.watch.flags[0].severity == "notice"
    assert "missing: dead band, second stage dead band" in made.watch.flags[0].text
    made = bus().say(0, FURNACE, 0x5E, instance=1, dead_band=10).say(1, FURNACE, 0x5E, 4, instance=1)
    assert made.watch.flags[0].severity == "warning"
    made = bus(planned("heater", required=["dead_band"])).say(0, FURNACE, 0x5E, 4, instance=1)
    assert made.watch.flags[0].severity == "warning"
    made = bus().say(0, "ADDRESS_CLAIM", 0x5E, 7)
    assert made.watch.flags[0].severity == "warning"


def test_short_frames_that_hold_all_fields_are_right(bus):
    """However many come in a row."""
    made = bus()
    for second in range(6):
        made.say(second, AMBIENT, 0x91, 3, instance=1, ambient_temperature=9000 + second)
    assert made.flags == []


def test_a_frame_that_is_longer_than_its_message_is_a_warning(catalogue):
    """Nobody knows what the rest says."""

    class Own:
        names = ()

        def by_dgn(self, dgn):
            return replace(catalogue.by_name(AMBIENT), length=3)

    watch = Watch(Own())  # type: ignore[arg-type]
    watch.observe(Frame(0, 0x19FF9C91, bytes.fromhex("010000AAFFFFFFFF")))
    assert [(flag.kind, flag.severity) for flag in watch.flags] == [("wrong-length", "warning")]


def test_a_request_of_three_bytes_is_right(bus):
    """As SAE J1939 sends it."""
    assert bus().say(0, "REQUEST_FOR_DGN", 0x5E, 3, desired_dgn=0xEE00).flags == []


# Unknown messages.


def test_an_unknown_message_is_noticed_once_for_a_sender_and_a_dgn(bus):
    """Whatever its bytes and its priority."""
    made = bus()
    for second, identifier in enumerate([0x09F80102, 0x19F80102, 0x09F80103, 0x09F80202, 0x09F80102]):
        made.observe(Frame(second * SECOND_US, identifier, bytes([second] * 8)))
    assert [(flag.subject, flag.text[:9]) for flag in made.watch.flags] == [
        ("address 02 hex", "DGN 1F801"),
        ("address 03 hex", "DGN 1F801"),
        ("address 02 hex", "DGN 1F802"),
    ]
    assert {flag.severity for flag in made.watch.flags} == {"notice"}


def test_a_named_message_without_a_layout_is_no_unknown_one(bus):
    """Packets of long messages and proprietary ones belong to the shared layer."""
    made = bus()
    for second, identifier in enumerate([0x1CECFF5E, 0x1CEBFF5E, 0x18EF4A5E]):
        made.observe(Frame(second * SECOND_US, identifier, bytes(8)))
    assert made.flags == []
    assert made.watch.statistics.unknown == 0


def test_a_frame_of_the_person_at_the_bench(bus):
    """It is nobody's, and it uses the pair; who answers a request for claims has not restarted."""
    made = bus("heater")
    made.claim(0, 0x5E, 1).run(30, made.every(5, "FURNACE_STATUS", 0x5E, 0.1))
    before = len(made.watch.bus_load.frames)
    ask = made.frame(30.0, "REQUEST_FOR_DGN", 0xF9, 3, desired_dgn=0xEE00)
    made.events += made.watch.observe_own(ask)
    assert len(made.watch.bus_load.frames) == before + 1
    made.claim(30.001, 0x5E, 1).run(40, made.every(5, "FURNACE_STATUS", 0x5E, 0.1), begin=30.1)
    assert (made.flags, made.others) == ([], {})


def test_a_claim_that_the_person_at_the_bench_did_not_ask_for(bus):
    """It tells a restart: only an answer is exempt."""
    made = bus("heater")
    made.claim(0, 0x5E, 1).run(30, made.every(5, "FURNACE_STATUS", 0x5E, 0.1))
    made.claim(30.001, 0x5E, 1).run(40, made.every(5, "FURNACE_STATUS", 0x5E, 0.1), begin=30.1)
    assert [flag[1:] for flag in made.flags] == [("raised", "restarted", "heater")]

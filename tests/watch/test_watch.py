"""Tests for the watch as a whole: the quiet bus, time, batches, lengths, unknown messages, a recorded bus."""

import itertools
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.frame import Frame

SECOND = 1_000_000
AMBIENT, FURNACE, DC = "THERMOSTAT_AMBIENT_STATUS", "FURNACE_STATUS", "DC_SOURCE_STATUS_1"
RECORDED = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
# Whole-bus pauses of more than a second in the recorded log: its times, by a one-line subtraction outside the project.
PAUSES = (14.524352, 28.467986, 60.542907, 121.522552, 167.881957, 199.516234, 212.549773)


def busy(made, off=(), until=60.0, sources=(0x4A, 0x46, 0x47)):
    """Three sources that speak for three batteries twice a second; all are off in the times given."""
    return made.run(
        until,
        *(made.every(0.5, DC, source, 0.1 * number, off, instance=number + 1) for number, source in enumerate(sources)),
    )


# The quiet bus.


def test_a_bus_that_falls_quiet_is_one_flag_and_nobody_is_missed(bus):
    """Silent for longer than ten times its usual silence: 1 s here; ages stand still until it is back."""
    made = busy(bus(), off=((20, 50),))
    assert [state for _, _, state in made.presence] == ["present"] * 3
    # The last frame came at 19.7 s, the median silence is 0.1 s, so 1 s is the longest that is normal.
    assert made.flags == [(20.7, "raised", "bus-quiet", "bus"), (50.0, "cleared", "bus-quiet", "bus")]
    assert made.watch.everything[0].since == 20_700_000
    assert "nothing from anyone for 1.0 s" in made.watch.everything[0].text
    assert "0.100 s between frames is usual" in made.watch.everything[0].text
    assert made.watch.everything[0].evidence[1] == "3 sources have missed a message"


def test_a_silence_of_exactly_what_is_normal_is_normal(bus):
    """Quiet is longer than that; and the time told is enough to know it, without any deadline."""
    made = bus()
    for number in range(60):
        made.hear(Frame(number * 50_000, 0x09F80102 + number % 2, bytes(8)))
    assert not {kind for _, _, kind, _ in made.until(3.95).flags} & {"bus-quiet"}
    assert made.until(3.950001).flags[-1] == (3.95, "raised", "bus-quiet", "bus")


def test_ages_go_on_from_where_they_stood(bus):
    """Who stays away after a pause is silent 15 s of hearing after its last frame."""
    made = bus()
    made.run(
        90,
        made.every(0.5, DC, 0x4A, 0.0, ((20, 50),)),
        made.every(0.5, DC, 0x46, 0.1, ((20, 50),), instance=2),
        made.every(5, FURNACE, 0x5E, 0.2, ((16, 99),)),
    )
    # Its last frame came at 15.2 s; the bus was quiet from 19.6 s to 50 s: 15 s later is 60.6 s, found at 61.0 s.
    silent = [
        (time, what) for time, what, kind, who in made.flags if (kind, who) == ("silent-device", "address 5E hex")
    ]
    assert silent == [(61.0, "raised")]
    assert made.watch.everything[1].since == 60_600_000


def test_ages_after_a_pause_count_from_the_frames_after_it(bus):
    """Whether a message repeats itself or says something new each time."""
    for raws in ([9000] * 200, range(9000, 9200)):
        made = busy(bus(), off=((20, 50),), until=49.9).forget()
        for second, raw in zip(range(50, 100), raws, strict=False):
            made.say(second, AMBIENT, 0x91, instance=1, ambient_temperature=raw)
            made.say(second + 0.3, DC, 0x4A, instance=1).say(second + 0.7, DC, 0x46, instance=2)
            made.say(second + 0.8, DC, 0x47, instance=3)
        assert made.flags == [(50.0, "cleared", "bus-quiet", "bus")]
        made.forget().run(
            120,
            *(made.every(0.5, DC, source, 100.0, instance=n) for n, source in enumerate((0x4A, 0x46, 0x47), 1)),
            begin=100,
        )
        assert [(kind, who) for _, what, kind, who in made.flags] == [("silent-device", "address 91 hex")]
        assert made.watch.flags[-1].since == 114_000_000


def test_a_quiet_bus_of_one_talker_is_a_silent_device(bus):
    """There is nobody to compare with."""
    made = busy(bus(), off=((20, 50),), sources=(0x4A,))
    assert [kind for _, what, kind, _ in made.flags if what == "raised"] == ["late-message", "silent-device"]


def test_a_bus_is_not_judged_before_twenty_silences(bus):
    """Two sources of ten frames each tell too little: they are late and silent instead."""
    made = busy(bus(), off=((5, 60),), sources=(0x4A, 0x46))
    assert {kind for _, _, kind, _ in made.flags} == {"late-message", "silent-device"}
    assert {kind for _, _, kind, _ in busy(bus(), off=((5.5, 60),), sources=(0x4A, 0x46)).flags} == {"bus-quiet"}


def test_a_bus_that_is_usually_slow_may_be_silent_for_longer(bus):
    """Median silence 0.5 s: up to 5 s are normal."""
    made = bus()
    made.run(60, made.every(1, FURNACE, 0x5E, 0.0, ((20, 30),)), made.every(1, AMBIENT, 0x91, 0.5, ((20, 30),)))
    assert made.flags == [(27.0, "raised", "bus-quiet", "bus"), (30.0, "cleared", "bus-quiet", "bus")]


def test_a_bus_that_speaks_in_bursts_is_not_quiet_in_between(bus):
    """Everything within 0.3 s, then nothing until the next 5 s: the median is small, and nothing is missed."""
    made = bus()
    made.run(120, *(made.every(5, message, 0x5E + n, 0.1 * n) for n, message in enumerate([FURNACE, AMBIENT, FURNACE])))
    assert made.flags == []
    assert [state for _, _, state in made.presence] == ["present"] * 3


def test_one_fast_device_that_stops_does_not_make_the_bus_quiet(bus):
    """The others have nothing to say for five seconds: it is that device's silence."""
    made = bus()
    made.run(
        60,
        made.every(0.5, DC, 0x4A, 0.0, ((20, 60),)),
        made.every(5, FURNACE, 0x5E, 0.2),
        made.every(5, AMBIENT, 0x91, 0.3),
    )
    assert [(kind, what) for _, what, kind, _ in made.flags] == [
        ("late-message", "raised"),
        ("late-message", "cleared"),
        ("silent-device", "raised"),
    ]


def test_a_deadline_in_a_silence_waits_for_the_next_frame(bus):
    """It may yet be the whole bus; the flag says since when all the same."""
    made = bus()
    made.run(
        40,
        made.every(0.5, DC, 0x4A, 0.0, ((20, 60),)),
        made.every(5, FURNACE, 0x5E, 0.2),
        made.every(5, AMBIENT, 0x91, 0.3),
    )
    late = made.watch.everything[0]
    # Last at 19.5 s, so late after 21.5 s; the next frame of anybody comes at 25.2 s.
    assert (made.flags[0][0], late.since) == (25.2, 21_500_000)


def test_a_silence_of_two_who_have_much_to_say_may_be_the_bus(bus):
    """While it can still be the whole bus nothing is decided; the frame that ends it decides against it."""
    made = busy(bus(), off=((20, 20.4),), until=22)
    assert made.flags == []
    late = bus()
    late.run(
        40,
        late.every(0.5, DC, 0x4A, 0.0, ((18.4, 60),)),
        late.every(0.5, DC, 0x46, 0.1, ((19.9, 20.5),), instance=2),
        late.every(0.5, DC, 0x47, 0.2, ((19.9, 20.5),), instance=3),
    )
    # 4A was last heard at 18.0 s: late after 20.0 s, within a silence from 19.7 s to 20.6 s.
    assert late.flags[0] == (20.6, "raised", "late-message", "address 4A hex")
    assert late.watch.everything[0].since == 20_000_000


def test_a_deadline_is_noticed_as_soon_as_the_time_is_told(bus):
    """With one talker there is nothing to wait for, even shortly after a frame."""
    made = bus().say(0, DC, 0x4A, instance=1).say(1.5, FURNACE, 0x4A, instance=1)
    assert made.until(2).flags == []
    assert made.until(2.1).flags == [(2.0, "raised", "late-message", "address 4A hex")]


# Time and batches.


def test_a_step_back_in_time_counts_as_now(bus):
    """It is counted, and events never go backwards."""
    made = bus().say(5, FURNACE, 0x5E, instance=1, heat_output_level=100)
    made.say(4, FURNACE, 0x5E, instance=1, heat_output_level=80).until(10).say(7, FURNACE, 0x5E, instance=1)
    assert [event.time / SECOND for event in made.events] == [5, 5, 5, 10, 10]
    assert made.watch.statistics.steps_back == 2
    assert made.until(9).watch.advance(3) == []


def test_what_was_taken_in_is_counted(bus):
    """Frames, those without a definition, steps back, sources and topics."""
    made = bus().say(1, FURNACE, 0x5E, instance=1).say(2, FURNACE, 0x5E, instance=2)
    for second in (3, 4, 5):
        made.hear(Frame(second * SECOND, 0x09F80102, bytes([second] * 8)))
    assert made.watch.statistics._asdict() == {"frames": 5, "unknown": 3, "steps_back": 0, "sources": 2, "topics": 3}


def test_a_fault_in_a_heartbeat_begins_no_new_topic(bus):
    """Status, number and lamps may change: it is the heartbeat of the same function."""
    made = bus().heartbeat(0, 0x5E, 94).heartbeat(1, 0x5E, 101)
    made.say(2, "DM_RV", 0x5E, dsa=94, spn=1, fmi=2, red_lamp_status=1)
    assert made.watch.statistics.topics == 2


def test_a_device_was_heard_last_when_it_spoke_last(bus):
    """Also where it said the same again, or something without a definition."""
    made = bus("sensor").say(1, AMBIENT, 0x91, instance=1).hear(Frame(2 * SECOND, 0x09F80102, bytes(8)))
    made.say(4, AMBIENT, 0x91, instance=1).hear(Frame(6 * SECOND, 0x09F80102, bytes(8)))
    made.say(9, AMBIENT, 0x91, instance=1)
    assert [record.last_heard for record in made.watch.roll_call] == [9 * SECOND, 6 * SECOND]
    assert made.until(30).watch.flags[-1].evidence == ("last frame 19FF9C91 01 FF FF FF FF FF FF FF at 9.000 s",)


def test_a_battery_of_24_volts_is_strange_only_where_the_rig_says_12(bus):
    """Without a rig nobody knows what the system is."""
    for devices, kinds in [((), set()), (("charger",), {"bad-value"})]:
        made = bus(*devices).say(0, "CHARGER_STATUS", 0x4A, charger_instance=1)
        made.say(1.5, DC, 0x4A, instance=1, dc_voltage=540)
        assert {flag.kind for flag in made.watch.flags} == kinds


def scenario(made, seed):
    """Frames of a bus on which everything goes wrong at some time, and the time at which it ends."""
    off = tuple((start, start + length) for start, length in seed)
    frames = made.frames(
        120,
        made.every(0.5, DC, 0x4A, 0.0, off[:1]),
        made.every(5, "CHARGER_STATUS", 0x4A, 0.3, off[:1], charger_instance=1),
        made.every(0.5, DC, 0x46, 0.1, off[1:2], instance=2),
        made.every(5, FURNACE, 0x5E, 0.2, off[2:3]),
        made.every(5, AMBIENT, 0x91, 0.4, off, ambient_temperature=9000),
        made.every(5, AMBIENT, 0x92, 0.4, off[1:], instance=2),
        made.every(1, "REQUEST_FOR_DGN", 0x9C, 30.0, off[:2], desired_dgn=0xEE00),
        made.every(3, "DM_RV", 0x44, 0.6, off[2:], dsa=68),
    )
    quiet = off[-1]
    return [frame for frame in frames if not quiet[0] <= frame.time / SECOND < quiet[1]]


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 100), st.integers(1, 60)), min_size=4, max_size=4),
    st.booleans(),
    st.data(),
)
def test_events_do_not_depend_on_batches(catalogue, bus_of, seed, with_rig, data):
    """Whatever is told of the time in between: the same events in the same order, and their times never go back."""
    made = bus_of(*(("charger", "heater", "sensor", "panel") if with_rig else ()))
    frames, rig = scenario(made, seed), made.rig
    plain, told = Watch(catalogue, rig), Watch(catalogue, rig)
    once = [event for frame in frames for event in plain.hear(frame)] + plain.advance(130 * SECOND)
    batched, before = [], 0
    for frame in [*frames, None]:
        end = frame.time if frame else 130 * SECOND
        for step in sorted(data.draw(st.lists(st.integers(before, end), max_size=3))) if end - before > SECOND else []:
            batched += told.advance(step)
        batched += told.hear(frame) if frame else told.advance(end)
        before = end
    assert batched == once
    times = [event.time for event in once]
    assert times == sorted(times)
    assert told.roll_call == plain.roll_call


@pytest.fixture(scope="module")
def bus_of(catalogue):
    """A maker of buses that outlives one example."""
    import importlib.util

    spec = importlib.util.spec_from_file_location("watch_conftest", Path(__file__).parent / "conftest.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)

    def make(*names):
        devices = [module._planned(name) for name in names]
        made = module.Bus(catalogue, *devices)
        made.rig = module.rig_of(*devices) if devices else None
        return made

    return make


FRAMES = st.lists(
    st.tuples(
        st.integers(0, 20 * SECOND),
        st.sampled_from([0x19FFE4, 0x19FF9C, 0x19FECA, 0x19FFFD, 0x19FFC7, 0x18EEFF, 0x18EAFF, 0x19FFE3, 0x09F801]),
        st.sampled_from([0x44, 0x4A, 0x5E, 0x91, 0xFE]),
        st.binary(max_size=8)
        | st.builds(
            lambda first, second, rest: bytes([first, second]) + rest,
            st.sampled_from([1, 2, 255]),
            st.sampled_from([68, 94, 101, 255]),
            st.binary(min_size=6, max_size=6),
        ),
    ),
    max_size=60,
)


@settings(max_examples=150, deadline=None)
@given(FRAMES, st.booleans())
def test_nothing_that_is_on_a_bus_is_an_error(catalogue, bus_of, heard, with_rig):
    """Flags are numbered as they are raised and cleared once; every event and record fits what went before."""
    made = bus_of(*(("charger", "heater", "sensor", "panel") if with_rig else ()))
    time, open_flags, raised = 0, {}, []
    for step, dgn, source, data in heard:
        time += step
        frame = Frame(time, dgn << 8 | source, data)
        for event in [*made.watch.hear(frame), *made.watch.advance(time + step // 2)]:
            if isinstance(event, FlagRaised):
                raised.append(event.flag.number)
                open_flags[event.flag.number] = event.flag
                assert event.flag.until is None
                assert event.flag.since <= event.time
            elif isinstance(event, FlagCleared):
                assert open_flags.pop(event.flag.number) == event.flag.cleared(None)
                assert event.flag.until == event.time
        assert made.watch.readings(frame) is None or made.watch.readings(frame).time == time
    assert raised == list(range(1, len(raised) + 1))
    assert {flag.number for flag in made.watch.flags} == set(open_flags)
    assert [flag.number for flag in made.watch.everything] == raised
    assert len({record.device for record in made.watch.roll_call}) == len(made.watch.roll_call)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(0, SECOND), st.integers(0, (1 << 29) - 1), st.binary(max_size=8)), max_size=30))
def test_any_frame_can_be_heard(catalogue, heard):
    """Any identifier, any length, any bytes."""
    watch = Watch(catalogue)
    for time, identifier, data in sorted(heard):
        watch.hear(Frame(time, identifier, data))
    assert watch.statistics.frames == len(heard)


# What a frame says, changed or not.


def test_every_reading_can_be_asked_for(bus):
    """With device and instance, whether it changed or not; the instance is no reading."""
    made = bus("sensor").say(0, AMBIENT, 0x91, instance=1, ambient_temperature=9408)
    frame = made.frame(5, AMBIENT, 0x91, instance=1, ambient_temperature=9408)
    assert made.watch.hear(frame) == []
    decoded = made.watch.readings(frame)
    assert (decoded.time, decoded.device, decoded.source, decoded.instance) == (5 * SECOND, "sensor", 0x91, 1)
    assert decoded.spec.name == AMBIENT
    assert [(reading.field.name, reading.brief) for reading in decoded.readings] == [("ambient_temperature", "21.0 °C")]


def test_readings_of_who_was_never_heard_carry_the_address(bus):
    """And a message without a definition has none; one without an instance keeps all its fields."""
    made = bus("sensor")
    assert made.watch.readings(made.frame(0, AMBIENT, 0x0C, instance=1)).device == "address 0C hex"
    assert made.watch.readings(Frame(0, 0x09F80102, bytes(8))) is None
    assert len(made.watch.readings(made.frame(0, "ADDRESS_CLAIM", 0x0C)).readings) == 10
    made.say(1, AMBIENT, 0x91, instance=1)
    assert made.watch.readings(made.frame(2, AMBIENT, 0x91, instance=7)).device == "address 91 hex"


# Lengths.


def test_a_short_frame_is_flagged_once_for_a_sender_and_a_message(bus):
    """Whatever the instance; three of the right length in a row end it, and then it can come again."""
    made = bus()
    for second, length, instance in [(0, 3, 1), (1, 3, 2), (2, 8, 1), (3, 3, 1), (4, 8, 1), (5, 8, 2)]:
        made.say(second, FURNACE, 0x5E, length, instance=instance)
    assert made.flags == [(0.0, "raised", "wrong-length", "address 5E hex")]
    made.say(6, FURNACE, 0x5E, instance=2).say(7, FURNACE, 0x5F, 3, instance=1).say(8, FURNACE, 0x5E, 3, instance=1)
    assert made.flags[1:] == [
        (6.0, "cleared", "wrong-length", "address 5E hex"),
        (7.0, "raised", "wrong-length", "address 5F hex"),
        (8.0, "raised", "wrong-length", "address 5E hex"),
    ]


def test_what_a_short_frame_leaves_out_decides_how_serious_it_is(bus, planned):
    """A notice where it reads as no data; a warning where it was said before, is required, or has no such code."""
    made = bus().say(0, FURNACE, 0x5E, 4, instance=1)
    assert made.watch.flags[0].severity == "notice"
    assert "without dead band, second stage dead band" in made.watch.flags[0].text
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
        made.say(second, AMBIENT, 0x91, 3, instance=1, ambient_temperature=9000)
    assert made.flags == []


def test_a_frame_that_is_longer_than_its_message_is_a_warning(catalogue):
    """Nobody knows what the rest says."""

    class Own:
        names = ()

        def by_dgn(self, dgn):
            return replace(catalogue.by_name(AMBIENT), length=3)

    watch = Watch(Own())
    watch.hear(Frame(0, 0x19FF9C91, bytes.fromhex("010000AAFFFFFFFF")))
    assert [(flag.kind, flag.severity) for flag in watch.flags] == [("wrong-length", "warning")]


def test_a_request_of_three_bytes_is_right(bus):
    """As SAE J1939 sends it."""
    assert bus().say(0, "REQUEST_FOR_DGN", 0x5E, 3, desired_dgn=0xEE00).flags == []


# Unknown messages.


def test_an_unknown_message_is_noticed_once_for_a_sender_and_a_dgn(bus):
    """Whatever its bytes and its priority."""
    made = bus()
    for second, identifier in enumerate([0x09F80102, 0x19F80102, 0x09F80103, 0x09F80202, 0x09F80102]):
        made.hear(Frame(second * SECOND, identifier, bytes([second] * 8)))
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
        made.hear(Frame(second * SECOND, identifier, bytes(8)))
    assert made.flags == []
    assert made.watch.statistics.unknown == 3


# A recorded bus.


def recorded() -> list[Frame]:
    """The frames of the recorded vessel bus, from its first frame on."""
    frames = []
    for line in RECORDED.read_text(encoding="ascii").splitlines():
        stamp, _, sent = line.split()
        seconds, microseconds = stamp[1:-1].split(".")
        identifier, data = sent.split("#")
        frames.append(Frame(int(seconds) * SECOND + int(microseconds), int(identifier, 16), bytes.fromhex(data)))
    start = frames[0].time
    return [frame._replace(time=frame.time - start) for frame in frames]


@pytest.fixture(scope="module")
def marine(catalogue):
    """A watch that has heard the recorded bus, and its events."""
    watch, frames = Watch(catalogue), recorded()
    events = [event for frame in frames for event in watch.hear(frame)]
    return watch, events + watch.advance(frames[-1].time)


def test_a_recorded_bus_misses_nobody(marine):
    """Four sources, always present: no late message, no silent device."""
    watch, _ = marine
    assert [(record.device, record.state) for record in watch.roll_call] == [
        ("address 02 hex", "present"),
        ("address B0 hex", "present"),
        ("address 01 hex", "present"),
        ("address 11 hex", "present"),
    ]
    assert {flag.kind for flag in watch.everything} == {"unknown-message", "bus-quiet"}
    assert watch.statistics == (9883, 9882, 0, 4, 11)


def test_a_recorded_bus_is_quiet_in_its_pauses_only(marine):
    """At most in the seven that it has, from a second after the last frame on; each is over with the next frame."""
    quiet = [flag for flag in marine[0].everything if flag.kind == "bus-quiet"]
    assert len(quiet) == 4
    for flag in quiet:
        begun = [pause for pause in PAUSES if pause + 1 <= flag.since / SECOND < pause + 2.55]
        assert len(begun) == 1
        assert flag.until is not None


def test_a_recorded_bus_is_unknown_message_by_message(marine):
    """One notice for each sender and DGN; its one address claim is read."""
    watch, _ = marine
    unknown = [(flag.subject, flag.text[4:9]) for flag in watch.everything if flag.kind == "unknown-message"]
    senders = {(f"address {f.identifier & 0xFF:02X} hex", f"{f.identifier >> 8 & 0x3FFFF:05X}") for f in recorded()}
    # 1EFFF is addressed to everyone: DGN 1EF00; 0EEFF is the address claim.
    expected = {(who, "1EF00" if dgn == "1EFFF" else dgn) for who, dgn in senders if dgn != "0EEFF"}
    assert sorted(unknown) == sorted(expected)
    assert len(unknown) == 10
    name = watch.roll_call[3].name
    assert (name.serial_number, name.manufacturer_code, name.compatibility_field_4) == (123456, 1774, 4)


def test_the_recorded_bus_has_the_pauses_that_are_claimed():
    """Seven silences of more than a second."""
    pairs = itertools.pairwise(recorded())
    assert tuple(a.time / SECOND for a, b in pairs if b.time - a.time > SECOND) == PAUSES

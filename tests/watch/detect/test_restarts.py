"""Tests for devices that restart: by their claims and by their start-up sequence."""

import pytest

from rvsim.wire.frame import SECOND_US, Frame

FURNACE, WATER, AMBIENT = "FURNACE_STATUS", "WATERHEATER_STATUS", "THERMOSTAT_AMBIENT_STATUS"
RAISED, CLEARED = "raised", "cleared"
NO_FAULT = {"dsa": 94, "spn": 0x7FFFF, "fmi": 0x1F, "operating_status_1": 1}


def claims(made, *said):
    """Claims, as (seconds, source, serial number)."""
    return [made.frame(seconds, "ADDRESS_CLAIM", source, **made.unit(serial)) for seconds, source, serial in said]


def talk(made, until, source, first=1.0, off=()):
    """Status every five seconds."""
    return made.frames(until, made.every(5, FURNACE, source, first, off, instance=1))


def asked(seconds, to=0xFF, dgn=0xEE00):
    """A request for a DGN."""
    return Frame(round(seconds * SECOND_US), 0x18EA00F9 | to << 8, dgn.to_bytes(3, "little"))


@pytest.mark.parametrize("devices", [(), ("heater",)])
def test_restarts_are_counted_with_the_shortest_time_between_two(bus, heard, of_kind, devices):
    """One flag, whose text is renewed; it ends after ten minutes without a restart."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (20, 0x5E, 5), (61, 0x5E, 5), (161, 0x5E, 5)), *talk(made, 761, 0x5E)]
    made = heard(frames, 761, *devices)
    who = devices[0] if devices else "address 5E hex"
    assert of_kind(made, "restarted") == [(22.0, RAISED, who)]
    (flag,) = made.watch.flags
    assert (str(flag.severity), flag.since) == ("warning", 20_000_000)
    assert flag.text == "restarted 3 times without a request; the shortest time between two restarts is 41 s"
    assert flag.advice.startswith("check its supply first")
    made.until(762)
    assert of_kind(made, "restarted")[1:] == [(761.0, CLEARED, who)]


def test_one_restart_is_reported_with_its_sign(bus, heard):
    """A second one after these ten minutes is the first again."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (20, 0x5E, 5), (700, 0x5E, 5)), *talk(made, 750, 0x5E)]
    texts = [flag.text for flag in heard(frames, 750).watch.all_flags]
    assert texts == ["restarted once: it claimed its address again without a request"] * 2


def test_two_devices_are_two_flags(bus, heard, of_kind):
    """Each by its address."""
    made = bus()
    frames = claims(made, *((t, source, source) for t in (0, 30) for source in (0x5E, 0x70)))
    frames += [*talk(made, 60, 0x5E), *talk(made, 60, 0x70, 2)]
    assert [one[2] for one in of_kind(heard(frames, 60), "restarted")] == ["address 5E hex", "address 70 hex"]


@pytest.mark.parametrize("to", [0xFF, 0x5E])
@pytest.mark.parametrize(("after", "flags"), [(2.0, 0), (2.001, 1)])
def test_an_answer_to_a_request_is_no_restart(bus, heard, of_kind, to, after, flags):
    """To all or to it, within two seconds, even if the same was requested before."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (30 + after, 0x5E, 5)), *talk(made, 60, 0x5E), asked(10, to), asked(30, to)]
    frames += claims(made, (10.1, 0x5E, 5))
    assert len(of_kind(heard(frames, 60), "restarted")) == flags


@pytest.mark.parametrize(("to", "dgn"), [(0x70, 0xEE00), (0x5E, 0x1FFE4)])
def test_a_request_to_another_or_for_another_message_asks_for_no_claim(bus, heard, of_kind, to, dgn):
    """So it is a restart."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (30.1, 0x5E, 5)), *talk(made, 60, 0x5E), asked(30, to, dgn)]
    assert len(of_kind(heard(frames, 60), "restarted")) == 1


def test_a_reset_that_was_commanded_is_no_restart(bus, heard, of_kind, catalogue):
    """RV-C's general reset."""
    made, spec = bus(), catalogue.by_name("GENERAL_RESET")
    frames = [*claims(made, (0, 0x5E, 5), (31, 0x5E, 5)), *talk(made, 60, 0x5E)]
    frames.append(Frame(30 * SECOND_US, spec.identifier(0x44, 0x5E), bytes([0x01] + [0xFF] * 7)))
    assert of_kind(heard(frames, 60), "restarted") == []


@pytest.mark.parametrize(("serial", "flags"), [(5, 0), (6, 1)])
def test_a_commanded_address_is_no_restart(bus, heard, of_kind, commanded, serial, flags):
    """The long message 0FED8h has its NAME, or another one, and it restarts within ten seconds."""
    frames = [*claims(bus(), (0, 0x5E, 5), (39, 0x5E, 5)), *talk(bus(), 60, 0x5E), *commanded(30, serial, 0x5E)]
    assert len(of_kind(heard(frames, 60), "restarted")) == flags


@pytest.mark.parametrize(
    "others",
    [
        [(29.99, 0x5E, 6), (30.01, 0xFE, 6)],
        [(29.99, 0x5E, 6), (30.01, 0x70, 6)],
        [(31.99, 0x5E, 6)],
        [(29.99, 0x5E, 4), (30.01, 0x70, 5)],
    ],
    ids=["defended, the other has none", "defended, the other moves", "contested afterwards", "lost"],
)
@pytest.mark.parametrize("devices", [(), ("heater",)])
def test_a_device_that_defends_or_loses_its_address_has_not_restarted(bus, heard, of_kind, others, devices):
    """Another NAME claims the address just before, or within two seconds after its claim."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (30, 0x5E, 5), *others), *talk(made, 60, 0x5E)]
    assert of_kind(heard(frames, 60, *devices), "restarted") == []


def test_a_later_address_conflict_removes_no_restart(bus, heard, of_kind):
    """More than two seconds after the claim."""
    frames = [*claims(bus(), (0, 0x5E, 5), (30, 0x5E, 5), (32.1, 0x5E, 6)), *talk(bus(), 60, 0x5E)]
    assert of_kind(heard(frames, 40), "restarted") == [(32.0, RAISED, "address 5E hex")]


@pytest.mark.parametrize(("away", "flags"), [(14.0, 1), (16.0, 0)])
def test_a_missed_device_has_returned(bus, heard, of_kind, away, flags):
    """Beyond its silence limit it is the end of its silence, and no restart."""
    made = bus()
    frames = [*claims(made, (0, 0x5E, 5), (21 + away, 0x5E, 5)), *talk(made, 60, 0x5E, off=((22, 21 + away),))]
    frames += made.frames(60, made.every(1, AMBIENT, 0x91), made.every(1, "DC_SOURCE_STATUS_1", 0x46))
    for devices in ((), ("heater", "sensor", "monitor")):
        assert len(of_kind(heard(frames, 60, *devices), "restarted")) == flags


def test_a_claim_that_is_repeated_before_other_frames_is_one_start(bus, heard, of_kind):
    """The same where it was never heard before its claim; a sleeper that wakes has not restarted."""
    made = bus()
    assert of_kind(heard([*claims(made, (5, 0x5E, 5), (6, 0x5E, 5)), *talk(made, 60, 0x5E, 7)], 60), "restarted") == []


def test_a_sleeper_that_wakes_has_not_restarted(bus, planned, heard, of_kind):
    """It claims when it wakes, also within its limit."""
    frames = [*claims(bus(), (0, 0x5E, 5), (30, 0x5E, 5)), *talk(bus(), 60, 0x5E)]
    assert of_kind(heard(frames, 60, planned("heater", sleeps=True)), "restarted") == []


def test_a_device_that_was_there_before_the_watch_restarts_with_its_first_claim(bus, heard, of_kind):
    """It was heard, and there was no request."""
    assert len(of_kind(heard([*claims(bus(), (30, 0x5E, 5)), *talk(bus(), 60, 0x5E)], 60), "restarted")) == 1


# Start-up sequences.


def started(made, begun, until, source=0x5E, order=(0.0, 0.2, 0.5)):
    """The messages of a heater from its start on: heartbeat, furnace, water heater, each every five seconds."""
    planned = [("DM_RV", NO_FAULT), (FURNACE, {"instance": 1}), (WATER, {"instance": 1})]
    senders = [
        made.every(5, message, source, begun + at, **raws) for (message, raws), at in zip(planned, order, strict=True)
    ]
    return made.frames(until, *senders)


def bus_before(made, until):
    """Another device that is present from the start."""
    return made.frames(until, made.every(1, "DC_SOURCE_STATUS_1", 0x46))


@pytest.mark.parametrize("devices", [(), ("heater", "monitor")])
def test_the_start_up_sequence_again_out_of_its_rhythm_is_a_restart(bus, heard, of_kind, devices):
    """Counted as with claims."""
    made = bus()
    frames = [*bus_before(made, 300), *started(made, 3, 100), *started(made, 101, 200), *started(made, 204, 300)]
    made = heard(frames, 300, *devices)
    who = devices[0] if devices else "address 5E hex"
    assert [one[1:] for one in of_kind(made, "restarted")] == [(RAISED, who)]
    flag = next(one for one in made.watch.flags if one.kind == "restarted")
    assert flag.text == "restarted 2 times without a request; the shortest time between two restarts is 103 s"


@pytest.mark.parametrize(("again", "flags"), [(101.74, 1), (101.76, 0), (103.0, 0), (104.24, 0), (104.26, 1)])
def test_in_its_rhythm_it_is_none(bus, heard, of_kind, again, flags):
    """A quarter of the gap of 5 s too early or too late is the limit; the next message was due at 103 s."""
    made = bus()
    frames = [*bus_before(made, 200), *started(made, 3, 98.6), *started(made, again, 200)]
    assert len(of_kind(heard(frames, 200), "restarted")) == flags


def test_another_order_or_too_few_messages_are_none(bus, heard, of_kind):
    """Nor a start that was not observed, since the device was present before the watch."""
    made = bus()
    other = started(made, 102, 200, order=(0.5, 0.2, 0.0))
    assert of_kind(heard([*bus_before(made, 200), *started(made, 3, 100), *other], 200), "restarted") == []
    two = [f for f in (*started(made, 3, 100), *started(made, 102, 200)) if f.identifier >> 8 & 0x1FFFF != 0x1FFF7]
    few = [frame for frame in two if frame.identifier != made.frame(0, WATER, 0x5E).identifier]
    assert of_kind(heard([*bus_before(made, 200), *few], 200), "restarted") == []
    early = [*bus_before(made, 200), *started(made, 1, 100), *started(made, 102, 200)]
    assert of_kind(heard(early, 200), "restarted") == []


def test_everything_sent_together_again_and_again_is_none(bus, heard, of_kind):
    """In its rhythm, and on change, where the heartbeat keeps its own."""
    made = bus()
    assert of_kind(heard([*bus_before(made, 300), *started(made, 3, 300)], 300), "restarted") == []
    changed = [frame for frame in started(made, 102, 103) if frame.identifier >> 8 & 0x1FFFF != 0x1FECA]
    frames = [*bus_before(made, 300), *started(made, 3, 300), *changed]
    assert of_kind(heard(frames, 300), "restarted") == []


@pytest.mark.parametrize("lost", [[0x1FECA], [0x1FFE4, 0x1FFF7]], ids=["the heartbeat", "all but the heartbeat"])
def test_a_message_that_was_lost_is_no_start(bus, heard, of_kind, lost):
    """One gap is twice as long: the heartbeat and more than half of the rest have to be out of their rhythm."""
    made = bus()
    names = {0x1FECA: "DM_RV", 0x1FFE4: FURNACE, 0x1FFF7: WATER}
    identifiers = {made.catalogue.by_name(names[one]).identifier(0x5E) for one in lost}
    kept = [
        f
        for f in started(made, 3, 200)
        if f.identifier not in identifiers or not 97 * SECOND_US < f.time < 99 * SECOND_US
    ]
    assert of_kind(heard([*bus_before(made, 200), *kept], 200), "restarted") == []


def test_a_restart_during_a_check_is_found_by_the_next_one(bus, heard, of_kind):
    """The check at 113 s comes between the heartbeat of the restart and the end of its first second."""
    made, order = bus(), (0.5, 0.2, 0.0)
    frames = [*bus_before(made, 200), *started(made, 3, 104, order=order), *started(made, 112.3, 200, order=order)]
    assert [fact[0] for fact in of_kind(heard(frames, 200), "restarted")] == [124.0]


def test_requested_messages_are_no_restart(bus, heard, of_kind):
    """Its messages were requested."""
    made = bus()
    frames = [*bus_before(made, 200), *started(made, 3, 100), *started(made, 102, 200), asked(101, 0x5E, 0x1FECA)]
    assert of_kind(heard(frames, 200), "restarted") == []


def test_a_claim_and_its_sequence_are_one_restart(bus, heard):
    """Not two."""
    made = bus()
    frames = [*claims(made, (2.7, 0x5E, 5), (101.7, 0x5E, 5)), *bus_before(made, 200)]
    made = heard([*frames, *started(made, 3, 100), *started(made, 102, 200)], 200)
    assert [flag.text for flag in made.watch.flags] == [
        "restarted once: it claimed its address again without a request"
    ]


def test_a_missed_device_that_starts_again_has_returned(bus, heard, of_kind):
    """Its silence was reported."""
    made = bus()
    frames = [*bus_before(made, 200), *started(made, 3, 80), *started(made, 102, 200)]
    assert of_kind(heard(frames, 200), "restarted") == []

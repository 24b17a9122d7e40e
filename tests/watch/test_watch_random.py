"""Tests for the watch against random input: batches of frames and times, frames of all kinds."""

import itertools
import random
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import (
    Collided,
    Disturbed,
    ErrorFrame,
    ErrorState,
    LogEnded,
    NotAcknowledged,
    OtherFrame,
    OtherKind,
    StateChanged,
    TimeWentBack,
)

AMBIENT, FURNACE, DC = "THERMOSTAT_AMBIENT_STATUS", "FURNACE_STATUS", "DC_SOURCE_STATUS_1"


def commands(made, off):
    """Commands that contradict each other, are not obeyed, find nobody; readings beside others; codes that alarm."""
    return (
        made.every(4, "FURNACE_COMMAND", 0x44, 0.7, off[:1], instance=1, heat_output_level=100),
        made.every(7, "FURNACE_COMMAND", 0x45, 2.7, off[1:2], instance=1, heat_output_level=0),
        made.every(11, "ROOF_FAN_COMMAND_1", 0x44, 5.0, off[2:3], instance=1, fan_speed_setting=100),
        made.every(5, "ROOF_FAN_STATUS_1", 0x90, 0.8, off[1:2], instance=1, fan_speed_setting=20),
        made.every(30, "ACKNOWLEDGMENT", 0x90, 5.2, acknowledgment_code=1, source_address_acknowledged=0x44,
                   dgn_acknowledged=0x1FEA6),
        made.every(23, "CIRCULATION_PUMP_COMMAND", 0x44, 1.0, off[3:], instance=4, output_status_command=1),
        made.every(0.5, "CHARGER_STATUS_2", 0x4A, 0.15, off[:1], charger_instance=1, dc_source_instance=2,
                   charging_voltage=288, charging_current=33000),
        made.every(0.5, DC, 0x47, 0.25, off[2:3], instance=2, dc_voltage=240),
        made.every(5, "TANK_STATUS", 0x48, 0.35, off[3:], instance=0, relative_level=234, resolution=100),
        made.every(5, "WATERHEATER_STATUS", 0x5E, 0.45, off[1:2], instance=1, failure_to_ignite=1),
    )  # fmt: skip


def energy(made, off):
    """Voltages, temperatures and currents that pass their limits now and then: two senders each, in turn."""
    amps = 2_000_000_000
    return (
        made.every(1, DC, 0x4C, 0.12, off[1:2], instance=3, dc_voltage=205, dc_current=amps - 8000),
        made.every(40, DC, 0x4C, 22.62, instance=3, dc_voltage=280, dc_current=amps + 8000),
        made.every(2, "DC_SOURCE_STATUS_2", 0x4C, 0.17, off[:1], instance=3, source_temperature=8640,
                   state_of_charge=100),
        made.every(50, "DC_SOURCE_STATUS_2", 0x4C, 31.17, instance=3, source_temperature=8800, state_of_charge=99),
        made.every(30, "DC_SOURCE_STATUS_4", 0x4C, 0.18, off[2:], instance=3, battery_type=3),
        made.every(1, DC, 0x4D, 0.13, off[3:], instance=1, dc_voltage=286, dc_current=amps + 8000),
        made.every(3, "WATERHEATER_STATUS", 0x5C, 0.55, off[2:3], instance=2, water_temperature=8700),
        made.every(45, "WATERHEATER_STATUS", 0x5C, 12.55, instance=2, water_temperature=9000),
    )  # fmt: skip


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
        made.every(5, FURNACE, 0x70, 1.1, off[1:3]),
        made.every(5, FURNACE, 0xFE, 3.1, off[:3], instance=3),
        made.every(5, AMBIENT, 0x91, 2.9, off[:2], ambient_temperature=9400),
        made.every(3, "DM_RV", 0x44, 2.9, off[:3], dsa=68),
        made.every(30, "REQUEST_FOR_DGN", 0xF9, 7.0, off[3:], desired_dgn=0xEE00),
        *commands(made, off),
        *energy(made, off),
    )
    claims = zip(itertools.cycle((5, 6, 7)), itertools.cycle((0x5E, 0x70, 0x5E, 0xFE, 0x4A)), off * 3, strict=False)
    frames += [made.frame(start + number / 7, "ADDRESS_CLAIM", source, **made.unit(serial))
               for number, (serial, source, (start, _)) in enumerate(claims)]  # fmt: skip
    frames.sort(key=lambda frame: frame.time)
    quiet = off[-1]
    return [frame for frame in frames if not quiet[0] <= frame.time / SECOND_US < quiet[1]]


@given(
    st.lists(st.tuples(st.integers(0, 100), st.integers(1, 60)), min_size=4, max_size=4),
    st.booleans(),
    st.data(),
)
def test_events_do_not_depend_on_batches(catalogue, bus, planned, seed, with_rig, data):
    """Whatever is told of the time in between: the same events in the same order, and their times never go back."""
    made = bus(*(("charger", planned("heater", claimed_name=f"{5:016X}"), "sensor", "panel") if with_rig else ()))
    frames, rig = scenario(made, seed), made.rig
    plain, told = Watch(catalogue, rig), Watch(catalogue, rig)
    once = [event for frame in frames for event in plain.observe(frame)] + plain.advance(130 * SECOND_US)
    batched, before = [], 0
    for frame in [*frames, None]:
        end = frame.time if frame else 130 * SECOND_US
        for step in (
            sorted(data.draw(st.lists(st.integers(before, end), max_size=3))) if end - before > SECOND_US else []
        ):
            batched += told.advance(step)
        batched += told.observe(frame) if frame else told.advance(end)
        before = end
    assert batched == once
    times = [event.time for event in once]
    assert times == sorted(times)
    assert told.roll_call == plain.roll_call


WIRES = st.lists(
    st.tuples(
        st.integers(0, 125 * SECOND_US),
        st.one_of(
            st.builds(ErrorFrame, st.just(0), st.sampled_from(["", "form error"])),
            st.builds(OtherFrame, st.just(0), st.sampled_from(OtherKind), st.sampled_from([50, 110_000, 180_000])),
            st.builds(
                StateChanged,
                st.just(0),
                st.sampled_from(["a", "b"]),
                st.sampled_from(ErrorState),
                st.none(),
                st.integers(0, 255),
            ),
            st.builds(Disturbed, st.just(0), st.just(1), st.just(("a",))),
            st.builds(NotAcknowledged, st.just(0), st.sampled_from(["a", "b"]), st.sampled_from([0x5E, 0x4A])),
            st.builds(Collided, st.just(0), st.just(0x5E), st.just(("a", "b"))),
            st.builds(TimeWentBack, st.just(0), st.sampled_from([1, 5 * SECOND_US]), st.just("line 1")),
            st.builds(LogEnded, st.just(0)),
        ),
        st.integers(1, 12),
    ),
    max_size=12,
)
"""When something happens beside frames, what, and how often, 0.7 s apart."""


@given(
    st.lists(st.tuples(st.integers(0, 100), st.integers(1, 60)), min_size=4, max_size=4),
    WIRES,
    st.booleans(),
    st.integers(0, 1 << 32),
)
def test_events_of_the_wires_do_not_depend_on_batches(catalogue, bus, planned, seed, wires, with_rig, chance):
    """Errors, states, other frames and steps of time among the frames: the same events, however time is told."""
    made = bus(*(("charger", planned("heater", claimed_name=f"{5:016X}"), "sensor") if with_rig else ()))
    frames, rig = scenario(made, seed), made.rig
    beside = [event._replace(time=time + n * 700_000) for time, event, count in wires for n in range(count)]
    heard = sorted([*frames, *beside], key=lambda one: one.time)
    end = 130 * SECOND_US
    plain, told = Watch(catalogue, rig), Watch(catalogue, rig)

    def take(watch, one):
        return watch.observe(one) if isinstance(one, Frame) else watch.observe_event(one)

    once = [event for one in heard for event in take(plain, one)] + plain.advance(end)
    batched, before, steps = [], 0, random.Random(chance)  # a draw for each frame takes longer than the watch does
    for one in heard:
        for step in sorted(steps.randint(before, one.time) for _ in range(steps.choice((0, 0, 1, 2)))):
            batched += told.advance(step)
        batched += take(told, one)
        before = one.time
    batched += told.advance(end)
    assert batched == once
    times = [event.time for event in once]
    assert times == sorted(times)
    assert told.flags == plain.flags
    assert told.roll_call == plain.roll_call


FRAMES = st.lists(
    st.tuples(
        st.integers(0, 20 * SECOND_US),
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


@given(FRAMES, st.booleans())
def test_nothing_that_is_on_a_bus_is_an_error(catalogue, bus, heard, with_rig):
    """Flags are numbered as they are raised and cleared once; every event and record fits what went before."""
    made = bus(*(("charger", "heater", "sensor", "panel") if with_rig else ()))
    time, open_flags, raised = 0, {}, []
    for step, dgn, source, data in heard:
        time += step
        frame = Frame(time, dgn << 8 | source, data)
        for event in [*made.watch.observe(frame), *made.watch.advance(time + step // 2)]:
            if isinstance(event, FlagRaised):
                raised.append(event.flag.number)
                open_flags[event.flag.number] = event.flag
                assert event.flag.until is None
                assert event.flag.since <= event.time
            elif isinstance(event, FlagCleared):
                raised_as = open_flags.pop(event.flag.number)
                words = {"severity", "text", "advice", "evidence"}  # a problem that is told again renews them
                same = {name: getattr(event.flag, name) for name in words}
                assert replace(raised_as, **same) == event.flag.cleared(None)
                assert event.flag.until == event.time
        assert made.watch.readings(frame) is None or made.watch.readings(frame).time == time
    assert raised == list(range(1, len(raised) + 1))
    assert {flag.number for flag in made.watch.flags} == set(open_flags)
    assert [flag.number for flag in made.watch.all_flags] == raised
    assert len({record.device for record in made.watch.roll_call}) == len(made.watch.roll_call)


@given(
    st.lists(st.tuples(st.integers(0, SECOND_US), st.integers(0, (1 << 29) - 1), st.binary(max_size=8)), max_size=30)
)
def test_any_frame_can_be_heard(catalogue, heard):
    """Any identifier, any length, any bytes."""
    watch = Watch(catalogue)
    for time, identifier, data in sorted(heard):
        watch.observe(Frame(time, identifier, data))
    assert watch.statistics.frames == len(heard)

"""Gaps of the listening: nothing is judged by a time in which nobody listened."""

import random
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.logs.read import open_log
from rvsim.watch.transitions import ListeningGap
from rvsim.watch.watch import FlagRaised, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ErrorState, ListeningResumed, StateChanged

MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
AMBIENT, FURNACE, DC = "THERMOSTAT_AMBIENT_STATUS", "FURNACE_STATUS", "DC_SOURCE_STATUS_1"

ANNOUNCE = bytes.fromhex("20140003FFEBFE00")
"""The announce of a product identification of 20 bytes to all."""


def gap(made, since, until, about="the interface was lost"):
    """Nobody listens for a time (seconds)."""
    made.events += made.watch.observe_event(ListeningResumed(round(until * SECOND_US), round(since * SECOND_US), about))
    return made


def talkers(made, begin, until):
    """Three sources that speak twice a second."""
    senders = (made.every(0.5, DC, 0x46 + n, 0.1 * n, instance=n + 1) for n in range(3))
    return made.run(until, *senders, begin=begin)


@pytest.mark.parametrize("length", [2, 14, 16, 3600])
def test_nobody_is_missed_for_a_gap_of_the_listening(bus, planned, length):
    """Devices that were heard, planned ones, and a planned one that was never heard: no flag, no change of presence."""
    for made in (bus(), bus("heater", "sensor", "monitor", "charger")):
        talkers(made, 0, 10)
        made.say(9, FURNACE, 0x5E, instance=1).forget()
        gap(made, 10, 10 + length)
        made.until(10 + length + 0.9)
        assert made.flags == []
        assert [type(event) for event in made.events] == [ListeningGap]


def test_the_gap_is_told_once_and_kept(bus):
    """As an event with its beginning, end and reason."""
    made = gap(talkers(bus(), 0, 10).forget(), 10, 70)
    assert made.events == [ListeningGap(70_000_000, 10_000_000, "the interface was lost")]
    assert list(made.watch.listening_gaps) == made.events
    assert str(made.events[0]).startswith("nobody listened from 10.000 s to 70.000 s (the interface was lost): ")


def test_ages_are_counted_from_the_end_of_the_gap(bus):
    """Who was last heard a second before the gap and stays away is silent 15 s after its end, not 14 s."""
    made = talkers(bus(), 0, 10).say(1, FURNACE, 0x5E, instance=1).say(9, FURNACE, 0x5E, instance=1).forget()
    gap(made, 10, 70)
    talkers(made, 70.2, 100)
    assert [(kind, who) for _, _, kind, who in made.flags] == [("silent-device", "address 5E hex")]
    assert made.watch.flags[0].since == 85_000_000


def test_a_message_that_was_late_before_ends_late_when_it_comes(bus):
    """The gap itself clears no lateness."""
    made = bus()
    furnace = made.every(1, FURNACE, 0x5E, 0.0, ((15, 99),))
    senders = [made.every(0.5, DC, 0x46 + n, 0.1 * n, instance=n + 1) for n in range(3)]
    heartbeat = made.every(2, DC, 0x5E, 0.05, instance=9)
    made.run(32, furnace, heartbeat, *senders)
    late = [(what, kind) for _, what, kind, who in made.flags if who == "address 5E hex"]
    assert late == [("raised", "late-message")]
    gap(made.forget(), 32, 60)
    assert made.flags == []
    made.say(60.5, FURNACE, 0x5E, instance=1)
    assert [(time, what, kind) for time, what, kind, _ in made.flags] == [(60.5, "cleared", "late-message")]


def test_a_quiet_bus_is_not_known_any_more(bus):
    """Its flag ends where the listening ended, and comes again only after a silence that was listened to."""
    made = talkers(bus(), 0, 20).until(25)
    assert [kind for _, _, kind, _ in made.flags] == ["bus-quiet"]
    gap(made.forget(), 30, 60)
    assert made.flags == [(30.0, "cleared", "bus-quiet", "bus")]
    assert made.forget().until(60.7).flags == []
    assert [(what, kind) for _, what, kind, _ in made.until(70).flags] == [("raised", "bus-quiet")]
    assert made.watch.pauses.resumptions == {}


def test_a_command_before_the_gap_is_not_judged_after_it(bus):
    """Its answer, or another command, may have come in the gap."""
    flags = []
    for has_gap in (False, True):
        made = bus()
        for second in range(20):
            made.say(second, "DC_LOAD_STATUS", 0x90, instance=1, operating_status=0)
        made.say(19.5, "DC_LOAD_COMMAND", 0x44, instance=1, desired_operating_level=200, command=0)
        begin = 20
        if has_gap:
            gap(made, 19.6, 60)
            begin = 60
        for second in range(begin, begin + 20):
            made.say(second + 0.1, "DC_LOAD_STATUS", 0x90, instance=1, operating_status=0)
        flags.append([kind for _, _, kind, _ in made.flags])
    assert flags == [["ignored-command"], []]


def test_a_long_message_that_the_gap_cut_has_not_failed(bus):
    """Twice announced, never finished: a failure where it was listened to, none across a gap."""
    flags = []
    for has_gap in (False, True):
        made = bus()
        for start in (100, 200):
            made.observe(Frame(start * SECOND_US, 0x1CECFF5E, ANNOUNCE))
            if has_gap:
                gap(made, start + 0.1, start + 50)
            made.until(start + 60)
        flags.append([kind for _, _, kind, _ in made.flags])
    assert flags == [["failed-transfer"], []]


def test_the_controller_of_the_recorder_starts_error_active(bus):
    """Its state of before the gap is not known any more."""
    made = talkers(bus(), 0, 10)
    made.watch.observe_event(StateChanged(10_000_000, "this adapter", ErrorState.BUS_OFF, None, None))
    assert made.watch.wire_problems.states
    gap(made, 11, 30)
    assert not made.watch.wire_problems.states
    made.until(120)
    assert "bus-errors" not in {flag.kind for flag in made.watch.flags}


def test_a_unit_exchanged_in_a_long_gap_contests_nobody(bus):
    """After a gap of more than 15 s a claim of another NAME for the same address is no conflict; after 5 s it is."""
    kinds = []
    for length in (5, 40):
        made = bus().claim(1, 0x5E, 1)
        made.run(20, made.every(0.5, DC, 0x5E, 1.2))
        gap(made, 20, 20 + length)
        made.run(20 + length + 2, made.every(0.5, DC, 0x5E, 1.2), begin=20 + length)
        made.claim(20 + length + 2.1, 0x5E, 2)
        made.run(20 + length + 9, made.every(0.5, DC, 0x5E, 1.2), begin=20 + length + 2.2)
        kinds.append([kind for _, what, kind, _ in made.flags if what == "raised"])
    assert kinds == [["shared-address"], []]


def test_a_gap_that_lies_before_what_was_observed_is_only_its_rest(bus):
    """Times never go back: what was observed in the gap stays, and its end is not before its beginning."""
    made = talkers(bus(), 0, 10)
    gap(made.forget(), 5, 12)
    assert made.events == [ListeningGap(12_000_000, 10_000_000, "the interface was lost")]
    gap(made.forget(), 20, 11)
    assert made.events == [ListeningGap(12_000_000, 12_000_000, "the interface was lost")]


@cache
def recorded():
    """Return what was recorded of a bus with many talkers."""
    with open_log(MARINE) as log:
        return list(log.contents())


def flags_of(watch, entries):
    """Return the kinds and subjects of all flags that a watch raises."""
    flags = set()
    for entry in entries:
        events = watch.observe(entry) if isinstance(entry, Frame) else watch.observe_event(entry)
        flags |= {(event.flag.kind, event.flag.subject) for event in events if isinstance(event, FlagRaised)}
    return flags


def spans_of(seed, end):
    """Return random spans of time (microseconds) up to ``end`` in which nobody listens."""
    randomly, spans = random.Random(seed), []
    time = randomly.uniform(0, end / 2)
    while time < end:
        length = randomly.choice((0.3, 2, 5, 20, 60)) * SECOND_US * randomly.uniform(0.5, 1.5)
        spans.append((round(time), round(time + length)))
        time += length + randomly.choice((1, 5, 20)) * SECOND_US
    return spans


def cut(entries, spans):
    """Return the entries without those in the spans, with an event at the end of each span."""
    spans, kept = list(spans), []
    for entry in entries:
        while spans and entry.time >= spans[0][1]:
            kept.append(ListeningResumed(spans[0][1], spans.pop(0)[0]))
        if not spans or entry.time < spans[0][0]:
            kept.append(entry)
    return kept


@given(st.integers(0, 1 << 30))
def test_gaps_in_a_healthy_bus_raise_no_flag(bus, seed):
    """Wherever they are, with a rig and without one."""
    for made in (bus(), bus("heater", "monitor", "sensor")):
        senders = [made.every(0.5, DC, 0x46, 0.1), made.every(5, FURNACE, 0x5E, 1.3), made.every(5, AMBIENT, 0x91, 2.2)]
        senders.append(made.every(5, "WATERHEATER_STATUS", 0x5E, 3.1))
        frames = made.frames(150, *senders)
        assert flags_of(made.watch, cut(frames, spans_of(seed, 150 * SECOND_US))) == set()


@settings(max_examples=10)
@given(st.integers(0, 1 << 30))
def test_gaps_in_a_recording_add_no_flag(catalogue, seed):
    """A recorded bus with pauses of its own. Its messages have no defined gaps: which of them are late depends on what
    was learnt of their rhythm, so these flags do not count.
    """
    entries = recorded()
    found = flags_of(Watch(catalogue, readings=False), cut(entries, spans_of(seed, entries[-1].time)))
    added = found - flags_of(Watch(catalogue, readings=False), entries)
    assert {(kind, subject) for kind, subject in added if kind != "late-message"} == set()


def test_a_planned_device_that_was_never_heard_has_its_full_time_after_the_gap(bus):
    """Expected from the start, 14 s waited, then nobody listened: it is silent 15 s after the end of the gap."""
    made = talkers(bus("heater"), 0, 14).forget()
    gap(made, 14, 100)
    talkers(made, 100.1, 120)
    silent = [(time, kind) for time, what, kind, who in made.flags if who == "heater"]
    assert [kind for _, kind in silent] == ["silent-device"]
    assert [flag.since for flag in made.watch.flags if flag.subject == "heater"] == [115_000_000]


def test_the_silence_of_the_bus_is_counted_from_the_end_of_the_gap(bus):
    """With a usual silence of 0.1 s a bus is quiet after one second: the gap does not count, what follows it does."""
    made = talkers(bus(), 0, 10).forget()
    gap(made, 10, 70)
    assert made.until(71.0).flags == []
    assert made.until(71.1).flags == [(71.0, "raised", "bus-quiet", "bus")]


def test_how_a_bus_resumed_is_not_judged_across_a_gap(bus):
    """A pause that ended, then a gap within the seconds in which the bus would be examined."""
    made = talkers(bus(), 0, 20)
    talkers(made, 50, 52)
    gap(made, 52, 53.3)
    talkers(made, 53.3, 70)
    assert made.watch.pauses.resumptions == {}


def test_a_value_is_not_stuck_for_a_gap(bus):
    """A temperature stands still beside a heater at work for 8 minutes before and after a gap of an hour: no flag;
    for 16 minutes without a gap: a flag, since the limit is ten minutes.
    """
    kinds = []
    for has_gap in (False, True):
        made = bus()
        for second in range(0, 960, 5):
            if has_gap and second == 480:
                gap(made, 480, 4080)
            time = second + (3600 if has_gap and second >= 480 else 0)
            made.say(time, AMBIENT, 0x91, instance=1, ambient_temperature=9000)
            made.say(time + 0.1, FURNACE, 0x5E, instance=1, heat_output_level=second % 200)
        made.until(time + 1)
        kinds.append(sorted({kind for _, _, kind, _ in made.flags if kind == "stuck-value"}))
    assert kinds == [["stuck-value"], []]

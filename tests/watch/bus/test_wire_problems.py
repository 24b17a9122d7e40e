"""What the pair tells beside frames: nobody acknowledges, collisions, waits beyond the plan, error states."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rvsim.rig.model import Rig
from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import (
    Collided,
    Disturbed,
    ErrorState,
    NotAcknowledged,
    Overflowed,
    StateChanged,
    Waited,
)

HEATER, FAN = 0x19FFE45E, 0x19FFE490
"""FURNACE_STATUS from two addresses."""


class Pair:
    """A watch, and what came out of it as (seconds, kind, subject, raised)."""

    def __init__(self, catalogue, rig=None):
        self.watch, self.events = Watch(catalogue, rig), []

    def note(self, *events):
        """Tell what happened on the pair."""
        for event in events:
            self.events += self.watch.observe_event(event)
        return self

    def observe(self, seconds, identifier):
        """Let a frame come through."""
        self.events += self.watch.observe(Frame(round(seconds * SECOND_US), identifier, bytes(8)))
        return self

    def until(self, seconds):
        """Tell the time."""
        self.events += self.watch.advance(round(seconds * SECOND_US))
        return self

    @property
    def flags(self):
        """What the flags about the pair did."""
        kinds = ("no-acknowledge", "shared-address", "bus-busy")
        return [
            (event.time / SECOND_US, str(event.flag.kind), event.flag.subject, type(event) is FlagRaised)
            for event in self.events
            if isinstance(event, FlagRaised | FlagCleared) and event.flag.kind in kinds
        ]


@pytest.fixture
def pair(catalogue):
    """A pair without a rig."""
    return Pair(catalogue)


@pytest.fixture
def planned(catalogue):
    """A pair with one planned heater that says one furnace status each 5 s, and its heartbeat."""
    device = {"name": "heater", "kind": "heater", "address": 0x5E, "functions": {"furnace": 1}}
    return Pair(catalogue, Rig.model_validate({"schema": 1, "name": "t", "title": "T", "device": [device]}))


# Nobody acknowledges.


def test_a_node_that_nobody_acknowledges_is_told_after_a_second(pair):
    """At exactly one second it may still be that the others are just coming up; a microsecond later it is told."""
    pair.note(NotAcknowledged(2 * SECOND_US, "heater", HEATER)).until(3)
    assert pair.flags == []
    pair.until(3.000001)
    assert pair.flags == [(3.0, "no-acknowledge", "heater", True)]
    (flag,) = pair.watch.flags
    assert (flag.since, str(flag.severity)) == (2 * SECOND_US, "fault")
    assert flag.text.startswith("its frames are not acknowledged: none of them got through for 1.0 s")
    assert "two bus wires, which may be swapped" in flag.advice
    assert flag.evidence == ("identifier 19FFE45E, first tried at 2.000 s",)


def test_it_is_over_when_a_frame_of_it_comes_through(pair):
    """Not one of another node, and any of its own."""
    pair.note(NotAcknowledged(0, "heater", HEATER)).observe(1.5, FAN)
    assert pair.flags == [(1.0, "no-acknowledge", "heater", True)]
    pair.observe(2, HEATER - 0x100)
    assert pair.flags[1:] == [(2.0, "no-acknowledge", "heater", False)]


def test_nodes_that_come_up_one_after_the_other_raise_nothing(pair):
    """The first is alone for 900 ms."""
    for tries in range(16):
        pair.note(NotAcknowledged(tries * 600, "heater", HEATER))
    pair.observe(0.9, HEATER).until(10)
    assert pair.flags == []
    assert pair.watch.wire_problems.unacknowledged == 16


def test_after_its_return_it_can_be_told_again(pair):
    """The second counts from the first try of the new time alone, and is told once however often it tries."""
    pair.note(NotAcknowledged(0, "heater", HEATER)).until(2).observe(3, HEATER)
    pair.note(*(NotAcknowledged(round(t * SECOND_US), "heater", HEATER) for t in (5, 5.2, 5.8))).until(6.5).until(9)
    assert [(t, up) for t, _, _, up in pair.flags] == [(1.0, True), (3.0, False), (6.0, True)]


# Collisions.


def test_a_collision_is_a_shared_address(pair):
    """Told at once, with who sent what; no second flag while it goes on."""
    pair.note(Collided(SECOND_US, HEATER, ("heater", "fan"))).note(Collided(2 * SECOND_US, HEATER, ("heater", "fan")))
    assert pair.flags == [(1.0, "shared-address", "heater", True)]
    (flag,) = pair.watch.flags
    assert flag.text == (
        "heater and fan sent one identifier with different data at the same time: both use address 5E hex, and each "
        "corrupts the other's frame"
    )
    assert flag.evidence == ("identifier 19FFE45E at 1.000 s",)
    assert "give one of them another address" in flag.advice


def test_a_minute_without_a_collision_ends_it(pair):
    """Counted from the last one; frames in between change nothing."""
    pair.note(Collided(SECOND_US, HEATER, ("heater", "fan"))).observe(40, HEATER)
    pair.note(Collided(50 * SECOND_US, HEATER, ("heater", "fan"))).until(110)
    assert len(pair.flags) == 1
    pair.until(111)
    assert pair.flags[1:] == [(110.0, "shared-address", "heater", False)]


def test_each_address_has_its_own(pair):
    """Two addresses, two flags."""
    pair.note(Collided(1, HEATER, ("heater", "a")), Collided(2, FAN, ("fan", "b")))
    assert [subject for _, _, subject, _ in pair.flags] == ["heater", "fan"]


def test_collisions_add_nothing_to_two_names_that_claim_one_address(catalogue, pair):
    """One cause, one flag: where the claims tell it, or begin to, collisions do not."""
    claim = catalogue.by_name("ADDRESS_CLAIM").identifier(0x5E, 0xFF)
    pair.note(Collided(SECOND_US, HEATER, ("heater", "fan")))
    for time, name in ((2.0, bytes(8)), (2.1, bytes([1, *bytes(7)])), (2.2, bytes(8))):
        pair.events += pair.watch.observe(Frame(round(time * SECOND_US), claim, name))
    pair.until(5).note(Collided(6 * SECOND_US, HEATER, ("heater", "fan"))).until(8)
    assert len([flag for flag in pair.watch.flags if flag.kind == "shared-address"]) == 1
    assert "claim address 5E hex" in pair.watch.flags[-1].text
    pair.note(Collided(9 * SECOND_US, HEATER, ("heater", "fan"))).until(10)
    assert len(pair.watch.flags) == 1


# Waits beyond what the plan promises.


def test_a_wait_beyond_the_plan_is_told(planned):
    """Planned are two messages and one frame aside: 640 us each, so 4 frames at worst for the lower one (by hand)."""
    worst = 3 * 640
    planned.note(Waited(worst, "heater", HEATER, 0)).until(1)
    assert planned.flags == []
    planned.note(Waited(SECOND_US + worst + 1, "heater", HEATER, SECOND_US))
    assert planned.flags == [(1.001921, "bus-busy", "bus", True)]
    (flag,) = [flag for flag in planned.watch.flags if flag.kind == "bus-busy"]
    assert flag.text.startswith(
        "FURNACE_STATUS of heater took 1.9 ms to get through; computed from the plan: at most 1.9 ms"
    )


def test_three_calm_seconds_end_it(planned):
    """Counted from the last such wait."""
    for second in (1, 3):
        planned.note(Waited(second * SECOND_US + 9000, "heater", HEATER, second * SECOND_US))
    planned.until(6.009)
    assert len(planned.flags) == 1
    planned.until(7)
    assert planned.flags[1:] == [(6.009, "bus-busy", "bus", False)]


@pytest.mark.parametrize("identifier", [0x18EEFF5E, 0x19FEDB5E, 0x19FFE25E])
def test_messages_that_the_plan_does_not_promise_raise_nothing(planned, identifier):
    """A claim, a command, a status of a function that nobody has."""
    planned.note(Waited(SECOND_US, "heater", identifier, 0)).until(1.5)
    assert planned.flags == []


def test_without_a_rig_nothing_is_promised(pair):
    """A long wait is noted as the longest, and raises nothing."""
    long, longer = Waited(SECOND_US, "heater", HEATER, 0), Waited(3 * SECOND_US, "fan", FAN, SECOND_US)
    pair.note(long, longer, Waited(4 * SECOND_US, "fan", FAN, 3 * SECOND_US)).until(5)
    assert pair.flags == []
    assert pair.watch.wire_problems.longest == longer


def test_who_waits_for_an_acknowledgement_does_not_wait_for_the_pair(planned):
    """The wait has one cause, and one flag."""
    planned.note(NotAcknowledged(SECOND_US, "heater", HEATER)).until(30)
    planned.note(Waited(40 * SECOND_US, "heater", HEATER, SECOND_US)).observe(40, HEATER).until(41)
    assert [kind for _, kind, _, _ in planned.flags] == ["no-acknowledge", "no-acknowledge"]


def test_nor_do_the_frames_that_stood_behind_it(planned):
    """What was ready before the node was heard again waited for the same; what became ready later did not."""
    planned.note(NotAcknowledged(SECOND_US, "heater", HEATER)).until(30).observe(40, HEATER)
    planned.note(Waited(40 * SECOND_US + 600, "heater", HEATER, 20 * SECOND_US)).until(42)
    assert [kind for _, kind, _, _ in planned.flags] == ["no-acknowledge", "no-acknowledge"]
    assert planned.watch.wire_problems.longest is None
    planned.note(Waited(43 * SECOND_US + 9000, "heater", HEATER, 43 * SECOND_US))
    assert planned.flags[-1][1:] == ("bus-busy", "bus", True)


def test_a_wait_of_which_nothing_follows_need_not_be_observed(planned):
    """It is noted as the longest; one beyond the plan is refused as long as it was not observed."""
    wires = planned.watch.wire_problems
    within, beyond = Waited(1_920, "heater", HEATER, 0), Waited(9_000, "heater", HEATER, 0)
    assert wires.pass_wait(within)
    assert not wires.pass_wait(beyond)
    assert wires.longest == within
    unplanned = Waited(SECOND_US, "heater", 0x18EEFF5E, 0)
    assert wires.pass_wait(unplanned)
    assert wires.longest == unplanned
    planned.note(beyond)
    assert [(raised, kind) for _, kind, _, raised in planned.flags] == [(True, "bus-busy")]


def test_a_wait_is_not_passed_over_where_something_is_due_before_it(planned):
    """The end of a flag is due three seconds after the last long wait: not before a microsecond later."""
    planned.note(Waited(9_000, "heater", HEATER, 0))
    wires, end = planned.watch.wire_problems, 9_000 + 3 * SECOND_US
    assert wires.pass_wait(Waited(end, "heater", HEATER, end - 1_000))
    assert not wires.pass_wait(Waited(end + 1, "heater", HEATER, end - 1_000))


def test_a_wait_for_an_acknowledgement_is_passed_over_and_is_not_the_longest(planned):
    """Nor is one that began before the acknowledgement came, after it."""
    planned.note(NotAcknowledged(0, "heater", HEATER))
    wires = planned.watch.wire_problems
    assert wires.pass_wait(Waited(SECOND_US // 2, "heater", HEATER, 0))
    planned.observe(0.7, HEATER)
    assert wires.pass_wait(Waited(SECOND_US, "heater", HEATER, SECOND_US // 2))
    assert wires.longest is None
    assert not wires.pass_wait(Waited(SECOND_US, "heater", HEATER, 700_000))


# What is kept for the eye.


def test_error_states_are_kept_until_they_are_active_again(pair):
    """The counters are those of the last change of state."""
    passive = StateChanged(1, "heater", ErrorState.PASSIVE, 128, 0)
    off = StateChanged(2, "heater", ErrorState.BUS_OFF, 256, 0)
    pair.note(passive)
    assert pair.watch.wire_problems.states == {"heater": passive}
    pair.note(off)
    assert pair.watch.wire_problems.states == {"heater": off}
    pair.note(StateChanged(3, "heater", ErrorState.ACTIVE, 0, 0))
    assert pair.watch.wire_problems.states == {}


def test_spoilt_and_lost_frames_are_counted(pair):
    """Each kind by itself."""
    pair.note(Disturbed(1, HEATER, ("heater",)), Disturbed(2, HEATER, ("heater",), "fan"), Overflowed(3, "fan", FAN))
    pair.note(Collided(4, HEATER, ("heater", "fan")))
    wires = pair.watch.wire_problems
    assert (wires.disturbed, wires.overflowed, wires.collided, wires.unacknowledged) == (2, 1, 1, 0)


_EVENTS = st.lists(
    st.tuples(
        st.integers(0, 200),
        st.sampled_from(["alone", "met", "wait", "frame"]),
        st.sampled_from([HEATER, FAN]),
    ),
    max_size=30,
)


@given(_EVENTS, st.lists(st.integers(0, 200), max_size=10))
@example([(0, "alone", HEATER), (16, "frame", HEATER)], [2])
@example([(0, "alone", HEATER), (3, "wait", HEATER), (4, "wait", FAN), (5, "frame", HEATER), (5, "wait", HEATER)], [6])
def test_flags_do_not_depend_on_how_often_the_time_is_told(planned_watch, events, told):
    """The same events with and without more told times between them."""

    def go(times):
        watch, out = planned_watch(), []
        steps = sorted([*((time, 1, what) for time, *what in events), *((time, 0, None) for time in times)], key=_by)
        for time, _, what in steps:
            now = time * SECOND_US
            out += watch.advance(now) if what is None else _happen(watch, now, *what)
        out += watch.advance(400 * SECOND_US)
        return sorted(
            (e.time, e.flag.number, type(e) is FlagRaised) for e in out if isinstance(e, FlagRaised | FlagCleared)
        )

    assert go([]) == go(told)


def _by(step):
    return step[:2]


def _happen(watch, now, what, identifier):
    if what == "frame":
        return watch.observe(Frame(now, identifier, bytes(8)))
    event = {
        "alone": NotAcknowledged(now, "a", identifier),
        "met": Collided(now, identifier, ("a", "b")),
        "wait": Waited(now + 50_000, "a", identifier, now),
    }[what]
    return watch.observe_event(event)


@pytest.fixture(scope="module")
def planned_watch(catalogue):
    """Make watches over one planned heater."""
    device = {"name": "heater", "kind": "heater", "address": 0x5E, "functions": {"furnace": 1}}
    rig = Rig.model_validate({"schema": 1, "name": "t", "title": "T", "device": [device]})
    return lambda: Watch(catalogue, rig)

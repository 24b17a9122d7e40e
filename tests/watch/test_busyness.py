"""A pair that is too busy: which seconds raise a flag, how serious it is, and when it is over."""

import pytest

from rvsim.rig.model import Rig
from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.frame import Frame

SECOND = 1_000_000
IDENTIFIER, DATA, BITS = 0x18EBFF00, bytes.fromhex("01A00FA6603BD140"), 141
"""CAN hardware counted 141 bits for this frame: 1773 of them fill a second, 709 are 40 %, 1241 are 70 %."""


class Bus:
    """Frames spread over seconds, and what the watch says of the pair."""

    def __init__(self, catalogue, rig=None):
        self.watch, self.events = Watch(catalogue, rig), []

    def second(self, number, frames):
        """So many frames in a second, one after the other."""
        for n in range(frames):
            time = number * SECOND + n * SECOND // max(frames, 1)
            self.events += self.watch.hear(Frame(time, IDENTIFIER, DATA))
        return self

    @property
    def flags(self):
        """(seconds, raised, severity)."""
        return [
            (event.time / SECOND, type(event) is FlagRaised, str(event.flag.severity))
            for event in self.events
            if isinstance(event, FlagRaised | FlagCleared) and event.flag.kind == "bus-busy"
        ]


@pytest.fixture
def bus(catalogue):
    """A bus without a rig."""
    return Bus(catalogue)


def test_forty_percent_is_not_too_much_and_a_frame_more_is(bus):
    """709 frames are 39.99 % of a second, 710 are 40.04 %: a notice, known at the end of that second."""
    bus.second(0, 709).second(1, 710).second(2, 1)
    assert bus.flags == [(2.0, True, "notice")]
    flag = bus.watch.flags[-1]
    assert (flag.since, flag.subject) == (SECOND, "bus")
    assert flag.text == (
        "the pair is 40 % busy, more than 40 %: 710 frames in a second, 100 % of its bits from address 00 hex"
    )


def test_above_seventy_percent_it_is_a_warning(bus):
    """1241 frames are 69.99 %, 1242 are 70.05 %; the notice gives way to the warning."""
    bus.second(0, 1241).second(1, 1242).second(2, 1)
    assert bus.flags == [(1.0, True, "notice"), (2.0, False, "notice"), (2.0, True, "warning")]


def test_it_is_over_after_three_calm_seconds(bus):
    """Two are not enough; then the flag goes."""
    bus.second(0, 800).second(1, 10).second(2, 10).second(3, 800).second(4, 10).second(5, 10).second(6, 10).second(7, 1)
    assert bus.flags == [(1.0, True, "notice"), (7.0, False, "notice")]


def test_a_pause_is_calm(bus):
    """Nothing at all for a while ends it, by the time alone."""
    bus.second(0, 800)
    bus.events += bus.watch.advance(2 * SECOND) + bus.watch.advance(3 * SECOND) + bus.watch.advance(4 * SECOND)
    assert bus.flags == [(1.0, True, "notice"), (4.0, False, "notice")]


def test_a_burst_after_a_long_pause_is_noticed(bus):
    """Seconds that went by untold change nothing."""
    bus.second(0, 10).second(60, 800).second(61, 1)
    assert bus.flags == [(61.0, True, "notice")]


def test_how_times_are_told_does_not_matter(catalogue):
    """In one step or in many, the same events at the same times."""
    told = []
    for steps in ((9_000_000,), tuple(range(1_000_000, 9_000_001, 250_000))):
        bus = Bus(catalogue).second(0, 800)
        for step in steps:
            bus.events += bus.watch.advance(step)
        told.append([(event.time, type(event)) for event in bus.events])
    assert told[0] == told[1]


def test_the_planned_device_that_uses_most_is_named(catalogue):
    """By its name in the rig."""
    rig = Rig.model_validate(
        {"schema": 1, "name": "t", "title": "T", "device": [{"name": "chatterer", "address": 0, "kind": "own"}]}
    )
    bus = Bus(catalogue, rig).second(0, 800).second(1, 1)
    assert "100 % of its bits from chatterer" in bus.watch.flags[-1].text

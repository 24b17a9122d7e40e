"""Errors on the pair: how many are few, when they are many, what states add, and when it is over."""

import pytest

from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import (
    Collided,
    Disturbed,
    ErrorFrame,
    ErrorState,
    NotAcknowledged,
    StateChanged,
    TimeWentBack,
)

FRAME = Frame(0, 0x18EBFF5E, bytes(8))
ACTIVE, PASSIVE, OFF = ErrorState.ACTIVE, ErrorState.PASSIVE, ErrorState.BUS_OFF


class Bus:
    """A watch that has heard one frame, and what it says of errors."""

    def __init__(self, catalogue, first=FRAME):
        self.watch, self.events = Watch(catalogue), []
        if first is not None:
            self.watch.observe(first)

    def note(self, *events):
        """Tell what has happened."""
        for event in events:
            self.events += self.watch.observe_event(event)
        return self

    def errors(self, *seconds, about=""):
        """Tell error frames."""
        return self.note(*(ErrorFrame(round(second * SECOND_US), about) for second in seconds))

    def until(self, second):
        """Tell the time."""
        self.events += self.watch.advance(round(second * SECOND_US))
        return self

    @property
    def flags(self):
        """(seconds, raised, severity) of each."""
        return [
            (event.time / SECOND_US, isinstance(event, FlagRaised), str(event.flag.severity))
            for event in self.events
            if isinstance(event, FlagRaised | FlagCleared) and event.flag.kind == "bus-errors"
        ]

    @property
    def flag(self):
        """The flag that stands."""
        (flag,) = [flag for flag in self.watch.flags if flag.kind == "bus-errors"]
        return flag


@pytest.fixture
def bus(catalogue):
    """A bus on which a frame was heard."""
    return Bus(catalogue)


def test_one_error_frame_is_a_notice(bus):
    """It is told at once, with its time, and what to look at in the trade's order."""
    bus.errors(3.25)
    assert bus.flags == [(3.25, True, "notice")]
    assert (bus.flag.subject, bus.flag.since) == ("bus", 3_250_000)
    assert bus.flag.text == "1 error frame at 3.250 s"
    advice = bus.flag.advice
    assert 6 == advice.index("the bit rate") < advice.index("terminators") < advice.index("wiring")
    assert bus.flag.evidence == ("1 error frame in the second from 3 s",)


def test_nine_in_ten_seconds_are_few_and_ten_are_many(bus):
    """The tenth makes it a warning; the notice gives way to it."""
    bus.errors(*(1 + n for n in range(9)))
    assert bus.flags == [(1.0, True, "notice")]
    bus.errors(9.5)
    assert bus.flags == [(1.0, True, "notice"), (9.5, False, "notice"), (9.5, True, "warning")]
    assert bus.flag.text == "10 error frames from 1.000 s to 9.500 s, 10 of them within 10 s"
    assert bus.flag.since == SECOND_US


@pytest.mark.parametrize(("tenth", "severity"), [(11.0, "notice"), (10.999999, "warning")])
def test_ten_in_ten_seconds_to_a_microsecond(bus, tenth, severity):
    """The tenth exactly 10 s behind the first is not within 10 s of it; a microsecond earlier it is."""
    bus.errors(*(1 + n for n in range(9)), tenth)
    assert str(bus.flag.severity) == severity


def test_counts_are_told_in_the_present(bus):
    """Each further error renews the words of the flag that stands; seconds and kinds are told."""
    bus.errors(1.1, 1.2, about="stuff error").errors(4.5)
    assert bus.flag.text == "3 error frames from 1.100 s to 4.500 s, 3 of them within 10 s"
    assert bus.flag.evidence == (
        "2 error frames in the second from 1 s",
        "1 error frame in the second from 4 s",
        "2 error frames: stuff error",
    )


def test_it_is_over_after_a_calm_minute(bus):
    """Sixty seconds without another; noise that comes now and then is one trouble. What comes later is a new one."""
    bus.errors(1, 61).until(121)
    assert bus.flags == [(1.0, True, "notice")]
    bus.until(121.1)
    assert bus.flags == [(1.0, True, "notice"), (121.0, False, "notice")]
    bus.errors(130)
    assert bus.flag.text == "1 error frame at 130.000 s"


def test_a_node_that_is_error_passive_is_a_warning(bus):
    """With its counters; active again and a calm minute end it."""
    bus.note(StateChanged(2 * SECOND_US, "heater", PASSIVE, 128, 3))
    assert bus.flags == [(2.0, True, "warning")]
    assert bus.flag.text == "heater is error passive"
    assert bus.flag.evidence == ("heater: error passive since 2.000 s, 128 transmit errors, 3 receive errors",)
    bus.note(StateChanged(3 * SECOND_US, "heater", ACTIVE, 127, 3)).until(63)
    assert bus.flags == [(2.0, True, "warning"), (62.0, False, "warning")]


def test_bus_off_is_a_fault_until_the_node_is_back(bus):
    """However long that takes; counters that are not told are left out."""
    bus.errors(1).note(StateChanged(2 * SECOND_US, "heater", OFF, None, None)).until(500)
    assert bus.flags == [(1.0, True, "notice"), (2.0, False, "notice"), (2.0, True, "fault")]
    assert bus.flag.text == "1 error frame at 1.000 s, heater is bus-off"
    assert bus.flag.evidence[-1] == "heater: bus-off since 2.000 s"
    bus.note(StateChanged(501 * SECOND_US, "heater", ACTIVE, 0, 0)).until(502)
    assert bus.flags[-1] == (62.0, False, "fault")


def test_only_error_frames_are_a_wrong_bit_rate_first(catalogue):
    """Nothing valid was heard: that is said, and the bit rate comes first; a frame that comes takes it back."""
    bus = Bus(catalogue, None).errors(1, 2)
    assert bus.flag.text == "2 error frames from 1.000 s to 2.000 s, 2 of them within 10 s, no valid frame"
    assert bus.flag.advice.startswith(
        "check the bit rate first, 250000 bit/s on RV-C: with a wrong one no valid frame can come"
    )
    bus.events += bus.watch.observe(FRAME._replace(time=3 * SECOND_US))
    assert "valid" not in bus.flag.text
    assert bus.flags == [(1.0, True, "notice")]


def test_a_spoilt_frame_of_a_simulated_pair_is_an_error(bus):
    """As an adapter would see it."""
    bus.note(Disturbed(SECOND_US, 0x18EBFF5E, ("heater",)))
    assert bus.flag.text == "1 error frame at 1.000 s"


def test_a_lone_sender_has_no_errors_of_the_wires(bus):
    """That nobody acknowledges has a flag of its own; being error passive follows from it (CAN 2.0, part B, 8)."""
    for n in range(16):
        bus.note(NotAcknowledged(n * 1000, "heater", 0x18EBFF5E))
    bus.note(StateChanged(16_000, "heater", PASSIVE, 128, 0)).until(30)
    assert bus.flags == []
    assert [flag.kind for flag in bus.watch.flags] == ["no-acknowledge"]


def test_two_that_collide_have_no_errors_of_the_wires(bus):
    """They share an address, which is said; error passive follows from it, bus-off is said all the same."""
    for n in range(16):
        bus.note(Collided(n * 1000, 0x18EBFF5E, ("heater", "pump")))
    bus.note(StateChanged(16_000, "heater", PASSIVE, 128, 0))
    assert bus.flags == []
    bus.note(StateChanged(17_000, "heater", OFF, 256, 0))
    assert bus.flags == [(0.017, True, "fault")]


def test_a_collision_long_ago_explains_nothing(bus):
    """A minute later being error passive has another cause."""
    bus.note(Collided(0, 0x18EBFF5E, ("heater", "pump")))
    bus.note(StateChanged(60 * SECOND_US, "heater", PASSIVE, 128, 0))
    assert bus.flags == []
    bus.note(StateChanged(61 * SECOND_US, "pump", PASSIVE, 128, 0))
    assert bus.flags == [(61.0, True, "warning")]


def test_times_that_run_back_do_not_make_few_errors_many(bus):
    """Error frames are told of such a log as well; how many there are within 10 s is not known."""
    bus.note(TimeWentBack(0, 2 * SECOND_US, "line 3"))
    bus.errors(*(1 + n / 10 for n in range(12)))
    assert bus.flags == [(1.0, True, "notice")]
    assert bus.flag.text.startswith("12 error frames")

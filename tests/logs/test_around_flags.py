"""A recording of what is around flags: what is kept, what is left out, and what stands in its place."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.around_flags import AroundFlags
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ErrorFrame, ListeningResumed


class Kept:
    """Keeps what is written."""

    def __init__(self):
        self.entries, self.flushed = [], 0

    def write(self, frame):
        """Keep a frame."""
        self.entries.append(frame)

    def write_event(self, event):
        """Keep an event."""
        self.entries.append(event)

    def flush(self):
        """Count."""
        self.flushed += 1

    @property
    def seconds(self):
        """The times of the frames."""
        return [entry.time / SECOND_US for entry in self.entries if isinstance(entry, Frame)]


def frame(seconds):
    """A frame at a time."""
    return Frame(round(seconds * SECOND_US), 0x19FFE45E, bytes(8))


@pytest.fixture
def kept():
    """What was written."""
    return Kept()


def record(kept, flags, until=100, span=10):
    """Record a frame each second, with flags at some seconds: each comes right after the frame of its time."""
    around = AroundFlags(kept, span * SECOND_US)
    for second in range(until):
        around.write(frame(second))
        if second in flags:
            around.note_flag(second * SECOND_US)
    return around


def test_what_is_near_a_flag_is_kept(kept):
    """From 10 s before it to 10 s after it, both included; two flags near each other are one part."""
    around = record(kept, {40, 45})
    assert kept.seconds == list(range(30, 56))
    assert around.flags == 2
    assert around.closing_line == "2 flags; 74 frames that were further than 10 s from a flag were left out"


def test_between_two_flags_stands_a_gap(kept):
    """From the last frame that was kept to the next one; before the first flag nothing was, so there is no gap."""
    record(kept, {20, 60})
    gaps = [entry for entry in kept.entries if isinstance(entry, ListeningResumed)]
    assert gaps == [ListeningResumed(50 * SECOND_US, 30 * SECOND_US, "left out: no flag within 10 s")]
    assert kept.seconds == [*range(10, 31), *range(50, 71)]


def test_without_a_flag_nothing_is_kept(kept):
    """Not even at the end."""
    around = record(kept, set())
    assert kept.entries == []
    assert around.closing_line.startswith("0 flags; 100 frames")
    around.flush()
    assert kept.flushed == 1


def test_a_flag_at_the_start_and_at_the_end(kept):
    """What there is before and after it."""
    record(kept, {0, 99})
    assert kept.seconds == [*range(11), *range(89, 100)]


def test_events_are_kept_as_frames_are(kept):
    """In their order with the frames."""
    around = AroundFlags(kept, SECOND_US)
    around.write_event(ErrorFrame(0))
    around.write(frame(5))
    around.write_event(ErrorFrame(5 * SECOND_US, "stuff"))
    around.note_flag(5 * SECOND_US)
    around.write_event(ErrorFrame(6 * SECOND_US))
    assert kept.entries == [frame(5), ErrorFrame(5 * SECOND_US, "stuff"), ErrorFrame(6 * SECOND_US)]


@given(st.sets(st.integers(0, 79), max_size=4), st.integers(1, 30))
def test_kept_is_what_is_within_the_span(flags, span):
    """Whatever the flags: nothing else, nothing twice, in order; kept and left out are all."""
    kept = Kept()
    around = record(kept, flags, until=80, span=span)
    assert kept.seconds == [second for second in range(80) if any(abs(second - flag) <= span for flag in flags)]
    left_out = 80 - len(kept.seconds)
    assert f"; {left_out} frames" in around.closing_line

"""Frames of a log sent at their times: what is sent, once, and what is not; by the wall clock."""

import sys
import threading

import pytest

from rvsim.errors import BusError
from rvsim.runs.frame_sender import SWITCH_INTERVAL_S, FrameSender
from rvsim.sim.clock import PacedClock
from rvsim.wire.frame import Frame

pytestmark = pytest.mark.paced

LIMIT_S = 30


class Bus:
    """Keeps what is sent; waits for so much."""

    def __init__(self):
        self.frames, self.changed, self.fails = [], threading.Condition(), False

    def send(self, frame):
        """Keep it, or fail."""
        if self.fails:
            raise BusError("gone")
        with self.changed:
            self.frames.append(frame.time)
            self.changed.notify_all()

    def wait_for(self, count):
        """Wait until so many frames were sent."""
        with self.changed:
            assert self.changed.wait_for(lambda: len(self.frames) >= count, LIMIT_S), self.frames


def frame_at(ms):
    """Return a frame."""
    return Frame(ms * 1000, 0x19FFE45E, b"")


@pytest.fixture
def sending():
    """A sender with its bus and its clock."""
    bus, clock = Bus(), PacedClock()
    with FrameSender(bus.send) as sender:
        yield sender, bus, clock


def test_frames_are_sent_in_order_and_counted(sending):
    """Each at its time, never before it; the figures are those of the delays."""
    sender, bus, clock = sending
    for number in range(1, 11):
        sender.schedule(number, frame_at(number * 5))
    sender.start(clock)
    bus.wait_for(10)
    assert bus.frames == [number * 5000 for number in range(1, 11)]
    assert clock.reached() >= 50_000
    sender.close()
    counts = sender.statistics
    assert counts.sent == 10
    assert 0 <= counts.median_us <= counts.p99_us <= counts.worst_us


def test_threads_take_short_turns_while_frames_are_sent(sending):
    """Afterwards they are as long as before, however often the sender is closed."""
    sender, _, clock = sending
    usual = sys.getswitchinterval()
    sender.start(clock)
    assert sys.getswitchinterval() == pytest.approx(min(usual, SWITCH_INTERVAL_S), abs=2e-6)
    for _ in range(2):
        sender.close()
        assert sys.getswitchinterval() == pytest.approx(usual, abs=2e-6)


def test_nothing_is_sent_twice(sending):
    """A number that was sent is ignored; after taking back it may come again."""
    sender, bus, clock = sending
    sender.start(clock)
    sender.schedule(1, frame_at(0))
    bus.wait_for(1)
    sender.schedule(1, frame_at(0))
    sender.schedule(2, frame_at(1))
    bus.wait_for(2)
    sender.clear(0)
    sender.schedule(1, frame_at(0))
    bus.wait_for(3)
    assert bus.frames == [0, 1000, 0]


def test_what_is_taken_back_is_not_sent(sending):
    """Before its time has come."""
    sender, bus, clock = sending
    sender.start(clock)
    sender.schedule(1, frame_at(3_600_000))
    sender.clear(0)
    sender.schedule(1, frame_at(0))
    bus.wait_for(1)
    assert bus.frames == [0]


def test_while_the_clock_is_paused_nothing_is_sent(sending):
    """When it goes on, the rest is."""
    sender, bus, clock = sending
    clock.pause()
    sender.start(clock)
    sender.schedule(1, frame_at(1))
    sender.send_now(1, frame_at(7))
    sender.send_now(1, frame_at(7))
    assert bus.frames == [7000]
    sender.schedule(2, frame_at(2))
    assert bus.frames == [7000]
    clock.resume()
    sender.update()
    bus.wait_for(2)
    assert bus.frames == [7000, 2000]


def test_what_is_due_at_the_end_is_sent(sending):
    """Closing loses no frame whose time has come, and sends none whose time has not."""
    sender, bus, clock = sending
    clock.set_time(10_000)
    for number in range(1, 6):
        sender.schedule(number, frame_at(number))
    sender.schedule(6, frame_at(3_600_000))
    sender.start(clock)
    sender.close()
    sender.close()
    assert bus.frames == [1000, 2000, 3000, 4000, 5000]


def test_what_has_its_time_where_the_clock_stands_is_not_sent(sending):
    """It waits until the clock goes on, however early its time; closing does not send it either."""
    sender, bus, clock = sending
    clock.set_time(10_000)
    clock.pause()
    sender.schedule(1, frame_at(0))
    sender.schedule(2, frame_at(10))
    sender.start(clock)
    sender.close()
    assert bus.frames == []


def test_an_error_ends_it(sending):
    """It is raised when the next frame is handed over."""
    sender, bus, clock = sending
    bus.fails = True
    sender.start(clock)
    sender.schedule(1, frame_at(0))
    sender._thread.join(LIMIT_S)
    with pytest.raises(BusError, match="gone"):
        sender.schedule(2, frame_at(1))
    with pytest.raises(BusError, match="gone"):
        sender.send_now(2, frame_at(1))

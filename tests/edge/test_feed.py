"""The feed: no time is passed on before every frame before it was received."""

import pytest

from rvsim.edge.feed import Feed, Watermark
from rvsim.edge.port import Port
from rvsim.errors import BusError
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import ErrorFrame


class Inbox:
    """Stands in for a port: frames arrive when the test says so."""

    def __init__(self):
        self.waiting: list[Frame] = []
        self.dropped = 0
        self.error = None
        self.late: list[Frame] = []
        self.arrived = self

    def receive(self):
        """Return what has arrived."""
        frames, self.waiting = self.waiting, []
        return frames

    @property
    def statistics(self):
        """Only what the feed looks at."""
        return self

    def clear(self):
        """Forget the last arrival."""

    def wait(self, seconds):
        """Let one late frame arrive, if there is one."""
        if self.late:
            self.waiting.append(self.late.pop(0))
            return True
        return False


@pytest.fixture
def log():
    """The frames, events and times that the watch received."""
    return []


@pytest.fixture
def inbox():
    """A port that the test controls."""
    return Inbox()


@pytest.fixture
def feed(inbox, log):
    """The feed between both."""
    return Feed(inbox, lambda frame: log.append(frame.time), lambda time: log.append(f"now {time}"), log.append)


def test_time_is_passed_on_when_all_frames_are_received(feed, inbox, log):
    """With two of two frames taken the watch may believe the watermark."""
    inbox.waiting = [Frame(1, 5, b""), Frame(2, 5, b"")]
    assert feed.process(Watermark(10, 2)) == 0
    assert log == [1, 2, "now 10"]


def test_time_is_not_passed_on_while_a_frame_is_missing(feed, inbox, log):
    """With one of two frames received no time is passed on until the other has come."""
    inbox.waiting = [Frame(1, 5, b"")]
    assert feed.process(Watermark(10, 2)) == 1
    assert log == [1]
    inbox.waiting = [Frame(2, 5, b"")]
    assert feed.process(Watermark(20, 2)) == 0
    assert log == [1, 2, "now 20"]


def test_a_dropped_frame_is_not_waited_for(feed, inbox, log):
    """Frames that the inbox had to drop count as taken, or time would stand still for ever."""
    inbox.dropped = 1
    inbox.waiting = [Frame(1, 5, b"")]
    assert feed.process(Watermark(10, 2)) == 0
    assert log == [1, "now 10"]


def test_settling_waits_for_what_is_missing(feed, inbox, log):
    """Settle returns when at most so many frames are under way."""
    inbox.late = [Frame(n, 5, b"") for n in (1, 2, 3)]
    feed.wait_for(Watermark(10, 3), max_missing=1)
    assert log == [1, 2]
    feed.wait_for(Watermark(10, 3))
    assert log == [1, 2, 3, "now 10"]


def test_frames_that_never_come_are_an_error(feed, inbox):
    """A bus that loses frames is reported after a limited wait."""
    with pytest.raises(BusError, match="did not come back from the bus within 5 s"):
        feed.wait_for(Watermark(10, 1))


def test_a_reader_that_ended_is_an_error(feed, inbox):
    """The error of the reader is reported."""
    inbox.error = "the plug was pulled"
    with pytest.raises(BusError, match="the plug was pulled"):
        feed.process(Watermark(10, 0))


def test_through_python_can(log):
    """On python-can's virtual bus every frame is passed on before its time."""
    with Port("virtual", "feed_test", listen=False) as sender, Port("virtual", "feed_test") as port:
        feed = Feed(port, lambda frame: log.append(frame.time), lambda time: log.append(f"now {time}"), log.append)
        for number in range(500):
            sender.send(Frame(number, 0x19FFE45E, b"12345678"))
        feed.wait_for(Watermark(500, 500))
    assert log == [*range(500), "now 500"]


def test_what_happens_beside_frames_keeps_its_place_among_them(feed, inbox, log):
    """An event is passed on after the frames that were sent before it, before those after it, and before the time."""
    feed.add_event("first", 0)
    feed.add_event("after two", 2)
    feed.add_event("last", 3)
    inbox.waiting = [Frame(time, 1, b"") for time in (10, 20)]
    assert feed.process(Watermark(50, 3)) == 1
    assert log == ["first", 10, 20]
    inbox.waiting = [Frame(30, 1, b"")]
    assert feed.process(Watermark(50, 3)) == 0
    assert log == ["first", 10, 20, "after two", 30, "last", "now 50"]


def test_an_event_waits_for_no_frame_that_was_lost(feed, inbox, log):
    """Dropped frames do not hold back later events."""
    feed.add_event("behind both", 2)
    inbox.waiting, inbox.dropped = [Frame(10, 1, b"")], 1
    assert feed.process(Watermark(50, 2)) == 0
    assert log == [10, "behind both", "now 50"]


def test_other_frames_of_the_port_do_not_count_as_sent(feed, inbox, log):
    """An error frame is passed on in its place among frames; the watermark waits for frames only."""
    error = ErrorFrame(15)
    inbox.waiting = [Frame(10, 1, b""), error]
    assert feed.process(Watermark(30, 2)) == 1
    assert log == [10, error]
    inbox.waiting = [Frame(20, 1, b"")]
    assert feed.process(Watermark(30, 2)) == 0
    assert log == [10, error, 20, "now 30"]

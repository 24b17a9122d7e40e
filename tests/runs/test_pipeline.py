"""What a run does with each frame: recorded, heard, shown."""

import pytest

from rvsim.runs.pipeline import Pipeline
from rvsim.watch.watch import FlagRaised, PresenceChanged, ReadingChanged, Watch
from rvsim.wire.frame import SECOND_US, Frame

BODY = bytes.fromhex("0100C864FFFFFFFF")


class Kept:
    """A sink and a recorder in one."""

    def __init__(self):
        self.frames, self.is_shown, self.written, self.flushed, self.ended = [], [], [], 0, []

    def frame(self, frame):
        """Shown."""
        self.frames.append(frame)

    def write(self, frame):
        """Recorded."""
        self.written.append(frame)

    def events(self, events):
        """Shown."""
        self.is_shown += events

    def end(self, time, watch):
        """The end."""
        self.ended.append(time)

    def flush(self):
        """Count it."""
        self.flushed += 1


def frame(seconds, identifier=0x19FFE45E, data=BODY):
    """FURNACE_STATUS of address 5E."""
    return Frame(round(seconds * SECOND_US), identifier, data)


@pytest.fixture
def kept():
    """Sink and recorder."""
    return Kept()


def test_a_frame_is_recorded_shown_and_heard(catalogue, kept):
    """In this order of things each frame is in the recording, and its news are shown."""
    hearing = Pipeline(Watch(catalogue), kept, kept)
    hearing.observe(frame(1))
    assert kept.written == kept.frames == [frame(1)]
    assert isinstance(kept.is_shown[0], PresenceChanged)
    assert hearing.time == SECOND_US


def test_every_reading_is_shown_where_that_is_asked(catalogue, kept):
    """The same words again are shown again with ``every``, and not without."""
    plain, every = Pipeline(Watch(catalogue), Kept()), Pipeline(Watch(catalogue), kept, every=True)
    for hearing in (plain, every):
        hearing.observe(frame(1))
        hearing.observe(frame(2))
    readings = [event for event in kept.is_shown if isinstance(event, ReadingChanged)]
    assert {event.time for event in readings} == {SECOND_US, 2 * SECOND_US}
    assert len(readings) == 2 * len({event.reading.field.name for event in readings})


def test_ones_own_voice_is_no_stranger(catalogue, kept):
    """A frame of the person at the bench is recorded and shown; the watch does not count it as a device's, once."""
    hearing = Pipeline(Watch(catalogue), kept, kept)
    hearing.expect_own(0x19FFE4F9, BODY)
    hearing.observe(frame(1, 0x19FFE4F9))
    assert (len(kept.written), len(kept.frames), hearing.watch.statistics.frames) == (1, 1, 0)
    hearing.observe(frame(2, 0x19FFE4F9))
    assert hearing.watch.statistics.frames == 1


def test_time_goes_on_without_frames(catalogue, kept):
    """A device that said nothing more is found silent; the flag that was raised last is known."""
    hearing = Pipeline(Watch(catalogue), kept)
    for n in range(20):
        hearing.observe(frame(n))
        hearing.observe(frame(n + 0.5, 0x19FFE244))
    for n in range(20, 60):
        hearing.observe(frame(n + 0.5, 0x19FFE244))
    assert hearing.last_raised is not None
    assert (hearing.last_raised.kind, hearing.last_raised.subject) == ("silent-device", "address 5E hex")
    hearing.advance(70 * SECOND_US)
    assert hearing.time == 70 * SECOND_US


def test_what_goes_by_untold_can_be_caught_up_with(catalogue, kept):
    """First who is there, then which flags stand, all at the present; frames are recorded meanwhile."""
    hearing = Pipeline(Watch(catalogue), kept, kept)
    hearing.is_shown = False
    for n in range(60):
        hearing.observe(frame(n, 0x19FFE244))
        if n < 20:
            hearing.observe(frame(n))
    assert (kept.frames, kept.is_shown, len(kept.written)) == ([], [], 80)
    hearing.show_present_state()
    assert [(event.device, event.state) for event in kept.is_shown if isinstance(event, PresenceChanged)] == [
        ("address 44 hex", "present"),
        ("address 5E hex", "silent"),
    ]
    assert [(event.time, event.flag.kind) for event in kept.is_shown if isinstance(event, FlagRaised)] == [
        (59 * SECOND_US, "silent-device")
    ]
    hearing.observe(frame(60, 0x19FFE244))
    assert len(kept.frames) == 1


def test_nothing_to_catch_up_with(catalogue, kept):
    """Then nothing is shown."""
    hearing = Pipeline(Watch(catalogue), kept)
    hearing.is_shown = False
    hearing.show_present_state()
    assert kept.is_shown == []


def test_the_end_is_shown_and_handed_on(catalogue, kept):
    """Sink and recorder are flushed behind the last words."""
    hearing = Pipeline(Watch(catalogue), kept, kept)
    hearing.finish(5 * SECOND_US)
    assert (kept.ended, kept.flushed) == ([5 * SECOND_US], 2)

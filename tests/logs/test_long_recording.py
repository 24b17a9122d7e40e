"""Recordings of many files, and disks that must not become full."""

import json
from contextlib import suppress
from datetime import UTC, datetime

import pytest

from rvsim.errors import BusError, InputError
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.long_recording import CHECK_NS, MAX_ENTRY_BYTES, MIN_FREE_BYTES, LongRecording
from rvsim.logs.read import open_log
from rvsim.logs.record import RECORDING_SUFFIXES, Recorder
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ErrorFrame, ListeningResumed

STARTED = datetime(2026, 11, 30, 23, 59, 30, tzinfo=UTC)
START = start_line(command="listen", started=STARTED.isoformat())


def frame_at(seconds):
    """Return a frame."""
    return Frame(round(seconds * SECOND_US), 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))


class Disk:
    """A disk with so much free, and a clock."""

    def __init__(self):
        self.free, self.ns = 10 * MIN_FREE_BYTES, 0

    def free_bytes(self, path):
        """Whatever the file."""
        return self.free

    def clock(self):
        """Nanoseconds."""
        return self.ns


@pytest.fixture
def disk():
    """A disk."""
    return Disk()


@pytest.fixture
def record(tmp_path, catalogue, disk):
    """Open a recording; ``said`` are its lines."""
    said = []

    def open_it(name="x.jsonl", **limits):
        def make(path, *, new):
            return Recorder(path, catalogue, start=START, channel="can0", sent=False, new=new, clock=disk.clock)

        opened = LongRecording(
            tmp_path / name,
            make,
            started=STARTED,
            say=said.append,
            free_bytes=disk.free_bytes,
            clock=disk.clock,
            **limits,
        )
        opened.said = said  # type: ignore[attr-defined]
        return opened

    return open_it


def frames_of(path):
    """Return the frames of a log with their own times."""
    with open_log(path) as log:
        found = list(log.frames())
    first = log.statistics.first or 0
    return [frame.time + first for frame in found]


def test_without_limits_it_is_one_file(record, tmp_path):
    """With the name that was given."""
    with record() as recording:
        for second in range(100):
            recording.write(frame_at(second))
    assert recording.paths == [tmp_path / "x.jsonl"]
    assert len(frames_of(tmp_path / "x.jsonl")) == 100


def test_a_new_file_begins_after_each_period(record, tmp_path):
    """Named by the moment at which it was begun and a number; each is a log of its own with the date of the start."""
    with record(every_us=60 * SECOND_US) as recording:
        for second in (0, 59.999, 60, 61, 185, 200):
            recording.write(frame_at(second))
    names = [path.name for path in recording.paths]
    assert names == [
        "x-20261130T235930Z-0001.jsonl", "x-20261201T000030Z-0002.jsonl", "x-20261201T000235Z-0003.jsonl"
    ]  # fmt: skip
    assert [frames_of(path) for path in recording.paths] == [
        [0, 59_999_000],
        [60_000_000, 61_000_000],
        [185_000_000, 200_000_000],
    ]
    assert sorted(path.name for path in tmp_path.iterdir()) == names  # sorted by name is sorted by time
    with open_log(recording.paths[2]) as log:
        list(log.frames())
    assert log.statistics.started == round((STARTED.timestamp() + 185) * SECOND_US)


def test_periods_count_from_the_start(record):
    """After a pause of several periods the next file is due at the next of them, not a period after the first entry."""
    with record(every_us=60 * SECOND_US) as recording:
        for second in (0, 179, 181):
            recording.write(frame_at(second))
    assert [len(frames_of(path)) for path in recording.paths] == [1, 1, 1]


@pytest.mark.parametrize("suffix", RECORDING_SUFFIXES)
def test_no_file_is_larger_than_the_size_given(record, suffix):
    """In every format; nothing is lost between two files, and a full one is nearly full."""
    with record(f"x{suffix}", max_bytes=20_000) as recording:
        for number in range(4_000):
            recording.write(frame_at(number / 1000))
    sizes = [path.stat().st_size for path in recording.paths]
    assert len(sizes) > 2
    assert max(sizes) <= 20_000
    if suffix != ".blf":  # how much smaller it becomes is known only when it is packed
        assert min(sizes[:-1]) > 20_000 - 2 * MAX_ENTRY_BYTES
    assert sum(len(frames_of(path)) for path in recording.paths) == 4_000
    assert recording.paths == sorted(recording.paths)


def test_events_begin_files_too(record):
    """An error frame and a gap."""
    with record(every_us=60 * SECOND_US) as recording:
        recording.write_event(ErrorFrame(0))
        recording.write_event(ErrorFrame(61 * SECOND_US))
        recording.write_event(ListeningResumed(130 * SECOND_US, 70 * SECOND_US))
    assert len(recording.paths) == 3


def test_no_file_is_replaced(record, tmp_path):
    """Where a name is taken the next number is used; the file that was there stays."""
    taken = tmp_path / "x-20261130T235930Z-0001.jsonl"
    taken.write_text("mine")
    with record(every_us=60 * SECOND_US) as recording:
        recording.write(frame_at(0))
    assert [path.name for path in recording.paths] == ["x-20261130T235930Z-0002.jsonl"]
    assert taken.read_text() == "mine"


def test_a_quiet_bus_makes_no_files(record):
    """Flushed for hours without a frame there is one file, and it takes the first frame."""
    with record(every_us=60 * SECOND_US) as recording:
        for _ in range(100):
            recording.flush()
        recording.write(frame_at(3600))
        recording.write(frame_at(3601))
    assert [len(frames_of(path)) for path in recording.paths] == [2]


def test_a_run_that_fails_at_once_leaves_no_file(record, tmp_path):
    """As with one file."""
    with pytest.raises(BusError), record(every_us=60 * SECOND_US):
        raise BusError("could not be opened")
    assert list(tmp_path.iterdir()) == []


def test_the_recording_stops_where_the_disk_has_too_little_space(record, disk, tmp_path):
    """It is said once with figures; the file is whole; what comes later is not recorded and no error."""
    with record() as recording:
        recording.write(frame_at(0))
        disk.free = MIN_FREE_BYTES
        disk.ns += CHECK_NS
        recording.flush()
        recording.write(frame_at(1))
        assert not recording.has_stopped
        disk.free -= 1
        recording.flush()
        assert not recording.has_stopped  # it is looked at once a second
        disk.ns += CHECK_NS
        recording.flush()
        assert recording.has_stopped
        recording.write(frame_at(2))
        recording.write_event(ErrorFrame(3 * SECOND_US))
        recording.flush()
    (line,) = recording.said
    assert line.startswith(f"--record {tmp_path / 'x.jsonl'}: the recording stopped: 199 MB are free on its disk")
    assert "200 MB are kept free" in line
    assert frames_of(tmp_path / "x.jsonl") == [0, SECOND_US]


def test_a_disk_with_too_little_space_is_refused_at_the_start(record, disk, tmp_path):
    """One clear line, and no file."""
    disk.free = MIN_FREE_BYTES - 1
    with pytest.raises(InputError, match=r"^--record .*x\.jsonl: 199 MB are free on its disk, and 200 MB are"):
        record()
    assert list(tmp_path.iterdir()) == []


def test_the_disk_of_a_device_is_not_looked_at(record, disk, tmp_path):
    """It keeps nothing."""
    (tmp_path / "x.log").symlink_to("/dev/null")
    disk.free = 0
    with record("x.log") as recording:
        recording.write(frame_at(0))
        disk.ns += CHECK_NS
        recording.flush()
    assert not recording.has_stopped


@pytest.mark.parametrize(("every_us", "time"), [(None, 1), (60 * SECOND_US, 60)])
def test_a_folder_that_is_lost_is_told(record, tmp_path, every_us, time):
    """At the next flush, or when the next file is due."""
    (tmp_path / "away").mkdir()
    recording = record("away/x.jsonl", every_us=every_us)
    recording.write(frame_at(0))
    recording.flush()
    (tmp_path / "away").rename(tmp_path / "elsewhere")
    with pytest.raises(InputError, match="it was deleted or moved away"):
        (recording.flush if every_us is None else lambda: recording.write(frame_at(time)))()
    with suppress(InputError):  # told already
        recording.__exit__(None, None, None)


def test_free_space_that_cannot_be_read_stops_nothing(record, disk):
    """Some systems do not tell it."""

    def fail(path):
        raise OSError(38, "not implemented")

    disk.free_bytes = fail
    with record() as recording:
        recording.write(frame_at(0))
        disk.ns += CHECK_NS
        recording.flush()
    assert not recording.has_stopped


def test_every_file_begins_like_a_recording(record):
    """JSON lines have their first line in each."""
    with record(every_us=60 * SECOND_US) as recording:
        recording.write(frame_at(0))
        recording.write(frame_at(60))
    for path in recording.paths:
        assert json.loads(path.read_text().splitlines()[0])["command"] == "listen"

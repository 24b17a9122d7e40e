"""Logs that are still being written: up to where they were read, and what is no damage."""

import gzip
import os
import random

import can
import pytest

from rvsim.logs.read import ReadUpTo, open_log

rng = random.Random(9)
LINES = [f"({n}.000000) can0 19FFE45E#{rng.getrandbits(64):016X}\n".encode() for n in range(9000)]
"""More than is read at once, packed too."""
COUNT = len(LINES)
LONG_AGO = 1_700_000_000


@pytest.fixture
def path(tmp_path):
    """A log that was written long ago."""
    found = tmp_path / "x.log"
    found.write_bytes(b"".join(LINES))
    os.utime(found, (LONG_AGO, LONG_AGO))
    return found


@pytest.fixture(params=["frames", "blocks"])
def read_while_growing(request):
    """Read a log, in frames or in blocks, to which something is added after it was opened."""

    def read(path, added):
        with open_log(path) as log:
            with path.open("ab") as file:
                file.write(added)
            if request.param == "blocks":
                return sum(len(block.frames) for _, block in log.blocks()), log
            return sum(1 for _ in log.frames()), log

    return read


def test_a_log_that_nobody_writes_has_no_such_end(path):
    """Also with half a line at its end, which is damage then."""
    with open_log(path) as log:
        assert (len(list(log.frames())), log.read_up_to, log.statistics.unreadable_count) == (COUNT, None, 0)
    path.write_bytes(b"".join(LINES) + LINES[0][:20])
    os.utime(path, (LONG_AGO, LONG_AGO))
    with open_log(path) as log:
        assert (len(list(log.frames())), log.read_up_to, log.statistics.unreadable_count) == (COUNT, None, 1)


@pytest.mark.parametrize("half", [b"", LINES[0][:20], LINES[0][:-1], LINES[0][:-5]])
def test_a_log_that_grows_meanwhile_is_read_up_to_the_last_whole_line(path, half, read_while_growing):
    """What was added is read, half a line is neither a frame nor damage."""
    count, log = read_while_growing(path, b"(9000.5) can0 19FFE45E#01\n" + half)
    assert count == COUNT + 1
    assert log.read_up_to == ReadUpTo(9_000_500_000, path.stat().st_size - len(half), is_certain=True)
    assert log.statistics.unreadable_count == 0


def test_half_a_line_in_a_file_that_was_just_written(path):
    """It is not certain that the file grows; a whole frame without a line end is a frame."""
    path.write_bytes(b"".join(LINES) + LINES[0][:20])
    with open_log(path) as log:
        assert len(list(log.frames())) == COUNT
        assert log.read_up_to == ReadUpTo(8_999_000_000, len(b"".join(LINES)), is_certain=False)
        assert log.statistics.unreadable_count == 0
    path.write_bytes(b"".join(LINES)[:-1])
    with open_log(path) as log:
        assert (len(list(log.frames())), log.read_up_to) == (COUNT, None)


def test_a_line_that_is_damaged_elsewhere_is_damage_in_any_case(path, read_while_growing):
    """Only the last line may be incomplete."""
    count, log = read_while_growing(path, b"hello\n" + LINES[0][:20])
    assert (count, log.statistics.unreadable_count) == (COUNT, 1)


def test_a_packed_log_that_grows_is_not_cut_off(path, read_while_growing):
    """Its stream has no end yet; in a file that nobody writes that is a cut."""
    packed = gzip.compress(b"".join(LINES))
    path.write_bytes(packed[:-20])
    with open_log(path) as log:
        frames = sum(1 for _ in log.frames())
        assert [why for _, why in log.statistics.unreadable] == ["the gzip file is cut off"]
    count, log = read_while_growing(path, packed[-20:-10])
    assert count >= frames
    assert (log.statistics.unreadable_count, log.read_up_to.byte) == (0, len(packed) - 10)


def test_half_a_line_in_a_packed_log_is_damage(path):
    """The archive of a mail was saved just now, and what is in it was written before."""
    path.write_bytes(gzip.compress(b"".join(LINES) + LINES[0][:20]))
    with open_log(path) as log:
        assert (len(list(log.frames())), log.read_up_to, log.statistics.unreadable_count) == (COUNT, None, 1)


def test_a_binary_log_that_grows_is_not_damaged(path, read_while_growing):
    """Its last container is incomplete."""
    with can.BLFWriter(path) as writer:
        for n in range(20_000):
            writer.on_message_received(can.Message(timestamp=n / 1000, arbitration_id=0x19FFE45E, data=n.to_bytes(8)))
    content = path.read_bytes()
    path.write_bytes(content[:-3000])
    os.utime(path, (LONG_AGO, LONG_AGO))
    with open_log(path) as log:
        assert sum(1 for _ in log.frames()) > 10_000
        assert log.statistics.unreadable_count == 2
    count, log = read_while_growing(path, content[-3000:-1000])
    assert count > 10_000
    assert (log.statistics.unreadable_count, log.read_up_to.is_certain) == (0, True)


def test_a_pipe_does_not_grow():
    """Half a line at its end is damage."""
    out, into = os.pipe()
    with os.fdopen(into, "wb") as writer:
        writer.write(LINES[0] + LINES[1][:20])
    with os.fdopen(out, "rb") as reader, open_log(reader) as log:
        assert len(list(log.frames())) == 1
        assert (log.read_up_to, log.statistics.unreadable_count) == (None, 1)

"""The bytes of a log: pipes, gzip, line ends, what stops the reading."""

import gzip
import io
import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.read import open_log
from rvsim.logs.read_source import LONGEST_LINE, lines

LINES = [f"({i}.000000) can0 19FFE45E#0102030405060708\n".encode() for i in range(2000)]


def read(file):
    """Return the frames and the statistics of a file."""
    with open_log(file) as log:
        return list(log.frames()), log.statistics


class Halting(io.BytesIO):
    """A file whose second block cannot be read; it has no other way to read."""

    def __init__(self, content, error):
        super().__init__(content)
        self.error = error

    def read1(self, size=-1):
        """Return all that is there, then fail."""
        content = super().read1()
        if not content:
            raise self.error
        return content


@pytest.mark.parametrize(
    ("error", "why"),
    [(OSError(5, "Input/output error"), "Input/output error"), (ValueError("closed"), "closed")],
)
def test_a_failing_disk_ends_the_log_and_is_told(error, why):
    """What came before is given, and the reason stands behind the last line."""
    frames, statistics = read(Halting(b"".join(LINES[:3]), error))
    assert len(frames) == 3
    assert statistics.unreadable == ((4, f"reading stopped ({why})"),)


def test_a_pipe_is_read_as_it_comes():
    """Standard input has no name and cannot go back; a line is given before the pipe is closed."""
    out, into = os.pipe()
    with os.fdopen(into, "wb", buffering=0) as writer, os.fdopen(out, "rb") as reader:
        writer.write(LINES[0])
        log = open_log(reader)
        assert (log.kind, log.name) == ("candump text", "-")
        assert next(log.frames()).identifier == 0x19FFE45E
        assert not reader.closed


def test_a_file_of_the_caller_stays_open():
    """Only what was opened here is closed here."""
    file = io.BytesIO(LINES[0])
    read(file)
    assert not file.closed


@given(cut=st.integers(20, 2000))
def test_a_gzip_file_that_is_cut_off_gives_what_it_holds(cut):
    """Frames up to the cut come out, and the cut is told."""
    packed = gzip.compress(b"".join(LINES), mtime=0)
    frames, statistics = read(io.BytesIO(packed[: len(packed) - cut]))
    assert [frame.time for frame in frames] == [i * 1_000_000 for i in range(len(frames))]
    assert statistics.unreadable[-1][1] == "the gzip file is cut off"


def test_a_damaged_gzip_file_is_told():
    """A checksum that does not match says that frames may be wrong."""
    packed = bytearray(gzip.compress(b"".join(LINES[:5]), mtime=0))
    packed[-8] ^= 1
    frames, statistics = read(io.BytesIO(packed))
    assert len(frames) == 5
    assert statistics.unreadable == ((6, "the gzip file is damaged: what was read shortly before may be wrong"),)


def test_gzip_streams_that_follow_each_other_are_one_log():
    """A file that was appended to, and filled up with zeros, is read to its end."""
    packed = gzip.compress(LINES[0]) + gzip.compress(b"".join(LINES[1:4])) + bytes(512)
    frames, statistics = read(io.BytesIO(packed))
    assert (len(frames), statistics.unreadable) == (4, ())


@given(st.binary(max_size=200), st.integers(1, 20))
def test_lines_are_those_of_the_whole_text(content, size):
    """Wherever the blocks are cut, the lines are the same, each with its end."""
    blocks = iter([content[i : i + size] for i in range(0, len(content), size)])
    assert list(lines(blocks)) == io.BytesIO(content.removeprefix(b"\xef\xbb\xbf")).readlines() or size < 3


def test_a_line_without_end_is_shortened():
    """Rubbish without line ends does not pile up, and the line behind it is whole."""
    found = list(lines(iter([b"x" * LONGEST_LINE] * 50 + [b"\nnext\n"])))
    assert [line[-5:] for line in found] == [b"xxxx\n", b"next\n"]
    assert LONGEST_LINE < len(found[0]) < 3 * LONGEST_LINE


def test_an_overlong_line_is_told():
    """A line longer than any format writes is unreadable even if it would fit the format."""
    long = b"(1.000000) can0 " + b" " * LONGEST_LINE + b"19FFE45E#0102030405060708\n"
    frames, statistics = read(io.BytesIO(LINES[0] + long + LINES[2]))
    assert (len(frames), statistics.unreadable) == (2, ((2, "a line of more than 65536 bytes"),))

"""The bytes of a log: pipes, gzip, line ends, what stops the reading."""

import gzip
import io
import os
from typing import Any

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.logs.formats.source import MAX_LINE_BYTES, lines, with_line_feeds
from rvsim.logs.read import open_log

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
    assert statistics.unreadable == ((len(frames) + 1, "the gzip file is cut off"),)


@pytest.mark.parametrize("half", [b"(2.0) can0 19FFE45E#0", b"(2.0) can0 19FFE45E#01", b"(2.0) can"])
@pytest.mark.parametrize("error", [None, OSError(5, "Input/output error")])
def test_half_a_line_at_the_end_of_what_could_be_read_is_one_damage(half, error):
    """It is no frame, though it may look like a shorter one, and it is not told apart from the cut."""
    content = b"".join(LINES[:2]) + half
    file = Halting(content, error) if error else io.BytesIO(gzip.compress(content)[:-8])
    frames, statistics = read(file)
    assert [frame.time for frame in frames] == [0, 1_000_000]
    why = "reading stopped (Input/output error)" if error else "the gzip file is cut off"
    assert (statistics.unreadable_count, statistics.unreadable) == (1, ((3, why),))


def test_the_last_line_of_a_whole_file_may_have_no_end():
    """Where nothing stopped the reading it is a line like any other, and unreadable if it is none."""
    assert len(read(io.BytesIO(b"".join(LINES[:2])[:-1]))[0]) == 2
    frames, statistics = read(io.BytesIO(LINES[0] + b"(2.0) can"))
    assert (len(frames), statistics.unreadable) == (1, ((2, '"(2.0) can" is not a line of candump text'),))


def test_a_binary_log_that_is_cut_off_in_its_gzip_is_one_damage(tmp_path):
    """Its last container ends where the gzip does."""
    with can.BLFWriter(tmp_path / "x.blf") as writer:
        for n in range(20_000):
            more: dict[str, Any] = {"arbitration_id": 0x19FFE45E, "data": n.to_bytes(8)}
            if n >= 19_000:
                more = {"arbitration_id": 0x123, "is_extended_id": False}
            writer.on_message_received(can.Message(timestamp=n / 1000, **more))
    content = (tmp_path / "x.blf").read_bytes()
    packed = gzip.compress(content, mtime=0)
    frames, statistics = read(io.BytesIO(packed[: len(packed) // 2]))
    assert 0 < len(frames) < 20_000
    assert [why for _, why in statistics.unreadable] == ["the gzip file is cut off"]
    # whole but for its checksum: every object counts, also those that are no frames
    wrong_sum = bytearray(packed)
    wrong_sum[-8] ^= 1
    _, damaged = read(io.BytesIO(wrong_sum))
    _, whole = read(io.BytesIO(content))
    assert (damaged.frames, damaged.skipped) == (whole.frames, whole.skipped) == (19_000, {"11-bit": 1000})


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b""])
def test_a_line_is_shown_without_its_end(end):
    """What ends a line is not a part of it."""
    _, statistics = read(io.BytesIO(LINES[0] + b"hello world" + end))
    assert statistics.unreadable == ((2, '"hello world" is not a line of candump text'),)


def test_a_damaged_gzip_file_is_told():
    """A checksum that does not match says that frames may be wrong."""
    packed = bytearray(gzip.compress(b"".join(LINES[:5]), mtime=0))
    packed[-8] ^= 1
    frames, statistics = read(io.BytesIO(packed))
    assert len(frames) == 5
    assert statistics.unreadable == ((6, "the gzip file is damaged: the entries shortly before may be wrong"),)


def test_lines_of_a_damaged_gzip_file_are_counted_as_ever():
    """What is no frame, and what is no line at all."""
    packed = bytearray(gzip.compress(LINES[0] + b"hello\n(1.0) can0 123#00\n"))
    packed[-8] ^= 1
    _, statistics = read(io.BytesIO(packed))
    assert (statistics.frames, statistics.skipped) == (1, {"11-bit": 1})
    assert [place for place, _ in statistics.unreadable] == [2, 4]


def test_gzip_streams_that_follow_each_other_are_one_log():
    """A file that was appended to, and filled up with zeros, is read to its end."""
    packed = gzip.compress(LINES[0]) + gzip.compress(b"".join(LINES[1:4])) + bytes(512)
    frames, statistics = read(io.BytesIO(packed))
    assert (len(frames), statistics.unreadable) == (4, ())


@given(size=st.integers(1, 200), packed=st.booleans())
def test_lines_may_end_in_carriage_returns_alone(size, packed):
    """The frames are the same wherever the blocks are cut, also for the recognition of the format."""
    content = b"".join(LINES[:20]).replace(b"\n", b"\r")

    class Slow(io.BytesIO):
        def read1(self, _size=-1):
            return super().read1(size)

    frames, statistics = read(Slow(gzip.compress(content) if packed else content))
    assert frames == read(io.BytesIO(b"".join(LINES[:20])))[0]
    assert (statistics.unreadable_count, statistics.frames) == (0, 20)


def test_one_line_that_ends_in_a_carriage_return():
    """It is complete: a short frame in it is believed."""
    frames, _ = read(io.BytesIO(b"(1.0) can0 19FFE45E#01\r"))
    assert [frame.data for frame in frames] == [b"\1"]


@given(st.lists(st.binary(max_size=30), max_size=20))
def test_line_feeds_are_left_as_they_are(blocks):
    """Text with line feeds in its first block stays byte for byte."""
    given_back = list(with_line_feeds(iter([b"x\n", *blocks])))
    assert b"".join(given_back) == b"x\n" + b"".join(blocks)


def test_a_text_without_line_ends_does_not_pile_up():
    """The search for a line end stops where no line is so long."""
    found = with_line_feeds(iter([b"x" * MAX_LINE_BYTES] * 50))
    assert max(map(len, found)) <= 2 * MAX_LINE_BYTES


@given(st.binary(max_size=200), st.integers(1, 20))
def test_lines_are_those_of_the_whole_text(content, size):
    """Wherever the blocks are cut, the lines are the same, each with its end."""
    blocks = iter([content[i : i + size] for i in range(0, len(content), size)])
    assert list(lines(blocks)) == io.BytesIO(content.removeprefix(b"\xef\xbb\xbf")).readlines() or size < 3


def test_a_line_without_end_is_shortened():
    """Rubbish without line ends does not pile up, and the line behind it is whole."""
    found = list(lines(iter([b"x" * MAX_LINE_BYTES] * 50 + [b"\nnext\n"])))
    assert [line[-5:] for line in found] == [b"xxxx\n", b"next\n"]
    assert MAX_LINE_BYTES < len(found[0]) < 3 * MAX_LINE_BYTES


def test_an_overlong_line_is_told():
    """A line longer than any format writes is unreadable even if it would fit the format."""
    long = b"(1.000000) can0 " + b" " * MAX_LINE_BYTES + b"19FFE45E#0102030405060708\n"
    frames, statistics = read(io.BytesIO(LINES[0] + long + LINES[2]))
    assert (len(frames), statistics.unreadable) == (2, ((2, "a line of more than 65536 bytes"),))


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("packed", [False, True])
def test_what_a_shell_redirected_is_read(encoding, end, packed):
    """PowerShell's `>` writes UTF-16 with a byte order mark; gzip may be around it."""
    text = b"".join(LINES).decode().replace("\n", end)
    content = ("\ufeff" + text).encode(encoding)
    with open_log(io.BytesIO(gzip.compress(content) if packed else content)) as log:
        assert log.kind == "candump text" + (", gzip" if packed else "") + ", UTF-16"
        frames = list(log.frames())
        assert log.statistics.unreadable_count == 0
    assert frames == read(io.BytesIO(b"".join(LINES)))[0]


def test_utf16_with_damage_is_read_on():
    """An odd byte at the end and half a sign in the middle cost their lines and no more."""
    spoilt = LINES[1].decode().replace("can0", "can\ud800") + LINES[2].decode()
    content = ("\ufeff" + LINES[0].decode() + spoilt).encode("utf-16-le", "surrogatepass") + b"("
    frames, statistics = read(io.BytesIO(content))
    assert [frame.time for frame in frames] == [0, 1_000_000, 2_000_000]
    assert statistics.unreadable_count == 1


@pytest.mark.parametrize("content", [b"", b"\xff", b"\xff\xfe", b"\xfe\xff"])
def test_a_mark_and_nothing_behind_it(content):
    """There is nothing in it, or it is no log."""
    if content == b"\xff":
        with pytest.raises(InputError):
            open_log(io.BytesIO(content))
    else:
        assert read(io.BytesIO(content))[0] == []

"""What an adapter with the slcan protocol writes: frames, times, answers to commands, damage."""

import io
from types import SimpleNamespace
from typing import Any

import can
import pytest
from can.interfaces import slcan
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import OtherFrame
from rvsim.wire.timing import standard_bits

LINE = b"T19FFE45E80102030405060708\r"


def read(content):
    """Return the frames and the statistics of a log."""
    with open_log(io.BytesIO(content)) as log:
        assert log.kind == "slcan text"
        return list(log.frames()), log.statistics


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_frames_and_answers(end):
    """Frames of all kinds; what the adapter answers is passed over, also in front of a frame."""
    lines = [b"V1013", b"NA123", b"\x07", b"z", LINE[:-1], b"\x07T19FFE45E1AA", b"Zt7DF1FF", b"t7df1FF", b"T19FFE45E0",
             b"r7DF8", b"R19FFE45E0", b"d12391" + b"00" * 12, b"B19FFE45E9" + b"00" * 12, b"O", b"F00"]  # fmt: skip
    frames, found = read(end.join(lines) + end)
    assert [frame.data for frame in frames] == [bytes(range(1, 9)), b"\xaa", b""]
    assert found.skipped == {"11-bit": 2, "remote": 2, "FD": 2}
    assert (found.untimed, found.unreadable) == (3, ())


def test_the_adapters_times_count_to_a_minute():
    """Four digits behind the data are milliseconds, which start again after 59,999."""
    stamps = (b"0000", b"03E8", b"03E8", b"EA5F", b"0000", b"0001", b"0000")
    frames, found = read(b"".join(b"T19FFE45E1AA%s\r" % stamp for stamp in stamps))
    assert [frame.time for frame in frames] == [
        0,
        1_000_000,
        1_000_000,
        59_999_000,
        60_000_000,
        60_001_000,
        120_000_000,
    ]
    assert (found.untimed, found.steps_back) == (0, 0)


def test_how_many_bits_an_11_bit_frame_takes():
    """It counts in the bus load."""
    with open_log(io.BytesIO(LINE + b"t7DF1FF\r")) as log:
        assert [entry.bits for _, entry in log.by_channel() if isinstance(entry, OtherFrame)] == [
            standard_bits(0x7DF, b"\xff")
        ]


@pytest.mark.parametrize(
    ("first", "second", "between"),
    [(b"(1436509053.650713) ", b"(1436509053.650714) ", 1), (b"1.5 ", b"2.5\t", 1_000_000),
     (b"[12:00:00.5] ", b"[12:00:01,500] ", 1_000_000),
     (b"2024-05-01 10:00:00.1; ", b"2024-05-01 10:00:00.2; ", 100_000),
     (b"-1.5: ", b"-1.0: ", 500_000)],
)  # fmt: skip
def test_a_time_in_front(first, second, between):
    """A terminal program puts it there: seconds, a date or a time of day; it wins over the adapter's."""
    frames, found = read(first + b"T19FFE45E1AA0001\n" + second + b"T19FFE45E1AA0009\n" + second + b"r1230\n")
    assert [frame.time for frame in frames] == [0, between]
    assert (found.untimed, found.skipped) == (0, {"remote": 1})


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"T19FFE45E2AA", "2 digits where the length is 2"),
        (b"T19FFE45E1AA00", "4 digits where the length is 1"),
        (b"T39FFE45E1AA", "identifier 39FFE45E does not fit in 29 bits"),
        (b"T19FFE45", '"T19FFE45" is not a line of slcan text'),
        (b"T19FFE45E9" + b"AA" * 9, '"T19FFE45E9AAAAAAAAAAAAAAAAAA" is not a line of slcan text'),
        (b"x T19FFE45E1AA", '"x T19FFE45E1AA" is not a line of slcan text'),
        (b"1.2.3 T19FFE45E1AA", '"1.2.3" is not a time'),
    ],
)
def test_a_damaged_line_is_told(line, why):
    """It is placed and explained."""
    frames, found = read(LINE + line + b"\r" + LINE)
    assert (len(frames), found.unreadable) == (2, ((2, why),))


@pytest.mark.parametrize("text", [b"tab00\n", b"t1230\n", b"team\n", b"deadbeef\n", b"T minus 10\n", b"r1230\n"])
def test_words_are_no_frames(text):
    """A text that begins like a frame without data is not taken for this format."""
    with pytest.raises(InputError, match="not a log of a known format"):
        read(text)


@given(st.lists(st.tuples(st.integers(0, 0x1FFFFFFF), st.binary(min_size=1, max_size=8)), min_size=1, max_size=10))
def test_what_python_can_sends_is_what_we_read(sent):
    """Its driver for this protocol and our reader agree on the text."""
    texts: list[str] = []
    adapter: Any = SimpleNamespace(_write=texts.append, serialPortOrig=SimpleNamespace(write_timeout=None))
    for identifier, data in sent:
        slcan.slcanBus.send(adapter, can.Message(arbitration_id=identifier, data=data))
    frames, _ = read("".join(f"{text}\r" for text in texts).encode())
    assert frames == [Frame(0, identifier, data) for identifier, data in sent]


@given(st.binary(max_size=60))
def test_no_line_breaks_the_reader(content):
    """Any line behind a frame is read, passed over or told."""
    frames, found = read(LINE + content.replace(b"\n", b"") + b"\r" + LINE)
    assert len(frames) >= 2 or found.unreadable_count

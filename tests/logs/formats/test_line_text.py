"""CandumpReader text, comma-separated values and our JSON lines: every shape of a line."""

import io
import json
import time
from datetime import datetime

import pytest

from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import JoinedMessage

EIGHT = bytes.fromhex("0102030405060708")
COLUMNS = b"timestamp,arbitration_id,extended,remote,error,dlc,data\n"
USUAL = b"(100.000000) can0 19FFE45E#0102030405060708\n"
STARTED = b'{"type": "start", "schema": 1, "started": "2026-11-24T10:00:00.000250+01:00"}\n'


def read(content):
    """Return the frames and the statistics of a log."""
    with open_log(io.BytesIO(content)) as log:
        return list(log.frames()), log.statistics


@pytest.fixture
def zone(monkeypatch):
    """Let this machine stand two hours east of Greenwich."""
    if not hasattr(time, "tzset"):
        pytest.skip("the time zone of this system cannot be set for a test")
    monkeypatch.setenv("TZ", "XXX-2")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("line", "identifier", "data"),
    [
        (b"(100.250000) can0 19FFE45E#0102030405060708\n", 0x19FFE45E, EIGHT),
        (b"(100.250000) can0 19FFE45E#0102030405060708 R\n", 0x19FFE45E, EIGHT),
        (b"(100.250000) can0 19FFE45E#0102030405060708 T\r\n", 0x19FFE45E, EIGHT),
        (b"(100.250000) can0 19ffe45e#d3b11b\n", 0x19FFE45E, b"\xd3\xb1\x1b"),
        (b"  (100.25)\tcan0  19FFE45E#D3B11B \t r \r\n", 0x19FFE45E, b"\xd3\xb1\x1b"),
        (b"(100.2500004) can0 19FFE45E#\n", 0x19FFE45E, b""),
        (b"(100.2499995) can0 19FFE45E#\n", 0x19FFE45E, b""),
        (b"(0100.250000) can0 9FE45E#00   \n", 0x009FE45E, b"\0"),
        (b"(100.250000) can0 0123#00\n", 0x123, b"\0"),
        (b"(100.250000) can0 19FFE45E#0102030405060708_F\n", 0x19FFE45E, EIGHT),
        (b"(100.250000) can0 19FFE45E#0102030405060708", 0x19FFE45E, EIGHT),
        (b"(100.250000) can0 19FFE45E#01 R", 0x19FFE45E, b"\1"),
        (b" (100.250000)  can0  19FFE45E   [8]  01 02 03 04 05 06 07 08\n", 0x19FFE45E, EIGHT),
        (b"(100.250000) can0 19ffe45e [3] d3 b1 1b", 0x19FFE45E, b"\xd3\xb1\x1b"),
        (b" (100.250000)  can0  19FFE45E   [0] \r\n", 0x19FFE45E, b""),
        (b" (100.250000)  can0  RX - -  19FFE45E   [2]  31 32   '12'\n", 0x19FFE45E, b"12"),
        (b" (100.250000)  can0  TX B E  19FFE45E   [2]  31 27   '1''\n", 0x19FFE45E, b"1'"),
    ],
)
def test_a_frame_of_candump_text(line, identifier, data):
    """Both forms, lower case, few bytes, blanks, line ends and suffixes are read."""
    frames, statistics = read(USUAL + line)
    assert frames == [Frame(0, 0x19FFE45E, EIGHT), Frame(250_000, identifier, data)]
    assert (statistics.skipped, statistics.unreadable, statistics.channels) == ({}, (), ("can0",))


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (b"(100.000001) can1 7FF#00\n", "11-bit"),
        (b"(100.000001) can1 7FF#R\n", "remote"),
        (b"(100.000001) can1 19FFE45E#R8 R\n", "remote"),
        (b"(100.000001) can1 19FFE45E#r8\n", "remote"),
        (b"(100.000001) can1 20000080#\n", "error"),
        (b"(100.000001) can1 20000004#0004000000000000\n", "error"),
        (b"(100.000001) can1 19FFE45E##1" + b"00" * 12 + b"\n", "FD"),
        (b"(100.000001) can1 123##0\n", "FD"),
        (b" (100.000001)  can1  7FF   [1]  00\n", "11-bit"),
        (b" (100.000001)  can1  19FFE45E   [0]  remote request\n", "remote"),
        (b" (100.000001)  can1  20000004   [8]  00 04 00 00 00 00 00 00   ERRORFRAME\n", "error"),
        (b" (100.000001)  can1  19FFE45E  [08]  01 02 03 04 05 06 07 08\n", "FD"),
    ],
)
def test_what_is_no_frame_of_candump_text(line, kind):
    """Other kinds of frames are counted, with their time and channel."""
    frames, statistics = read(line + USUAL.replace(b"100.000000", b"100.000003"))
    assert [frame.time for frame in frames] == [3 if line.lstrip().startswith(b"(100.000000)") else 2]
    assert (statistics.skipped, statistics.unreadable, statistics.channels) == ({kind: 1}, (), ("can1", "can0"))


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"(100.000000) can0 19FFE45E#010\n", "odd number of data digits (3)"),
        (b"(100.000000) can0 19FFE45E#01G2\n", 'data "01G2" is not hexadecimal'),
        (b"(100.000000) can0 7DF#010203040506070809\n", "9 data bytes, more than a classic frame holds"),
        (b"(100.000000) can0 40000000#01\n", "identifier 40000000 does not fit in 29 bits"),
        (b"(100.000000) can0 019FFE45E#01\n", 'identifier "019FFE45E" is not hexadecimal'),
        (b"(100.000000) can0 1_0#01\n", 'identifier "1_0" is not hexadecimal'),
        (b"(1e9x) can0 19FFE45E#01\n", '"1e9x" is not a time'),
        (b"(1e99) can0 19FFE45E#01\n", '"1e99" is too large to be a time'),
        (b"(9999999999999.000000) can0 19FFE45E#01\n", '"9999999999999.000000" is not a time'),
        (b"(2014-02-30 00:00:00.000000) can0 19FFE45E#01\n", '"2014-02-30 00:00:00.000000" is not a date'),
        (b"(100.000000) can0 19FFE45E#010203", "the last line has no line end: its frame may be cut off"),
        (b"(100.000000) can0 19FFE4", '"(100.000000) can0 19FFE4" is not a line of candump text'),
        (b"  can0  19FFE45E   [3]  01 02\n", "2 data bytes where the length is 3"),
        (b"  can0  19FFE45E   [2]  01 02 03\n", "3 data bytes where the length is 2"),
        (b"  can0  19FFE45E   [2]  01 2\n", "a data byte is not two digits"),
        (b"  can0  40000000   [1]  01\n", "identifier 40000000 does not fit in 29 bits"),
        (b"\xff\x07" + b"y" * 100 + b"\n", '"\\xff?' + "y" * 38 + '" is not a line of candump text'),
    ],
)
def test_what_cannot_be_read_of_candump_text(line, why):
    """A spoilt line costs itself, is placed and explained; a frame is never made up from a part of it."""
    frames, statistics = read(USUAL + b"\n# a remark\n" + line)
    assert frames == [Frame(0, 0x19FFE45E, EIGHT)]
    assert (statistics.unreadable, statistics.unreadable_count) == (((4, why),), 1)


def test_a_byte_order_mark_is_no_part_of_the_first_line():
    """Editors that put it there do no harm."""
    assert read(b"\xef\xbb\xbf" + USUAL) == read(USUAL)
    assert read(b"\xef\xbb\xbf" + USUAL.rstrip()) == read(USUAL)


def test_a_screen_text_without_times_says_so():
    """Frames are given at the time of the entry before them, and counted as untimed."""
    frames, statistics = read(b"  can0  19FFE45E   [0]\n" * 2)
    assert [frame.time for frame in frames] == [0, 0]
    assert (statistics.untimed, statistics.started, statistics.steps_back) == (2, None, 0)
    frames, statistics = read(USUAL + b"(101.0) can0 123#\n  can0  19FFE45E   [0]\n")
    assert ([frame.time for frame in frames], statistics.untimed) == ([0, 1_000_000], 1)


def test_local_dates_of_the_screen_text(zone):
    """A date is this machine's time."""
    frames, statistics = read(
        b" (2014-09-14 19:14:42.622188)  can0  19FFE45E   [0]\n (2014-09-14 19:14:43.000001)  can0  19FFE45E   [0]\n"
    )
    assert [frame.time for frame in frames] == [0, 377_813]
    assert statistics.started == 1_410_714_882_622_188  # 2014-09-14 17:14:42 UTC


@pytest.mark.parametrize(
    ("row", "frame"),
    [
        (b"1483389946.197,0x18EEFF5E,1,0,0,6,WzQyLCA5XQ==\r\n", None),
        (b"1e-05,0xdadada,1,0,0,7,WzQyLCA5XQ==\n", Frame(0, 0xDADADA, b"[42, 9]")),
        (b"1.0000005,dadada,1,0,0,0,\n", Frame(0, 0xDADADA, b"")),
        (b"0.30000000000000004,0x0,1,0,0,1,AA==\n", Frame(0, 0, b"\0")),
    ],
)
def test_a_row_of_comma_separated_values(row, frame):
    """The example of python-can's documentation has a wrong length; the others are frames, header or not."""
    assert read(COLUMNS + row)[0] == ([frame] if frame else [])
    assert not frame or read(row + COLUMNS)[0] == [frame]


@pytest.mark.parametrize(
    ("text", "first"),
    [
        (b"1e-05", 10),
        (b"1.0000005", 1_000_001),
        (b"0.30000000000000004", 300_000),
        (b"5", 5_000_000),
        (b"1.5E+1", 15_000_000),
        (b"0.09999999999999998", 100_000),
    ],
)
def test_times_as_python_writes_floats(text, first):
    """Exponents and seventeen digits come to the nearest microsecond."""
    assert read(COLUMNS + text + b",0x0,1,0,0,0,\n")[1].first == first


@pytest.mark.parametrize(
    ("row", "kind"),
    [
        (b"5.0,0x7ff,0,0,0,1,AA==", "11-bit"),
        (b"5.0,0x7ff,1,1,0,4,", "remote"),
        (b"5.0,0x7ff,1,0,1,0,", "error"),
        (b"5.0,0x7ff,1,0,0,12,AAAAAAAAAAAAAAAA", "FD"),
    ],
)
def test_what_is_no_frame_in_a_row(row, kind):
    """Other kinds of frames are counted."""
    assert read(COLUMNS + row)[1].skipped == {kind: 1}
    assert read(COLUMNS + row)[1].first == 5_000_000


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (b"5.0,0x20000000,1,0,0,0,", "identifier 20000000 does not fit in 29 bits"),
        (b"5.0,0x1,1,0,0,2,AA==", "1 data bytes where the length is 2"),
        (b"5.0,0x1,1,0,0,1,AA=", 'data "AA=" is not in base 64'),
        (b"x,0x1,1,0,0,1,AA==", '"x" is not a time'),
        (b"5.0,0x1,1,0,0,1", '"5.0,0x1,1,0,0,1" does not have the seven columns'),
    ],
)
def test_what_cannot_be_read_in_a_row(row, why):
    """A spoilt row is placed and explained."""
    assert read(COLUMNS + row)[1].unreadable == ((2, why),)


def line(**parts):
    """Return one JSON line."""
    return json.dumps(parts).encode() + b"\n"


def test_json_lines_count_from_their_start():
    """The start line dates the frames; what else is said is passed over."""
    frame = b'{"t": 2.000001, "type": "frame", "identifier": "19FFE45E", "bytes": "01", "channel": "b\xc3\xbcs"}\n'
    reading = b'{"t": 1.000000, "type": "reading", "value": 1}\n'
    frames, statistics = read(STARTED + reading + b"\n" + frame + frame.replace(b"2.000001", b"3"))
    assert frames == [Frame(0, 0x19FFE45E, b"\1"), Frame(999_999, 0x19FFE45E, b"\1")]
    start = datetime.fromisoformat("2026-11-24T09:00:00+00:00")
    assert statistics.started == int(start.timestamp()) * 1_000_000 + 250 + 2_000_001
    assert (statistics.channels, statistics.unreadable, statistics.skipped) == (("büs",), (), {})


@pytest.mark.parametrize("started", [None, 5, "soon", "0001-01-01T00:00:00+23:59"])
def test_json_lines_of_virtual_time_have_no_start(started):
    """Without a date on top only the times between the frames are known."""
    frame = line(t=2.5, type="frame", identifier="19FFE45E", bytes="")
    assert read(line(type="start", started=started) + frame)[1].started is None


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b'{"t": 1.0, "type": "fra', '"{"t": 1.0, "type": "fra" is not a JSON object with a type'),
        (b'{"t": 1.0}', '"{"t": 1.0}" is not a JSON object with a type'),
        (b"[1]", '"[1]" is not a JSON object with a type'),
        (b"5\xff", '"5\\xff" is not a JSON object with a type'),
        (b"[" * 60_000, '"' + "[" * 40 + '" is not a JSON object with a type'),
        (line(t=True, type="frame", identifier="1", bytes=""), '"True" is not a time'),
        (line(t=1, type="frame", identifier="1"), "a frame without its time, identifier or bytes"),
        (line(t=1, type="frame", identifier=None, bytes=""), "a frame without its time, identifier or bytes"),
        (line(type="frame", identifier="1", bytes=""), "a frame without its time, identifier or bytes"),
        (line(t=1, type="frame", identifier="20000000", bytes=""), "identifier 20000000 does not fit in 29 bits"),
        (line(t=1, type="frame", identifier="1", bytes="0"), "odd number of data digits (1)"),
    ],
)
def test_what_cannot_be_read_of_json_lines(text, why):
    """A spoilt line is placed and explained."""
    assert read(STARTED + text)[1].unreadable == ((2, why),)


def test_a_channel_that_no_text_can_hold_is_shown():
    """Half a character in a name stops nothing."""
    text = b'{"t": 1, "type": "frame", "identifier": "1", "bytes": "", "channel": "\\ud800"}\n'
    assert read(STARTED + text)[1].channels == ("?",)


def test_more_than_eight_bytes_are_a_long_message():
    """With 29 bits, in candump text and in our JSON lines: the writer has joined its packets."""
    data = bytes(range(14))
    candump = f"(1.0) can0 18FECA11#{data.hex()}\n(1.5) can0 7DF#{data.hex()}\n(2.0) can0 18FECA11#{'AB' * 1786}\n"
    ours = f'{{"t": 1.0, "type": "frame", "identifier": "18FECA11", "bytes": "{data.hex()}", "channel": "can0"}}\n'
    for text, unreadable in ((candump, [2, 3]), (ours, [])):
        with open_log(io.BytesIO(text.encode())) as log:
            joined = [entry for _, entry in log.by_channel() if isinstance(entry, JoinedMessage)]
            assert joined == [JoinedMessage(0, 0x18FECA11, data)]
            assert [place for place, _ in log.statistics.unreadable] == unreadable
            assert (log.statistics.joined, log.statistics.frames, log.statistics.untimed) == (1, 0, 0)

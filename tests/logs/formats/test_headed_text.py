"""Text logs with a head (.asc and .trc): every shape of a line, dates, versions."""

import io
import time
from datetime import UTC, datetime

import can
import pytest

from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import JoinedMessage

HEAD = b"date Sun Sep 14 19:14:42.622 2014\nbase hex  timestamps absolute\ninternal events logged\n"
FRAME = b"  1.000000 1  19FFE45Ex      Rx   d 3 D3 B1 1B\n"
VERSION_2 = b";$FILEVERSION=2.1\r\n;$STARTTIME=41896.5\r\n;$COLUMNS=N,O,T,B,I,d,R,L,D\r\n;\r\n"
VERSION_1_1 = b";$FILEVERSION=1.1\n;$STARTTIME=41896.5\n"


def read(content):
    """Return the frames and the statistics of a log."""
    with open_log(io.BytesIO(content)) as log:
        return list(log.frames()), log.statistics


@pytest.fixture(autouse=True)
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
    ("line", "data"),
    [
        (b"  1.500000 1  19FFE45Ex  Rx   d 3 D3 B1 1B\r\n", b"\xd3\xb1\x1b"),
        (b"1.5 1 19ffe45eX tx D 3 d3 b1 1b Length = 0 BitCount = 0 ID = 436200542x\n", b"\xd3\xb1\x1b"),
        (b"1.5 1 19FFE45Ex Rx d 0", b""),
        (b"1.5 1 19FFE45Ex Rx d f 01 02 03 04 05 06 07 08 09\n", bytes(range(1, 9))),
    ],
)
def test_a_frame_of_asc(line, data):
    """Lower case, remarks behind the data and length codes above eight are read."""
    frames, statistics = read(HEAD + FRAME + line)
    assert frames == [Frame(0, 0x19FFE45E, b"\xd3\xb1\x1b"), Frame(500_000, 0x19FFE45E, data)]
    assert (statistics.skipped, statistics.unreadable, statistics.channels) == ({}, (), ("1",))


@pytest.mark.parametrize(
    ("line", "kind", "channel"),
    [
        (b"0.5 2 7FF Rx d 1 00\n", "11-bit", "2"),
        (b"0.5 2 19FFE45Ex Rx r 8\n", "remote", "2"),
        (b"0.5 2 19FFE45Ex Rx r\n", "remote", "2"),
        (b"0.5 2 ErrorFrame\n", "error", "2"),
        (b"0.5 CANFD 2 Rx ErrorFrame 0 0\n", "error", "2"),
        (b"0.5 CANFD   2 Rx  19FFE45Ex   1 0 8 8 01 02 03 04 05 06 07 08 0 0 3000 0 0 0 0 0\n", "FD", "2"),
    ],
)
def test_what_is_no_frame_in_asc(line, kind, channel):
    """Other kinds of frames are counted, with their time and channel."""
    frames, statistics = read(HEAD + line + FRAME)
    assert [frame.time for frame in frames] == [500_000]
    assert (statistics.skipped, statistics.unreadable, statistics.channels) == ({kind: 1}, (), (channel, "1"))


@pytest.mark.parametrize(
    "line",
    [b"0.5 Start of measurement\n", b"0.5 1  Statistic: D 0 R 0\n", b"0.5 J1939TP FEE3p 6 0 0 - Rx d 1 A0\n", b"0.5\n"],
)
def test_events_of_asc_do_not_start_the_log(line):
    """What was noted beside the frames is counted and has no part in the times."""
    frames, statistics = read(HEAD + line + FRAME)
    assert ([frame.time for frame in frames], statistics.skipped, statistics.first) == ([0], {"event": 1}, 1_000_000)
    assert statistics.channels == ("1",)


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"1.5 1 19FFE45Ex Rx d 3 D3 B1\n", "2 data bytes where the length is 3"),
        (b"1.5 1 19FFE45Ex Rx d 2 D3 B\n", "a data byte is not two digits"),
        (b"1.5 1 19FFE45Ex Rx d\n", "a frame that is cut off before its length"),
        (b"1.5 1 19FFE45Ex Rx\n", "a frame that is neither d (data) nor r (remote)"),
        (b"1.5 1 19FFE45Ex Rx q 1 00\n", "a frame that is neither d (data) nor r (remote)"),
        (b"1.5 1 3FFFE45Ex Rx d 0\n", "identifier 3FFFE45E does not fit in 29 bits"),
        (b"1.5 1 1G0x Rx d 0\n", 'identifier "1G0" is not hexadecimal'),
        (b"hello\n", '"hello" is neither a frame nor a line of the head'),
    ],
)
def test_what_cannot_be_read_of_asc(line, why):
    """A spoilt line is placed and explained."""
    frames, statistics = read(HEAD + b"// remark\n\n" + FRAME + line + b"End TriggerBlock\n")
    assert (len(frames), statistics.unreadable) == (1, ((7, why),))


def test_decimal_numbers_of_asc():
    """The head can announce decimal identifiers and bytes."""
    frames, statistics = read(
        b"base DEC timestamps absolute\n1.0 1 436200542x Rx d 2 255 7\n1.5 1 99x Rx d 1 256\n1.5 1 9Ax Rx d 0\n"
        b"1.5 1 536870912x Rx d 0\n1.5 1 99x Rx d 2 1\n"
    )
    assert frames == [Frame(0, 0x19FFE45E, b"\xff\7")]
    assert [why for _, why in statistics.unreadable] == [
        "a data byte above 255", '"9A" is not a decimal number', "identifier 20000000 does not fit in 29 bits",
        "1 data bytes where the length is 2",
    ]  # fmt: skip


def test_relative_times_of_asc_count_from_the_line_before():
    """Each time is added up, also that of an event."""
    frames, _ = read(b"base hex timestamps relative\n" + FRAME + b"0.25 Log event\n" + FRAME + FRAME)
    assert [frame.time for frame in frames] == [0, 1_250_000, 2_250_000]


def test_steps_that_the_head_does_not_announce_are_added_up():
    """A head without the word relative, and times that are steps from line to line."""
    line = b"  0.0%02d000 1  436200542x      Rx   d 3 211 177 27\n"
    steps = b"".join(line % (0, 10, 30, 0, 20)[n % 5] for n in range(50))
    with open_log(io.BytesIO(b"base dec  no internal events logged\n" + steps)) as log:
        frames = list(log.frames())
    assert [frame.time for frame in frames[:6]] == [0, 10_000, 40_000, 40_000, 60_000, 60_000]
    assert log.are_times_summed
    assert frames[0].data == b"\xd3\xb1\x1b"


def test_times_before_the_trigger_are_read():
    """Both formats count from a trigger, and what came before it has times below zero."""
    frames, found = read(HEAD + FRAME.replace(b" 1.0", b"-1.5") + FRAME.replace(b"1.000000", b"-0.500000") + FRAME)
    assert [frame.time for frame in frames] == [0, 1_000_000, 2_500_000]
    assert (found.before_zero, found.started) == (0, 1_410_714_881_122_000)
    frames, _ = read(b"     1)      -2.5  19FFE45E  1  00\n     2)       1.5  19FFE45E  1  00\n")
    assert [frame.time for frame in frames] == [0, 4_000]


@pytest.mark.parametrize(
    ("head", "started"),
    [
        (b"date Sun Sep 14 19:14:42.622 2014\n", "2014-09-14T17:14:42.622"),
        (b"date Sun Sep 14 07:14:42.5 pm 2014\n", "2014-09-14T17:14:42.005"),
        (b"date Sun Sep 14 12:14:42.123456 AM 2014\n", "2014-09-13T22:14:42.123456"),
        (b"date Sun Sep 14 12:14:42 pm 2014\n", "2014-09-14T10:14:42"),
        ("date Son Mär 1 19:14:42 2015\n".encode(), "2015-03-01T17:14:42"),
        (b"date Die Dez 1 19:14:42 2015\n", "2015-12-01T17:14:42"),
        (b"date x y\nBegin Triggerblock Sun Sep 14 19:14:42.622 2014\n", "2014-09-14T17:14:42.622"),
        (HEAD + b"Begin Triggerblock Mon Sep 15 19:14:42.000 2014\n", "2014-09-15T17:14:42"),
        (HEAD + b"Begin Triggerblock\n", "2014-09-14T17:14:42.622"),
        (b"date 2014-09-14 19:14:42.622\n", "2014-09-14T17:14:42.622"),
        (b"date 14.09.2014 19:14:42,622\n", "2014-09-14T17:14:42.622"),
        (b"date Sep 14 19:14:42.622 2014\n", "2014-09-14T17:14:42.622"),
        (b"date Sun Sep 31 19:14:42.622 2014\n", None),
        (b"date Sun Foo 14 19:14:42.622 2014\n", None),
        (b"base hex\n", None),
    ],
)
def test_dates_of_asc(head, started):
    """English and German dates, both clocks, in this machine's time; the trigger's date wins."""
    told = read(head + FRAME.replace(b"1.000000", b"0.000000") + b"Begin Triggerblock Mon Sep 1 19:14:42 2014\n")[1]
    exact = started and round(datetime.fromisoformat(started).replace(tzinfo=UTC).timestamp() * 1e6)
    assert (told.started, told.unreadable) == (exact, ())


@pytest.mark.parametrize("at", [1_410_714_882.005, 1_410_714_882.95, 1_410_714_882.123])
def test_the_start_that_python_can_writes(tmp_path, at):
    """Its writer leaves out zeros behind the point; the millisecond is found all the same."""
    with can.ASCWriter(tmp_path / "x.asc") as writer:
        writer.on_message_received(can.Message(timestamp=at, arbitration_id=1))
    with open_log(tmp_path / "x.asc") as log:
        assert len(list(log.frames())) == 1
        assert log.statistics.started == round(at * 1e6)


@pytest.mark.parametrize(
    ("head", "line", "channel"),
    [
        (b"", b"     2)      1250.5  19FFE45E 3 D3 B1 1B\n", None),
        (b";$FILEVERSION=1.0\n", b"     2)      1250.5  19FFE45E 3 D3 B1 1B\n", None),
        (VERSION_1_1, b"     2)      1250.5  Rx     19FFE45E  3  D3 B1 1B \n", None),
        (b";$FILEVERSION=1.3\n", b"   2)  1250.5 7  Tx     19FFE45E -  3    D3 B1 1B\n", "7"),
        (VERSION_2, b"      2      1250.500 DT 7  19FFE45E Rx -  3    D3 B1 1B\r\n", "7"),
        (b";$FILEVERSION=2.0\n;$COLUMNS=N,O,T,I,d,l,D\n", b"2 1250.500 DT 19FFE45E Rx 3 D3 B1 1B\n", None),
    ],
)
def test_a_frame_of_every_version_of_trc(head, line, channel):
    """The columns are those of the version; milliseconds become microseconds, as python-can's reader has them."""
    frames, statistics = read(head + line.replace(b"1250.5", b"1000.0") + b";remark\n\n" + line)
    assert [frame for frame in frames if frame.time] == [Frame(250_500, 0x19FFE45E, b"\xd3\xb1\x1b")]
    assert (statistics.channels, statistics.unreadable) == ((channel,) if channel else (), ())
    if b"STARTTIME" in head or not head:  # its reader asks for a start
        (theirs,) = can.TRCReader(io.StringIO((head + line).decode()))
        assert (theirs.arbitration_id, theirs.data) == (frames[0].identifier, frames[0].data)


@pytest.mark.parametrize(
    ("head", "line", "kind"),
    [
        (VERSION_2, b"1 500.0 DT 1 07FF Rx - 1 00\n", "11-bit"),
        (VERSION_2, b"1 500.0 RR 1 19FFE45E Rx - 1\n", "remote"),
        (VERSION_2, b"1 500.0 FB 1 19FFE45E Rx - 9 00 00 00 00 00 00 00 00 00 00 00 00\n", "FD"),
        (VERSION_2, b"1 500.0 ER 1 - Rx - 5 04 00 02 00 00\n", "error"),
        (VERSION_1_1, b"1) 500.0 Rx 19FFE45E 4 RTR\n", "remote"),
        (VERSION_1_1, b"1) 500.0 Error 0008 4 00 19 08 08\n", "error"),
    ],
)
def test_what_is_no_frame_in_trc(head, line, kind):
    """Other kinds of frames are counted, with their time."""
    _, statistics = read(head + line)
    assert (statistics.skipped, statistics.unreadable, statistics.first) == ({kind: 1}, (), 500_000)


@pytest.mark.parametrize(
    ("head", "line"),
    [
        (VERSION_2, b"1 500.0 ST 1 - Rx - 4 00 00 00 00\n"),
        (VERSION_1_1, b"1) 500.0 Warng FFFFFFFF 4 00 00 00 08\n"),
        (b"", b"1) 500.0 FFFFFFFF 4 00 00 00 08\n"),
    ],
)
def test_events_of_trc_do_not_start_the_log(head, line):
    """States of the bus are counted and have no part in the times."""
    _, statistics = read(head + line)
    assert (statistics.skipped, statistics.first) == ({"event": 1}, None)


@pytest.mark.parametrize(
    ("head", "line", "why"),
    [
        (VERSION_2, b"1 500.0 DT 1 19FFE45E Rx\n", '"1 500.0 DT 1 19FFE45E Rx" is cut off'),
        (VERSION_2, b"1 500.0 DT 1 19FFE45E Rx - 2 00\n", "1 data bytes where the length is 2"),
        (VERSION_2, b"1 500.0 DT 1 19FFE45E Rx - x 00\n", '"x" is not a length'),
        (VERSION_2, b"1 500.0 DT 1 19FFE45E Rx - 008 00\n", '"008" is not a length'),
        (VERSION_2, b"1 500.0 DQ 1 19FFE45E Rx - 1 00\n", '"DQ" is not a known type of line'),
        (VERSION_2, b"1 5x0.0 DT 1 19FFE45E Rx - 1 00\n", '"5x0.0" is not a time'),
        (VERSION_2, b"1 500.0 DT 1 20000000 Rx - 1 00\n", "identifier 20000000 does not fit in 29 bits"),
        (VERSION_2, b"1 500.0 DT 1 2000000G Rx - 1 00\n", 'identifier "2000000G" is not hexadecimal'),
        (VERSION_2, b"x 500.0 DT 19FFE45E Rx", '"x 500.0 DT 19FFE45E Rx" does not start with a number'),
        (b";$FILEVERSION=1.2\n", b"1) 500.0 1 Rx 19FFE45E 1 00\n", "no columns are known for version 1.2"),
        (b";$FILEVERSION=2.1\n", b"1 500.0 DT 1 19FFE45E Rx - 1 00\n", "no columns are known for version 2.1"),
        (b";$FILEVERSION=2.1\n;$COLUMNS=N,O,T\n", b"1 500.0 DT\n", "no columns are known for version 2.1"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_of_trc(head, line, why):
    """A spoilt line is placed and explained."""
    frames, statistics = read(head + line)
    assert (frames, statistics.unreadable) == ([], ((head.count(b"\n") + 1, why),))


@pytest.mark.parametrize(("days", "started"), [(b"41896.5", 1_410_696_000_000_000), (b"x", None)])
def test_the_start_of_trc_is_in_days(days, started):
    """41896.5 days after 1899-12-30 is noon of 2014-09-14, taken as UTC as python-can does."""
    head = VERSION_1_1.replace(b"41896.5", days)
    assert read(head + b"1) 0.0 Rx 19FFE45E 0\n")[1].started == started
    assert started is None or datetime.fromtimestamp(started / 1e6, UTC) == datetime(2014, 9, 14, 12, tzinfo=UTC)


@pytest.mark.parametrize("length", [b"14", b"e", b"E"])
def test_more_than_eight_bytes_are_a_long_message(length):
    """As many as the length says, in hexadecimal or not; otherwise the length is a code, and means eight."""
    data = bytes(range(14))
    asc = HEAD + FRAME + b"1.5 1 18FECA11x Rx d %s %s  Length = 0\n" % (length, data.hex(" ").encode())
    trc = b";$FILEVERSION=1.1\n;$STARTTIME=41896.5\n 1) 1.0 Rx 18FECA11 %s %s\n" % (length, data.hex(" ").encode())
    for text, when in ((asc, 500_000), (trc, 0)):
        with open_log(io.BytesIO(text)) as log:
            joined = [entry for _, entry in log.by_channel() if isinstance(entry, JoinedMessage)]
            assert joined == [JoinedMessage(when, 0x18FECA11, data)]
            assert (log.statistics.joined, log.statistics.unreadable) == (1, ())


@pytest.mark.parametrize("line", [b"1.5 1 18FECA11x Rx d f " + b"AB " * 14, b"1.5 1 123 Rx d e " + b"AB " * 14])
def test_a_length_code_is_no_long_message(line):
    """Where the length is another number, and with an 11-bit identifier."""
    _, found = read(HEAD + FRAME + line + b"\n")
    assert (found.joined, found.unreadable_count, found.frames + found.skipped.get("11-bit", 0)) == (0, 0, 2)

"""Tables of frames: separators, heads, units, JSON lines; what does not fit, and what is proposed."""

import io
import json
import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.logs.formats.table_guess import guessed_mapping
from rvsim.logs.read import open_log
from rvsim.rig.column_mapping import parse_mapping
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import JoinedMessage, OtherFrame
from rvsim.wire.timing import standard_bits

TWO = [Frame(0, 0x19FFE45E, b"\1\2\3"), Frame(100_000, 0x19FFE45E, bytes(8))]


def read(text, columns):
    """Return the entries of a log that is read by a mapping, and its statistics."""
    content = text if isinstance(text, bytes) else text.encode()
    with open_log(io.BytesIO(content), "x", columns=parse_mapping(columns)) as log:
        entries = [entry for _, entry in log.by_channel() if type(entry).__name__ != "LogEnded"]
        assert log.kind.startswith("table of frames")
        return entries, log.statistics


def refusal(text, columns=None):
    """Return the lines that refuse a log."""
    with pytest.raises(InputError) as refused:
        open_log(io.BytesIO(text.encode()), "x", columns=None if columns is None else parse_mapping(columns))
    return refused.value.problems


@pytest.mark.parametrize(
    ("columns", "text"),
    [
        ("time=1,id=2,data=4", "0.5;19FFE45E;3;01 02 03\n0.6;19FFE45E;8;00 00 00 00 00 00 00 00\n"),
        ("time=1,id=2,data=4", "Zeit;ID;L;Daten\r\n0,5;19FFE45E;3;010203\r\n0,6;0x19FFE45E;8;0000000000000000\r\n"),
        ("time=1,id=2,data=4-", "0.5,19FFE45E,3,1,2,3\n0.6,19FFE45E,8,0,0,0,0,0,0,0,0\n"),
        ("time=1,id=2,data=3-10", "0.5,19FFE45E,1,2,3,,,,,,x\n0.6,19FFE45E,0,0,0,0,0,0,0,0,y\n"),
        ("time=1,id=2,data=4-", "0.5 19FFE45E 3 01 02 03\n0.6 19FFE45E 8 00 00 00 00 00 00 00 00\n"),
        ("time=1,id=2,length=3,data=4-", "0.5 19FFE45E 3 01 02 03 00 00\n0.6 19FFE45E 8 00 00 00 00 00 00 00 00\n"),
        ("time=1:ms,id=2:dec,data=3", "500\t436200542\t01-02-03\n600\t436200542x\t00-00-00-00-00-00-00-00\n"),
        ("time=1:us,id=2,data=3", '"500000","19FFE45Eh","01,02,03"\n"600000","19FFE45Ex","0,0,0,0,0,0,0,0"\n'),
        ("time=1:ns,id=2,data=3:dec", "500000000;19FF E45E;1 2 3\n600000000;99FFE45E;0 0 0 0 0 0 0 0\n"),
        ("time=1,id=2,data=3", '"0.5", "19FFE45E", "01 02 03"\n"0.6", "19FFE45E", "00 00 00 00 00 00 00 00"\n'),
        ("time=T,id=ID,data=D", "rubbish\n\nD;T;ID\n010203;0.5;19FFE45E\n0000000000000000;0.6;19FFE45E\n"),
        ("time=t,id=n,data=D0-D7", "t,n,D0,D1,D2,D3,D4,D5,D6,D7\n0.5,19FFE45E,1,2,3,-,-,-,-,-\n0.6,19FFE45E"+",0"*8),
        ("time=t,id=id,data=D0-", "t,id,D0,D1\n0.5,19FFE45E,1,2,3\n0.6,19FFE45E,0,0,0,0,0,0,0,0\n"),
        ("time=CAN-time,id=id,data=d-b", "CAN-time,id,d-b\n0.5,19FFE45E,010203\n0.6,19FFE45E,0000000000000000\n"),
        ("time=1,id=2,data=3,separator=comma", "0.5,19FFE45E,0x01 0x02 0x03;\n0.6,19FFE45E,0 0 0 0 0 0 0 0\n"),
        (
            "time=t,id=f.id,data=f.data",
            '{"t":0.5,"f":{"id":436200542,"data":[1,2,3]}}\n{"t":0.6,"f":{"id":"19FFE45E","data":"0000000000000000"}}\n',
        ),
        ("time=1,id=2,data=3", '["0.5",436200542,["01","02","03"]]\n[0.6,436200542,[0,0,0,0,0,0,0,0]]\n'),
        (
            "time=a.b,id=id,data=d",
            '{"a.b":0.5,"id":"0x19FFE45E","d":"01 02 03"}\n'
            '{"a.b":0.6,"id":"19FFE45E","d":"00 00 00 00 00 00 00 00"}\n',
        ),
    ],
)  # fmt: skip
def test_a_table_is_read_by_its_columns(columns, text):
    """Every separator, heads with and without names, the ways in which bytes and identifiers are written."""
    assert read(text, columns)[0] == TWO
    assert read(text, columns)[1].unreadable == ()


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        ("2024-05-01T10:00:00.250Z", 1_714_557_600.25),
        ("2024-05-01 10:00:00,250000 +02:00", 1_714_550_400.25),
        ("2024-05-01 10:00:00-0130", 1_714_563_000),
        ("01.05.2024 12:00:00.5", 1_714_557_600.5),
        ("2024/5/1 12:00:00", 1_714_557_600),
        ("1714557600.25", 1_714_557_600.25),
        ("(1714557600.2500005)", 1_714_557_600.250001),
        ("10:00:00.123456789", 36_000.123457),
        ("-1.5", -1.5),
        ("1.5e-3", 0.0015),
    ],
)
def test_times_and_dates(monkeypatch, written, seconds):
    """Absolute dates with and without a zone, times of day, numbers; those without a zone are of this machine's."""
    if not hasattr(time, "tzset"):
        pytest.skip("the time zone of this system cannot be set for a test")
    monkeypatch.setenv("TZ", "XXX-2")
    time.tzset()
    try:
        _, found = read(f"{written};19FFE45E;00\n", "time=1,id=2,data=3")
    finally:
        monkeypatch.undo()
        time.tzset()
    assert found.first == round(seconds * 1e6)


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("x;19FFE45E;00", '"x" is not a time'),
        (
            "03/04/2026 11:55:00 AM;19FFE45E;00",
            '"03/04/2026 11:55:00 AM": whether its day or its month comes first is not known; write dates as '
            "2026-03-04 11:55:00, without AM or PM",
        ),
        ("2024-13-01 10:00:00;19FFE45E;00", '"2024-13-01 10:00:00" is not a time'),
        ("1;19FFE45G;00", '"19FFE45G" is not an identifier (hex)'),
        ("1;;00", '"" is not an identifier (hex)'),
        ("1;3FFFE45E;00", "identifier 3FFFE45E does not fit in 29 bits"),
        ("1;19FFE45E;0", 'data "0" is not hexadecimal, or a digit is missing'),
        ("1;19FFE45E;0x 1", '"0x" is not a data byte (hex)'),
        ("1;19FFE45E;0 1 2G", '"2G" is not a data byte (hex)'),
        ("1;19FFE45E;0 1 100", '"100" is not a data byte (hex)'),
        ("1;19FFE45E", "there is no column 3: the line has 2"),
        ("hello", '"hello" has no columns'),
        ("1e30;19FFE45E;00", "a time that is too large to be one"),
        ("1;7DF;00 00 00 00 00 00 00 00 00", "9 data bytes with an 11-bit identifier"),
        ("1;19FFE45E;" + "00 " * 1786, "1786 data bytes, more than the 1785 of the longest message"),
        ('{"a": 1}', "there is no key 1"),
        ('{"a":', '"{"a":" is not JSON'),
    ],
)
def test_a_row_that_does_not_fit(row, why):
    """Behind the first frame it is placed and explained."""
    entries, found = read(f"0.5;19FFE45E;010203\n{row}\n0.6;19FFE45E;0000000000000000\n", "time=1,id=2,data=3")
    assert entries == TWO
    assert found.unreadable == ((2, why),)


def test_columns_that_are_several_or_have_a_length():
    """A byte that is missing between others, a length that is none, and too few bytes."""
    rows = "1;19FFE45E;3;1;2;3\n1;19FFE45E;3;1;;3\n1;19FFE45E;x;1;2\n1;19FFE45E;9;1;2\n1;19FFE45E;0;;\n1;19FFE45E;0\n"
    entries, found = read(rows, "time=1,id=2,length=3,data=4-6")
    assert [entry.data for entry in entries] == [b"\1\2\3", b"", b""]
    assert [why for _, why in found.unreadable] == [
        "a data byte is missing between others", '"x" is not a length', "2 data bytes where the length is 9"
    ]  # fmt: skip


def test_what_is_no_frame_with_29_bits():
    """Short identifiers have 11 bits, unless they are written with more digits, or with an x."""
    entries, found = read("1;7DF;01\n1;000007DF;01\n1;7DFx;01\n1;0x7df;\n", "time=1,id=2,data=3")
    assert [type(entry) for entry in entries] == [OtherFrame, Frame, Frame, OtherFrame]
    assert found.skipped == {"11-bit": 2}
    assert [type(each) for each in read("1;2015;01\n1;2048;01\n1;5x;1 2\n", "time=1,id=2:dec,data=3")[0]] == [
        OtherFrame, Frame, Frame
    ]  # fmt: skip


def test_numbers_at_their_limits():
    """The largest byte and the largest 11-bit identifier, in decimal and in hexadecimal."""
    entries, _ = read("1;436200542;255 10 0\n1;2047;1\n1;2048;1\n", "time=1,id=2:dec,data=3:dec")
    assert [type(entry) for entry in entries] == [Frame, OtherFrame, Frame]
    assert entries[0].data == b"\xff\x0a\0"
    entries, found = read("1;19FFE45E;FF;10\n1;19FFE45E;10;20\n1;7FF;1;2\n1;19FFE45E;256;1\n", "time=1,id=2,data=3-4")
    assert [entry.data for entry in entries if isinstance(entry, Frame)] == [b"\xff\x10", b"\x10\x20"]
    assert [entry.bits for entry in entries if isinstance(entry, OtherFrame)] == [standard_bits(0x7FF, b"\1\2")]
    assert [why for _, why in found.unreadable] == ['"256" is not a data byte (hex)']


def test_a_range_of_names_needs_both():
    """A column whose name is not there fits no line."""
    text = "t,id,D0,D1\n0.5,19FFE45E,1,2\n"
    for columns in ("time=t,id=id,data=D0-D9", "time=t,id=id,data=X-D1"):
        assert f"no line before it names a column {columns[18:]}" in refusal(text, columns)[1]


def test_channels_and_frames_without_a_time():
    """A column may name the channel; without one of times all frames have the first time."""
    rows = "can0;19FFE45E;01\ncan1;19FFE45E;01\n"
    entries, found = read(rows, "channel=1,id=2,data=3")
    assert (found.channels, found.untimed, len(entries)) == (("can0", "can1"), 2, 2)


def test_more_than_eight_bytes_are_a_long_message():
    """The writer has joined its packets."""
    entries, found = read("1;18FECA11;" + "AB" * 14 + "\n", "time=1,id=2,data=3")
    assert entries == [JoinedMessage(0, 0x18FECA11, b"\xab" * 14)]
    assert (found.joined, found.frames, found.skipped) == (1, 0, {})


def test_a_table_with_the_columns_of_another_is_refused():
    """The line says why, shows the first lines and what fits."""
    text = "Time;ID;DLC;Data\n0,001;19FFE45E;8;01 02 03 04 05 06 07 08\n"
    lines = refusal(text, "time=1,id=2,data=9")
    assert re.match("x: not a log of a known format: give one of .*; or a table with --columns$", lines[0])
    assert (
        lines[1] == "x: --columns time=1,id=2,data=9 fits none of its first lines: there is no column 9: the line has 4"
    )
    assert lines[2:5] == (
        "x: its first lines are:",
        "x:     Time;ID;DLC;Data",
        "x:     0,001;19FFE45E;8;01 02 03 04 05 06 07 08",
    )
    proposed = "time=Time,id=ID,data=Data,length=DLC"
    assert lines[5:] == (f'x: as a table of frames: --columns {proposed}, or in a rig: [log] columns = "{proposed}"',)
    assert read(text, proposed)[0] == [Frame(0, 0x19FFE45E, bytes(range(1, 9)))]


def test_columns_do_not_hide_a_known_format():
    """A rig has the columns of one logger; a log of another format is read as what it is."""
    line = b"(1.0) can0 19FFE45E#0102\n"
    with open_log(io.BytesIO(line), columns=parse_mapping("time=1,id=2,data=4-")) as log:
        assert log.kind == "candump text"
    with open_log(
        io.BytesIO(b'{"t": 1.0, "id": "19FFE45E", "d": "00"}\n'), columns=parse_mapping("time=t,id=id,data=d")
    ) as log:
        assert log.kind.startswith("table of frames")


def test_names_in_another_code_page():
    """A head in UTF-8 or in Windows' code page: the names are the same, and they are shown."""
    rows = "Zeit;ID;Länge;Nutzdaten µ\n0.5;19FFE45E;3;010203\n0.6;19FFE45E;8;0000000000000000\n"
    for encoding in ("utf-8", "utf-8-sig", "cp1252", "utf-16"):
        found = read(rows.encode(encoding), "time=Zeit,id=ID,length=Länge,data=Nutzdaten µ")
        assert (found[0], found[1].unreadable) == (TWO, ())
    with pytest.raises(InputError) as refused:
        open_log(io.BytesIO(rows.encode("cp1252")), "x")
    assert "x:     Zeit;ID;Länge;Nutzdaten µ" in refused.value.problems


GUESSED = [
    ("Time;ID;DLC;Data\n0,001;19FFE45E;8;01 02 03 04 05 06 07 08\n", "time=Time,id=ID,data=Data,length=DLC"),
    ("timestamp (ms),can_id,D0,D1,D2\n10.5,0x19FFE45E,01,02,03\n20,0x19FFE45E,01,02,\n",
     "time=timestamp (ms):ms,id=can_id,data=3-5"),
    ("2024-05-01T10:00:00.123Z\t436200542\t0102030405060708\n", "time=1,id=2:dec,data=3"),
    ('{"ts": 1700000000123, "frame": {"id": 436200542, "data": [1,2,3]}}\n', "time=ts:ms,id=frame.id,data=frame.data"),
    ('Logger 1.2 ; x\n"Nr";"Zeit";"Kanal";"CAN-ID (hex)";"Len";"Daten"\n"1";"12:00:01.5";"1";"19FFE45E";"2";"AA BB"\n',
     "time=Zeit,id=CAN-ID (hex),data=Daten,length=Len,channel=Kanal"),
    ("1.0 19FFE45E 8 01 02 03 04 05 06 07 08\n2.0 19FFE45E 3 01 02 03\n", "time=1,id=2,data=4-"),
    ("1700000000000000,0,19FFE45E,3,010203\n1700000000100000,0,19FFE45E,3,010203\n", "time=1:us,id=3,data=5"),
    ("epoch,arbid,bytes\n1700000000.5,436200542,01 02\n", "time=epoch,id=arbid:dec,data=bytes"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "columns"), GUESSED)
def test_what_is_proposed_is_what_fits(text, columns):
    """The usual heads of tables, tables without a head, and JSON lines."""
    lines = refusal(text)
    assert f"[log] columns = {json.dumps(columns)}" in lines[-1]
    assert lines[1:3] == ("x: its first lines are:", f"x:     {text.splitlines()[0]}")
    entries, found = read(text, columns)
    assert {entry.identifier for entry in entries} == {0x19FFE45E}
    assert found.unreadable == ()


@pytest.mark.parametrize(
    ("text", "shown"),
    [("Dear diary\nfoo bar\n", False), ("a,b,c\n1,2,3\n1,2,3\n", True), ("\x1b[31m;a;b\n1;2;3\n", False)],
)
def test_what_is_said_without_a_proposal(text, shown):
    """The first lines are shown where they look like a table, and only if they are text."""
    lines = refusal(text)
    assert len(lines) == (1 if not shown else 6)
    if shown:
        assert (
            lines[-1]
            == "x: if each line is a frame, name the columns, numbered from 1, like --columns time=1,id=2,data=4-"
        )


@given(st.lists(st.text(alphabet='0123456789ABCDEF.,;:-"{}[] x\t', max_size=30), max_size=6))
def test_no_line_breaks_the_guess_or_the_reader(rows):
    """Whatever the lines are, a guess fits, and reading them raises nothing."""
    lines = [row.encode() + b"\n" for row in rows]
    guess = guessed_mapping(lines)
    for columns in filter(None, (guess, "time=1,id=2,data=3-", "id=a,data=b", "id=2,length=1,data=3:dec")):
        try:
            with open_log(io.BytesIO(b"".join(lines)), columns=parse_mapping(columns)) as log:
                list(log.by_channel())
                assert log.statistics.frames + log.statistics.unreadable_count <= len(lines)
        except InputError:
            assert columns != guess


@given(
    sent=st.lists(
        st.tuples(st.integers(10**15, 4 * 10**15), st.integers(0x800, 0x1FFFFFFF), st.binary(min_size=1, max_size=8)),
        min_size=1,
        max_size=8,
    ),
    separator=st.sampled_from(";\t, "),
    unit=st.sampled_from(["s", "ms", "us", "ns"]),
    decimal=st.booleans(),
)
def test_what_was_written_comes_back(sent, separator, unit, decimal):
    """In any separator and unit, to the microsecond."""
    sent.sort(key=lambda each: each[0])
    digits = {"s": 6, "ms": 3, "us": 0, "ns": -3}[unit]
    rows = []
    for at, identifier, data in sent:
        whole = str(at) if digits <= 0 else f"{at // 10**digits}.{at % 10**digits:0{digits}d}"
        number = f"{identifier}x" if decimal else f"{identifier:08X}"
        rows.append(separator.join((whole + "0" * -digits, number, data.hex(), "end")))
    entries, found = read("\n".join(rows) + "\n", f"time=1:{unit},id=2:{'dec' if decimal else 'hex'},data=3")
    assert [(entry.time + found.first, entry.identifier, entry.data) for entry in entries] == sent


NAMES = st.sampled_from(["Time", "ID", "Data", "DLC", "Channel", "D0", "D1", '"ID', 'a"b', "ID ", "", "7", "Zeit [ms]"])


@given(
    st.lists(NAMES, min_size=1, max_size=7),
    st.lists(st.lists(st.text("0123456789ABCDEF x\"',.", max_size=9), max_size=8), max_size=5),
    st.sampled_from(";\t,"),
)
def test_damaged_tables_with_a_known_head_break_no_guess(header, rows, separator):
    """Rows that end early, and names that no mapping can have: a guess, or none."""
    lines = [separator.join(cells).encode() for cells in (header, *rows)]
    guess = guessed_mapping(lines)
    assert guess is None or parse_mapping(guess)

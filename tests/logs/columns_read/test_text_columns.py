"""Text logs in columns are what their lines are one by one: every format, with its head, and with damage."""

import base64
import io
import json
import tracemalloc

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rvsim.logs.columns_read import line_chunks, text_columns
from rvsim.logs.formats.log_clock import MAX_PLACES
from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame

ASC_HEAD = b"date Mon Sep 15 12:00:00 2014\nbase hex  timestamps absolute\nno internal events logged\n"
TRC_HEAD = b";$FILEVERSION=2.1\n;$STARTTIME=41896.7\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n"
CSV_HEAD = b"timestamp,arbitration_id,extended,remote,error,dlc,data\n"
JSON_HEAD = b'{"type": "start", "schema": 1, "started": "2026-11-24T09:00:00.000250+00:00"}\n'
HEADS = {"asc": ASC_HEAD, "trc": TRC_HEAD, "csv": CSV_HEAD, "jsonl": JSON_HEAD}


def asc(time: int, identifier: int, data: bytes) -> bytes:
    """Return a frame of an .asc log, with what some writers add behind its data."""
    number = f"{identifier:X}x" if identifier % 7 else f"{identifier & 0x7FF:X}"
    more = ("", "", "", "  Length = 0 BitCount = 0", " 05")[identifier % 5]
    pairs = data.hex(" ").upper()
    return f"{time / 1e6:9.6f} {1 + identifier % 2}  {number:<15} Rx   d {len(data):x} {pairs}{more}\n".encode()


def trc(time: int, identifier: int, data: bytes) -> bytes:
    """Return a frame of a .trc log of version 2.1."""
    number = f"{identifier:08X}" if identifier % 7 else f"{identifier & 0x7FF:04X}"
    pairs = data.hex(" ").upper()
    return f"{time % 9999:>7} {time / 1e3:13.3f} DT  1 {number:>8} Rx -  {len(data):<4} {pairs}\n".encode()


def csv(time: int, identifier: int, data: bytes) -> bytes:
    """Return a row of comma-separated values."""
    number, extended = (identifier, 1) if identifier % 7 else (identifier & 0x7FF, 0)
    return f"{time / 1e6},0x{number:x},{extended},0,0,{len(data)},{base64.b64encode(data).decode()}\n".encode()


def jsonl(time: int, identifier: int, data: bytes) -> bytes:
    """Return a frame line of rvsim."""
    more = json.dumps({"dgn": f"{identifier >> 8 & 0x3FFFF:05X}", "channel": (None, "can0", "büs", 5)[identifier % 4]})
    head = f'{{"t": {time // 10**6}.{time % 10**6:06d}, "type": "frame", "identifier": "{identifier:08X}"'
    return f'{head}, "bytes": "{data.hex().upper()}", {more[1:]}\n'.encode()


WRITERS = {"asc": asc, "trc": trc, "csv": csv, "jsonl": jsonl}
ODD = {
    "asc": [
        b"base hex  timestamps relative\n", b"base dec  timestamps absolute\n", ASC_HEAD, b" 0.5 1  ErrorFrame\n",
        b" 0.500000 CAN 1 Status:chip status error passive - TxErr: 128 RxErr: 0\n", b" 0.7 1  18FEF000x Rx r\n",
        b" 0.700000 1  18FEF000x       Rx   d 9 00 01 02 03 04 05 06 07 08\n", b" 0.500000 Start of measurement\n",
        b"-0.5 1  18FEF000x Rx d 0\n",
    ],
    "trc": [
        b";$FILEVERSION=1.1\n", b";$COLUMNS=N,O,T,I,d,L,D\n", b"     1)      5.5  Rx   18FEF000  1  05\n",
        b"      3         1.000 ER  1          Rx -  5    04\n", b"3 7 DT 1 18FEF000 Rx - 0 RTR\n",
        b"      3         1.000 RR  1 18FEF000 Rx -  8\n", b";$STARTTIME=41897.5\n",
        b"  3  2.500 DT  1 FFFFFFFF Rx -  0\n",
    ],
    "csv": [
        CSV_HEAD, b"5.0,0x1,1,0,1,0,\n", b"1e-05,0x1,1,0,0,1,AQ==\n", b"5.5,0x1,1,1,0,8,\n", b"5.5,0x1,1,0,0,1,AR==\n",
    ],
    "jsonl": [
        JSON_HEAD, b'{"t": 1.5, "type": "reading", "value": 1}\n', b'{"type": "start", "started": "2027-01-01"}\n',
        b'{"t": 1.5, "type": "error", "error_frame": true, "about": "stuff error", "channel": "can0"}\n',
        b'{"t": 2.5, "type": "gap", "since": 1.0, "about": "lost", "channel": "can0"}\n',
        b'{"t": 01.500000, "type": "frame", "identifier": "18FEF000", "bytes": "", "channel": "can0"}\n',
        b'{"t": 1.500000, "type": "frame", "identifier": "18FEF000", "bytes": "", "t": 3.5, "channel": "can0"}\n',
        b'{"t": 1.500000, "type": "frame", "identifier": "18FEF000", "bytes": "", }\n',
    ],
}  # fmt: skip


def logs(kind):
    """Return logs of a format: frames in order, other lines, and single damaged bytes."""
    frame = st.tuples(
        st.integers(0, 1 << 40) | st.integers(0, 1 << 20),
        st.integers(0, (1 << 29) - 1) | st.sampled_from([1 << 29, (1 << 32) - 1]),
        st.just(bytes(range(8))) | st.binary(max_size=8),
    )
    frames = st.lists(frame, min_size=1, max_size=40).map(lambda found: [WRITERS[kind](*one) for one in sorted(found)])
    odd = st.lists(st.tuples(st.integers(0, 40), st.sampled_from([*ODD[kind], b"rubbish\n", b"\n"])), max_size=4)
    damage = st.lists(
        st.tuples(st.integers(0, 5000), st.integers(0, 255) | st.sampled_from(b" \n\r0xX;,.")), max_size=3
    )
    return st.builds(
        damaged, st.just(HEADS[kind]), frames, odd, damage, st.sampled_from([b"\n", b"\n", b"\r\n", b"\r"])
    )


def damaged(head, frames, odd, damage, line_end):
    """Return a log with other lines among its frames, damaged bytes, and a line end."""
    lines = [head, *frames]
    for place, line in odd:
        lines.insert(1 + place % len(lines), line)
    content = bytearray(b"".join(lines).replace(b"\n", line_end))
    for place, byte in damage:
        content[len(head) + place % (len(content) - len(head))] = byte
    return bytes(content)


@pytest.mark.parametrize("kind", WRITERS)
@given(data=st.data(), size=st.integers(1, 50), whole=st.booleans())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_lines(same, in_small_parts, kind, data, size, whole):
    """Frames, other kinds, heads between them and damage, in parts of any size, are read as they are line by line."""
    in_small_parts(size)
    same(data.draw(logs(kind)), size, whole=whole)


@pytest.mark.parametrize("kind", WRITERS)
def test_lines_of_a_known_layout_are_not_read_one_by_one(same, monkeypatch, kind):
    """After the head, frames with data of two lengths and identifiers of both kinds are read by their layouts."""
    singly = []
    read_one = text_columns.TextColumns._entry

    def entry(self, line):
        singly.append(line)
        return read_one(self, line)

    monkeypatch.setattr(text_columns.TextColumns, "_entry", entry)
    frames = [
        WRITERS[kind](5_000_000 + 1000 * step + 1, 0x18FEF000 + step % 40, bytes(8) if step % 3 else b"\1\2")
        for step in range(2000)
    ]
    found = same(HEADS[kind] + b"".join(frames))
    assert len(singly) < 200
    assert found[1].frames + found[1].skipped.get("11-bit", 0) == 2000


def test_times_that_count_from_the_line_before(same):
    """After a head in the middle of an .asc log that says so, the first time counts from the last frame before it."""
    frames = b"".join(asc(1_000_000 + step, 0x18FEF001, b"") for step in range(300))
    relative = b"base hex  timestamps relative\n" + asc(250_000, 0x18FEF001, b"") * 2
    found = same(ASC_HEAD + frames + relative)
    assert [entry.time for entry in found[0]["2"][-4:-1]] == [299, 250_299, 500_299]


def test_memory_does_not_grow_with_the_log(monkeypatch):
    """Eight times as many lines need as much memory, also where a part of them are events."""
    monkeypatch.setattr(line_chunks, "CHUNK_BYTES", 1 << 20)  # the smaller log has several parts, too
    peaks = []
    for count in (40_000, 320_000):
        lines = b"".join(
            b"(%d.000001) can0 19FFE45E#0102030405060708\n(%d.1) can0 7FF#\n" % (i, i) for i in range(2000)
        )
        with open_log(io.BytesIO(lines * (count // 2000))) as log:
            tracemalloc.start()
            assert sum(len(block.frames) for _, block in log.blocks(5000)) == count
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
    assert peaks[1] < 1.2 * peaks[0] < 50_000_000


def test_a_large_layout_is_read_one_by_one(same):
    """A line whose fields end too far to the right for a table is no sample of a layout."""
    lines = b"".join(b"(1.%06d) %s 19FFE45E#01\n" % (step, b"c" * 300) for step in range(100))
    assert same(lines)[1].frames == 100


@pytest.mark.parametrize("size", [3, 1000])
def test_heads_in_the_middle(same, in_small_parts, size):
    """Decimal numbers from some line on, though the same digits could be hexadecimal; times as steps and back again."""
    in_small_parts(size)
    frames = b"".join(b" %d.500000 1  12345678x       Rx   d 2 10 20\n" % second for second in range(100))
    bases = [(base, count) for base in (b"dec", b"hex") for count in (b"relative", b"absolute")]
    heads = [b"base %s  timestamps %s\n" % each for each in bases]
    found = same(ASC_HEAD + frames + b"".join(head + frames for head in heads))
    assert found[1].frames == 500
    assert {entry.identifier for entry in found[0]["1"] if type(entry) is Frame} == {0x12345678, 12345678}
    same(b"base hex timestamps relative\n" + frames)


@pytest.mark.parametrize(
    ("digits", "microseconds"), [("0000005", 1), ("0000004", 0), ("00000049", 0), ("0000005000000001", 1)]
)
def test_more_digits_than_microseconds_have(same, digits, microseconds):
    """Times are rounded half up, as in single lines."""
    rows = b"".join(b"%d.%s,0x1,1,0,0,0,\n" % (second, digits.encode()) for second in range(100))
    assert same(CSV_HEAD + rows)[1].first == microseconds


def test_what_is_no_json(same, in_small_parts):
    """A number with a zero before it, and a key that comes again, among many lines of the same layout."""
    in_small_parts(5)
    good = [jsonl(10_000_000 + step, 0x18FEF000, b"\1") for step in range(100)]
    zero = good[50].replace(b"10.000050", b"01.000050")
    again = good[60].replace(b'"dgn"', b'"t": 11.5, "dgn"')
    found = same(JSON_HEAD + b"".join([*good[:50], zero, *good[51:60], again, *good[61:]]))
    assert (found[1].unreadable_count, found[1].clock_set_count, found[1].frames) == (1, 1, 99)


def test_more_unreadable_places_than_are_kept(same):
    """All are counted, and the first ones kept."""
    lines = b"".join(csv(1000 * step, 0x18FEF001, b"\1") + b"rubbish\n" for step in range(300))
    found = same(CSV_HEAD + lines)
    assert (found[1].unreadable_count, len(found[1].unreadable)) == (300, MAX_PLACES)

"""Captured logs as a whole: against python-can's readers, recognition, damage, counting, memory."""

import gzip
import io
import re
import tracemalloc
from itertools import pairwise
from pathlib import Path

import can
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.read import open_log
from rvsim.logs.record import Recorder
from rvsim.wire.frame import Frame

MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
START = 1_410_714_882_000_000
"""Microseconds since the epoch: 2014-09-14 17:14:42 UTC."""
READERS = {
    ".log": (can.CanutilsLogWriter, can.CanutilsLogReader),
    ".asc": (can.ASCWriter, can.ASCReader),
    ".csv": (can.CSVWriter, can.CSVReader),
    ".trc": (can.TRCWriter, can.TRCReader),
    ".blf": (can.BLFWriter, can.BLFReader),
}
KINDS = {
    ".log": "candump text",
    ".asc": "text with a dated head (.asc)",
    ".csv": "comma-separated values (.csv)",
    ".trc": "text with numbered lines (.trc)",
    ".blf": "binary log (.blf)",
}


def message(at, identifier, data=b"", **more):
    """Return python-can's message at microseconds since the epoch."""
    return can.Message(timestamp=at / 1e6, arbitration_id=identifier, data=data, channel=0, check=True, **more)


FIXED = [
    message(START + 622_188, 0x18EEFF5E, bytes.fromhex("D3B11B0000000000")),
    message(START + 622_188, 0x19FFE45E, b""),
    message(START + 623_001, 0x7DF, b"\1\2", is_extended_id=False),
    message(START + 623_002, 0x1FFFFFFF, bytes(range(8)), is_rx=False),
    message(START + 700_000, 0x18EAFFF9, is_remote_frame=True, dlc=3),
    message(START + 700_001, 0x19FFFF01, bytes(12), is_fd=True, bitrate_switch=True),
    message(START + 700_002, 0, is_error_frame=True),
    message(START + 3_600_000_000, 0, b"\0\0\1"),
]

plain = st.builds(
    message,
    st.integers(START, START + 10**9),
    st.integers(0, 0x1FFFFFFF),
    st.binary(max_size=8),
    is_rx=st.booleans(),
)
others = st.one_of(
    st.builds(message, st.just(START), st.integers(0, 0x7FF), st.binary(max_size=8), is_extended_id=st.just(False)),
    st.builds(message, st.just(START), st.integers(0, 0x1FFFFFFF), is_remote_frame=st.just(True)),
    st.builds(
        message,
        st.just(START),
        st.integers(0, 0x1FFFFFFF),
        st.sampled_from([bytes(12), bytes(64)]),
        is_fd=st.just(True),
    ),
    st.builds(message, st.just(START), st.just(0), is_error_frame=st.just(True)),
)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Let python-can write messages to a new file of a format; .trc cannot be written to memory."""
    folder = tmp_path_factory.mktemp("written")

    def write(suffix, messages):
        path = folder / f"x{suffix}"
        with READERS[suffix][0](path) as writer:
            for each in messages:
                writer.on_message_received(each)
        return path

    return write


def kind_of(each):
    """Return how an entry that python-can read is to be counted, None if it is a frame for us."""
    if each.is_error_frame:
        return "error"
    if each.is_fd or each.dlc > 8:
        return "FD"
    if each.is_remote_frame:
        return "remote"
    return None if each.is_extended_id else "11-bit"


def as_python_can_reads(path, suffix):
    """Return the frames, the other entries by kind and the first time, as python-can's own reader has them."""
    with READERS[suffix][1](path) as reader:
        read = list(reader)
    times = [round(each.timestamp * 1e6) for each in read]
    kinds = [kind_of(each) for each in read]
    frames = [
        Frame(time - times[0], each.arbitration_id, bytes(each.data))
        for time, each, kind in zip(times, read, kinds, strict=True)
        if kind is None
    ]
    return frames, {kind: kinds.count(kind) for kind in kinds if kind}, times[0] if times else None


def read(content):
    """Return the frames and the statistics of a log given as its bytes or its path."""
    with open_log(content if isinstance(content, Path) else io.BytesIO(content), "given") as log:
        frames = list(log.frames())
        return frames, log.statistics


def candump(times, data="0102030405060708"):
    """Return lines of candump text."""
    return "".join(f"({t // 10**6}.{t % 10**6:06d}) can0 19FFE45E#{data}\n" for t in times).encode()


@pytest.mark.parametrize("suffix", READERS)
@given(messages=st.lists(plain | others, max_size=30))
@example(messages=FIXED)
def test_frames_and_times_are_those_of_python_can(written, suffix, messages):
    """What python-can wrote is read frame for frame and microsecond for microsecond as its own reader does."""
    messages = sorted(messages, key=lambda each: each.timestamp)
    path = written(suffix, messages)
    frames, skipped, first = as_python_can_reads(path, suffix)
    ours, found = read(path)
    assert ours == frames
    assert {kind: count for kind, count in found.skipped.items() if kind != "event"} == skipped
    assert (found.frames, found.steps_back, found.untimed, found.unreadable) == (len(frames), 0, 0, ())
    if suffix in (".log", ".csv"):
        assert found.first == first
    if first is not None and suffix != ".asc":
        assert abs(found.started - first) <= (suffix == ".trc")  # a start in days, as a float, misses by up to 1 µs


@pytest.mark.parametrize("suffix", READERS)
@pytest.mark.parametrize("packed", [False, True])
def test_the_format_is_known_by_its_content(written, tmp_path, suffix, packed):
    """A name that says nothing or something false changes nothing, and gzip is unpacked."""
    content = written(suffix, FIXED).read_bytes()
    path = tmp_path / "x.txt"
    path.write_bytes(gzip.compress(content) if packed else content)
    with open_log(path) as log:
        assert log.kind == KINDS[suffix] + (", gzip" if packed else "")
        assert log.name == str(path)
        assert list(log.frames()) == as_python_can_reads(written(suffix, FIXED), suffix)[0]


def test_a_recorded_bus_is_read_to_the_last_frame():
    """Count, first and last frame, and the total time are those that a text search finds."""
    found = re.findall(r"^\((\d+)\.(\d{6})\) can0 (\w{8})#(\w*)$", MARINE.read_text(), re.MULTILINE)
    times = [int(whole + fraction) for whole, fraction, _, _ in found]
    frames, statistics = read(MARINE)
    assert len(frames) == len(found) == statistics.frames == 9883
    assert frames[0] == (0, 0x09F80102, bytes.fromhex("36729A16021AB80D"))
    assert frames[-1] == (times[-1] - times[0], 0x09F80102, bytes.fromhex("8A719A16E71AB80D"))
    assert frames[-1].time == 215_199_309  # 1410715097.821497 - 1410714882.622188
    assert statistics.started == statistics.first == START + 622_188
    assert (statistics.channels, statistics.skipped, statistics.unreadable_count) == (("can0",), {}, 0)
    assert statistics.steps_back == sum(b < a for a, b in pairwise(times))


@pytest.mark.parametrize("suffix", [".jsonl", ".log"])
@given(
    recorded=st.lists(
        st.builds(Frame, st.integers(0, 10**14), st.integers(0, 0x1FFFFFFF), st.binary(max_size=8)), max_size=10
    )
)
def test_our_recordings_give_back_what_was_recorded(tmp_path_factory, catalogue, suffix, recorded):
    """Identifier, bytes and the microsecond of each frame come back, the times counted from the first frame."""
    path = tmp_path_factory.mktemp("recorded") / f"x{suffix}"
    recorded.sort()
    start = start_line(command="bench", started=None)
    with Recorder(path, catalogue, start=start, channel="rvsim", sent=True) as recorder:
        for frame in recorded:
            recorder.write(frame)
    frames, statistics = read(path)
    assert [frame._replace(time=frame.time + statistics.first) for frame in frames] == recorded
    assert statistics.unreadable == ()
    assert statistics.channels == (("rvsim",) if recorded else ())


@given(
    cut=st.integers(0, 400),
    flips=st.lists(st.tuples(st.integers(0, 10_000), st.integers(1, 255)), max_size=8),
    inserted=st.lists(st.tuples(st.integers(0, 40), st.binary(max_size=30)), max_size=4),
)
def test_damage_costs_only_what_it_touches(cut, flips, inserted):
    """Cut, flipped and inserted bytes stop nothing: every line that is still whole is read, in order."""
    # each line has an identifier of its own, far from what a flipped bit can make of another
    whole = [f"({1_410_714_882 + i}.000000) can0 1{i:02d}FE4{i:02d}#{i:016X}\n".encode() for i in range(40)]
    content = bytearray(b"".join(whole))
    for place, flip in flips:
        content[place % len(content)] ^= flip
    pieces = bytes(content).splitlines(keepends=True)
    for place, text in inserted:
        pieces.insert(place, text.replace(b"\n", b"") + b"\n")
    mangled = b"".join(pieces)
    mangled = mangled[: len(mangled) - cut]
    assume(not mangled.startswith(b"\x1f\x8b"))  # then it says that it is packed
    try:
        frames, statistics = read(mangled)
    except InputError:
        assert not set(whole) & set(io.BytesIO(mangled).readlines())
        return
    untouched = [line for line in io.BytesIO(mangled).readlines() if line in whole]
    expected = [(int(line[25:33], 16), bytes.fromhex(line[34:50].decode())) for line in untouched]
    given_back = iter([(frame.identifier, frame.data) for frame in frames])
    assert all(each in given_back for each in expected)
    assert (
        statistics.frames + statistics.unreadable_count + sum(statistics.skipped.values()) <= mangled.count(b"\n") + 1
    )


def read_or_refused(content):
    """Return the frames and the statistics, or the refusal of something that is no log."""
    try:
        return read(content)
    except InputError as error:
        return str(error)


@pytest.mark.parametrize("suffix", READERS)
@given(changes=st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 255)), max_size=10), kept=st.integers(0, 3000))
def test_no_damage_raises_in_any_format(written, suffix, changes, kept):
    """Whatever byte is changed and wherever the file ends, a log is read to its end or said to be none."""
    content = bytearray(written(suffix, FIXED * 3).read_bytes())
    for place, value in changes:
        content[place % len(content)] = value
    found = read_or_refused(bytes(content[:kept]))
    assert "not a log of a known format" in found if isinstance(found, str) else found[1].frames == len(found[0])


@given(st.binary(max_size=300))
@example(b"\x1f\x8b\x08 not gzip")
@example(b"LOGG")
@example(b"[" * 100_000)
def test_rubbish_is_no_log_or_an_unreadable_one(content):
    """Any bytes give a log without frames or one clear line."""
    found = read_or_refused(content)
    if isinstance(found, str):
        refusals = (
            r"not a log of a known format: give one of .*candump text.*\.blf|.*: (unpack it first|ask for it again)"
        )
        assert re.match(f"^given(/.*)?: ({refusals})", found)
    else:
        assert found[0] == []
        assert not content.strip() or found[1].unreadable_count


@pytest.mark.parametrize("content", [b"", b" \r\n\n"])
def test_an_empty_log_has_no_frames(content):
    """A recording that has just begun is no mistake."""
    with open_log(io.BytesIO(content)) as log:
        assert (log.kind, log.name, list(log.frames())) == ("empty", "-", [])
        assert (log.statistics.first, log.statistics.started) == (None, None)


@pytest.mark.parametrize(
    ("name", "text"),
    [("missing.log", "no such file: check the name"), (".", "a folder: name a log in it"),
     ("a\0b", "cannot be read"), ("x.txt/y", "cannot be read (Not a directory)")],
)  # fmt: skip
def test_what_cannot_be_opened_is_one_clear_line(tmp_path, name, text):
    """The message names the file and what is wrong."""
    (tmp_path / "x.txt").write_text("Dear diary\n")
    with pytest.raises(InputError, match=re.escape(f"{tmp_path / name}: {text}")):
        open_log(tmp_path / name)


def test_a_text_that_is_no_log_is_refused(tmp_path):
    """The message names the file and the formats that are known, and the file is closed."""
    (tmp_path / "x.log").write_text("Dear diary\n")
    with pytest.raises(InputError, match=r"x\.log: not a log of a known format: give one of .*JSON.*csv.*candump.*blf"):
        open_log(tmp_path / "x.log")


def test_lines_before_the_first_frame_do_not_hide_the_format():
    """Foreign lines on top are told, and the frames behind them are read."""
    frames, statistics = read(b"hello\n" * 5 + candump([START]))
    assert (len(frames), statistics.unreadable_count) == (1, 5)
    assert statistics.unreadable[0] == (1, '"hello" is not a line of candump text')
    with pytest.raises(InputError, match="not a log"):
        read(b"hello\n" * 60_000 + candump([START]))


def test_only_the_first_unreadable_places_are_kept():
    """A hundred are told, all are counted."""
    _, statistics = read(candump([START]) + b"(1.0) can0 18EEFF5E#1\n" * 250)
    assert statistics.unreadable_count == 250
    assert [line for line, _ in statistics.unreadable] == list(range(2, 102))


def test_relative_times_have_no_start():
    """Times that no calendar has give a first time and no start."""
    frames, statistics = read(candump([12_000_000, 12_500_000]))
    assert [frame.time for frame in frames] == [0, 500_000]
    assert (statistics.first, statistics.started) == (12_000_000, None)
    assert read(candump([631_151_999_999_999]))[1].started is None
    assert read(candump([631_152_000_000_000]))[1].started == 631_152_000_000_000


def test_time_starts_with_the_first_frame_of_any_kind():
    """An 11-bit frame that comes first is passed over and is still the beginning."""
    frames, statistics = read(b"(100.000000) can1 123#00\n" + candump([100_250_000]))
    assert [frame.time for frame in frames] == [250_000]
    assert statistics.skipped == {"11-bit": 1}
    assert statistics.channels == ("can1", "can0")


def test_statistics_grow_with_the_reading():
    """What was found so far can be asked for at any time."""
    with open_log(io.BytesIO(candump([START, START + 1]))) as log:
        frames = log.frames()
        next(frames)
        assert log.statistics.frames == 1
        next(frames)
        assert (log.statistics.frames, list(frames), list(log.frames())) == (2, [], [])


@pytest.mark.parametrize("packed", [False, True])
def test_memory_does_not_grow_with_the_log(tmp_path, packed):
    """60,000 lines (3 MB) need a small fixed part of their size."""
    opening = gzip.open if packed else open
    with opening(tmp_path / "x", "wb") as file:
        for i in range(60):
            file.write(candump(range(START + i * 1000, START + i * 1000 + 1000)))
    tracemalloc.start()
    try:
        with open_log(tmp_path / "x") as log:
            assert sum(1 for _ in log.frames()) == 60_000
        assert tracemalloc.get_traced_memory()[1] < 1_500_000
    finally:
        tracemalloc.stop()

"""Candump text in columns is what its lines are one by one, whatever is among them."""

import gzip
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from rvsim.logs.columns_read import line_chunks, text_columns
from rvsim.logs.formats import source
from rvsim.logs.formats.source import MAX_LINE_BYTES

MARINE = Path(__file__).parents[2] / "data" / "marine_bus_2014.log"
START = 1_410_714_882
FRAME = b"(1410714882.000001) can0 19FFE45E#0102030405060708\n"
LINES = st.one_of(
    st.builds(
        b"(%d.%06d) %s %08X#%s%s\n".__mod__,
        st.tuples(
            st.sampled_from([START, START, START + 1, START - 2, 9, 999_999_999_999, 0]),
            st.integers(0, 999_999),
            st.sampled_from([b"can0", b"can0", b"can1", b"a-long_name"]),
            st.integers(0, (1 << 29) - 1) | st.sampled_from([0x20000004, 0x20000088, 0x40000000, 0xFFFFFFFF]),
            st.binary(max_size=9).map(bytes.hex).map(str.encode)
            | st.sampled_from([b"0102030405060708"] * 3 + [b"R", b"#1"]),
            st.sampled_from([b"", b"", b" R", b" T", b"\r", b" "]),
        ),
    ),
    st.builds(
        b"(%d.%06d) can0 %03X#%s\n".__mod__,
        st.tuples(
            st.just(START),
            st.integers(0, 999_999),
            st.integers(0, 0xFFF),
            st.binary(max_size=8).map(bytes.hex).map(str.encode),
        ),
    ),
    st.sampled_from(
        [
            FRAME,
            FRAME,
            b"\n",
            b"# a remark\n",
            b"rubbish\n",
            b"  can0  19FFE45E   [1]  05\n",
            b"(-1.0) can0 1FFFFFFF#\n",
        ]
    ),
    st.builds(
        b"%s  %s  %s   [%d]  %s%s\n".__mod__,
        st.tuples(
            st.sampled_from([b" (1410714882.000001)", b" (1410714882.5)", b"", b" (2014-09-14 19:14:42.622188)"]),
            st.sampled_from([b"can0", b"can1  RX - -"]),
            st.sampled_from([b"19FFE45E", b"123", b"20000004", b"123", b"F23"]),
            st.integers(0, 9),
            st.binary(max_size=8).map(lambda data: data.hex(" ").encode()) | st.just(b"00 01"),
            st.sampled_from([b"", b"", b" ", b"   '..'", b"   ERRORFRAME"]),
        ),
    ),
    st.binary(max_size=80),
)


@given(st.lists(LINES, max_size=60).map(b"".join), st.integers(1, 50), st.booleans())
@example(FRAME * 70, 9, False)
@example(b"\xef\xbb\xbf" + FRAME * 3, 2, True)
@example(FRAME + b"(0.0) can0 00000000#\n" * 30, 8, True)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_lines(same, in_small_parts, content, size, whole):
    """Frames, other kinds, damage and odd ends, in parts of any size, are read as they are line by line."""
    in_small_parts(size)
    same(content, size, whole=whole)


@pytest.mark.parametrize("most", [7, 1000, 1 << 16])
def test_a_recorded_log(same, most):
    """The vessel's log has the same frames, whatever the size of the blocks, also packed, as UTF-16, with CR LF."""
    content = MARINE.read_bytes()
    frames = same(content, most)
    assert frames[1].frames > 5000
    if most == 1000:
        assert same(gzip.compress(content), most) == frames
        assert same(content.decode().encode("utf-16"), most) == frames
        assert same(content.replace(b"\n", b"\r\n"), most) == frames
        assert same(content[:-30], most)[1].unreadable_count == 1


def test_lines_of_a_known_layout_are_not_read_one_by_one(same, monkeypatch):
    """Four layouts are learnt from a chunk, and then only lines of no layout are given to the reader of lines."""
    given_lines = []
    read_one = text_columns.TextColumns._entry
    monkeypatch.setattr(
        text_columns.TextColumns, "_entry", lambda self, line: given_lines.append(line) or read_one(self, line)
    )
    lines = [b"(%d.5) %s %s\n" % (START + i, channel, frame) for i in range(200)
             for channel in (b"can0", b"can1") for frame in (b"19FFE45E#01", b"7FF#0102")]  # fmt: skip
    same(b"".join([*lines, b"odd\n", b"(5.0) can0 20000088#00 \n"]))
    assert given_lines == [b"odd\n", b"(5.0) can0 20000088#00 \n"]


@pytest.mark.parametrize(
    "line",
    [
        b"(1410714882.000001) can0 19FFE45E#01020304050607G8\n",
        b"(14107148x2.000001) can0 19FFE45E#0102030405060708\n",
        b"(1410714882.00000x) can0 19FFE45E#0102030405060708\n",
        b"(1410714882.000001) can0 5FFFE45E#0102030405060708\n",
        b"(1410714882.000001) can0 19FFE45E#0102030405 60708\n",
    ],
)
def test_a_line_that_looks_like_the_others(same, in_small_parts, line):
    """A sign that is no digit is found, among others and where the line is the only one of its layout."""
    in_small_parts(3)
    good = [FRAME] * 9
    for place in (3, 9):
        assert same(b"".join([*good[:place], line, *good[place:], line, *good]))[1].unreadable_count == 2


@pytest.mark.parametrize("size", [MAX_LINE_BYTES - 1, MAX_LINE_BYTES, MAX_LINE_BYTES + 1, 3_000_000])
def test_a_line_that_is_too_long(same, size):
    """It is counted once and costs itself, wherever chunks end."""
    found = same(FRAME * 10 + b"x" * size + b"\n" + FRAME + b"y" * size)
    assert found[1].frames == 11
    assert found[1].unreadable_count == 2


def test_times_that_are_steps(same):
    """Steps from line to line are summed in columns, too, and those of other entries count."""
    steps = b"".join(
        b"(0.%06d) can0 19FFE45E#%02X\n(0.000100) can0 7FF#\n" % (i % 3 * 1000, i % 256) for i in range(900)
    )
    summed, other = same(b"(0.000000) can0 19FFE45E#\n" + steps, 100, whole=True), same(FRAME + steps, 100, whole=True)
    assert (summed[-1], other[-1]) == (True, False)


def test_what_has_no_time(same):
    """Frames and long messages without a time are counted, other kinds are not."""
    screen = b"  can0  19FFE45E   [2]  01 02\n  can0  123   [0] \n"
    message = b"(1410714882.000001) can0 18FEF000#" + b"00" * 20 + b"\n"
    found = same(screen * 100 + message + screen)
    assert (found[1].untimed, found[1].joined, found[1].skipped) == (101, 1, {"11-bit": 101})


def test_steps_below_zero(same):
    """A step that is below zero counts as none, wherever it comes."""
    steps = [b"(0.000000) can0 19FFE45E#\n", *[b"(0.00%d000) can0 19FFE45E#\n" % (step % 3) for step in range(900)]]
    steps[700] = b"(-0.500000) can0 19FFE45E#\n"
    found = same(b"".join(steps), whole=True)
    assert found[-1]
    assert found[1].steps_back == 0


@pytest.mark.parametrize("size", [8, 0])
@pytest.mark.parametrize("odd", [0, 79, 80, 118, 119])
@pytest.mark.parametrize(
    ("old", "new"),
    [(b"can0", b"can1"), (b"can0", b"caf0"), (b"#", b"x"), (b".", b"_"), (b"FFE", b"0X1"), (b") ", b"\n ")],
)
def test_one_other_line_among_lines_of_one_length(same, size, odd, old, new):
    """It is found wherever it is: the first, the last, in a group that is compared together or behind all groups."""
    lines = [
        b"(%d.%06d) can0 %08X#%s\n" % (START + i // 50, i, 0x19FFE400 + i, bytes([i] * size).hex().encode())
        for i in range(120)
    ]
    lines[odd] = lines[odd].replace(old, new)
    found = same(b"".join(lines))
    assert found[1].frames == 120 - (old != b"can0")


def test_lines_of_one_length_in_parts(same, in_small_parts):
    """The last line may have no end, and a chunk may have one line alone."""
    for size in (1, 2, 3, 7):
        in_small_parts(size)
        assert same((FRAME * 20)[:-1])[1].frames == 20


@pytest.mark.parametrize("sign", [b"\n", b"G", b"1", b"\xff"])
def test_one_other_sign_among_lines_of_one_length(same, monkeypatch, sign):
    """Whatever byte is another one, also a line end within a line, in a part that follows lines of one layout."""
    monkeypatch.setattr(source, "BLOCK_BYTES", 40 * len(FRAME))
    monkeypatch.setattr(line_chunks, "CHUNK_BYTES", 40 * len(FRAME))
    monkeypatch.setattr(text_columns, "MIN_LAYOUT_LINES", 1)
    for place in range(len(FRAME)):
        line = FRAME[:place] + sign + FRAME[place + 1 :]
        same(FRAME * 130 + line + FRAME * 100)


def test_parts_of_one_layout_and_then_of_another(same, monkeypatch):
    """Lines of equal length: of one channel, of another, of both in turns, and an identifier that is none."""
    monkeypatch.setattr(source, "BLOCK_BYTES", 40 * len(FRAME))
    monkeypatch.setattr(line_chunks, "CHUNK_BYTES", 40 * len(FRAME))
    other, large = FRAME.replace(b"can0", b"can1"), FRAME.replace(b"19FFE45E", b"FFFFFFFF")
    found = same(FRAME * 200 + other * 200 + (FRAME + other) * 100 + FRAME * 200 + large + FRAME * 200 + FRAME[:-1])
    assert found[1].frames == 1001
    assert found[4] == ("can0", "can1")

"""Binary logs in columns are what their objects are one by one, whatever is among them."""

import struct
import zlib

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from rvsim.logs.formats.blf import BlfReader

CONTENTS = {
    1: struct.pack("<HBBL8s", 1, 0, 8, 0x99FFE45E, bytes(range(8))),
    86: struct.pack("<HBBL8sLBBH", 2, 0, 3, 0x7FF, bytes(range(8)), 0, 0, 0, 0),
    2: struct.pack("<HH", 1, 0),
    73: struct.pack("<HH28x", 2, 0),
    100: struct.pack("<HBBLLBBBBL64sL", 1, 0, 8, 0x99FFE45E, 0, 0, 0, 8, 0, 0, bytes(range(64)), 0),
    101: struct.pack("<BBBBLLLLLLLHBBL", 1, 8, 2, 0, 0x99FFE45E, 0, 0x1000, 0, 0, 0, 0, 0, 0, 0, 0) + b"\1\2",
    115: b"a note",
}


def an_object(kind: int, ticks: int, version: int = 1, unit: int = 2, content: bytes | None = None) -> bytes:
    """Return an object of the format, padded as python-can pads it."""
    content = CONTENTS[kind] if content is None else content
    header = struct.pack("<LHHQ", unit, 0, 0, ticks) + (bytes(8) if version == 2 else b"")
    found = struct.pack("<4sHHLL", b"LOBJ", 16, version, 16 + len(header) + len(content), kind) + header + content
    return found + bytes(len(found) % 4)


def blf(objects: bytes, size: int = 1000, method: int = 2) -> bytes:
    """Return a log whose containers have so many bytes of objects each."""
    parts = [struct.pack("<4sL32x8H", b"LOGG", 144, 2020, 1, 3, 5, 1, 2, 3, 4) + bytes(88)]
    for start in range(0, len(objects), size):
        content = zlib.compress(objects[start : start + size]) if method else objects[start : start + size]
        parts.append(struct.pack("<4sHHLLH6xL4x", b"LOBJ", 16, 1, 32 + len(content), 10, method, size) + content)
        parts.append(bytes(len(content) % 4))
    return b"".join(parts)


FRAME = an_object(1, 1_000_000)
OBJECTS = st.one_of(
    st.builds(
        an_object,
        st.sampled_from([*CONTENTS] + [1] * 6),
        st.integers(0, 10**10) | st.sampled_from([(1 << 64) - 1, 10**17, 10**17 - 1]),
        st.sampled_from([1, 1, 1, 2, 3]),
        st.sampled_from([2, 2, 1]),
    ),
    st.builds(
        lambda ticks, flags, length, identifier: an_object(
            1, ticks, content=struct.pack("<HBBL8s", 1, flags, length, identifier, b"\xff" * 8)
        ),
        st.integers(0, 10**7),
        st.sampled_from([0, 0, 1, 0x80]),
        st.integers(0, 255),
        st.integers(0, (1 << 32) - 1) | st.just(0x80000005),
    ),
    st.just(FRAME),
    st.sampled_from([b"LOBJ", b"\0\0", b"\1", FRAME[:40], FRAME[:-1], FRAME + b"\0"]),
)


@given(
    st.lists(OBJECTS, max_size=40).map(b"".join),
    st.integers(1, 500),
    st.sampled_from([0, 2, 2]),
    st.integers(1, 50),
    st.lists(st.tuples(st.integers(144, 1 << 14), st.integers(0, 255)), max_size=2),
)
@example(FRAME * 60, 100, 2, 20, [])
@example((FRAME + an_object(101, 5)) * 9 + b"\1", 70, 2, 5, [])
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_objects(same, in_small_parts, objects, size, method, batch, damage):
    """Frames, other kinds, odd sizes and damage, in containers of any size, are read as they are object by object."""
    in_small_parts(batch)
    content = bytearray(blf(objects, size, method))
    for place, byte in damage:
        if place < len(content):
            content[place] = byte
    same(bytes(content), batch)


@pytest.mark.parametrize("kind", CONTENTS)
def test_which_objects_are_read_at_once(same, monkeypatch, kind):
    """Frames and error frames of both versions are not given to the reader of single objects, except the last one."""
    read = []
    one = BlfReader.read
    monkeypatch.setattr(BlfReader, "read", lambda self, found: read.append(found) or one(self, found))
    same(blf(b"".join(an_object(kind, step, step % 2 + 1) for step in range(200))))
    assert len(read) == (200 + 1 if kind not in (100, 101) else 400)


def test_a_time_that_is_too_long(same):
    """Ticks of 10 µs that come to more than 31,700 years are damage."""
    found = same(blf(FRAME + an_object(1, 10**17, unit=1) + FRAME))
    assert found[1].unreadable == ((144, "a time that is too large to be one"),)
    assert found[1].frames == 2


@pytest.mark.parametrize("padding", [b"\0", b"\1"])
def test_where_an_object_is(same, padding):
    """The place of an object is that of the container with which it is complete, padding or not, however they are cut.

    Every time goes back, so that each object tells its place.
    """
    found = set()
    for size in range(46, 99):
        times = range(90_000_000, 60_000_000, -1_000_500)
        objects = [an_object(1, time) + an_object(2, time - 500, content=bytes(3))[:-3] + padding * 3 for time in times]
        found.add(same(blf(b"".join(objects), size, 0))[1].steps_back)
    assert len(found) == 1


def test_half_a_microsecond(same):
    """Ticks of a nanosecond are rounded half up."""
    objects = b"".join(an_object(1, ticks) for ticks in (1_499, 2_500, 3_501, 4_499))
    assert [entry.time for entry in same(blf(objects))[0]["1"]][:4] == [0, 2, 3, 3]


@pytest.mark.parametrize("rest", range(12))
def test_a_log_that_ends_behind_a_mark(same, rest):
    """Only the mark, or a few bytes more, of an object behind a padded one: both are read as one by one."""
    padded = an_object(2, 2_000_000, content=bytes(3))
    found = same(blf(padded + FRAME * 3 + padded + FRAME[: 4 + rest]))
    assert (found[1].frames, found[1].skipped) == (3, {"error": 2})

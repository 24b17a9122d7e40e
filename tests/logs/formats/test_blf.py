"""Binary logs: damage, containers, the objects that python-can reads and does not write."""

import io
import struct
import zlib

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.formats.blf import MAX_OBJECT_BYTES
from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame

START = 1_410_714_882_622
"""Milliseconds since the epoch: 2014-09-14 17:14:42.622 UTC."""
HEADER = struct.pack("<4sL32x8H", b"LOGG", 144, 2014, 9, 0, 14, 17, 14, 42, 622).ljust(144, b"\0")
EXTENDED = 0x80000000
CUT = "an object that is cut off"
ORPHANS = "bytes that belong to no object: damaged before this place"


def read(content):
    """Return the frames and the statistics of a log."""
    with open_log(io.BytesIO(content)) as log:
        return list(log.frames()), log.statistics


def thing(type_, body, *, at=1000, flags=2, version=1, size=None):
    """Return one object with its header, as both versions lay it out."""
    times = struct.pack("<LHHQ", flags, 0, 0, at) + bytes(8 * (version == 2))
    size = 16 + len(times) + len(body) if size is None else size
    return struct.pack("<4sHHLL", b"LOBJ", 16 + len(times), version, size, type_) + times + body


def classic(identifier=0x19FFE45E, data=b"\1\2\3", **more):
    """Return a classic frame on channel 2."""
    return thing(1, struct.pack("<HBBL8s", 2, 0, len(data), identifier | EXTENDED, data), **more)


def container(content, packing=2, size=None):
    """Return one container."""
    body = struct.pack("<H6xL4x", packing, len(content)) + (zlib.compress(content) if packing == 2 else content)
    size = 16 + len(body) if size is None else size
    return struct.pack("<4sHHLL", b"LOBJ", 16, 1, size, 10) + body + bytes(size % 4)


def with_python_can(content):
    """Return what python-can finds: microseconds after the start, identifier, data, FD or not, remote or not."""
    return [
        (round(m.timestamp * 1e6) - START * 1000, m.arbitration_id, bytes(m.data), m.is_fd, m.is_remote_frame)
        for m in can.BLFReader(io.BytesIO(content))
    ]


def written(count, **more):
    """Return a log of as many frames as python-can writes it, in several containers."""
    file = io.BytesIO()
    file.close = lambda: None
    with can.BLFWriter(file, max_container_size=1000, **more) as writer:
        for i in range(count):
            writer.on_message_received(
                can.Message(timestamp=START / 1e3 + i, arbitration_id=0x1F000000 + i, data=bytes([i % 256] * 8))
            )
    return file.getvalue()


@pytest.mark.parametrize("level", [0, 9])
def test_frames_that_go_on_in_the_next_container(level):
    """Objects are cut by containers at any byte; none is lost, packed or not."""
    content = written(300, compression_level=level)
    frames, statistics = read(content)
    assert frames == [Frame(i * 1_000_000, 0x1F000000 + i, bytes([i % 256] * 8)) for i in range(300)]
    assert (statistics.unreadable, statistics.started, statistics.first) == ((), START * 1000, 0)
    assert statistics.channels == ("1",)


@pytest.mark.parametrize(
    ("item", "frame"),
    [
        (classic(at=1499), (1, 0x19FFE45E, b"\1\2\3")),
        (classic(at=1500), (2, 0x19FFE45E, b"\1\2\3")),
        (classic(at=7, flags=1), (70, 0x19FFE45E, b"\1\2\3")),
        (classic(version=2), (1, 0x19FFE45E, b"\1\2\3")),
        (thing(86, struct.pack("<HBBL8sLB3x", 2, 0, 15, EXTENDED, b"12345678", 1, 1)), (1, 0, b"12345678")),
        (thing(100, struct.pack("<HBBLLBBB5x64s", 2, 0, 8, EXTENDED | 5, 1, 1, 0, 2, b"123")), (1, 5, b"12")),
        (thing(101, struct.pack("<BBBBLLLLLLLHBBL", 2, 8, 3, 0, EXTENDED | 5, *[0] * 10) + b"123"), (1, 5, b"123")),
        (thing(101, struct.pack("<BBBBLLLLLLLHBBL", 2, 8, 3, 0, EXTENDED | 5, *[0] * 10) + b"1"), (1, 5, b"1\0\0")),
    ],
)
def test_objects_that_hold_a_frame(item, frame):
    """Both headers, both units of time and every object with a classic frame are read as python-can does."""
    content = HEADER + container(classic(at=0) + item)
    frames, statistics = read(content)
    assert frames[1:] == [frame]
    theirs = with_python_can(content)
    assert [each[1:] for each in theirs] == [(*each[1:], False, False) for each in frames]
    assert all(abs(a.time - b[0]) <= 1 for a, b in zip(frames, theirs, strict=True))  # theirs passes through a float
    assert (statistics.channels, statistics.skipped, statistics.unreadable) == (("2",), {}, ())


@pytest.mark.parametrize(
    ("item", "kind"),
    [
        (thing(1, struct.pack("<HBBL8s", 2, 0, 1, 0x123, b"1")), "11-bit"),
        (thing(1, struct.pack("<HBBL8s", 2, 0x80, 1, EXTENDED, b"")), "remote"),
        (thing(100, struct.pack("<HBBLLBBB5x64s", 2, 0x80, 8, EXTENDED, 1, 1, 0, 2, b"")), "remote"),
        (thing(100, struct.pack("<HBBLLBBB5x64s", 2, 0, 9, EXTENDED, 1, 1, 1, 12, b"")), "FD"),
        (thing(101, struct.pack("<BBBBLLLLLLLHBBL", 2, 8, 0, 0, EXTENDED, 0, 0x10, *[0] * 8)), "remote"),
        (thing(101, struct.pack("<BBBBLLLLLLLHBBL", 2, 9, 12, 0, EXTENDED, 0, 0x1000, *[0] * 8) + bytes(12)), "FD"),
        (thing(73, struct.pack("<H", 2) + bytes(30)), "error"),
    ],
)
def test_objects_that_hold_something_else(item, kind):
    """Other kinds of frames are counted, with their time and channel."""
    _, statistics = read(HEADER + container(item))
    assert (statistics.skipped, statistics.channels, statistics.first) == ({kind: 1}, ("2",), 1)
    assert statistics.unreadable == ()


@pytest.mark.parametrize("item", [thing(96, bytes(40)), classic(version=3)])
def test_objects_that_are_no_frames_do_not_start_the_log(item):
    """Markers and objects with a head of another version are events."""
    _, statistics = read(HEADER + container(item))
    assert (statistics.skipped, statistics.first, statistics.unreadable) == ({"event": 1}, None, ())


def test_objects_outside_of_containers_are_read():
    """A frame that stands by itself counts as well."""
    assert read(HEADER + classic())[0] == [Frame(0, 0x19FFE45E, b"\1\2\3")]


def test_a_start_that_is_no_date_is_none():
    """A header without a date gives relative times."""
    assert read(HEADER[:40].ljust(144, b"\0") + container(classic()))[1].started is None


@pytest.mark.parametrize(
    ("content", "unreadable"),
    [
        (HEADER[:50], (0, "cut off in the first bytes")),
        (HEADER + container(classic())[:20], (144, "a container that is cut off")),
        (HEADER + container(classic())[:9], (144, "an object that is cut off")),
        (HEADER + container(classic(), packing=1), (144, "a container with an unknown compression (1)")),
        (HEADER + container(classic())[:-6] + bytes(6), (144, "a container whose content is damaged")),
        (HEADER + container(thing(1, b"")), (None, "an object that is cut off")),
    ],
)
def test_what_cannot_be_read(content, unreadable):
    """Damage is placed and explained."""
    frames, statistics = read(content)
    assert (frames, statistics.unreadable_count) == ([], 1)
    assert statistics.unreadable[0][1] == unreadable[1]
    assert unreadable[0] in (None, statistics.unreadable[0][0])


def test_a_damaged_container_costs_its_own_frames():
    """Those before and behind it are read, and the object that was cut by it is not made up."""
    first, third = classic(1), classic(3)
    whole = first + classic(2)
    damaged = container(classic(9))[:-6] + b"\xff" * 6
    content = HEADER + container(whole + third[:20]) + damaged + container(third[20:] + classic(4))
    frames, statistics = read(content)
    assert [frame.identifier for frame in frames] == [1, 2, 4]
    assert [why for _, why in statistics.unreadable] == [
        "a container whose content is damaged", "an object that is cut off", ORPHANS,
    ]  # fmt: skip
    assert statistics.unreadable[0][0] == 144 + len(container(whole + third[:20]))


@pytest.mark.parametrize(
    ("size", "told"),
    [
        (0, [ORPHANS]),
        (15, [ORPHANS]),
        (20, [CUT, ORPHANS]),
        (47, [CUT]),
        (60, [ORPHANS]),
        (MAX_OBJECT_BYTES + 1, [ORPHANS]),
    ],
)
def test_an_object_with_an_impossible_size_costs_itself(size, told):
    """The next object is found by its mark."""
    frames, statistics = read(HEADER + container(classic(1) + classic(2, size=size) + classic(3) + bytes(3)))
    assert [frame.identifier for frame in frames] == [1, 3]
    assert [why for _, why in statistics.unreadable] == told


def test_an_object_that_claims_the_rest_of_the_log_costs_itself():
    """What follows it is found when the end of the log has shown that the size is wrong."""
    frames, statistics = read(HEADER + container(classic(1) + classic(2, size=5000)[:30] + classic(3)))
    assert [frame.identifier for frame in frames] == [1, 3]
    assert [why for _, why in statistics.unreadable] == ["an object that is cut off"]


def test_a_container_with_an_impossible_size_costs_itself():
    """The next container is found by its mark; rubbish between containers is told."""
    content = HEADER + container(classic(1)) + container(classic(2), size=5) + container(classic(3)) + b"rubbish"
    frames, statistics = read(content)
    assert [frame.identifier for frame in frames] == [1, 3]
    assert [why for _, why in statistics.unreadable] == [ORPHANS, ORPHANS]
    assert statistics.unreadable[-1][0] == len(content)


@pytest.mark.parametrize("level", [0, 9])
@given(cut=st.integers(1, 2000))
def test_a_log_that_is_cut_off_gives_what_it_holds(level, cut):
    """Frames up to the cut come out in order, each once, and the cut is told unless it lies between two objects.

    In a container that is stored and cut off, the one frame that began in the container before it may be lost.
    """
    whole = written(100, compression_level=level)
    content = whole[: max(len(HEADER), len(whole) - cut)]
    frames, statistics = read(content)
    numbers = [frame.identifier - 0x1F000000 for frame in frames]
    assert numbers == sorted(set(numbers))
    assert not numbers or len(numbers) >= numbers[-1]
    assert statistics.unreadable_count <= 3
    assert numbers or len(content) < 1200

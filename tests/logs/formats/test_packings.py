"""Packed logs: gzip, xz and bz2, whole, cut and damaged; how much memory they take."""

import bz2
import gzip
import io
import lzma
import random
import tracemalloc
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.logs.formats.packings import MARK_BYTES, PACKINGS
from rvsim.logs.formats.source import MAX_PACKINGS, ByteSource
from rvsim.logs.read import open_log

rng = random.Random(7)
LINES = [f"({i}.000000) can0 19FFE45E#{rng.getrandbits(64):016X}\n".encode() for i in range(1500)]
CONTENT = b"".join(LINES)
PACK = {"gzip": lambda content: gzip.compress(content, mtime=0), "xz": lzma.compress, "bz2": bz2.compress}
PACKED = {name: pack(CONTENT) for name, pack in PACK.items()}


def read(content):
    """Return kind, frames and statistics of a log."""
    with open_log(io.BytesIO(content)) as log:
        frames = list(log.frames())
        return log.kind, frames, log.statistics


FRAMES = read(CONTENT)[1]


@pytest.mark.parametrize("name", PACK)
def test_a_packed_log_is_the_log(name):
    """Frame for frame, also where streams follow each other with zeros between them."""
    assert read(PACKED[name]) == (f"candump text, {name}", FRAMES, read(CONTENT)[2])
    halves = PACK[name](b"".join(LINES[:700])) + bytes(512) + PACK[name](b"".join(LINES[700:])) + bytes(4)
    assert read(halves)[1] == FRAMES
    assert read(halves)[2].unreadable == ()
    assert read(PACK[name](b""))[:2] == (f"empty, {name}", [])


@pytest.mark.parametrize("name", PACK)
@given(part=st.floats(0.1, 1))
def test_a_packed_log_that_is_cut_off_gives_what_it_holds(name, part):
    """The frames are those of its beginning, and the cut is told behind them."""
    packed = PACKED[name]
    kept = packed[: MARK_BYTES + round(part * (len(packed) - MARK_BYTES - 1))]
    _, frames, found = read(kept)
    assert frames == FRAMES[: len(frames)]
    assert [why for _, why in found.unreadable] == [f"the {name} file is cut off"] or not frames
    if name != "bz2":  # which gives nothing before the end of a block
        assert len(frames) > len(FRAMES) * part - 300


def test_a_packed_log_of_which_nearly_nothing_is_left():
    """The refusal says why."""
    with pytest.raises(InputError, match=r"not a log of a known format: give one of .* \(the gzip file is cut off\)"):
        read(gzip.compress(b"(1.0) can0 19FF")[:-9])


@pytest.mark.parametrize("name", PACK)
@given(place=st.integers(30, 5000), flip=st.integers(1, 255))
def test_a_packed_log_that_is_damaged_is_read_up_to_there(name, place, flip):
    """Nothing raises; the damage is told, unless it changed nothing that counts."""
    packed = bytearray(PACKED[name])
    packed[place] ^= flip
    try:
        _, frames, found = read(packed)
    except InputError:  # a table of the packing was hit: everything behind it is rubbish
        assert name != "xz"
        return
    why = [text for _, text in found.unreadable]
    assert frames == FRAMES or any(name in text for text in why)
    if name == "xz":  # it loses a small piece at most
        same = next(
            (n for n, (ours, theirs) in enumerate(zip(frames, FRAMES, strict=False)) if ours != theirs), len(frames)
        )
        assert same > len(FRAMES) * place / len(packed) - 300


@pytest.mark.parametrize("name", PACK)
@given(content=st.binary(max_size=60))
def test_a_mark_and_rubbish_behind_it(name, content):
    """It gives no frame, and one clear line or a place that could not be read."""
    mark = next(packing.mark for packing in PACKINGS if packing.name == name)
    with suppress(InputError):
        _, frames, found = read(mark + content)
        assert frames == []
        assert found.unreadable_count or not content.strip()


def test_a_text_that_begins_like_a_packing_is_a_text():
    """The mark of bz2 is three letters and a digit."""
    _, frames, found = read(b"BZh1 is no frame\n" + LINES[0])
    assert (len(frames), found.unreadable_count) == (1, 1)


def test_packings_around_packings():
    """Each is named, the outermost first; a file that unpacks to another again and again is refused."""
    assert read(gzip.compress(lzma.compress(CONTENT)))[0] == "candump text, gzip, xz"
    content = CONTENT
    for _ in range(MAX_PACKINGS):
        content = gzip.compress(content)
    assert read(content)[1] == FRAMES
    with pytest.raises(InputError, match=r"^-: packed more than 6 times: unpack it first$"):
        read(gzip.compress(content))


@pytest.mark.parametrize(
    ("mark", "about"),
    [(b"7z\xbc\xaf\x27\x1c", "a 7z archive"), (b"Rar!\x1a\x07", "a rar archive"), (b"\x28\xb5\x2f\xfd", "zstd")],
)
def test_what_cannot_be_unpacked_is_said_in_one_line(mark, about):
    """What it is, and what to do."""
    with pytest.raises(InputError, match=rf"^-: .*{about}.*, which cannot be read: unpack it first"):
        read(mark + bytes(100))


@pytest.mark.parametrize("name", PACK)
def test_memory_is_bounded_however_much_a_stream_expands(name):
    """A hundred megabytes of zeros come in small blocks."""
    packed = PACK[name](bytes(100_000_000))
    tracemalloc.start()
    try:
        source = ByteSource(io.BytesIO(packed))
        sizes = [len(block) for block in source.blocks()]
        assert sum(sizes) == 100_000_000
        assert max(sizes) <= 1 << 17
        assert tracemalloc.get_traced_memory()[1] < (12_000_000 if name == "xz" else 3_000_000)  # xz keeps 8 MiB
    finally:
        tracemalloc.stop()

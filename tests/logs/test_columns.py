"""Bits and load in columns against the count frame by frame, published figures and a recorded bus."""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rvsim.logs.columns import BLOCK, Columns, PairUse, Second, bits_in, columns
from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame
from rvsim.wire.timing import exact_bits, least_bits, most_bits

LOG = Path(__file__).parent.parent / "data" / "marine_bus_2014.log"
SECOND = 1_000_000
COUNTED = {"01A00FA6603BD140": 141, "021FDE8025DFC02B": 140, "03E1004BFFFF3C0F": 146}
"""Data of frames with the identifier 18EBFF00 and the bits that CAN hardware counted, the 3 between frames included
(test/data/logfile.asc of the python-can 4.6.1 sources)."""
FRAMES = st.lists(
    st.builds(
        Frame,
        st.integers(0, 5 * SECOND),
        st.integers(0, (1 << 29) - 1) | st.sampled_from([0, (1 << 29) - 1]),
        st.binary(max_size=8) | st.sampled_from([bytes(8), b"\xff" * 8, bytes(3), b""]),
    )
).map(sorted)


@pytest.fixture(scope="module")
def recorded():
    """Read the recorded bus."""
    with open_log(LOG) as log:
        return list(log.frames())


def counted(frames):
    """Return a count of frames."""
    use = PairUse()
    use.add(columns(frames))
    return use


def full(time, source=0):
    """Return a frame of eight bytes, with many stuff bits."""
    return Frame(time, 0x18FEF000 | source, bytes(8))


# Bits of each frame.


def test_bits_that_hardware_counted():
    """Frames in columns are as long as CAN hardware has found them."""
    frames = [Frame(0, 0x18EBFF00, bytes.fromhex(data)) for data in COUNTED]
    assert bits_in(columns(frames)).tolist() == list(COUNTED.values())


@given(FRAMES)
@example([])
@example([Frame(0, (1 << 29) - 1, b"\xff" * length) for length in range(9)])
@example([Frame(0, 0, bytes(length)) for length in range(9)])
def test_each_frame_has_its_exact_bits(frames):
    """Frames of all lengths, mixed, have the bits that are counted one by one."""
    assert bits_in(columns(frames)).tolist() == [exact_bits(frame.identifier, frame.data) for frame in frames]


def test_a_recorded_bus_has_its_exact_bits(recorded):
    """So have the frames of a recorded bus."""
    assert bits_in(columns(recorded)).tolist() == [exact_bits(frame.identifier, frame.data) for frame in recorded]


@pytest.mark.parametrize("count", [BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK + 1])
def test_more_frames_than_a_block(count, recorded):
    """No frame is lost or counted twice where one block of work ends and the next begins."""
    bits = bits_in(columns(recorded)).tolist()
    assert bits_in(columns((recorded * 4)[:count])).tolist() == (bits * 4)[:count]


def test_what_lies_behind_the_last_byte_says_nothing():
    """The number that holds the bytes may have anything behind them."""
    held = Columns(
        np.array([0], np.int64),
        np.array([5], np.uint32),
        np.array([0x0102FFFFFFFFFFFF], np.uint64),
        np.array([2], np.uint8),
    )
    assert bits_in(held).tolist() == [exact_bits(5, b"\x01\x02")]


def test_frames_as_arrays():
    """Times, identifiers, bytes and lengths stand in arrays; the first byte is the highest."""
    held = columns([Frame(7, 0x19FFE2A1, b"\x01\x02"), Frame(9, 1, bytes(range(8)))])
    assert len(held) == 2
    assert held.times.tolist() == [7, 9]
    assert held.identifiers.tolist() == [0x19FFE2A1, 1]
    assert held.data.tolist() == [0x0102000000000000, 0x0001020304050607]
    assert held.lengths.tolist() == [2, 8]
    assert [each.dtype for each in (held.times, held.identifiers, held.data, held.lengths)] == [
        np.int64, np.uint32, np.uint64, np.uint8,
    ]  # fmt: skip


def test_what_is_no_frame_is_refused():
    """Nine bytes or an identifier of 30 bits are a mistake of the caller."""
    with pytest.raises(ValueError, match="9 bytes do not fit in one frame, which has at most 8"):
        columns([Frame(0, 0, bytes(8)), Frame(0, 0, bytes(9))])
    held = columns([Frame(0, 0, b""), Frame(0, 1 << 29, b"")])
    with pytest.raises(ValueError, match="identifiers have 29 bits"):
        bits_in(held)
    with pytest.raises(ValueError, match="a frame has at most 8 bytes"):
        bits_in(Columns(held.times[:1], held.identifiers[:1], held.data[:1], np.array([9], np.uint8)))


# How busy the pair was.


@given(FRAMES, st.integers(1, 7))
def test_the_load_is_the_sum_of_its_frames(frames, size):
    """Bits by second and by source are those of the frames, however they are cut into pieces."""
    use, by_second, by_source = PairUse(), Counter(), Counter()
    assert list(use.through(iter(frames), size)) == frames
    for frame in frames:
        by_second[frame.time // SECOND] += exact_bits(frame.identifier, frame.data)
        by_source[frame.identifier & 0xFF] += exact_bits(frame.identifier, frame.data)
    assert use.frames == len(frames)
    assert use.bits == by_second.total()
    assert use.by_second == by_second
    assert use.by_source == by_source
    assert (use.worst.bits if use.worst else 0) == max(by_second.values(), default=0)
    if use.worst:
        second = use.worst.start // SECOND
        assert second == min(number for number, bits in by_second.items() if bits == use.worst.bits)
        here = Counter()
        for frame in frames:
            if frame.time // SECOND == second:
                here[frame.identifier & 0xFF] += exact_bits(frame.identifier, frame.data)
        assert use.worst.by_source == here


def test_a_recorded_bus_lies_within_its_bounds(recorded):
    """A marine bus was between 2.4 and 2.9 % busy, by the fewest and the most bits of its frames."""
    use = counted(recorded)
    bounds = [use.percent(sum(bits(len(frame.data)) for frame in recorded)) for bits in (least_bits, most_bits)]
    assert bounds == [pytest.approx(2.4, abs=0.05), pytest.approx(2.9, abs=0.05)]
    assert bounds[0] < use.average_percent < bounds[1]
    assert use.average_percent == pytest.approx(2.56, abs=0.005)
    assert use.worst.bits == 7288
    assert use.worst_percent == pytest.approx(2.915, abs=0.001)


def test_a_second_and_its_room():
    """1500 frames in one second: their bits of the 250,000, and the rest is room for frames of 160 bits at most."""
    bits = exact_bits(full(0).identifier, full(0).data)
    use = counted([full(i * SECOND // 1500) for i in range(1500)])
    assert use.worst_percent == 100 * 1500 * bits / 250_000
    assert use.room_percent == pytest.approx(100 - use.worst_percent)
    assert use.room_frames == (250_000 - 1500 * bits) // 160


def test_average_from_the_first_frame_to_the_last():
    """Three frames within two seconds, at 250 and at 500 kbit/s."""
    frames = [full(7 * SECOND), full(8 * SECOND), full(9 * SECOND)]
    bits = exact_bits(full(0).identifier, full(0).data)
    use = counted(frames)
    assert use.average_percent == 100 * 3 * bits / 500_000
    assert use.percent(bits) == 100 * bits / 500_000
    twice = PairUse(500_000)
    twice.add(columns(frames))
    assert twice.average_percent == 100 * 3 * bits / 1_000_000
    assert twice.worst_percent == 100 * bits / 500_000


def test_the_worst_second_and_who_used_it():
    """The second is told by its start, with the bits of each source; of equals the first."""
    use = counted([full(0, 1), full(3_200_000, 1), full(3_999_999, 2), full(4_000_000, 1)])
    one, two = (exact_bits(full(0, source).identifier, bytes(8)) for source in (1, 2))
    assert use.worst == Second(3 * SECOND, one + two, {1: one, 2: two})
    equal = counted([full(1_500_000, 1), full(2_500_000, 1)])
    assert equal.worst == Second(SECOND, one, {1: one})


def test_a_second_goes_on_in_the_next_piece():
    """What is told of the worst second does not change when it goes on, and a new telling has all of it."""
    use = counted([full(0, 1)])
    early = use.worst
    use.add(columns([full(10, 2)]))
    one, two = (exact_bits(full(0, source).identifier, bytes(8)) for source in (1, 2))
    assert early == Second(0, one, {1: one})
    assert use.worst == Second(0, one + two, {1: one, 2: two})
    assert use.average_percent == 100 * (one + two) * SECOND / (250_000 * 10)


def test_no_room_in_a_second_that_is_more_than_full():
    """Frames that ended in a second and began before it can be more than fit: the room is none, not less."""
    use = counted([full(i) for i in range(2000)])
    assert use.worst_percent > 100
    assert use.room_percent == 0
    assert use.room_frames == 0


def test_nothing_was_sent():
    """Without frames there is no load, no worst second, and room for 1562 full frames a second.

    1562.5 of 160 bits fill it (Davis and others 2007, eqs 1-3).
    """
    use = counted([])
    assert (use.frames, use.bits, use.average_percent, use.worst, use.worst_percent) == (0, 0, 0.0, None, 0.0)
    assert (use.room_percent, use.room_frames) == (100, 1562)
    assert dict(use.by_source) == use.by_second == {}


def test_one_moment_has_no_average():
    """Where no time passed an average would be without end."""
    assert counted([full(5)]).average_percent == 0
    assert counted([full(5), full(5)]).frames == 2


def test_a_far_second_takes_no_memory():
    """A time decades later is one more second, not all between."""
    use = counted([full(0), full(10**15)])
    assert list(use.by_second) == [0, 10**9]


def test_times_that_go_back_are_refused():
    """Frames are counted in the order of their times, within a piece and from one to the next."""
    use = PairUse()
    with pytest.raises(ValueError, match="the time of a frame goes back"):
        use.add(columns([full(1), full(0)]))
    use.add(columns([full(5)]))
    use.add(columns([]))
    with pytest.raises(ValueError, match="the time of a frame goes back"):
        use.add(columns([full(4)]))
    use.add(columns([full(5)]))
    assert use.frames == 2


def test_frames_are_given_on_before_all_are_read():
    """Of an endless log only the piece that is worked on is read ahead."""
    use = PairUse()
    endless = (full(time) for time in iter(int, 1))
    through = use.through(endless, 3)
    assert [next(through) for _ in range(4)] == [full(0)] * 4
    assert use.frames == 6

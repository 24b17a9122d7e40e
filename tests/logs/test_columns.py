"""Bits and load in columns against the count frame by frame, published figures and a recorded bus."""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rvsim.logs.columns import BLOCK_FRAMES, BusySecond, Columns, LogLoad, frame_bits, standard_frame_bits, to_columns
from rvsim.logs.read import open_log
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import Disturbed, ErrorFrame, NotAcknowledged, OtherFrame, OtherKind
from rvsim.wire.timing import exact_bits, max_bits, min_bits, standard_bits

LOG = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
COUNTED = {"01A00FA6603BD140": 141, "021FDE8025DFC02B": 140, "03E1004BFFFF3C0F": 146}
"""Data of frames with the identifier 18EBFF00 and the bits that CAN hardware counted, the 3 between frames included
(test/data/logfile.asc of the python-can 4.6.1 sources)."""
FRAMES = st.lists(
    st.builds(
        Frame,
        st.integers(0, 5 * SECOND_US),
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
    use = LogLoad()
    use.add(to_columns(frames))
    return use


def full(time, source=0):
    """Return a frame of eight bytes, with many stuff bits."""
    return Frame(time, 0x18FEF000 | source, bytes(8))


# Bits of each frame.


def test_bits_that_hardware_counted():
    """Frames in columns are as long as CAN hardware has found them."""
    frames = [Frame(0, 0x18EBFF00, bytes.fromhex(data)) for data in COUNTED]
    assert frame_bits(to_columns(frames)).tolist() == list(COUNTED.values())


@given(FRAMES)
@example([])
@example([Frame(0, (1 << 29) - 1, b"\xff" * length) for length in range(9)])
@example([Frame(0, 0, bytes(length)) for length in range(9)])
def test_each_frame_has_its_exact_bits(frames):
    """Frames of all lengths, mixed, have the bits that are counted one by one."""
    assert frame_bits(to_columns(frames)).tolist() == [exact_bits(frame.identifier, frame.data) for frame in frames]


@given(FRAMES)
@example([Frame(0, 2047, b"\xff" * length) for length in range(9)])
@example([Frame(0, 0, bytes(length)) for length in range(9)])
def test_each_frame_with_an_11_bit_identifier_has_its_exact_bits(frames):
    """So have frames with 11-bit identifiers; a larger identifier is refused."""
    short = [frame._replace(identifier=frame.identifier & 0x7FF) for frame in frames]
    expected = [standard_bits(frame.identifier, frame.data) for frame in short]
    assert standard_frame_bits(to_columns(short)).tolist() == expected
    with pytest.raises(ValueError, match="identifiers have 11 bits"):
        standard_frame_bits(to_columns([Frame(0, 2048, b"")]))


def test_a_recorded_bus_has_its_exact_bits(recorded):
    """So have the frames of a recorded bus."""
    assert frame_bits(to_columns(recorded)).tolist() == [exact_bits(frame.identifier, frame.data) for frame in recorded]


@pytest.mark.parametrize("count", [BLOCK_FRAMES - 1, BLOCK_FRAMES, BLOCK_FRAMES + 1, 2 * BLOCK_FRAMES + 1])
def test_more_frames_than_a_block(count, recorded):
    """No frame is lost or counted twice where one block of work ends and the next begins."""
    bits = frame_bits(to_columns(recorded)).tolist()
    assert frame_bits(to_columns((recorded * 4)[:count])).tolist() == (bits * 4)[:count]


def test_what_lies_behind_the_last_byte_says_nothing():
    """The number that holds the bytes may have anything behind them."""
    held = Columns(
        np.array([0], np.int64),
        np.array([5], np.uint32),
        np.array([0x0102FFFFFFFFFFFF], np.uint64),
        np.array([2], np.uint8),
    )
    assert frame_bits(held).tolist() == [exact_bits(5, b"\x01\x02")]


def test_frames_as_arrays():
    """Times, identifiers, bytes and lengths stand in arrays; the first byte is the highest."""
    held = to_columns([Frame(7, 0x19FFE2A1, b"\x01\x02"), Frame(9, 1, bytes(range(8)))])
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
        to_columns([Frame(0, 0, bytes(8)), Frame(0, 0, bytes(9))])
    held = to_columns([Frame(0, 0, b""), Frame(0, 1 << 29, b"")])
    with pytest.raises(ValueError, match="identifiers have 29 bits"):
        frame_bits(held)
    with pytest.raises(ValueError, match="a frame has at most 8 bytes"):
        frame_bits(Columns(held.times[:1], held.identifiers[:1], held.data[:1], np.array([9], np.uint8)))


# How busy the pair was.


OTHERS = st.lists(
    st.tuples(st.integers(0, 4 * SECOND_US), st.sampled_from(OtherKind), st.integers(20, 130)), max_size=6
)


def seconds_by_hand(told):
    """Return the bits of the second that ends with each of (time, bits, user): those later than a second before."""
    return {end: sum(bits for time, bits, _ in told if end - SECOND_US < time <= end) for end, _, _ in told}


@given(FRAMES, OTHERS, st.integers(1, 7))
def test_the_load_is_the_sum_of_its_frames(frames, others, size):
    """Bits, those of the worst second wherever it begins, and by user, are those of all frames, however cut."""
    contents = sorted([*frames, *(OtherFrame(*one) for one in others)], key=lambda one: one.time)
    use = LogLoad()
    for start in range(0, len(contents), size):
        use.add_contents(contents[start : start + size])
    told = [(one.time, exact_bits(one.identifier, one.data), one.identifier & 0xFF) if isinstance(one, Frame)
            else (one.time, one.bits, str(one.kind)) for one in contents]  # fmt: skip
    by_user = Counter()
    for _, bits, user in told:
        by_user[user] += bits
    assert use.frames == len(frames)
    assert use.bits == by_user.total()
    assert use.by_user == by_user
    began = told[0][0] - told[0][1] * 4 if told else 0
    whole = (told[-1][0] - began) // SECOND_US if told else 0
    if not whole:
        assert use.peak is None
        return
    by_hand = seconds_by_hand(told)
    assert use.peak.bits == max(by_hand.values())
    assert use.peak.end == min(end for end, bits in by_hand.items() if bits == use.peak.bits)
    here = Counter()
    for time, bits, user in told:
        if use.peak.end - SECOND_US < time <= use.peak.end:
            here[user] += bits
    assert use.peak.by_user == here
    within = sum(bits for time, bits, _ in told if time <= began + whole * SECOND_US)
    assert use.average_percent == pytest.approx(100 * within / (250_000 * whole))
    assert use.average_percent <= use.peak_percent


def test_a_recorded_bus_lies_within_its_bounds(recorded):
    """A marine bus was between 2.4 and 2.9 % busy, by the fewest and the most bits of its frames; 214 s are whole."""
    use = counted(recorded)
    seconds = (recorded[-1].time - recorded[0].time) / SECOND_US
    bounds = [
        100 * sum(bits(len(frame.data)) for frame in recorded) / seconds / 250_000 for bits in (min_bits, max_bits)
    ]
    assert bounds == [pytest.approx(2.4, abs=0.05), pytest.approx(2.9, abs=0.05)]
    assert bounds[0] < use.average_percent < bounds[1]
    assert use.average_percent == pytest.approx(2.56, abs=0.005)
    by_hand = seconds_by_hand_in_order(recorded)
    assert use.peak.bits == max(by_hand)
    assert use.peak_percent == pytest.approx(max(by_hand) / 2500)


def seconds_by_hand_in_order(frames):
    """Return the bits of the second that ends with each frame, of frames in order."""
    sums, inside, total = [], [], 0
    for frame in frames:
        bits = exact_bits(frame.identifier, frame.data)
        inside.append((frame.time, bits))
        total += bits
        while inside[0][0] <= frame.time - SECOND_US:
            total -= inside.pop(0)[1]
        sums.append(total)
    return sums


def test_a_second_and_its_room():
    """1500 frames in one second: their bits of the 250,000, and the rest is room for frames of 160 bits at most."""
    bits = exact_bits(full(0).identifier, full(0).data)
    use = counted([full(i * SECOND_US // 1500) for i in range(1501)])
    assert use.peak_percent == 100 * 1500 * bits / 250_000
    assert use.room_percent == pytest.approx(100 - use.peak_percent)
    assert use.room_frames == (250_000 - 1500 * bits) // 160


def test_the_average_is_that_of_whole_seconds():
    """Three frames within two seconds, at 250 and at 500 kbit/s; the third is behind the second whole one."""
    frames = [full(7 * SECOND_US), full(8 * SECOND_US), full(9 * SECOND_US)]
    bits = exact_bits(full(0).identifier, full(0).data)
    assert counted(frames).average_percent == 100 * 2 * bits / 500_000
    twice = LogLoad(500_000)
    twice.add(to_columns(frames))
    assert twice.average_percent == 100 * 2 * bits / 1_000_000
    assert twice.peak_percent == 100 * bits / 500_000


def test_the_average_is_not_above_the_worst_second():
    """Bursts at both ends of 1.5 s: over 1.5 s they are more than any second holds, over the whole one they are not."""
    use = counted([full(10 + n) for n in range(50)] + [full(1_500_000 + n) for n in range(50)])
    assert use.average_percent == use.peak_percent


def test_the_worst_second_and_who_used_it():
    """The second is told by its end, with the bits of each source; of equals the first."""
    use = counted([full(0, 1), full(3_200_000, 1), full(4_100_000, 2), full(4_200_000, 1)])
    one, two = (exact_bits(full(0, source).identifier, bytes(8)) for source in (1, 2))
    assert use.peak == BusySecond(4_100_000, one + two, {1: one, 2: two})
    assert use.peak.start == 3_100_000
    equal = counted([full(1_500_000, 1), full(2_500_000, 1)])
    assert equal.peak == BusySecond(1_500_000, one, {1: one})


def test_a_second_goes_on_in_the_next_piece():
    """A second that lies across two pieces has all of its frames, and what was told of the worst does not change."""
    use = counted([full(0, 3), full(1_500_000, 1)])
    early = use.peak
    use.add(to_columns([full(2_499_999, 2)]))
    one, two, three = (exact_bits(full(0, source).identifier, bytes(8)) for source in (1, 2, 3))
    assert early == BusySecond(0, three, {3: three})
    assert use.peak == BusySecond(2_499_999, one + two, {1: one, 2: two})


def test_a_log_that_is_shorter_than_a_second_has_no_worst_second():
    """Its average is over the time from the start of its first frame; a microsecond short of a second is too short."""
    bits = exact_bits(full(0).identifier, full(0).data)
    began = -bits * 4
    short = counted([full(0), full(began + SECOND_US - 1)])
    assert (short.peak, short.peak_percent) == (None, 0)
    assert short.average_percent == 100 * 2 * bits * SECOND_US / (250_000 * (SECOND_US - 1))
    whole = counted([full(0), full(began + SECOND_US)])
    assert whole.peak == BusySecond(began + SECOND_US, 2 * bits, {0: 2 * bits})
    assert whole.average_percent == whole.peak_percent


def test_more_than_fits_is_told_as_it_is():
    """2000 frames in two milliseconds: the figure is not clamped, no room is left, and it is known as impossible."""
    bits = exact_bits(full(0).identifier, full(0).data)
    use = counted([full(i) for i in range(2000)] + [full(2 * SECOND_US)])
    assert use.peak_percent == 100 * 2000 * bits / 250_000 > 100
    assert (use.room_percent, use.room_frames, use.is_impossible) == (0, 0, True)
    short = counted([full(i) for i in range(2000)])
    assert short.is_impossible
    assert short.average_percent > 100


def test_a_full_pair_is_possible():
    """Frames one behind the other, each at its own end: never more than 100.2 % of a second, nor of a shorter log."""
    bits = exact_bits(full(0).identifier, full(0).data)
    for count in (3, 5000):
        use = counted([full(n * bits * 4) for n in range(count)])
        assert not use.is_impossible
    assert 99.9 < use.peak_percent < 100.1


def test_nothing_was_sent():
    """Without frames there is no load, no worst second, and room for 1562 full frames a second.

    1562.5 of 160 bits fill it (Davis and others 2007, eqs 1-3).
    """
    use = counted([])
    assert (use.frames, use.bits, use.average_percent, use.peak, use.peak_percent) == (0, 0, 0.0, None, 0.0)
    assert (use.room_percent, use.room_frames, use.is_impossible) == (100, 1562, False)
    assert dict(use.by_user) == {}


def test_one_moment_has_no_average():
    """Where no time passed an average would be without end."""
    assert counted([full(5)]).average_percent == 0
    assert counted([full(5), full(5)]).frames == 2


def test_an_error_frame_counts_with_23_bits():
    """6 and 6 of flags, 8 of delimiter, 3 between frames: as a log tells it, and as a simulated pair does."""
    use = LogLoad()
    events = [ErrorFrame(1, "stuff error"), Disturbed(2, 1, ("a",)), NotAcknowledged(3, "a", 1, endless=True)]
    use.add_contents(events)  # type: ignore[arg-type]
    assert dict(use.by_user) == {"error": 46}


def test_times_that_go_back_are_refused():
    """Frames are counted in the order of their times, within a piece and from one to the next."""
    use = LogLoad()
    with pytest.raises(ValueError, match="the time of a frame goes back"):
        use.add(to_columns([full(1), full(0)]))
    use.add(to_columns([full(5)]))
    use.add(to_columns([]))
    with pytest.raises(ValueError, match="the time of a frame goes back"):
        use.add(to_columns([full(4)]))
    use.add(to_columns([full(5)]))
    assert use.frames == 2

"""Worst responses against the published example, examples by hand, and a simulated bus."""

from heapq import heappop, heappush

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rvsim.wire.response import (
    MAX_BUSY_US,
    PeriodicMessage,
    are_in_time,
    response_steps,
    utilisation_percent,
    worst_responses,
)
from rvsim.wire.timing import max_bits

BIT = 4
"""Microseconds at 250 kbit/s."""
MS = 1000
FULL = max_bits(8)


def played(streams, frames):
    """Play frames, given as (due, ready, index of stream), over a pair and return the longest response of each stream.

    A frame is not interrupted; of those that are ready when the pair is free the lowest identifier goes first, and of
    equals the one that was ready first.
    """
    worst = [0] * len(streams)
    coming, waiting, free = sorted(frames, key=lambda frame: frame[1]), [], 0
    while coming or waiting:
        if not waiting:
            free = max(free, coming[0][1])
        while coming and coming[0][1] <= free:
            due, ready, index = coming.pop(0)
            heappush(waiting, (streams[index].identifier, ready, index, due))
        _, _, index, due = heappop(waiting)
        free += streams[index].bits * BIT
        worst[index] = max(worst[index], free - due)
    return worst


def at_once(streams, until, begin=0):
    """Return the frames of streams that all begin at one time and come as often as they may."""
    return [(due, due, i) for i, one in enumerate(streams) for due in range(begin, until, one.gap)]


# By hand.


def test_the_published_example():
    """The third message fares worst with its second frame: 3.5 ms, where the first takes 3 ms.

    Three messages of 1 ms each, gaps of 2.5, 3.5 and 3.5 ms: the example by which Davis and others (2007) refute the
    analysis before theirs (figures from memory, worked out by hand here). All are due at 0: A takes 0 to 1, B 1 to 2, C
    2 to 3, A, due at 2.5, 3 to 4, B, due at 3.5, 4 to 5, A, due at 5, 5 to 6, and C, due at 3.5, ends at 7. A and B
    have to wait for a frame that has just begun: 1 + 1 ms, and 1 + 1 + 1 ms.
    """
    streams = [PeriodicMessage(1, 250, 2500), PeriodicMessage(2, 250, 3500), PeriodicMessage(3, 250, 3500)]
    assert worst_responses(streams) == [2 * MS, 3 * MS, 3500]
    assert utilisation_percent(streams) == pytest.approx(100 * (1 / 2.5 + 2 / 3.5))


def test_the_first_message_waits_for_one_frame_of_any_other():
    """The highest priority waits for the longest frame below it, 640 us, and takes its own 524 us."""
    streams = [PeriodicMessage(5, 131, 100 * MS), PeriodicMessage(6, 67, 100 * MS), PeriodicMessage(7, FULL, 100 * MS)]
    assert worst_responses(streams)[0] == 640 + 524


def test_the_last_message_waits_for_all_others_once():
    """No frame is below it, so none of lower priority is in front: 640 + 640 us, and its own 640."""
    assert worst_responses([PeriodicMessage(n, FULL, 100 * MS) for n in (1, 2, 3)])[2] == 3 * 640


def test_priority_is_the_identifier_not_the_order():
    """Each result stands in the place of its stream."""
    streams = [
        PeriodicMessage(3, FULL, 100 * MS),
        PeriodicMessage(1, FULL, 100 * MS),
        PeriodicMessage(2, FULL, 100 * MS),
    ]
    assert worst_responses(streams) == [3 * 640, 2 * 640, 3 * 640]


def test_own_jitter_counts_whole():
    """A frame that is ready 5 ms after it is due is on the pair 5 ms later."""
    assert worst_responses([PeriodicMessage(1, FULL, 100 * MS, 5 * MS)]) == [5640]


def test_the_jitter_of_others_brings_their_frames_closer():
    """With 9 ms of jitter a frame every 10 ms can come twice within 1 ms: late the first time, in time the second.

    By hand: the last message, due at 0, waits 640 us for the first frame and is about to go at 640; the second comes
    at 1000. With a jitter of 9.5 ms it comes at 500, in front.
    """
    last = PeriodicMessage(2, FULL, 100 * MS)
    assert worst_responses([PeriodicMessage(1, FULL, 10 * MS, 9000), last])[1] == 2 * 640
    assert worst_responses([PeriodicMessage(1, FULL, 10 * MS, 9500), last])[1] == 3 * 640


def test_a_frame_that_comes_with_the_start_goes_first():
    """Frames that are ready within one bit of each other's start take part in one arbitration.

    By hand: the last message would start at 640; the other's next frame is due at 640, at 643, or at 644, which is one
    bit after and too late.
    """
    last = PeriodicMessage(2, FULL, 100 * MS)
    found = [
        worst_responses([PeriodicMessage(1, FULL, 1_000_000 + gap, 1_000_000), last])[1] for gap in (640, 643, 644)
    ]
    assert found == [3 * 640, 3 * 640, 2 * 640]


def test_streams_with_one_identifier_wait_for_each_other():
    """Instances of one device: whichever was first, the other waits for it."""
    assert worst_responses([PeriodicMessage(1, FULL, 100 * MS)] * 2) == [2 * 640] * 2


def test_other_bit_rates():
    """At 500 kbit/s all takes half as long; parts of a microsecond count as a whole one."""
    streams = [PeriodicMessage(1, FULL, 100 * MS), PeriodicMessage(2, FULL, 100 * MS)]
    assert worst_responses(streams, 500_000) == [640, 640]
    assert utilisation_percent(streams, 500_000) == pytest.approx(0.64)
    assert worst_responses([PeriodicMessage(1, 10, 100 * MS)], 3_000_000) == [4]


def test_utilisation():
    """Ten full frames every 100 ms take 6.4 %, twenty every 5 s 0.256 % (arithmetic with 160 bits each)."""
    assert utilisation_percent([PeriodicMessage(n, FULL, 100 * MS) for n in range(10)]) == 6.4
    assert utilisation_percent(PeriodicMessage(n, FULL, 5000 * MS) for n in range(20)) == 0.256
    assert utilisation_percent([]) == 0


# Overload.


def test_a_gap_that_is_kept_just_so():
    """A response as long as the gap is in time, a microsecond more is not."""
    assert worst_responses([PeriodicMessage(1, FULL, 640)]) == [640]
    assert worst_responses([PeriodicMessage(1, FULL, 639)]) == [None]
    assert worst_responses([PeriodicMessage(1, FULL, 1280), PeriodicMessage(2, FULL, 1280)]) == [1280, 1280]
    assert worst_responses([PeriodicMessage(1, FULL, 1279), PeriodicMessage(2, FULL, 100 * MS)])[0] is None


def test_a_later_frame_can_be_the_one_that_is_late():
    """With a gap of 3499 us the third message of the published example is late, by its second frame only."""
    assert (
        worst_responses([PeriodicMessage(1, 250, 2500), PeriodicMessage(2, 250, 3500), PeriodicMessage(3, 250, 3499)])[
            2
        ]
        is None
    )


def test_only_the_lower_priorities_suffer_from_too_much():
    """Three streams that fill more than the pair: the first is in time all the same."""
    streams = [PeriodicMessage(n, FULL, 1500) for n in (1, 2, 3)]
    assert utilisation_percent(streams) == 128
    assert worst_responses(streams) == [1280, None, None]


def test_jitter_beyond_the_gap_is_late():
    """A frame that may be ready only when the next one is due has no place before it."""
    assert worst_responses([PeriodicMessage(1, FULL, 10 * MS, 10 * MS)]) == [None]


def test_a_pair_that_is_never_free_ends_the_search():
    """A full pair that has fallen behind once never has a pause, though each frame is in time: nothing is promised.

    4 ms every 8 ms and 8 ms every 16 ms fill it; with the first message's jitter its frames come 0.1 ms closer once.
    """
    full = [PeriodicMessage(1, 1000, 8000), PeriodicMessage(2, 2000, 16000)]
    assert utilisation_percent(full) == 100
    assert worst_responses(full)[1] == 12 * MS
    assert worst_responses([PeriodicMessage(1, 1000, 8000, 100), full[1]])[1] is None


def test_a_message_that_is_hardly_ever_sent_ends_the_search():
    """Behind a pair that is more than full a message with a gap of a century is given up at once."""
    assert worst_responses([PeriodicMessage(1, FULL, 639), PeriodicMessage(2, FULL, 10**15)]) == [None, None]


def test_a_long_busy_period_is_looked_at_to_its_end():
    """Gaps of 641 and 642 us share a pair with frames of 320: it is busy for long, and all is counted.

    From both at once on they are played through for as long as the pair stays busy.
    """
    streams = [PeriodicMessage(1, 80, 641), PeriodicMessage(2, 80, 642)]
    assert worst_responses(streams)[1] == played(streams, at_once(streams, 641 * 642))[1]


def test_no_streams():
    """Nobody sends: there is nothing to answer."""
    assert worst_responses([]) == []


def test_the_shortest_of_all_streams():
    """One bit every 4 us, without jitter, fills the pair and is in time."""
    assert worst_responses([PeriodicMessage(0, 1, 4, 0)]) == [4]
    assert worst_responses([PeriodicMessage(0, 1, 1, 0)]) == [None]


@pytest.mark.parametrize(("bits", "gap", "jitter"), [(0, 1, 0), (1, 0, 0), (1, 1, -1), (-1, 1, 0), (1, -1, 0)])
def test_what_is_no_stream_is_refused(bits, gap, jitter):
    """A frame has bits and a gap, and is not ready before it is due."""
    with pytest.raises(ValueError, match="bits and gap must be above 0, jitter must not be below 0"):
        PeriodicMessage(1, bits, gap, jitter)


# Played through.


STREAMS = st.lists(
    st.builds(
        PeriodicMessage,
        st.integers(1, 4),
        st.integers(20, FULL),
        st.integers(100, 2000).map(lambda bits: bits * BIT),
        st.integers(0, 3000),
    ),
    min_size=1,
    max_size=5,
)
"""Streams with short gaps, so that frames meet; some share an identifier."""


def all_different(streams):
    """Return streams without jitter, each with an identifier of its own."""
    return [PeriodicMessage(number, one.bits, one.gap) for number, one in enumerate(streams)]


@given(STREAMS, st.data())
def test_no_frame_takes_longer_than_the_analysis_says(streams, data):
    """Frames come late by up to their jitter, and as close together as they may or further apart."""
    chance = data.draw(st.randoms(use_true_random=False))
    frames = []
    for index, one in enumerate(streams):
        due = chance.choice([0, 0, chance.randrange(one.gap)])
        ready = 0
        for _ in range(chance.randrange(1, 60)):
            ready = max(ready, due + chance.choice([0, one.jitter, chance.randint(0, one.jitter)]))
            frames.append((due, ready, index))
            due += one.gap + chance.choice([0, 0, 0, chance.randrange(one.gap)])
    for found, bound in zip(played(streams, frames), worst_responses(streams), strict=True):
        assert bound is None or found <= bound


@given(STREAMS.map(all_different))
def test_the_worst_moment_is_met(streams):
    """The last priority, without jitter, fares as badly as the analysis says when all begin at once with it.

    Up to 95 % of load the pair is free again within 5 * 640 / 0.05 us.
    """
    assume(utilisation_percent(streams) <= 95)
    bound = worst_responses(streams)[-1]
    found = played(streams, at_once(streams, 64 * MS))[-1]
    assert found == bound if bound is not None else found > streams[-1].gap


@given(STREAMS.map(all_different))
def test_a_long_frame_in_front_is_met(streams):
    """A frame of the lowest priority that began a microsecond before holds all others up, as long as is said."""
    streams = [*streams, PeriodicMessage(9, FULL, 100 * MAX_BUSY_US)]
    frames = [(0, 0, len(streams) - 1), *at_once(streams[:-1], 64 * MS, begin=1)]
    found, bounds = played(streams, frames), worst_responses(streams)
    assert all(bound is None or one <= bound for one, bound in zip(found, bounds, strict=True))
    assert bounds[0] is None or found[0] == bounds[0] - 1


def test_more_jitter_than_declared_breaks_the_bound():
    """The bound rests on its assumptions: a sender that is later than it says makes another's frame later than that."""
    streams = [
        PeriodicMessage(1, FULL, 10 * MS, 0),
        PeriodicMessage(2, FULL, 20 * MS, 0),
        PeriodicMessage(3, FULL, 100 * MS),
    ]
    bound = worst_responses(streams)[2]
    kept = [(0, 0, 0), (10 * MS, 10 * MS, 0), (0, 0, 1), (0, 0, 2)]
    late = [(0, 9900, 0), (10 * MS, 10 * MS, 0), (9900, 9900, 1), (9900, 9900, 2)]
    assert played(streams, kept)[2] == bound == 3 * 640
    assert played(streams, late)[2] == 4 * 640


def test_less_space_than_declared_breaks_the_bound():
    """A sender on change that does not keep its least time between two frames makes others later than the bound."""
    streams = [PeriodicMessage(1, FULL, 50 * MS), PeriodicMessage(2, FULL, 100 * MS)]
    assert played(streams, [(0, 0, 0), (100, 100, 0), (0, 0, 1)])[1] > worst_responses(streams)[1]


def test_a_queue_that_is_not_by_priority_breaks_the_bound():
    """A node that keeps its first message behind its last makes it wait for more than one frame below it."""
    streams = [
        PeriodicMessage(1, FULL, 100 * MS),
        PeriodicMessage(2, FULL, 100 * MS),
        PeriodicMessage(3, FULL, 100 * MS),
    ]
    behind = [PeriodicMessage(4, FULL, 100 * MS), *streams[1:]]
    assert played(behind, [(0, 0, 0), (0, 0, 1), (0, 0, 2)])[0] > worst_responses(streams)[0]


# Steps by hand, and whether all are in time.


@given(
    st.lists(
        st.tuples(st.integers(0, 20), st.sampled_from([2_000, 5_000, 20_000]), st.sampled_from([0, 500])),
        min_size=1,
        max_size=12,
    )
)
def test_all_are_in_time_where_no_response_is_unlimited(figures):
    """The lowest priority of each gap decides for the others."""
    streams = [PeriodicMessage(identifier, FULL, gap, jitter) for identifier, gap, jitter in figures]
    assert are_in_time(streams) == (None not in worst_responses(streams))


def test_frames_of_several_lengths_are_not_judged_by_the_lowest_priority():
    """A longer frame below can block one above for longer."""
    with pytest.raises(ValueError, match="several lengths"):
        are_in_time([PeriodicMessage(1, 100, 1000), PeriodicMessage(2, 160, 1000)])


def test_a_response_step_by_step():
    """Blocked 640 us; one frame goes first, then a second one that is due again after 1 ms: 640 + 2 x 524 us."""
    streams = [
        PeriodicMessage(1, 131, 1 * MS), PeriodicMessage(2, 131, 10 * MS), PeriodicMessage(3, FULL, 10 * MS)
    ]  # fmt: skip
    steps = response_steps(streams, streams[1])
    assert (steps.blocking_us, steps.own_us) == (640, 524)
    assert steps.waits == ((1, 1164), (2, 1688), (2, 1688))
    assert worst_responses(streams)[1] == 1688 + 524


def test_steps_end_where_a_response_is_unlimited():
    """Two streams that each need more than half of the time: the second ends after its gap."""
    streams = [PeriodicMessage(number, FULL, 1000) for number in (1, 2)]
    steps = response_steps(streams, streams[1])
    assert steps.waits[-1][1] + steps.own_us > 1000

"""How busy the pair of wires is, worked by hand.

CAN hardware counted 141 bits for the frame 18EBFF00 01 A0 0F A6 60 3B D1 40, the 3 bits between frames included (a log
writer's test data); one second at 250 kbit/s holds 250 000. Without stuff bits a full frame has 131 (Davis and others
2007).
"""

import pytest

from rvsim.watch.load import Busy, PairLoad
from rvsim.wire.frame import Frame

SECOND = 1_000_000
IDENTIFIER, DATA, BITS = 0x18EBFF00, bytes.fromhex("01A00FA6603BD140"), 141


def loaded(*bursts: tuple[float, int]) -> PairLoad:
    """Load by bursts: second, number of frames."""
    load = PairLoad()
    for second, count in bursts:
        for _ in range(count):
            load.add(Frame(round(second * SECOND), IDENTIFIER, DATA))
    return load


def percent(frames: int) -> float:
    """The load of so many of them in a second."""
    return 100 * frames * BITS / 250_000


def test_nothing_yet():
    """Before the first frame the wires are idle."""
    assert PairLoad().percent() == (0, 0)


def test_every_stuff_bit_of_a_second_that_is_over_counts():
    """177 frames of 141 bits are 24 957: 9.98 %."""
    assert loaded((0.5, 177), (1.0, 1)).percent() == pytest.approx((percent(177), percent(177)))
    assert percent(177) == pytest.approx(9.98, abs=0.01)


def test_the_present_second_counts_for_the_worst_only_and_without_stuff_bits():
    """The load is that of the last whole second; a burst shows as the worst at once, as what it has at least."""
    assert loaded((0, 100), (1.999, 200)).percent() == pytest.approx((percent(100), 100 * 200 * 131 / 250_000))


def test_the_busiest_second_is_remembered():
    """300, 100, 200 frames: the last whole second has 100, the busiest 300."""
    assert loaded((0, 300), (1, 100), (2, 200)).percent() == pytest.approx((percent(100), percent(300)))


def test_a_quiet_second_is_idle():
    """After a second without a frame the last second's load is none, and the worst stays."""
    assert loaded((0, 100), (2, 1)).percent() == pytest.approx((0, percent(100)))
    assert loaded((0, 100), (50, 1)).percent() == pytest.approx((0, percent(100)))


def test_wires_that_fell_quiet_are_idle_by_the_clock():
    """Without any frame the time tells: the burst is the last second for one second, then nothing is."""
    load = loaded((3, 100))
    assert load.percent(3_999_999) == pytest.approx((0, 100 * 100 * 131 / 250_000))
    assert load.percent(4 * SECOND) == load.percent(4_999_999) == pytest.approx((percent(100), percent(100)))
    assert load.percent(5 * SECOND) == pytest.approx((0, percent(100)))


def test_a_clock_that_is_behind_the_frames_changes_nothing():
    """Frames may be ahead of whoever looks."""
    load = loaded((3, 100), (4, 50))
    assert load.percent(2 * SECOND) == load.percent() == pytest.approx((percent(100), percent(100)))
    assert load.percent(4_500_000) == load.percent()


def test_frames_that_come_late_into_a_second_count():
    """A clock that is ahead of the frames does not fix a second that is still coming in."""
    load = loaded((0.2, 10))
    assert load.percent(30 * SECOND) == pytest.approx((0, percent(10)))
    for _ in range(90):
        load.add(Frame(900_000, IDENTIFIER, DATA))
    assert load.percent(30 * SECOND) == pytest.approx((0, percent(100)))


def test_seconds_are_closed_as_the_time_goes_on():
    """Each with its frames; of a long pause only the first three seconds are told."""
    load = loaded((0.5, 3))
    assert [(one.start, len(one.frames)) for one in load.close(SECOND)] == [(0, 3)]
    assert [(one.start, len(one.frames)) for one in load.close(90 * SECOND)] == [(n * SECOND, 0) for n in (1, 2, 3)]
    assert load.end == 91 * SECOND
    load.add(Frame(95_500_000, IDENTIFIER, DATA))
    assert [(one.start, len(one.frames)) for one in load.close(97 * SECOND)] == [(95 * SECOND, 1), (96 * SECOND, 0)]


def test_a_second_says_who_used_it():
    """Bits by source address; and whether it can reach a load at all, by its bits without stuffing."""
    other = Frame(0, IDENTIFIER | 0x5E, DATA)
    second = Busy(0, 3 * 131, (Frame(0, IDENTIFIER, DATA), Frame(0, IDENTIFIER, DATA), other))
    assert second.by_source()[0] == 2 * BITS
    assert 131 < second.by_source()[0x5E] <= 160
    assert second.percent == pytest.approx(100 * second.by_source().total() / 250_000)
    full = Busy(0, 1000 * 131, ())
    assert full.can_reach(60)
    assert not full.can_reach(65)  # at most 1000 frames of 160 bits: 64 %


def test_a_crowded_second_is_kept():
    """Two frames within the time of the longest one, 640 us: the later may have waited; further apart it has not."""
    load = PairLoad()
    frames = [Frame(time, 0x18EEFF5E, bytes(8)) for time in (100_000, 100_640, 1_500_000, 1_500_641, 2_500_000)]
    for frame in frames:
        load.add(frame)
    assert load.crowded == tuple(frames[:2])

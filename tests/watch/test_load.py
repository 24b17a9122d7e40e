"""How busy the pair of wires is, worked by hand.

A frame with a 29-bit identifier and s bytes has at least 54 + 8 s + 13 bits with the space between frames: Davis,
Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis", Real-Time Systems 35(3), 2007, without
the stuff bits. 67 bits are an empty frame, 131 a full one; one second at 250 kbit/s holds 250 000.
"""

import pytest

from rvsim.watch.load import PairLoad
from rvsim.wire.frame import Frame

SECOND = 1_000_000


def loaded(*bursts: tuple[float, int, int]) -> PairLoad:
    """Load by bursts: second, number of frames, bytes in each."""
    load = PairLoad()
    for second, count, size in bursts:
        for _ in range(count):
            load.add(Frame(round(second * SECOND), 0x19FFE45E, bytes(size)))
    return load


def test_nothing_yet():
    """Before the first frame the wires are idle."""
    assert PairLoad().percent() == (0, 0)


def test_191_full_frames_are_a_tenth():
    """191 × 131 = 25 021 bits of 250 000: 10.0 %."""
    last, worst = loaded((0.5, 191, 8), (1.0, 1, 8)).percent()
    assert (last, worst) == (100 * 25_021 / 250_000, 100 * 25_021 / 250_000)
    assert round(last, 1) == 10.0


@pytest.mark.parametrize(("size", "percent"), [(0, 26.8), (1, 30.0), (3, 36.4), (8, 52.4)])
def test_each_byte_is_eight_bits(size, percent):
    """A thousand frames: 67 000 bits empty, 75 000 with one byte, 91 000 with three, 131 000 full."""
    assert loaded((0, 1000, size), (1, 1, 0)).percent() == pytest.approx((percent, percent))


def test_the_present_second_counts_for_the_worst_only():
    """The load is that of the last whole second; a burst shows as the worst at once."""
    load = loaded((0, 100, 8), (1.999, 200, 8))
    assert load.percent() == pytest.approx((5.24, 10.48))


def test_the_worst_second_is_remembered():
    """300, 100, 200 full frames: the last whole second has 100, the worst 300."""
    assert loaded((0, 300, 8), (1, 100, 8), (2, 200, 8)).percent() == pytest.approx((5.24, 15.72))


def test_a_quiet_second_is_idle():
    """After a second without a frame the last second's load is none, and the worst stays."""
    assert loaded((0, 100, 8), (2, 1, 8)).percent() == pytest.approx((0, 5.24))


def test_wires_that_fell_quiet_are_idle_by_the_clock():
    """Without any frame the time tells: the burst is the last second for one second, then nothing is."""
    load = loaded((3, 100, 8))
    assert load.percent(3_999_999) == pytest.approx((0, 5.24))
    assert load.percent(4 * SECOND) == load.percent(4_999_999) == pytest.approx((5.24, 5.24))
    assert load.percent(5 * SECOND) == pytest.approx((0, 5.24))


def test_a_clock_that_is_behind_the_frames_changes_nothing():
    """Frames may be ahead of whoever looks."""
    load = loaded((3, 100, 8), (4, 50, 8))
    assert load.percent(2 * SECOND) == load.percent() == pytest.approx((5.24, 5.24))
    assert load.percent(4_500_000) == load.percent()

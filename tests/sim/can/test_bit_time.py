"""Bits and microseconds."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.sim.can.bit_time import BitTime


def test_a_bit_at_250_kbit_takes_4_us():
    """160 bits are 640 us (Davis and others, 2007)."""
    assert BitTime(250_000).us(160) == 640


@pytest.mark.parametrize(("us", "begun", "whole"), [(0, 0, 0), (1, 1, 0), (4, 1, 1), (5, 2, 1), (8, 2, 2)])
def test_bits_of_a_time(us, begun, whole):
    """A bit that has begun counts in one, only a whole one in the other."""
    assert (BitTime(250_000).begun_bits(us), BitTime(250_000).whole_bits(us)) == (begun, whole)


@given(rate=st.integers(1, 1_000_000), bits=st.integers(0, 10_000))
def test_bits_take_the_least_whole_number_of_microseconds(rate, bits):
    """Rounded up, never by a whole microsecond."""
    us = BitTime(rate).us(bits)
    assert us * rate >= bits * 1_000_000 > (us - 1) * rate


def test_a_rate_has_to_be_above_0():
    """Nothing else can carry a bit."""
    with pytest.raises(ValueError, match="a bit rate of 0 a second is not above 0"):
        BitTime(0)

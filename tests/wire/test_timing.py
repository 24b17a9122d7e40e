"""Frame lengths against published rows (Davis and others 2007, eqs 1-3; the same figures in the unstuffed part)."""

import pytest

from rvsim.wire.timing import BIT_RATE, least_bits, most_bits


@pytest.mark.parametrize(("length", "bits"), [(0, 67), (8, 131), (3, 91)])
def test_fewest_bits(length, bits):
    """54 + 8 s + 13 bits for a 29-bit identifier: 67 empty, 131 full."""
    assert least_bits(length) == bits


def test_a_full_frame_takes_524_microseconds():
    """131 bits of 4 us; 1908.4 such frames fill a second."""
    assert least_bits(8) * 1_000_000 // BIT_RATE == 524
    assert BIT_RATE / least_bits(8) == pytest.approx(1908.4, abs=0.1)


@pytest.mark.parametrize(("length", "bits"), [(0, 80), (1, 90), (3, 110), (8, 160)])
def test_most_bits(length, bits):
    """80 + 10 s bits for a 29-bit identifier in the worst case (Davis and others 2007, eq. 3)."""
    assert most_bits(length) == bits


def test_hardware_counts_lie_between():
    """Full frames that CAN hardware counted at 141, 140 and 146 bits (a log writer's test data)."""
    assert all(least_bits(8) < counted < most_bits(8) for counted in (141, 140, 146))

"""Which bits are hit, and what troubles can be named."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.sim.can.wire_faults import BitErrors, MissingTerminator, Noise


def distances(seed, rate, count):
    """Return how many bits lie from one hit to the next."""
    hits, found = BitErrors(seed), []
    hits.set_rate(rate)
    for _ in range(count):
        found.append(hits.left)
        hits.pass_by(hits.left)
    return found


@pytest.mark.parametrize("rate", [0.5, 0.1, 0.001])
def test_hits_come_at_the_rate(rate):
    """The mean distance of independent hits is 1 / rate, its deviation sqrt(1 - rate) / rate (geometric law)."""
    found = distances(7, rate, 20_000)
    error = math.sqrt(1 - rate) / rate / math.sqrt(20_000)
    assert abs(sum(found) / 20_000 - 1 / rate) < 4 * error
    assert min(found) == 1


def test_one_seed_one_order():
    """The same seed hits the same bits, another one others."""
    assert distances(1, 0.01, 50) == distances(1, 0.01, 50)
    assert distances(1, 0.01, 50) != distances(2, 0.01, 50)


@given(st.lists(st.integers(0, 200), max_size=50))
def test_where_a_hit_falls_does_not_depend_on_how_bits_are_asked_for(pieces):
    """Passing bits in pieces that hold no hit leaves the next one where it is."""
    hits = BitErrors(3)
    hits.set_rate(0.001)
    place = hits.left
    for piece in pieces:
        if piece < hits.left:
            hits.pass_by(piece)
            place -= piece
        assert hits.left == place
        assert hits.within(place) == place
        assert hits.within(place - 1) is None


def test_without_a_rate_nothing_is_hit_and_with_1_every_bit():
    """The two ends."""
    hits = BitErrors(1)
    assert hits.within(10**9) is None
    hits.pass_by(10**9)
    hits.set_rate(1.0)
    assert hits.within(1) == 1
    hits.pass_by(1)
    assert hits.within(1) == 1
    hits.set_rate(0.0)
    assert hits.within(10**9) is None


def test_the_same_rate_again_changes_nothing():
    """Another trouble that brings no errors does not move those that are to come."""
    hits = BitErrors(1)
    hits.set_rate(0.01)
    place = hits.left
    hits.set_rate(0.01)
    assert hits.left == place


def test_a_missing_terminator_does_nothing_by_default():
    """On a short bench trunk one terminator is enough at 250 kbit/s (common practice)."""
    assert MissingTerminator().rate == 0
    assert MissingTerminator(0.1).rate == 0.1


@pytest.mark.parametrize("rate", [-0.1, 1.1, math.nan])
def test_a_rate_is_a_chance(rate):
    """Between 0 and 1."""
    with pytest.raises(ValueError, match="is not between 0 and 1"):
        Noise(rate)

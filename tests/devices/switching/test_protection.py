"""The soft trip against what the data sheets of electronic outputs say: an inrush passes, an overload does not."""

from math import log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.devices.switching.protection import MAX_SHARE, TAU_US, Protection
from rvsim.world.loads import Load, Transient

SECOND_US = 1_000_000


@pytest.mark.parametrize("share", [1.1, 1.5, 2.0, 4.0, 9.0])
def test_an_overload_trips_by_the_formula(share):
    """First-order I2t: t = -tau ln(1 - I0²/I²); at its limit never."""
    due = Protection(12.0).set_current(0, Transient(12.0 * share))
    assert due == pytest.approx(-TAU_US * log(1 - 1 / share**2), abs=1)
    assert Protection(12.0).set_current(0, Transient(12.0)) is None
    assert Protection(None).set_current(0, Transient(500.0)) is None


def test_the_inrush_of_a_lamp_is_far_below_the_trip():
    """A lamp of 2 A with 12 times its current has about 1 A²s in 5 ms; 144 A² for 20 s are far above (12 A output)."""
    protection = Protection(12.0)
    current = Load("lamp", 2.0).set_duty(1.0, 12.0, 0)
    assert protection.set_current(0, protection.limited(current)) is None
    assert 0 < protection.heat(5_000) < 0.96 * 3 / (144 * 20)


@pytest.mark.parametrize(("kind", "amps"), [("lamp", 5.0), ("led", 5.0), ("motor", 5.0), ("pump", 5.0)])
def test_a_start_passes_an_output_with_twice_the_running_current(kind, amps):
    """Of every kind; the same current for good does not."""
    protection = Protection(2 * amps)
    current = Load(kind, amps).set_duty(1.0, 13.5, 0)
    assert current.peak_amps > 2 * amps
    assert protection.set_current(0, protection.limited(current)) is None
    assert Protection(2 * amps).set_current(0, Transient(current.peak_amps)) is not None


def test_the_electronics_holds_the_highest_current():
    """A short circuit takes ten times the limit, and trips in a fifth of a second."""
    protection = Protection(5.0)
    shorted = protection.limited(Transient(500.0))
    assert shorted.peak_amps == pytest.approx(MAX_SHARE * 5.0)
    assert protection.set_current(0, shorted) == pytest.approx(0.2 * SECOND_US, rel=0.01)
    start = protection.limited(Transient(2.0, 98.0, 300, 0))
    assert (start.steady_amps, start.peak_amps) == (2.0, pytest.approx(50.0))


def test_what_is_warm_trips_sooner_and_cools_while_it_is_off():
    """The integral is kept from one current to the next."""
    protection = Protection(10.0)
    cold = protection.set_current(0, Transient(20.0))
    assert cold is not None
    protection.set_current(cold // 2, Transient())
    warm = protection.set_current(cold // 2 + SECOND_US, Transient(20.0))
    assert warm is not None
    assert warm - (cold // 2 + SECOND_US) < 0.7 * cold
    protection.set_current(warm, Transient())
    assert protection.heat(warm) == pytest.approx(1.0, abs=1e-4)
    assert protection.heat(warm + TAU_US) == pytest.approx(0.368, abs=1e-3)


def test_a_start_that_is_too_heavy_trips_during_the_start():
    """A motor that takes ten times the limit and needs long for it."""
    due = Protection(5.0).set_current(0, Transient(4.0, 46.0, 2_000_000, 0))
    assert due is not None
    assert 200_000 < due < 1_000_000


def test_a_limit_of_nothing_trips_at_once():
    """An output that may carry nothing."""
    assert Protection(0.0).set_current(7, Transient(0.1)) == 7


@given(
    limit=st.floats(0.5, 30),
    steps=st.lists(
        st.tuples(st.floats(0, 200), st.floats(0, 200), st.integers(100, 500_000), st.integers(1, 30 * SECOND_US)),
        min_size=1,
        max_size=8,
    ),
)
def test_the_time_of_the_trip_is_when_the_integral_reaches_one(limit, steps):
    """Looked at step by step, by the same object."""
    protection, now = Protection(limit), 0
    for steady, excess, decay_us, lasts in steps:
        due = protection.set_current(now, protection.limited(Transient(steady, excess, decay_us, now)))
        if due is not None and due <= now + lasts:
            assert protection.heat(due) == pytest.approx(1.0, abs=0.05) or due == now
            return
        now += lasts
        assert protection.heat(now) <= 1.0 + 1e-6

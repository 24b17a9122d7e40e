"""A relay against a relay maker's data sheet, and its two faults."""

import pytest

from rvsim.rig.switching import RelayPlan
from rvsim.world.relays import Relay


def relay(**given):
    """A relay with these figures."""
    return Relay(RelayPlan(name="relay", **given))


def test_the_coil_is_that_of_a_mini_relay():
    """85 ohm: 141 mA at 12 V, operates by 8 V, releases at 1.5 V; 2.44 W at 14.4 V."""
    coil = relay()
    assert coil.set_coil(12.0) == pytest.approx(0.141)
    assert coil.set_coil(14.4) * 14.4 == pytest.approx(2.44, abs=0.01)
    assert relay(coil_amps=0.04).set_coil(6.0) == pytest.approx(0.02)


def test_it_pulls_in_and_lets_go_at_different_voltages():
    """Between both it stays as it is."""
    one = relay()
    closed = []
    for volts in (7.9, 8.0, 4.0, 1.6, 1.5, 4.0):
        one.set_coil(volts)
        closed.append(one.is_closed)
    assert closed == [False, True, True, True, False, False]


@pytest.mark.parametrize(
    ("contact", "fault", "at_rest", "pulled_in"),
    [
        ("single throw", None, (False, False), (True, False)),
        ("changeover", None, (False, True), (True, False)),
        ("changeover", "welded", (True, False), (True, False)),
        ("single throw", "welded", (True, False), (True, False)),
        ("changeover", "open", (False, False), (False, False)),
    ],
)
def test_its_contacts(contact, fault, at_rest, pulled_in):
    """The one that closes with current, and the one of a changeover relay that is closed without."""
    one = relay(contact=contact)
    one.fault = fault
    assert (one.is_closed, one.is_rest_contact_closed) == at_rest
    one.set_coil(12.0)
    assert (one.is_closed, one.is_rest_contact_closed) == pulled_in

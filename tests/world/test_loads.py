"""The current of what hangs on an output: its start, its voltage, its duty; each against its source."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.world.loads import LOAD_KINDS, Load, Transient

KINDS = sorted(LOAD_KINDS)


@pytest.mark.parametrize(
    ("kind", "lowest", "highest", "near_after_us"),
    [
        ("lamp", 10, 15, 50_000),  # lamp driver paper, relay maker; near nominal after 0.05 s (a lamp technology page)
        ("led", 40, 100, 2_500),  # lamp makers: 40 to 100 times, under 1 ms to some ms
        ("motor", 5, 10, 1_000_000),  # an actuator maker's calculator: 5 to 10 times, 6 as a rule
        ("pump", 5, 10, 1_000_000),
        ("heater mat", 1, 1, 1),
        ("relay coil", 1, 1, 1),
        ("socket", 1, 1, 1),
    ],
)
def test_the_first_current_is_that_of_its_source(kind, lowest, highest, near_after_us):
    """In running currents; by the given time it is near its running current."""
    current = Load(kind, 2.0).set_duty(1.0, 12.0, 0)
    assert current.steady_amps == pytest.approx(2.0)
    assert lowest <= current.peak_amps / 2.0 <= highest
    assert current.amps_at(near_after_us) == pytest.approx(2.0, rel=0.15)


def test_a_lamp_is_at_twice_its_current_soon():
    """A lamp driver paper has 3 to 5 ms for a small one, a guide some ms to some tens of ms: ours is in between."""
    current = Load("lamp", 2.0).set_duty(1.0, 12.0, 0)
    assert current.amps_at(3_000) > 4.0 > current.amps_at(30_000)


def test_a_winch_motor_starts_by_its_resistance_and_its_wire():
    """12 V and 0.1 ohm: 120 A at the start (a motor maker's page); with 0.05 ohm of wire 80 A, by arithmetic."""
    assert Load("motor", 15.0, 120.0).set_duty(1.0, 12.0, 0).peak_amps == pytest.approx(120.0)
    behind_wire = Load("motor", 15.0, 120.0, 0.05)
    assert behind_wire.first_amps(12.0) == pytest.approx(80.0)
    assert behind_wire.first_amps(6.0) == pytest.approx(40.0)


@pytest.mark.parametrize(
    ("kind", "at_14_4", "at_10"),
    [
        ("heater mat", 1.2, 10 / 12),  # a resistance
        ("relay coil", 1.2, 10 / 12),
        ("led", 12 / 14.4, 1.2),  # a driver of constant power
        ("motor", 1.0, 1.0),  # constant torque
        ("lamp", 1.1055, 0.9046),  # between constant current and a resistance
    ],
)
def test_the_running_current_follows_the_voltage(kind, at_14_4, at_10):
    """By what it is."""
    load = Load(kind, 1.0)
    assert load.running_amps(1.0, 14.4) == pytest.approx(at_14_4, abs=1e-3)
    assert load.running_amps(1.0, 10.0) == pytest.approx(at_10, abs=1e-3)
    assert load.running_amps(1.0, 0.0) == load.running_amps(0.0, 12.0) == 0.0


def test_an_led_keeps_its_current_below_nine_volts():
    """The driver no longer makes up for the voltage."""
    assert Load("led", 1.0).running_amps(1.0, 4.0) == pytest.approx(12 / 9)


def test_dimming_takes_the_duty_and_a_dimmed_filament_a_little_more():
    """The filament is colder, so it has less resistance."""
    assert Load("led", 2.0).running_amps(0.25, 12.0) == pytest.approx(0.5)
    assert Load("heater mat", 2.0).running_amps(0.25, 12.0) == pytest.approx(0.5)
    assert Load("lamp", 2.0).running_amps(0.25, 12.0) == pytest.approx(2 * 0.25**0.775)


def test_a_warm_lamp_and_a_soft_start_have_little_inrush():
    """What has run up already lacks less."""
    lamp = Load("lamp", 2.0)
    cold = lamp.set_duty(1.0, 12.0, 0).excess_amps
    lamp.set_duty(0.0, 12.0, 1_000_000)
    again = lamp.set_duty(1.0, 12.0, 1_050_000).excess_amps
    assert 0 < again < 0.2 * cold
    lamp.set_duty(0.0, 12.0, 2_000_000)
    assert lamp.set_duty(1.0, 12.0, 9_000_000).excess_amps == pytest.approx(cold)
    soft = Load("lamp", 2.0)
    steps = [soft.set_duty(step / 10, 12.0, step * 200_000).excess_amps for step in range(1, 11)]
    assert max(steps) == pytest.approx(0.1 * cold, rel=0.01)


def test_a_lamp_that_is_out_takes_nothing_and_starts_cold_when_it_is_replaced():
    """It has no current and no heat."""
    lamp = Load("lamp", 2.0)
    cold = lamp.set_duty(1.0, 12.0, 0)
    lamp.is_open = True
    assert lamp.set_duty(1.0, 12.0, 1_000_000) == Transient(0.0, 0.0, 1, 1_000_000)
    lamp.is_open = False
    assert lamp.set_duty(1.0, 12.0, 9_000_000).peak_amps == pytest.approx(cold.peak_amps)


def test_an_overload_is_a_resistance_beside_the_load():
    """Its current is there while the output conducts, and follows the voltage."""
    load = Load("motor", 2.0)
    load.more_amps = 12.0
    assert load.running_amps(1.0, 6.0) == pytest.approx(2.0 + 6.0)
    assert load.running_amps(0.0, 12.0) == 0.0
    load.is_open = True
    assert load.running_amps(1.0, 12.0) == pytest.approx(12.0)


def test_a_peak_of_the_rig_counts_for_every_kind():
    """What is plugged in a socket may start like a motor."""
    current = Load("socket", 2.0, 9.0).set_duty(1.0, 12.0, 0)
    assert current.peak_amps == pytest.approx(9.0)
    assert current.amps_at(200_000) == pytest.approx(2.0 + 7.0 / 2.718, abs=0.01)
    assert Load("led", 2.0, 2.0).set_duty(1.0, 12.0, 0).excess_amps == 0.0  # a bare strip


@given(
    kind=st.sampled_from(KINDS),
    steps=st.lists(st.tuples(st.floats(0, 1), st.floats(0, 16), st.integers(1, 10_000_000)), min_size=1, max_size=20),
)
def test_no_current_without_duty_or_voltage_and_never_a_negative_one(kind, steps):
    """Whatever came before."""
    load, now = Load(kind, 3.0), 0
    for duty, volts, later in steps:
        current = load.set_duty(duty, volts, now)
        assert 0 <= current.steady_amps <= current.peak_amps < inf
        if duty == 0 or volts == 0:
            assert current.peak_amps == 0
        now += later
        assert current.amps_at(now) <= current.peak_amps

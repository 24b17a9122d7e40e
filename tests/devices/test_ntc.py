"""Thermistors against published tables, their traps included, and the lag of a sensor."""

from itertools import pairwise
from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.devices.ntc import (
    TABLES,
    SteinhartHart,
    TwoLags,
    beta_between,
    beta_ohm,
    celsius_at,
    fitted,
    ohm_at,
    self_heating_k,
)

COPIED = SteinhartHart(1.009249522e-3, 2.378405444e-4, 2.019202697e-7)
MODULE_SHEET = SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)
ANOTHER_PART = SteinhartHart(1.40e-3, 2.37e-4, 9.90e-8)


@pytest.mark.parametrize(
    ("part", "celsius", "ohm"),
    [
        ("10k_3435", -40, 190030), ("10k_3435", -20, 68104), ("10k_3435", 0, 27326), ("10k_3435", 25, 10000),
        ("10k_3435", 60, 3019), ("10k_3435", 125, 531),  # Linux kernel, ntc_thermistor.c, fifth table
        ("10k_3435_glass", -30, 118718), ("10k_3435_glass", 45, 4901),  # a glass thermistor maker's page
        ("10k_3950", -20, 95337), ("10k_3950", -15, 71956), ("10k_3950", 61, 2382),  # public page article 117139045
    ],
)  # fmt: skip
def test_the_points_of_the_tables_are_the_published_ones(part, celsius, ohm):
    """Both ways."""
    assert ohm_at(part, celsius) == pytest.approx(ohm)
    assert celsius_at(part, ohm) == pytest.approx(celsius, abs=1e-6)


def test_between_the_points_a_table_goes_both_ways():
    """A resistance from a temperature gives that temperature, and falls all the way, beyond the ends too."""
    for part in TABLES:
        steps = [celsius / 2 for celsius in range(-100, 280)]
        assert [celsius_at(part, ohm_at(part, celsius)) for celsius in steps] == pytest.approx(steps, abs=1e-6)
        assert all(one > other for one, other in pairwise(ohm_at(part, celsius) for celsius in steps))


def test_beta_of_the_tables():
    """Re-computed from the table 3435.4; that of the glass part 3427; the 3950 part has 3782 where it is cold."""
    assert beta_between((25, 10000), (85, 1451)) == pytest.approx(3435.4, abs=0.1)
    assert beta_between((25, 10000), (85, 1458)) == pytest.approx(3427, abs=1)
    assert beta_between((-20, 95337), (25, 10000)) == pytest.approx(3782, abs=1)
    assert beta_between((25, 10000), (70, 1733.4)) == pytest.approx(3984, abs=1)


def test_the_table_that_contradicts_its_part():
    """The part that the kernel's fourth table is named for is sold as B 3380; its table says 3431."""
    assert beta_between((25, 10000), (50, 4105)) == pytest.approx(3431, abs=1)
    assert beta_between((25, 10000), (85, 1454)) == pytest.approx(3431, abs=1)


def test_two_parts_with_one_name_differ():
    """At -20 C by 4.1 %, which is 0.8 K."""
    one, other = ohm_at("10k_3435", -20), ohm_at("10k_3435_glass", -20)
    assert other / one == pytest.approx(1.041, abs=0.001)
    assert celsius_at("10k_3435", other) == pytest.approx(-20.8, abs=0.1)


def test_the_formula_with_one_beta_is_wrong_where_it_is_cold():
    """With 3950 it gives 105385 ohm at -20 C (10.5 % too much) and 2400 ohm at 61 C (0.7 %): the trap."""
    assert beta_ohm(-20, 3950) == pytest.approx(105385, rel=0.001)
    assert beta_ohm(-20, 3950) / ohm_at("10k_3950", -20) == pytest.approx(1.105, abs=0.001)
    assert beta_ohm(61, 3950) == pytest.approx(2400, rel=0.001)
    assert beta_ohm(61, 3950) / ohm_at("10k_3950", 61) == pytest.approx(1.007, abs=0.001)
    assert celsius_at("beta_3950", beta_ohm(-20, 3950)) == pytest.approx(-20)
    assert celsius_at("beta_3950", ohm_at("10k_3950", -20)) == pytest.approx(-18.3, abs=0.1)


def test_steinhart_hart_through_three_points():
    """Fitted to the 3950 table at -20, 25 and 70 C: published coefficients, and 0.02 K between them."""
    found = fitted([(-20, 95337), (25, 10000), (70, 1733.4)])
    assert found == pytest.approx((1.178879e-3, 2.260522e-4, 1.191826e-7), rel=1e-4)
    for ohm, celsius in ((71955.8, -15.0), (12213.8, 20.5), (2382.0, 61.0)):
        assert found.celsius(ohm) == pytest.approx(celsius, abs=0.02)


def test_steinhart_hart_of_a_laser_controller():
    """Through 0, 25 and 50 C of its manual; the misprint of that table, 5331 ohm at 40 C, is told by it."""
    found = fitted([(0, 32128), (25, 9814), (50, 3542)])
    for ohm, celsius in ((19549, 10.000), (12262, 19.999), (7908, 29.998)):
        assert found.celsius(ohm) == pytest.approx(celsius, abs=0.01)
    assert found.celsius(5331) == pytest.approx(39.53, abs=0.01)


def test_coefficients_in_circulation():
    """A widely copied set gives 24.68 C at 10 k; a module's sheet is right; one set belongs to another part."""
    assert COPIED.celsius(10_000) == pytest.approx(24.68, abs=0.01)
    for ohm, celsius in ((10_000, 25.00), (2488, 59.99), (680, 99.92)):
        assert MODULE_SHEET.celsius(ohm) == pytest.approx(celsius, abs=0.01)
    assert ANOTHER_PART.celsius(10_000) == pytest.approx(0.06, abs=0.01)


def test_self_heating():
    """2.5 V over 10 k are 0.625 mW, with 3.5 mW/K 0.18 K; without a supply there is none."""
    assert self_heating_k(10_000, 5, 10_000, 3.5) == pytest.approx(0.18, abs=0.002)
    assert self_heating_k(10_000, 0, 10_000, 3.5) == 0


def test_the_power_that_a_sensor_may_have():
    """A tenth of the tolerance of 0.2 K at 1 mW/K is 0.02 mW (a sensor maker's worked example)."""
    volts = (0.02e-3 * 10_000) ** 0.5 * 2
    assert self_heating_k(10_000, volts, 10_000, 1.0) == pytest.approx(0.2 * 0.1)


@pytest.mark.parametrize(("times", "percent"), [(1, 63.2), (3, 95.0), (5, 99.3), (7, 99.9)])
@pytest.mark.parametrize("seconds", [12, 300])
def test_one_lag(times, percent, seconds):
    """The step answer of a sensor: 1 - exp(-t/tau)."""
    for lag in (TwoLags(0.0, 0, seconds), TwoLags(0.0, seconds, 0)):
        for _ in range(times * seconds):
            lag.step(100.0)
        assert lag.celsius == pytest.approx(percent, abs=0.1)


def test_a_housing_delays_the_bead():
    """Two lags in a row: the answer begins flat, and after 5 minutes of housing only 62 % has come."""
    lag = TwoLags(0.0, 300, 12)
    answers = [lag.step(100.0) for _ in range(300)]
    assert answers[0] < 0.1
    exact = 100 * (1 - (300 * exp(-1) - 12 * exp(-25)) / 288)
    assert answers[-1] == pytest.approx(exact, abs=0.2)


@given(
    start_c=st.floats(-40, 80),
    around_c=st.floats(-40, 80),
    housing_s=st.sampled_from([0.0, 2.0, 600.0]),
    bead_s=st.sampled_from([0.0, 2.0, 12.0]),
    seconds=st.sampled_from([0, 1, 30, 3000]),
)
def test_a_sensor_stays_when_a_second_changes_nothing(start_c, around_c, housing_s, bead_s, seconds):
    """Asking changes nothing either, and what stays for a second stays for good."""
    lags, unasked = (TwoLags(start_c, housing_s, bead_s) for _ in range(2))
    for _ in range(seconds):
        lags.step(around_c)
        unasked.step(around_c)
    stays, before = lags.stays(around_c), lags.celsius
    after = [lags.step(around_c) for _ in range(50)]
    assert after == [unasked.step(around_c) for _ in range(50)]
    assert stays == (after == [before] * 50)


def test_a_sensor_stays_at_the_temperature_of_its_surroundings():
    """From the start there, and not before its housing is."""
    lags = TwoLags(20.0, 8.0, 12.0)
    assert lags.stays(20.0)
    assert not lags.stays(21.0)
    lags.step(21.0)
    assert not lags.stays(20.0)

"""Units that are shown to a person: exact conversions, the decimals of a sensor, a whole catalogue that has them."""

from decimal import Decimal, localcontext
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.faces.text.display_units import BY_NAME, METRIC, US, US_DIFFERENCES, US_UNITS
from rvsim.wire.fields import FieldSpec, Grades, Origin, Reading, State
from rvsim.wire.quantity_text import Equivalents, Quantity, compose, figure

OURS = Grades(Origin.MEMORY, Origin.MEMORY, Origin.MEMORY)
UNCHANGED = {"", "%", "s", "h", "min", "V", "A", "Ah", "V/s", "W", "VA", "Hz", "rpm"}
"""Units that both sorts of people use."""


def number(value, unit, step="0.000001", *, is_difference=False):
    """A measured value, by default of a sensor that is finer than any figure here."""
    return Quantity(Fraction(value), Fraction(step), unit, "", is_difference=is_difference)


@pytest.mark.parametrize(
    ("value", "unit", "step", "shown"),
    [
        # fixed points of the scales: ice, boiling water, where both are one, absolute zero
        ("0", "degC", "0.1", "32.0 °F"),
        ("100", "degC", "0.1", "212.0 °F"),
        ("-40", "degC", "0.1", "-40.0 °F"),
        ("-273.15", "degC", "0.01", "-459.67 °F"),
        ("37", "°C", "0.1", "98.6 °F"),
        # NIST Special Publication 811, appendix B, and Handbook 44, appendix C, as remembered: units in metric ones
        ("3.785411784", "L", "0.0005", "1.0000 US gal"),
        ("37.8", "L", "0.05", "9.99 US gal"),
        ("3.785411784", "l/h", "0.0005", "1.0000 US gal/h"),
        ("3.785411784", "L/h", "0.0005", "1.0000 US gal/h"),
        ("3.785411784", "L/min", "0.0005", "1.0000 US gal/min"),
        ("3.785411784", "l", "0.0005", "1.0000 US gal"),
        ("0.3048", "m", "0.00003", "1.0000 ft"),
        ("2.54", "cm", "0.0001", "1.0000 in"),
        ("25.4", "mm", "0.001", "1.0000 in"),
        ("1.609344", "km", "0.0001", "1.0000 mi"),
        ("1.609344", "km/h", "0.0001", "1.0000 mph"),
        ("0.44704", "m/s", "0.0001", "1.0000 mph"),
        ("0.45359237", "kg", "0.0001", "1.0000 lb"),
        ("6894.757", "Pa", "1", "1.0000 psi"),
        ("68.94757", "hPa", "0.01", "1.0000 psi"),
        ("68.94757", "mbar", "0.01", "1.0000 psi"),
        ("6.894757", "kPa", "0.001", "1.0000 psi"),
        ("0.06894757", "bar", "0.00001", "1.0000 psi"),
        ("0.006894757", "MPa", "0.000001", "1.0000 psi"),
        ("9", "mV/K", "1", "5 mV/°F"),
        ("13.8", "V", "0.05", ""),
    ],
)
def test_published_values(value, unit, step, shown):
    """A value in a metric unit is the published one in the other; what is not mapped keeps its metric text."""
    assert US.quantity(number(value, unit, step)) == shown


def test_every_conversion_is_held_by_a_published_value():
    """A unit that is added needs a line above."""
    held = {mark[1] for mark in test_published_values.pytestmark[0].args[1]}
    assert set(US_UNITS) <= held
    assert set(US_DIFFERENCES) == {"K", "degC", "°C"}


@pytest.mark.parametrize("unit", ["K", "degC", "°C"])
def test_a_difference_has_no_offset(unit):
    """A dead band of 1 K, or a cabin that is 10 °C warmer: 1.8 and 18 °F, not 33.8 and 50."""
    assert US.quantity(number("1", unit, "0.1", is_difference=True)) == "1.8 °F"
    assert US.quantity(number("10", unit, "0.1", is_difference=True)) == "18.0 °F"


def test_an_absolute_kelvin_stays():
    """It would be false as a difference: 300 K are no 540 °F."""
    assert US.quantity(number("300", "K")._replace(text="300 K")) == "300 K"


@pytest.mark.parametrize(
    ("field", "raw", "metric", "shown"),
    [
        # 33.94 °C by steps of 0.03125: 0.05625 °F is nearest to a tenth
        (FieldSpec("air", 0, 16, scale=3125, offset=-27300000, decimals=5, unit="degC"), 9822, "33.94 °C", "93.1 °F"),
        # a byte from -40 by whole degrees: 1.8 °F is nearest to 1
        (FieldSpec("air", 0, 8, offset=-40, unit="degC"), 61, "21 °C", "70 °F"),
        # 4 kPa are 0.58 psi, 1 kPa 0.145
        (FieldSpec("oil", 0, 8, scale=4, unit="kPa"), 100, "400 kPa", "58 psi"),
        (FieldSpec("water", 0, 16, unit="kPa"), 276, "276 kPa", "40.0 psi"),
        (FieldSpec("tank", 0, 16, unit="L"), 38, "38 L", "10.0 US gal"),
        (FieldSpec("fuel", 0, 16, scale=5, decimals=2, unit="L/h"), 20, "1.0 L/h", "0.26 US gal/h"),
        (FieldSpec("band", 0, 8, decimals=1, unit="K", grades=OURS), 10, "1.0 K", "1.8 °F"),
    ],
)  # fmt: skip
def test_the_decimals_follow_the_sensor_in_the_unit_that_is_shown(field, raw, metric, shown):
    """Neither more than the sensor means nor fewer, in both sorts of units."""
    reading = Reading(field, raw, State.VALUE)
    assert METRIC.render(reading.brief) == metric
    assert US.render(reading.brief) == shown


def test_a_figure_that_somebody_wrote_is_not_rounded_to_a_step():
    """A limit of 18 °C is 64.4 °F, and 0.1 gallons too much would be a false limit."""
    text = compose(figure(18, "degC", names_unit=False), " to ", figure(22.5, "degC"), ", ", figure(37, "L"))
    assert text == "18 to 22.5 °C, 37 L"
    assert US.render(text) == "64.4 to 72.5 °F, 9.77437 US gal"


def test_words_of_others_get_their_figures_beside_them():
    """Each once; those without another unit are not told, and nothing at all where no figure has one."""
    beside = Equivalents((figure(18, "degC"), figure(18, "degC"), figure(20, "%"), figure(22, "degC")))
    text = compose("at least 18, at most 22", beside)
    assert METRIC.render(text) == "at least 18, at most 22"
    assert US.render(text) == "at least 18, at most 22 (18 °C is 64.4 °F, 22 °C is 71.6 °F)"
    assert US.render(compose("above 20", Equivalents((figure(20, "%"),)))) == "above 20"


@pytest.mark.parametrize(
    ("quantity", "exact"),
    [
        (number("33.9375", "degC", "0.03125"), "= 93.0875 °F"),
        (number("21", "degC", "0.03125"), "= 69.8 °F"),
        (number("-17.78125", "degC", "0.03125"), "= -0.00625 °F"),
        (number("0.3048", "m", "0.0001"), "= 1 ft"),
        (number("10", "L", "1"), "≈ 2.642 US gal"),
        (number("0.00000000001", "degC", "0.00000000001", is_difference=True), "≈ 0.0000000000180 °F"),
        (number("13.8", "V", "0.05"), None),
    ],
)
def test_all_decimals_where_they_have_an_end(quantity, exact):
    """Else two more than are shown elsewhere, with another sign than that of equality."""
    assert US.exact(quantity) == exact


FACTORS = {"L": "3.785411784", "m": "0.3048", "cm": "2.54", "kg": "0.45359237", "km": "1.609344"}
"""Exact: what one of the other unit is in this one."""


@given(
    unit=st.sampled_from(["degC", *FACTORS]),
    scaled=st.integers(-(10**9), 10**9),
    places=st.integers(0, 5),
)
def test_what_is_shown_goes_back_to_the_value(unit, scaled, places):
    """Computed back in decimals, another way than it came, it is off by half of the last shown digit at most."""
    with localcontext(prec=50):
        value = Decimal(scaled).scaleb(-places)
        step = Decimal(1).scaleb(-places)
        shown, _, name = US.quantity(number(Fraction(value), unit, Fraction(step))).partition(" ")
        half = Decimal("0.5").scaleb(int(Decimal(shown).as_tuple().exponent))
        if unit == "degC":
            back, most = (Decimal(shown) - 32) * 5 / 9, half * 5 / 9
        else:
            back, most = Decimal(shown) * Decimal(FACTORS[unit]), half * Decimal(FACTORS[unit])
        assert abs(back - value) <= most * Decimal("1.0000000001")
        assert most < 2 * step
    assert name == US_UNITS[unit].unit


@given(text=st.text())
def test_a_text_without_quantities_is_itself(text):
    """In all units."""
    assert METRIC.render(text) == US.render(text) == text


def test_every_unit_of_the_catalogue_is_mapped_or_used_by_both(catalogue):
    """A new unit in a definition file needs a decision."""
    for spec in catalogue:
        for field in spec.fields:
            mapped = US_DIFFERENCES if field.is_difference else US_UNITS
            assert (field.unit in mapped) is (field.unit not in UNCHANGED), f"{spec.name} {field.name}: {field.unit}"


def test_every_field_of_the_catalogue_is_shown_in_its_units(catalogue):
    """No metric unit is left where there is another one, and nothing changes where there is none."""
    for spec in catalogue:
        for field in spec.fields:
            raw = field.raw_limits[1]
            metric, shown = METRIC.render(field.brief(raw)), US.render(field.brief(raw))
            assert metric == field.brief(raw)
            if field.unit in UNCHANGED:
                assert shown == metric
            else:
                assert shown.endswith((" °F", " US gal", " US gal/h", " psi", " mV/°F")), f"{spec.name} {field.name}"


def test_the_values_of_the_vehicle_are_mapped_or_used_by_both():
    """Those that scenarios ask for."""
    from rvsim.shakedown.expect.quantities import QUANTITIES

    units = {unit for unit, _ in QUANTITIES.values()}
    assert units - set(US_UNITS) == {"V", "A, positive out of the battery", "%", "W/m²", "m²", "L/s"}


def test_the_names_that_a_person_gives():
    """Two of them."""
    assert {"metric": METRIC, "us": US} == BY_NAME

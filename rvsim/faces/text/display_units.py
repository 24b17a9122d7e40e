"""The units in which values are shown to a person: metric, or those that are customary in the United States.

Knows: exact conversions with their sources, and how a converted number is rounded. Does not know which texts have
quantities in them (`wire/quantity_text.py`), nor who prints them. Nothing is computed from converted numbers:
JSON, files and recordings are metric.

Sources: NIST Special Publication 811 (2008), appendix B: 1 ft = 0.3048 m, 1 mi = 1609.344 m, 1 lb = 0.45359237 kg,
g = 9.80665 m/s2, degF = degC * 9/5 + 32, all exact; NIST Handbook 44, appendix C: 1 gal = 231 cubic inches =
3.785411784 L, exact. The pound-force per square inch follows from these exactly and is 6894.757 Pa when rounded as
there. From memory, and checked against each other by the tests.
"""

from collections.abc import Mapping
from fractions import Fraction
from typing import NamedTuple

from rvsim.wire.quantity_text import (
    Equivalents,
    Part,
    Quantity,
    QuantityText,
    decimal_text,
    decimals_of,
    printed_unit,
    rounded,
)

_FOOT_M = Fraction("0.3048")
_INCH_M = _FOOT_M / 12
_MILE_M = 5280 * _FOOT_M
_POUND_KG = Fraction("0.45359237")
_GRAVITY = Fraction("9.80665")
_GALLON_L = 231 * (_INCH_M * 10) ** 3
"""231 cubic inches in cubic decimetres."""
_PSI_PA = _POUND_KG * _GRAVITY / _INCH_M**2
_HOUR_S = 3600
_KELVIN_F = Fraction(9, 5)
"""Degrees Fahrenheit in one kelvin, or one degree Celsius, of difference."""
MAX_EXACT_DECIMALS = 10
"""A converted number with more decimals than these is not written exactly. Our choice."""


class Conversion(NamedTuple):
    """From a metric unit to another: ``value * factor + offset``."""

    unit: str
    factor: Fraction
    offset: Fraction = Fraction(0)


_FAHRENHEIT = Conversion("°F", _KELVIN_F, Fraction(32))
"""A temperature; a difference of two temperatures is in ``US_DIFFERENCES``."""
_GALLONS = Conversion("US gal", 1 / _GALLON_L)
_GALLONS_AN_HOUR = Conversion("US gal/h", 1 / _GALLON_L)

US_UNITS: Mapping[str, Conversion] = {
    "degC": _FAHRENHEIT,
    "°C": _FAHRENHEIT,
    "mV/K": Conversion("mV/°F", 1 / _KELVIN_F),
    "L": _GALLONS,
    "l": _GALLONS,
    "L/h": _GALLONS_AN_HOUR,
    "l/h": _GALLONS_AN_HOUR,
    "L/min": Conversion("US gal/min", 1 / _GALLON_L),
    "m": Conversion("ft", 1 / _FOOT_M),
    "cm": Conversion("in", Fraction(1, 100) / _INCH_M),
    "mm": Conversion("in", Fraction(1, 1000) / _INCH_M),
    "km": Conversion("mi", 1000 / _MILE_M),
    "m/s": Conversion("mph", _HOUR_S / _MILE_M),
    "km/h": Conversion("mph", 1000 / _MILE_M),
    "kg": Conversion("lb", 1 / _POUND_KG),
    "Pa": Conversion("psi", 1 / _PSI_PA),
    "hPa": Conversion("psi", 100 / _PSI_PA),
    "mbar": Conversion("psi", 100 / _PSI_PA),
    "kPa": Conversion("psi", 1000 / _PSI_PA),
    "bar": Conversion("psi", 100_000 / _PSI_PA),
    "MPa": Conversion("psi", 1_000_000 / _PSI_PA),
}
"""The conversion of a metric unit, by its name in definitions; a unit that is not here stays as it is."""
US_DIFFERENCES: Mapping[str, Conversion] = {unit: Conversion("°F", _KELVIN_F) for unit in ("K", "degC", "°C")}
"""The conversion of a difference of two temperatures, without offset. K is not in ``US_UNITS``: 0 K is not 0 °F."""


class DisplayUnits:
    """One choice of units: renders texts, readings and single numbers in them.

    Args:
        units: the conversion of each unit that is not shown as defined.
        differences: the same for differences of temperatures.
    """

    def __init__(self, units: Mapping[str, Conversion], differences: Mapping[str, Conversion]) -> None:
        self._units, self._differences = units, differences

    def render(self, text: str) -> str:
        """Return a text with all its quantities in these units."""
        return "".join(map(self._part, text.parts)) if isinstance(text, QuantityText) else text

    def quantity(self, quantity: Quantity) -> str:
        """Return a number with its unit, rounded to the decimals of its step in the unit that is shown."""
        conversion = self._conversion(quantity)
        if conversion is None:
            return quantity.text
        value = quantity.value * conversion.factor + conversion.offset
        step = quantity.step * conversion.factor
        number = rounded(value, decimals_of(step)) if step else f"{float(value):g}"
        return f"{number} {conversion.unit}" if quantity.names_unit else number

    def exact(self, quantity: Quantity) -> str | None:
        """Return a number with all its decimals; None where its unit stays as it is.

        A number with more than ``MAX_EXACT_DECIMALS``, or without an end, is rounded to two decimals more than its step
        needs, with ≈ in place of =.
        """
        conversion = self._conversion(quantity)
        if conversion is None:
            return None
        value = quantity.value * conversion.factor + conversion.offset
        scaled = value * 10**MAX_EXACT_DECIMALS
        if scaled.denominator == 1:
            text = decimal_text(scaled.numerator, MAX_EXACT_DECIMALS).rstrip("0").rstrip(".")
            return f"= {text} {conversion.unit}"
        return f"≈ {rounded(value, decimals_of(quantity.step * conversion.factor) + 2)} {conversion.unit}"

    def conversion_of(self, quantity: Quantity) -> Conversion:
        """Return how a quantity is converted, with the unit as it is printed; factor 1 where it stays as it is."""
        return self._conversion(quantity) or Conversion(printed_unit(quantity.unit), Fraction(1))

    def _conversion(self, quantity: Quantity) -> Conversion | None:
        return (self._differences if quantity.is_difference else self._units).get(quantity.unit)

    def _part(self, part: Part) -> str:
        if isinstance(part, Quantity):
            return self.quantity(part)
        if isinstance(part, Equivalents):
            known = [quantity for quantity in part.quantities if self._conversion(quantity) is not None]
            texts = dict.fromkeys(f"{quantity.text} is {self.quantity(quantity)}" for quantity in known)
            return f" ({', '.join(texts)})" if texts else ""
        return part


METRIC = DisplayUnits({}, {})
US = DisplayUnits(US_UNITS, US_DIFFERENCES)
BY_NAME: Mapping[str, DisplayUnits] = {"metric": METRIC, "us": US}
"""The choices, by the name that a person gives."""

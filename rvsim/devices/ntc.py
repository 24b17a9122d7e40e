"""NTC thermistors: resistance by temperature, what an electronics makes of it, and how a sensor lags.

Knows: resistance tables of parts, the equation of Steinhart and Hart, the formula with one beta, self-heating in a
divider, and two lags in a row. Does not know where a sensor is, nor which device reads it.

Between the points of a table the logarithm of the resistance is linear in 1/T. Two parts with one name differ, and a
formula with one beta is wrong where it is cold: an electronics that reads a part by the wrong curve shows that error.
"""

from bisect import bisect_right
from collections.abc import Sequence
from math import exp, inf, log
from typing import Literal, NamedTuple

ZERO_C_K = 273.15
NtcPart = Literal["10k_3435", "10k_3435_glass", "10k_3950"]
"""The parts whose tables are known."""
NtcCurve = Literal["10k_3435", "10k_3435_glass", "10k_3950", "beta_3950"]
"""The curves by which an electronics reads a part; the last is the formula with one beta."""
_Point = tuple[float, float]
TABLES: dict[NtcPart, tuple[_Point, ...]] = {
    "10k_3435": (
        (-40.0, 190030.0), (-20.0, 68104.0), (0.0, 27326.0), (20.0, 12090.0), (25.0, 10000.0), (40.0, 5825.0),
        (60.0, 3019.0), (85.0, 1451.0), (100.0, 973.0), (125.0, 531.0),
    ),
    "10k_3435_glass": (
        (-30.0, 118718.0), (-20.0, 70876.0), (0.0, 27672.0), (25.0, 10000.0), (45.0, 4901.0), (85.0, 1458.0),
        (100.0, 978.0),
    ),
    "10k_3950": (
        (-20.0, 95337.0), (-15.0, 71956.0), (20.5, 12213.8), (25.0, 10000.0), (61.0, 2382.0), (70.0, 1733.4),
    ),
}  # fmt: skip
"""Ohms by degrees Celsius. A maker's data sheet as in the Linux kernel's hwmon driver of NTC thermistors; a glass
thermistor maker's page; a table of a 10 k 3950 part on a public page."""
BETA_3950 = 3950.0
NOMINAL_OHM, NOMINAL_C = 10_000.0, 25.0


class SteinhartHart(NamedTuple):
    """The coefficients of 1/T = a + b ln R + c (ln R)^3, with T in kelvins and R in ohms."""

    a: float
    b: float
    c: float

    def celsius(self, ohm: float) -> float:
        """Return the temperature at a resistance above 0."""
        logarithm = log(ohm)
        return 1 / (self.a + self.b * logarithm + self.c * logarithm**3) - ZERO_C_K


def fitted(points: Sequence[_Point]) -> SteinhartHart:
    """Return the coefficients through three points of degrees Celsius and ohms."""
    (l1, y1), (l2, y2), (l3, y3) = ((log(ohm), 1 / (celsius + ZERO_C_K)) for celsius, ohm in points)
    g2, g3 = (y2 - y1) / (l2 - l1), (y3 - y1) / (l3 - l1)
    c = (g3 - g2) / (l3 - l2) / (l1 + l2 + l3)
    b = g2 - c * (l1 * l1 + l1 * l2 + l2 * l2)
    return SteinhartHart(y1 - (b + l1 * l1 * c) * l1, b, c)


def beta_between(one: _Point, other: _Point) -> float:
    """Return the beta between two points of degrees Celsius and ohms."""
    return log(one[1] / other[1]) / (1 / (one[0] + ZERO_C_K) - 1 / (other[0] + ZERO_C_K))


def beta_ohm(celsius: float, beta: float, nominal_ohm: float = NOMINAL_OHM) -> float:
    """Return the resistance by the formula with one beta, from the nominal one at 25 C."""
    return nominal_ohm * exp(beta * (1 / (celsius + ZERO_C_K) - 1 / (NOMINAL_C + ZERO_C_K)))


def ohm_at(part: NtcPart, celsius: float) -> float:
    """Return the resistance of a part; beyond its table the last slope goes on."""
    table = TABLES[part]
    (low_c, low_ohm), (high_c, high_ohm) = _around(table, bisect_right(table, (celsius, inf)))
    low, high, here = (1 / (point + ZERO_C_K) for point in (low_c, high_c, celsius))
    return low_ohm * exp(log(high_ohm / low_ohm) * (here - low) / (high - low))


def celsius_at(curve: NtcCurve, ohm: float) -> float:
    """Return the temperature that an electronics with this curve reads from a resistance above 0."""
    if curve == "beta_3950":
        return 1 / (log(ohm / NOMINAL_OHM) / BETA_3950 + 1 / (NOMINAL_C + ZERO_C_K)) - ZERO_C_K
    table = TABLES[curve]
    above = next((number for number, (_, point_ohm) in enumerate(table) if point_ohm <= ohm), len(table))
    (low_c, low_ohm), (high_c, high_ohm) = _around(table, above)
    part = log(ohm / low_ohm) / log(high_ohm / low_ohm)
    low, high = 1 / (low_c + ZERO_C_K), 1 / (high_c + ZERO_C_K)
    return 1 / (low + part * (high - low)) - ZERO_C_K


def _around(table: tuple[_Point, ...], above: int) -> tuple[_Point, _Point]:
    """Return the two points between which something is, or the last two on its side."""
    above = min(max(1, above), len(table) - 1)
    return table[above - 1], table[above]


def self_heating_k(ohm: float, volts: float, divider_ohm: float, mw_per_k: float) -> float:
    """Return by how much the current of a divider warms a thermistor.

    Args:
        ohm: the thermistor's resistance.
        volts: the divider's supply; 0 for none.
        divider_ohm: the other resistance.
        mw_per_k: the dissipation factor of the thermistor in its surroundings.
    """
    amps = volts / (ohm + divider_ohm)
    return 1000 * amps * amps * ohm / mw_per_k


class TwoLags:
    """A bead in a housing: the housing follows its surroundings, the bead follows the housing.

    Args:
        celsius: the temperature at the start.
        housing_s: time constant of the housing; 0: there is none.
        bead_s: time constant of the bead; 0: none.
    """

    def __init__(self, celsius: float, housing_s: float, bead_s: float) -> None:
        self._housing_c = self.celsius = celsius
        self._housing_share, self._bead_share = (1 - exp(-1 / time) if time else 1.0 for time in (housing_s, bead_s))

    def step(self, around_c: float) -> float:
        """Advance by one second in surroundings of a temperature and return that of the bead."""
        housing_c, bead_c = self._housing_c, self.celsius
        self._housing_c = housing_c = housing_c + self._housing_share * (around_c - housing_c)
        self.celsius = bead_c = bead_c + self._bead_share * (housing_c - bead_c)
        return bead_c

    def stays(self, around_c: float) -> bool:
        """Return whether another second in surroundings of this temperature changes nothing."""
        housing_c = self._housing_c + self._housing_share * (around_c - self._housing_c)
        bead_c = self.celsius + self._bead_share * (housing_c - self.celsius)
        return (housing_c, bead_c) == (self._housing_c, self.celsius)

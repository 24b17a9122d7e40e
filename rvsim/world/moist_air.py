"""Moist air: vapour pressure, humidity ratio, dew point, enthalpy, volume; the pressure at a height.

Knows: the formulas of the ASHRAE Handbook Fundamentals, chapter 1, in SI units. Does not know any zone.

Temperatures are in degrees Celsius, pressures in pascal, humidity ratios in kilograms of vapour a kilogram of dry air.
"""

import math
from math import exp, log

SEA_LEVEL_PA = 101_325.0
"""Standard atmosphere."""
_KELVIN = 273.15
_VAPOUR_TO_AIR = 0.621945
"""Molar mass of water by that of air."""
_AIR_J_PER_KG_K = 287.042
_OVER_ICE = (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)
_OVER_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673)
_MIN_VAPOUR_PA = 1e-3
"""Air is never drier than this, so that a dew point exists. Our decision: about -100 C."""


def pressure_pa(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere at a height above the sea."""
    return SEA_LEVEL_PA * math.pow(1 - 2.25577e-5 * altitude_m, 5.2559)


def saturation_pa(celsius: float) -> float:
    """Return the pressure of vapour above ice (below 0 C) or water, from -100 to 200 C."""
    kelvin = celsius + _KELVIN
    a, b, c, d, e, f, g = _OVER_WATER if celsius > 0 else _OVER_ICE
    return exp(a / kelvin + b + kelvin * (c + kelvin * (d + kelvin * (e + kelvin * f))) + g * log(kelvin))


def humidity_ratio(vapour_pa: float, pressure: float = SEA_LEVEL_PA) -> float:
    """Return the humidity ratio of air with this pressure of vapour."""
    return _VAPOUR_TO_AIR * vapour_pa / (pressure - vapour_pa)


def saturation_ratio(celsius: float, pressure: float = SEA_LEVEL_PA) -> float:
    """Return the humidity ratio of saturated air."""
    return humidity_ratio(saturation_pa(celsius), pressure)


def vapour_pa(ratio: float, pressure: float = SEA_LEVEL_PA) -> float:
    """Return the pressure of vapour in air of this humidity ratio."""
    return pressure * ratio / (_VAPOUR_TO_AIR + ratio)


def relative_percent(celsius: float, ratio: float, pressure: float = SEA_LEVEL_PA) -> float:
    """Return the relative humidity, 0 to 100, over ice below 0 C."""
    return min(100.0, 100 * vapour_pa(ratio, pressure) / saturation_pa(celsius))


def dew_point_c(vapour: float) -> float:
    """Return the temperature at which this pressure of vapour is saturated (frost point below 0 C)."""
    wanted = log(max(vapour, _MIN_VAPOUR_PA))
    celsius = 20.0 if wanted > log(611.2) else -10.0
    for _ in range(30):
        slope = (log(saturation_pa(celsius + 0.01)) - log(saturation_pa(celsius - 0.01))) / 0.02
        change = (wanted - log(saturation_pa(celsius))) / slope
        celsius = max(celsius + change, -110.0)
        if abs(change) < 1e-6:
            break
    return celsius


def wet_bulb_ratio(dry_c: float, wet_c: float, pressure: float = SEA_LEVEL_PA) -> float:
    """Return the humidity ratio of air by its dry and its wet bulb."""
    saturated = saturation_ratio(wet_c, pressure)
    if wet_c >= 0:
        return ((2501 - 2.326 * wet_c) * saturated - 1.006 * (dry_c - wet_c)) / (2501 + 1.86 * dry_c - 4.186 * wet_c)
    return ((2830 - 0.24 * wet_c) * saturated - 1.006 * (dry_c - wet_c)) / (2830 + 1.86 * dry_c - 2.1 * wet_c)


def enthalpy_j_per_kg(celsius: float, ratio: float) -> float:
    """Return the enthalpy of moist air for each kilogram of dry air, 0 for dry air at 0 C."""
    return 1000 * (1.006 * celsius + ratio * (2501 + 1.86 * celsius))


def volume_m3_per_kg(celsius: float, ratio: float, pressure: float = SEA_LEVEL_PA) -> float:
    """Return the volume of moist air for each kilogram of dry air."""
    return _AIR_J_PER_KG_K * (celsius + _KELVIN) * (1 + 1.607858 * ratio) / pressure

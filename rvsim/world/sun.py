"""The sun: where it stands, its power under a clear or a clouded sky, and on a tilted plane.

Knows: the position by the formulas of J. Meeus (Astronomical Algorithms, chapter 25, lower accuracy: about 0.01
degrees), clear skies by Haurwitz and by Ineichen and Perez, clouds by Kasten and Czeplak (1980, from memory), the
diffuse part of a measured power by Erbs (1982, from memory), and planes under an isotropic sky. Does not know the
weather of any run, nor windows and panels.

Azimuths are in degrees from north, eastward. Hours are mean solar time of the place, so no longitude is needed.
"""

import math
from math import acos, asin, atan2, cos, degrees, exp, isclose, radians, sin, tan
from typing import NamedTuple

NEW_YEAR = 2_460_676.5
"""Julian day of the start of 2025: a year without a leap day stands for all years."""
SOLAR_CONSTANT = 1364.0
"""W/m2 outside the atmosphere, as the formula of Ineichen and Perez has it."""
TURBIDITY = 3.0
"""Linke turbidity: how much haze weakens the sun. Common practice for clear air in Europe, no source."""
ALBEDO = 0.25
"""The share of the sun's power that the ground throws back. The default of a solar library; snow has 0.65."""
_EARTH_TIME_S = 67.0
"""Earth's rotation is behind the planets' time by this. The value of NREL's example."""
_PARALLAX_DEG = 8.794 / 3600


class SunPosition(NamedTuple):
    """Where the sun stands, in degrees."""

    elevation: float
    """Above the horizon, without refraction."""
    azimuth: float
    declination: float
    equation_of_time_min: float
    """Minutes by which a sundial is ahead of mean solar time."""


class SunPower(NamedTuple):
    """Power of the sun in W/m2."""

    level: float
    """On a level plane, all together (GHI)."""
    beam: float
    """Straight from the sun, on a plane that faces it (DNI)."""
    sky: float
    """From the rest of the sky, on a level plane (DHI)."""


NIGHT = SunPower(0.0, 0.0, 0.0)


def sun_position(julian_day: float, latitude: float, longitude: float = 0.0) -> SunPosition:
    """Return where the sun stands at a Julian day (universal time)."""
    century = (julian_day + _EARTH_TIME_S / 86_400 - 2_451_545) / 36_525
    mean = 280.46646 + century * (36_000.76983 + 0.0003032 * century)
    anomaly = radians(357.52911 + century * (35_999.05029 - 0.0001537 * century))
    centre = (
        (1.914602 - century * (0.004817 + 0.000014 * century)) * sin(anomaly)
        + (0.019993 - 0.000101 * century) * sin(2 * anomaly)
        + 0.000289 * sin(3 * anomaly)
    )
    node = radians(125.04 - 1934.136 * century)
    ecliptic = radians(mean + centre - 0.00569 - 0.00478 * sin(node))
    tilt = radians(23.439291 - 0.0130042 * century + 0.00256 * cos(node))
    declination = asin(sin(tilt) * sin(ecliptic))
    ascension = degrees(atan2(cos(tilt) * sin(ecliptic), cos(ecliptic)))
    nutation = -0.00478 * sin(node) * cos(tilt)
    turned = 280.46061837 + 360.98564736629 * (julian_day - 2_451_545) + nutation
    elevation, azimuth = altitude_azimuth(latitude, degrees(declination), turned + longitude - ascension)
    elevation -= _PARALLAX_DEG * cos(radians(elevation))
    ahead = (mean - 0.0057183 - ascension + nutation + 180) % 360 - 180
    return SunPosition(elevation, azimuth, degrees(declination), 4 * ahead)


def altitude_azimuth(latitude: float, declination: float, hour_angle: float) -> tuple[float, float]:
    """Return elevation and azimuth for an hour angle (degrees, positive after noon)."""
    phi, delta, turned = radians(latitude), radians(declination), radians(hour_angle)
    elevation = asin(sin(phi) * sin(delta) + cos(phi) * cos(delta) * cos(turned))
    azimuth = atan2(sin(turned), cos(turned) * sin(phi) - tan(delta) * cos(phi))
    return degrees(elevation), (degrees(azimuth) + 180) % 360


def day_hours(latitude: float, declination: float, horizon: float = 0.0) -> float:
    """Return how long the sun is above ``horizon`` degrees (-0.8333 for a rise and set as they are seen), 0 to 24."""
    phi, delta = radians(latitude), radians(declination)
    across = cos(phi) * cos(delta)
    if isclose(across, 0, abs_tol=1e-12):
        return 24.0 if latitude * declination > 0 else 0.0
    part = (sin(radians(horizon)) - sin(phi) * sin(delta)) / across
    return 2 * degrees(acos(min(1.0, max(-1.0, part)))) / 15


def refraction_deg(elevation: float, pressure: float, celsius: float) -> float:
    """Return by how much the air lifts the sun (the formula of NREL's solar position algorithm)."""
    lifted = elevation + 10.3 / (elevation + 5.11)
    return pressure / 101_000 * (283 / (273 + celsius)) * 1.02 / (60 * tan(radians(lifted)))


def air_mass(zenith: float) -> float:
    """Return the way through the air by that straight up (Kasten and Young 1989); ``zenith`` below 90 degrees."""
    return 1 / (cos(radians(zenith)) + 0.50572 * math.pow(96.07995 - zenith, -1.6364))


def haurwitz_level(zenith: float) -> float:
    """Return the power on a level plane under a clear sky, W/m2 (Haurwitz 1945)."""
    up = cos(radians(zenith))
    return 1098 * up * exp(-0.059 / up) if up > 0 else 0.0


def clear_sky(zenith: float, mass: float, altitude_m: float = 0.0, turbidity: float = TURBIDITY) -> SunPower:
    """Return the powers under a clear sky (Ineichen and Perez 2002).

    Args:
        zenith: the sun's angle from straight up, with refraction.
        mass: the air mass, in proportion to the pressure.
        altitude_m: height above the sea.
        turbidity: Linke turbidity.
    """
    up = cos(radians(zenith))
    if up <= 0:
        return NIGHT
    high, low = exp(-altitude_m / 8000), exp(-altitude_m / 1250)
    first, second = 5.09e-5 * altitude_m + 0.868, 3.92e-5 * altitude_m + 0.0387
    level = first * SOLAR_CONSTANT * up * exp(-second * mass * (high + low * (turbidity - 1)))
    beam = (0.664 + 0.163 / high) * exp(-0.09 * mass * (turbidity - 1)) * SOLAR_CONSTANT
    most = level * max(0.0, 1 - (0.1 - 0.2 * exp(-turbidity)) / (0.1 + 0.882 / high)) / up
    beam = min(beam, most)
    return SunPower(level, beam, level - beam * up)


def clouded(clear: SunPower, zenith: float, cloud_percent: float) -> SunPower:
    """Return the powers under a sky that clouds cover by this share: level x (1 - 0.75 n^3.4), beam x (1 - n)."""
    part = cloud_percent / 100
    level = clear.level * (1 - 0.75 * part**3.4)
    beam = clear.beam * (1 - part)
    return SunPower(level, beam, max(0.0, level - beam * max(0.0, cos(radians(zenith)))))


def split_level(level: float, zenith: float) -> SunPower:
    """Return the parts of a measured power on a level plane (Erbs 1982)."""
    up = cos(radians(zenith))
    if up <= 0 or level <= 0:
        return NIGHT
    clear = min(1.0, level / (SOLAR_CONSTANT * up))
    if clear <= 0.22:
        share = 1 - 0.09 * clear
    elif clear <= 0.8:
        share = 0.9511 + clear * (-0.1604 + clear * (4.388 + clear * (-16.638 + 12.336 * clear)))
    else:
        share = 0.165
    return SunPower(level, min(SOLAR_CONSTANT, level * (1 - share) / up), level * share)


def incidence_cos(elevation: float, azimuth: float, tilt: float, facing: float) -> float:
    """Return the cosine of the angle at which the sun meets a plane, 0 where it is behind it."""
    up, flat = sin(radians(elevation)), cos(radians(elevation))
    across = flat * sin(radians(tilt)) * cos(radians(azimuth - facing))
    return max(0.0, up * cos(radians(tilt)) + across)


def sky_on_plane(sky: float, tilt: float) -> float:
    """Return what a tilted plane gets from an even sky."""
    return sky * (1 + cos(radians(tilt))) / 2


def ground_on_plane(level: float, tilt: float, albedo: float = ALBEDO) -> float:
    """Return what a tilted plane gets from the ground."""
    return level * albedo * (1 - cos(radians(tilt))) / 2

"""Glass in the sun, and surfaces that become wet.

Knows: how the gain of a window and the light behind the cover of a solar panel fall with the sun's angle, and the
temperature of an inside surface. Does not know where the sun stands.
"""

from bisect import bisect_left
from math import acos, asin, cos, degrees, exp, radians, sin, tan

from rvsim.rig.materials import INSIDE_RESISTANCE as INSIDE_RESISTANCE
from rvsim.rig.materials import OUTSIDE_RESISTANCE as OUTSIDE_RESISTANCE
from rvsim.rig.materials import u_value as u_value

# 4 mm clear single glass: degrees from the right angle, total solar gain factor. A building-simulation database, record
# SC_8985_04nb; its angles are from memory.
_GAINS = ((0.0, 0.860), (40.0, 0.850), (55.0, 0.800), (70.0, 0.650), (80.0, 0.420), (90.0, 0.0))
DIFFUSE_DEG = 60.0
"""Light from all sides passes glass as light at this angle does (Brandemuehl and Beckman 1980, from memory)."""


def gain_factor(angle_deg: float) -> float:
    """Return the gain of 4 mm clear glass for the sun at an angle, 0 to 90 degrees from the right angle."""
    above = max(1, bisect_left(_GAINS, (angle_deg,)))
    (low, low_gain), (high, high_gain) = _GAINS[above - 1 : above + 1]
    return low_gain + (angle_deg - low) / (high - low) * (high_gain - low_gain)


def angle_share(cosine: float) -> float:
    """Return the gain of a window for the sun at an angle, by its gain at the right angle."""
    return gain_factor(degrees(acos(min(1.0, max(0.0, cosine))))) / _GAINS[0][1]


DIFFUSE_SHARE = gain_factor(DIFFUSE_DEG) / _GAINS[0][1]
"""The same for light from all sides."""
# The cover of a solar panel: refractive index of glass, what it takes up for each metre, and its thickness. The figures
# of an open library of solar models.
_INDEX, _PER_M, _COVER_M = 1.526, 4.0, 0.002


def cover_share(cosine: float) -> float:
    """Return the light behind a panel's cover for the sun at an angle, by that at the right angle (Snell, Bouguer)."""
    angle = acos(min(1.0, max(0.0, cosine)))
    straight = exp(-_PER_M * _COVER_M) * (1 - ((1 - _INDEX) / (1 + _INDEX)) ** 2)
    if angle < 1e-4:
        return 1.0
    inside = asin(sin(angle) / _INDEX)
    less, more = inside - angle, inside + angle
    thrown_back = ((sin(less) / sin(more)) ** 2 + (tan(less) / tan(more)) ** 2) / 2
    return exp(-_PER_M * _COVER_M / cos(inside)) * (1 - thrown_back) / straight


COVER_DIFFUSE_SHARE = cover_share(cos(radians(DIFFUSE_DEG)))
"""The same for light from all sides."""


def inside_surface_c(inside_c: float, outdoor_c: float, u: float, resistance: float = INSIDE_RESISTANCE) -> float:
    """Return the temperature of the inside of a wall or pane of this U-value: Ti - U Rsi (Ti - To)."""
    return inside_c - u * resistance * (inside_c - outdoor_c)

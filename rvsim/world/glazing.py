"""Glass in the sun, and surfaces that become wet.

Knows: how the gain of a window falls with the sun's angle, and the temperature of an inside surface. Does not know
where the sun stands.
"""

from bisect import bisect_left
from math import acos, degrees

INSIDE_RESISTANCE = 0.13
"""Between air and an inside surface, m2 K/W (EN ISO 6946, heat flowing sideways)."""
OUTSIDE_RESISTANCE = 0.04
"""Between an outside surface and the air, m2 K/W (EN ISO 6946)."""
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


def inside_surface_c(inside_c: float, outdoor_c: float, u: float, resistance: float = INSIDE_RESISTANCE) -> float:
    """Return the temperature of the inside of a wall or pane of this U-value: Ti - U Rsi (Ti - To)."""
    return inside_c - u * resistance * (inside_c - outdoor_c)


def u_value(*layers: float) -> float:
    """Return the U-value of layers in a row, each a resistance in m2 K/W, between the two surfaces (EN ISO 6946)."""
    return 1 / (INSIDE_RESISTANCE + sum(layers) + OUTSIDE_RESISTANCE)

"""People: the heat and the moisture that they give off.

Knows: sensible and latent heat of a person at rest and at work by the air's temperature. Does not know how many there
are, nor what water they use.
"""

from bisect import bisect_right
from collections.abc import Mapping
from typing import Literal

EVAPORATION_J_PER_G = 2450.0
"""Heat that evaporates a gram of water at body temperature, as tables of people's heat count it."""
Activity = Literal["rest", "work"]
_TOTAL_W: Mapping[Activity, float] = {"rest": 115.0, "work": 140.0}
# Seated at rest, and office work: degrees Celsius, sensible W. An air-conditioning textbook, table 7.16; above 26 C
# from memory.
_SENSIBLE: Mapping[Activity, tuple[tuple[float, float], ...]] = {
    "rest": ((20.0, 90.0), (22.0, 80.0), (24.0, 75.0), (26.0, 65.0), (36.0, 10.0)),
    "work": ((20.0, 100.0), (22.0, 90.0), (24.0, 80.0), (26.0, 70.0), (36.0, 10.0)),
}


def sensible_w(air_c: float, activity: Activity = "rest") -> float:
    """Return the heat that one person gives to the air; below 20 C that of 20 C, above 36 C that of 36 C."""
    table = _SENSIBLE[activity]
    place = bisect_right(table, (air_c,))
    if place == 0:
        return table[0][1]
    if place == len(table):
        return table[-1][1]
    (low_c, low_w), (high_c, high_w) = table[place - 1 : place + 1]
    return low_w + (air_c - low_c) / (high_c - low_c) * (high_w - low_w)


def latent_w(air_c: float, activity: Activity = "rest") -> float:
    """Return the heat that leaves one person as vapour: the rest of all its heat."""
    return _TOTAL_W[activity] - sensible_w(air_c, activity)


def moisture_g_per_h(air_c: float, activity: Activity = "rest") -> float:
    """Return the vapour that one person gives to the air."""
    return latent_w(air_c, activity) * 3600 / EVAPORATION_J_PER_G

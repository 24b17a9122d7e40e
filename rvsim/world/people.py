"""People at rest: the heat and the moisture that they give off.

Knows: sensible and latent heat of a seated person by the air's temperature. Does not know how many there are, nor what
water they use.
"""

from bisect import bisect_right

EVAPORATION_J_PER_G = 2450.0
"""Heat that evaporates a gram of water at body temperature, as tables of people's heat count it."""
_TOTAL_W = 115.0
# Seated at rest: degrees Celsius, sensible W. An air-conditioning textbook, table 7.16; above 26 C from memory.
_SENSIBLE = ((20.0, 90.0), (22.0, 80.0), (24.0, 75.0), (26.0, 65.0), (36.0, 10.0))


def sensible_w(air_c: float) -> float:
    """Return the heat that one person gives to the air; below 20 C that of 20 C, above 36 C that of 36 C."""
    place = bisect_right(_SENSIBLE, (air_c,))
    if place == 0:
        return _SENSIBLE[0][1]
    if place == len(_SENSIBLE):
        return _SENSIBLE[-1][1]
    (low_c, low_w), (high_c, high_w) = _SENSIBLE[place - 1 : place + 1]
    return low_w + (air_c - low_c) / (high_c - low_c) * (high_w - low_w)


def latent_w(air_c: float) -> float:
    """Return the heat that leaves one person as vapour: the rest of 115 W."""
    return _TOTAL_W - sensible_w(air_c)


def moisture_g_per_h(air_c: float) -> float:
    """Return the vapour that one person gives to the air."""
    return latent_w(air_c) * 3600 / EVAPORATION_J_PER_G

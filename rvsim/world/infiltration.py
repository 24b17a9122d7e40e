"""Air that passes between a zone and the outside: leaks, openings, fans.

Knows: how much air leaks, wind, warm air and fans move. Does not know what heat or moisture it carries.
"""

from math import sqrt

AIR_W_PER_LITRE_S_K = 1.2072
"""Heat carried by one litre of air a second for each kelvin. ASHRAE Handbook Fundamentals, standard air at sea
level (1.08 Btu/h for each CFM and degree Fahrenheit), in metric units. Regulations that count the air's
moisture use 1.23, 2 % more."""
AIR_KG_PER_LITRE = 0.0012
"""Standard air at sea level."""
ORIFICE = 0.61
"""Discharge coefficient of a sharp opening (orifice equation)."""
STACK = 0.65
"""Discharge coefficient of an opening that warm air leaves through: 0.65 to 0.70 (stack effect, a public page)."""
WIND_THROUGH_OPENING = 0.025
"""Flow by wind for each m2 and m/s, openings on one side (BS 5925, from memory)."""
FAN_PA = 60.0
"""Pressure that a roof fan makes with its inlet shut. From memory; to be replaced by that of a fan."""
_GRAVITY = 9.80665
_KELVIN = 273.15


def litres_per_s(volume_m3: float, air_changes_per_hour: float) -> float:
    """Return the air flow in L/s that exchanges a volume ``air_changes_per_hour`` times an hour."""
    return volume_m3 * 1000 * air_changes_per_hour / 3600


def stack_m3_per_s(area_m2: float, height_m: float, inside_c: float, outdoor_c: float) -> float:
    """Return the flow by the weight of cold air: C A sqrt(2 g h (Ti - To) / Ti), the warmer side as Ti."""
    warmer = max(inside_c, outdoor_c) + _KELVIN
    return STACK * area_m2 * sqrt(2 * _GRAVITY * height_m * abs(inside_c - outdoor_c) / warmer)


def opening_litres_per_s(
    area_m2: float, height_m: float, inside_c: float, outdoor_c: float, wind_m_per_s: float
) -> float:
    """Return the flow through openings: half of the area lets air in and half lets it out, ``height_m`` higher.

    Each half has half of the height's pressure. Wind and warmth add as squares (common practice, no source).
    """
    by_warmth = stack_m3_per_s(area_m2 / 2, height_m / 2, inside_c, outdoor_c)
    by_wind = WIND_THROUGH_OPENING * area_m2 * wind_m_per_s
    return 1000 * sqrt(by_warmth**2 + by_wind**2)


def inlet_pa(flow_m3_per_s: float, area_m2: float) -> float:
    """Return the pressure that a flow loses in its inlet, 0.5 rho (Q / (Cd A))^2."""
    return 0.5 * AIR_KG_PER_LITRE * 1000 * (flow_m3_per_s / (ORIFICE * area_m2)) ** 2


def through_inlet(free_litres_per_s: float, area_m2: float, fan_pa: float = FAN_PA) -> float:
    """Return the smaller of a fan's free flow and that at which the inlet takes all its pressure."""
    most = 1000 * ORIFICE * area_m2 * sqrt(2 * fan_pa / (AIR_KG_PER_LITRE * 1000))
    return min(free_litres_per_s, most)

"""The power of a solar panel by the light on it and the air around it.

Knows: the temperature of its cells, and its power at that temperature. Does not know the sun, nor what the controller
takes of it: a device sets its charge with this power as a limit.
"""

STANDARD_W_PER_M2 = 1000.0
STANDARD_C = 25.0
"""The conditions under which panels are rated."""
NOCT_W_PER_M2 = 800.0
NOCT_AIR_C = 20.0
"""The conditions of the nominal operating cell temperature (NOCT)."""
LOSS_PER_K = 0.004
"""Power lost for each kelvin above 25 C, as a share: 0.3 to 0.4 % in published examples."""
TRACKING_EFFICIENCY = 0.95
"""Of a controller that finds the panel's best point: 92 to 95 % in a maker's manual, up to 98 % by a seller."""
# K more of the NOCT for a panel close to the roof, by the gap in mm above which it holds (NOCT cell temperature model
# of a national laboratory's page on photovoltaic performance; SAM reference manual).
_CLOSER = ((88.9, 0.0), (63.5, 2.0), (38.1, 6.0), (12.7, 11.0), (0.0, 18.0))


def noct_by_gap(noct_c: float, gap_mm: float) -> float:
    """Return the NOCT of a panel with this gap between it and the roof: a flush one runs 18 K hotter."""
    return noct_c + next(more for least, more in _CLOSER if gap_mm >= least)


def cell_c(
    air_c: float, w_per_m2: float, noct_c: float, wind_m_per_s: float | None = None, efficiency: float = 0.2
) -> float:
    """Return the temperature of the cells, degrees Celsius.

    Without wind the form of Ross, air + (NOCT - 20) / 800 x light. With it the NOCT model of SAM: the wind is measured
    10 m above the ground (about half of it at a van's roof), and the power taken out cools the panel.
    """
    rise = (noct_c - NOCT_AIR_C) / NOCT_W_PER_M2 * w_per_m2
    if wind_m_per_s is None:
        return air_c + rise
    return air_c + rise * (1 - efficiency / 0.9) * 9.5 / (5.7 + 3.8 * 0.51 * wind_m_per_s)


def watts(rated_w: float, w_per_m2: float, cells_c: float, loss_per_k: float = LOSS_PER_K) -> float:
    """Return the power of a panel at its best point, before the controller; 0 in the dark."""
    warm = 1 - loss_per_k * (cells_c - STANDARD_C)
    return max(0.0, rated_w * w_per_m2 / STANDARD_W_PER_M2 * warm)

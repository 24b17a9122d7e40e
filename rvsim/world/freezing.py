"""How long water takes to freeze.

Knows: cooling of still water to 0 C, then its ice. Does not know any tank.
"""

from math import inf, log, pi

WATER_J_PER_LITRE_K = 4186.0
"""Of cold water."""
ICE_J_PER_LITRE = 334_000.0
"""Heat of freezing, for a litre of water."""


def hours_to_zero(litres: float, w_per_k: float, start_c: float, air_c: float) -> float:
    """Return when water reaches 0 C; infinite where the air is not below 0 C, 0 where it is there already."""
    if start_c <= 0:
        return 0.0
    if air_c >= 0:
        return inf
    return litres * WATER_J_PER_LITRE_K / w_per_k * log((start_c - air_c) / -air_c) / 3600


def hours_to_ice(litres: float, w_per_k: float, air_c: float) -> float:
    """Return how long water at 0 C takes to become ice all through; the ice itself insulates nothing here."""
    return litres * ICE_J_PER_LITRE / (w_per_k * -air_c) / 3600 if air_c < 0 else inf


def pipe_hours_to_zero(
    inner_mm: float, pipe_mm: float, insulation_mm: float, w_per_m_k: float, start_c: float, air_c: float
) -> float:
    """Return when still water in an insulated pipe reaches 0 C (ASHRAE): rho c pi (D1/2)^2 R ln((ti-ta)/(tf-ta)).

    Args:
        inner_mm: inner diameter of the pipe.
        pipe_mm: its outer diameter.
        insulation_mm: outer diameter of the insulation, which alone resists.
        w_per_m_k: conductivity of the insulation.
        start_c: temperature of the water.
        air_c: temperature of the air.
    """
    litres = pi * (inner_mm / 2000) ** 2 * 1000
    resistance = log(insulation_mm / pipe_mm) / (2 * pi * w_per_m_k)
    return hours_to_zero(litres, 1 / resistance, start_c, air_c)


class WaterTemperature:
    """Temperature and ice of the water in one tank.

    Its heat does not come back to the zone around it. Water that is filled in has the temperature of what is there.
    """

    _MIN_LITRES = 0.5
    """A tank with less follows the air as one with this. Our decision."""

    def __init__(self, celsius: float, w_per_k: float) -> None:
        self._w_per_k = w_per_k
        below = -ICE_J_PER_LITRE if celsius < 0 else 0.0
        self._j_per_litre = celsius * WATER_J_PER_LITRE_K + below
        """Counted from water at 0 C."""

    @property
    def celsius(self) -> float:
        """The temperature; ice is counted with the specific heat of water."""
        if self._j_per_litre > 0:
            return self._j_per_litre / WATER_J_PER_LITRE_K
        return min(0.0, self._j_per_litre + ICE_J_PER_LITRE) / WATER_J_PER_LITRE_K

    @property
    def ice_part(self) -> float:
        """How much of the water is ice, 0 to 1."""
        return min(1.0, max(0.0, -self._j_per_litre / ICE_J_PER_LITRE))

    def freezes_in_h(self, litres: float, air_c: float) -> float:
        """Return when all of it is ice in air of a temperature, in hours."""
        liquid = litres * (1 - self.ice_part)
        return hours_to_zero(litres, self._w_per_k, self.celsius, air_c) + hours_to_ice(liquid, self._w_per_k, air_c)

    def step(self, seconds: int, litres: float, air_c: float) -> None:
        """Advance in air of a temperature."""
        share = self._w_per_k * seconds / max(litres, self._MIN_LITRES)
        self._j_per_litre += min(share, WATER_J_PER_LITRE_K) * (air_c - self.celsius)

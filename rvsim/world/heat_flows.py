"""Who gives heat to zones, coolant and hot water at one moment, and who takes it.

Knows: the temperatures and conductances of that moment. Does not know how temperatures move (`heat_network`).
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from rvsim.rig.climate import FIRST_ZONE
from rvsim.world.coolant import Coolant
from rvsim.world.flows import Flows, Stock, split
from rvsim.world.hot_water import HotWater
from rvsim.world.zone import Zone

COLDEST_AIR_C, HOTTEST_AIR_C = -30.0, 50.0
MAX_COOLANT_C, MAX_WATER_C = 90.0, 80.0
"""The ends of the scales of temperatures, degrees Celsius. Common practice, no source."""


class HeatBodies(NamedTuple):
    """The bodies of the thermal model at one moment, temperatures in degrees Celsius."""

    zones: Mapping[str, Zone]
    celsius: Sequence[float]
    """Of the air and the lining of each zone, the coolant, the hot water."""
    outdoor_c: float
    exchanges: Sequence[tuple[str, str, float]]
    """Two zones and the litres of air that they exchange a second."""
    coolant: Coolant
    water: HotWater
    drawn_w: float
    """Heat that leaves with drawn hot water."""


def heat_flows(bodies: HeatBodies) -> Iterator[Flows]:
    """Yield the heat of each zone, of the coolant and of the hot water, in watts."""
    celsius, coolant, water = bodies.celsius, bodies.coolant, bodies.water
    coolant_c, water_c = celsius[-2:]
    to_zones: list[tuple[str, float]] = []
    for number, (name, zone) in enumerate(bodies.zones.items()):
        air_c, lining_c = celsius[2 * number : 2 * number + 2]
        from_coolant = [(who, w_per_k * (coolant_c - air_c)) for who, w_per_k in coolant.zone_parts(name)]
        to_zones.append((name, -sum(watts for _, watts in from_coolant)))
        parts = [*from_coolant, *_own_parts(zone, air_c, lining_c, bodies.outdoor_c), *_neighbours(bodies, name, air_c)]
        if name == FIRST_ZONE:
            parts.append(("hot water tank", water.to_cabin_w_per_k * (water_c - air_c)))
        stock = Stock("air", air_c, "degC", COLDEST_AIR_C, HOTTEST_AIR_C)
        yield Flows(f"heat of the {name}", "W", "air and lining", *split(parts), stock)
    to_water = coolant.to_water_w_per_k * (coolant_c - water_c)
    parts = [*coolant.burners.items(), *to_zones, ("hot water", -to_water)]
    stock = Stock("coolant", coolant_c, "degC", 0.0, MAX_COOLANT_C)
    yield Flows("heat of the coolant", "W", "coolant", *split(parts), stock)
    cabin_c = celsius[0]
    to_cabin = water.to_cabin_w_per_k * (water_c - cabin_c)
    parts = [("coolant", to_water), *water.heats.items(), (FIRST_ZONE, -to_cabin), ("taps", -bodies.drawn_w)]
    stock = Stock("hot water", water_c, "degC", 0.0, MAX_WATER_C)
    yield Flows("heat of the hot water", "W", "water", *split(parts), stock)


def _own_parts(zone: Zone, air_c: float, lining_c: float, outdoor_c: float) -> Iterator[tuple[str, float]]:
    """Yield what devices, people, sun, walls and exchanged air give to a zone, below 0 what they take."""
    yield from zone.heats.items()
    yield "people", zone.people_w
    yield "sun", zone.sun_air_w + zone.sun_lining_w
    kelvin = outdoor_c - air_c
    yield "walls and glass", zone.bare_to_outdoor * kelvin + zone.lining_to_outdoor * (outdoor_c - lining_c)
    fans, openings = zone.vent_litres_per_s, zone.opening_litres_per_s
    yield "fans", zone.air_w_per_k(fans) * kelvin
    yield "openings", zone.air_w_per_k(openings) * kelvin
    yield "leaks", zone.air_w_per_k(zone.outdoor_litres_per_s - fans - openings) * kelvin


def _neighbours(bodies: HeatBodies, name: str, air_c: float) -> Iterator[tuple[str, float]]:
    """Yield what the air exchanged with other zones gives to a zone."""
    places = {zone: 2 * number for number, zone in enumerate(bodies.zones)}
    for one, other, litres_per_s in bodies.exchanges:
        if name in (one, other):
            neighbour = other if name == one else one
            w_per_k = bodies.zones[one].air_w_per_k(litres_per_s)
            yield f"air of the {neighbour}", w_per_k * (bodies.celsius[places[neighbour]] - air_c)

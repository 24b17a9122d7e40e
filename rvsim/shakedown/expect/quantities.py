"""Values of the simulated vehicle, by the names that a scenario uses for them.

Knows: their names, their units and how each is read. Does not know what a value is used for.
"""

from collections.abc import Callable, Collection, Mapping
from typing import Annotated, NamedTuple

from pydantic import AfterValidator, ValidationInfo

from rvsim.errors import did_you_mean
from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown
from rvsim.rig.references import unknown_text
from rvsim.shakedown.vehicle_names import FUEL, VehicleNames, vehicle_names
from rvsim.world.world import World

QUANTITIES: Mapping[str, tuple[str, Callable[[World], float]]] = {
    "cabin": ("°C", lambda world: world.cabin_c),
    "lining": ("°C", lambda world: world.lining_celsius()),
    "dew_point": ("°C", lambda world: world.dew_point_c()),
    "coldest_surface": ("°C", lambda world: world.coldest_surface_c()),
    "humidity": ("%", lambda world: world.humidity_percent()),
    "opening": ("m²", lambda world: world.opening_m2()),
    "vent": ("L/s", lambda world: world.vent_litres_per_s()),
    "outdoor": ("°C", lambda world: world.outdoor_c),
    "sun": ("W/m²", lambda world: world.sun_w_per_m2()),
    "coolant": ("°C", lambda world: world.coolant_c),
    "hot_water": ("°C", lambda world: world.water_c),
    "battery": ("°C", lambda world: world.battery_c),
    "battery_voltage": ("V", lambda world: world.battery_volts),
    "battery_current": ("A, positive out of the battery", lambda world: world.battery_amps),
    "battery_charge": ("%", lambda world: world.battery_percent),
    "fuel_use": ("l/h", lambda world: world.fuel_litres_per_h),
    "fuel": ("%", lambda world: world.fuel_percent),
    "fresh_tank": ("%", lambda world: world.tank_percent("fresh")),
    "grey_tank": ("%", lambda world: world.tank_percent("grey")),
    "black_tank": ("%", lambda world: world.tank_percent("black")),
}
"""The unit of each value and the function that reads it, by name."""


class NamedValue(NamedTuple):
    """What is read of each thing of one sort: its value is called by the thing's name and the ending."""

    of: str
    """What it is of, in a few words."""
    unit: str
    read: Callable[[World, str], float]
    names: Callable[[VehicleNames], Collection[str]]
    """The things of that sort in a rig."""
    sort: str
    """The same things in the plural, for errors."""


NAMED_VALUES: Mapping[str, NamedValue] = {
    ".position": NamedValue(
        "a motion", "%, 0 is in", lambda world, name: world.motion_percent(name), lambda rig: rig.motions, "motions"
    ),
    ".temperature": NamedValue(
        "a zone", "°C", lambda world, name: world.air_celsius(name), lambda rig: rig.zones, "zones"
    ),
    ".humidity": NamedValue(
        "a zone", "%", lambda world, name: world.humidity_percent(name), lambda rig: rig.zones, "zones"
    ),
    ".charge": NamedValue(
        "a battery", "%", lambda world, name: world.battery(name).percent, lambda rig: rig.batteries, "batteries"
    ),
    ".voltage": NamedValue(
        "a battery", "V", lambda world, name: world.battery(name).volts, lambda rig: rig.batteries, "batteries"
    ),
    ".current": NamedValue(
        "a battery",
        "A, positive out of it",
        lambda world, name: world.battery(name).amps,
        lambda rig: rig.batteries,
        "batteries",
    ),
    ".level": NamedValue(
        "a tank, or of fuel",
        "%",
        lambda world, name: world.fuel_percent if name == FUEL else world.tank_percent(name),
        lambda rig: (*rig.tanks, FUEL),
        "tanks",
    ),
}
"""By the ending: after the name of a motion ".position", how far it is out; and so on."""


def quantity(name: str) -> tuple[str, Callable[[World], float]]:
    """Return the unit of a value and the function that reads it; KeyError for a name that is none."""
    whose, ending = _parts(name)
    if ending is None:
        return QUANTITIES[name]
    named = NAMED_VALUES[ending]
    return named.unit.partition(",")[0], lambda world: named.read(world, whose)


def named_value_texts() -> list[str]:
    """Return how the values of named things are written, with their units."""
    return [f"NAME{ending} of {named.of} ({named.unit})" for ending, named in NAMED_VALUES.items()]


def _parts(name: str) -> tuple[str, str | None]:
    """Return the name of the thing and the ending; the whole and None where it has none of the endings."""
    whose, dot, ending = name.rpartition(".")
    return (whose, dot + ending) if dot and dot + ending in NAMED_VALUES else (name, None)


def _known(name: str, info: ValidationInfo) -> str:
    whose, ending = _parts(name)
    if ending is not None:
        rig, named = (info.context or {}).get("rig"), NAMED_VALUES[ending]
        known = named.names(vehicle_names(rig)) if isinstance(rig, Rig) else None
        if known is not None and whose not in known:
            raise ValueError(unknown_text(whose, known, named.sort))
    elif name not in QUANTITIES:
        raise ValueError(
            f"{shown(name)} is not a value of the vehicle{did_you_mean(name, QUANTITIES)}; the values are "
            f"{', '.join(QUANTITIES)}, and "
            f"{', '.join(f'NAME{ending} of {named.of}' for ending, named in NAMED_VALUES.items())}"
        )
    return name


Quantity = Annotated[str, AfterValidator(_known)]
"""The name of a value of the vehicle."""

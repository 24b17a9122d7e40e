"""Values of the simulated vehicle, by the names that a scenario uses for them.

Knows: their names, their units and how each is read. Does not know what a value is used for.
"""

from collections.abc import Callable, Mapping
from typing import Annotated

from pydantic import AfterValidator, ValidationInfo

from rvsim.errors import did_you_mean
from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown
from rvsim.rig.references import unknown_text
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
POSITION = ".position"
"""After the name of a motion: how far it is out, 0 % in and 100 % out."""


def quantity(name: str) -> tuple[str, Callable[[World], float]]:
    """Return the unit of a value and the function that reads it; KeyError for a name that is none."""
    if name.endswith(POSITION):
        motion = name.removesuffix(POSITION)
        return "%", lambda world: world.motion_percent(motion)
    return QUANTITIES[name]


def _known(name: str, info: ValidationInfo) -> str:
    if name.endswith(POSITION):
        rig, motion = (info.context or {}).get("rig"), name.removesuffix(POSITION)
        known = [plan.name for plan in rig.motions] if isinstance(rig, Rig) else None
        if known is not None and motion not in known:
            raise ValueError(unknown_text(motion, known, "motions"))
    elif name not in QUANTITIES:
        raise ValueError(
            f"{shown(name)} is not a value of the vehicle{did_you_mean(name, QUANTITIES)}; the values are "
            f"{', '.join(QUANTITIES)}, and NAME{POSITION} of a motion"
        )
    return name


Quantity = Annotated[str, AfterValidator(_known)]
"""The name of a value of the vehicle."""

"""The simulated devices that can stand in for the units of a log, and their settings.

Knows: the functions that each kind of simulated device requires, and the settings that a rig with these instances
needs. Does not know logs, nor what the devices do.
"""

from collections.abc import Iterable, Mapping

from rvsim.devices.kinds.panel import Panel, PanelSettings
from rvsim.devices.kinds.tank import TANK_INSTANCES
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.tanks import FIRST_TANKS

UnitFunctions = Mapping[str, list[int]]
"""The functions of a unit, with their instances."""
REQUIRED_FUNCTIONS: Mapping[str, tuple[str, ...]] = {
    "heater": ("furnace", "water_heater"),
    "water_heater": ("water_heater",),
    "air_furnace": ("furnace",),
    "panel": ("thermostat",),
    "roof_fan": ("roof_fan",),
    "air_conditioner": ("air_conditioner",),
    "charger": ("charger", "dc_source"),
    "solar_controller": ("solar_controller",),
    "alternator": ("charger",),
    "dc_dc_charger": ("charger",),
    "inverter": ("inverter",),
    "generator": ("generator",),
    "dc_disconnect": ("dc_disconnect",),
    "battery_monitor": ("battery_monitor", "dc_source"),
    "tank": ("tank",),
    "ambient": ("ambient_sensor",),
    "fridge": ("refrigerator",),
    "circulation_pump": ("circulation_pump",),
    "water_pump": ("water_pump",),
    "load_centre": ("dc_dimmer",),
    "keypad": ("dc_input",),
    "awning": ("awning",),
    "window_shade": ("window_shade",),
    "lock": ("lock",),
}
"""The functions that each kind of simulated device requires; if several kinds fit, the first one stands in. A
charger from one battery into another never does: a log shows no second battery."""


def kind_for(unit: UnitFunctions) -> str | None:
    """Return the kind of simulated device that can stand in for a unit, None where none can."""
    kinds = (kind for kind, needed in REQUIRED_FUNCTIONS.items() if all(function in unit for function in needed))
    kind = next(kinds, None)
    if kind is None and "dc_load" in unit:
        return "load_centre"  # it has dimmers, loads, or both
    if kind == "alternator" and FUNCTIONS["charger"].charger_type_label(min(unit["charger"])) is None:
        return None
    return None if kind == "tank" and _water(min(unit["tank"])) is None else kind


def settings_for(kind: str, unit: UnitFunctions, rig: Iterable[UnitFunctions]) -> dict[str, int | str]:
    """Return the settings that a simulated device needs, except those that equal its defaults.

    A log does not show where a sensor is mounted: of the ambient sensors the first is taken to be in the cabin, the
    second outdoors, as simulated panels expect.
    """
    all_instances: dict[str, set[int]] = {}
    for functions in rig:
        for function, instances in functions.items():
            all_instances.setdefault(function, set()).update(instances)
    found: dict[str, int | str | None] = {}
    if kind == "tank":
        found = {"tank": _water(min(unit["tank"]))}
    elif kind == "ambient":
        is_outdoors = sorted(all_instances["ambient_sensor"])[1:2] == [min(unit["ambient_sensor"])]
        found = {"place": "outdoors" if is_outdoors else None}
    elif kind == "panel":
        found = {
            name: _partner(name, all_instances.get(function, set()))
            for name, function in Panel.instance_settings.items()
        }
        found = {name: value for name, value in found.items() if value != PanelSettings.model_fields[name].default}
    return {name: value for name, value in found.items() if value is not None}


def _water(instance: int) -> str | None:
    """Return the kind of water in a tank by its instance; None where it is not one of those that every vehicle has."""
    return next((water for water in FIRST_TANKS if instance in TANK_INSTANCES[water]), None)


def _partner(setting: str, instances: Iterable[int]) -> int | None:
    """Return the instance that a panel would read or command; None where the rig has none."""
    usable = sorted(instance for instance in instances if setting != "fresh_tank" or _water(instance) == "fresh")
    place = 1 if setting == "outdoor_sensor" else 0
    return usable[place] if place < len(usable) else None

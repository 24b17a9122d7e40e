"""Which simulated device could stand in for a unit of a log, and what it would have to be set to.

Knows: the functions without which a kind of device cannot be simulated, and the settings that a rig with these
instances needs. Does not know a log, nor what the devices do.
"""

from collections.abc import Iterable, Mapping

from rvsim.devices.kinds.panel import Panel, PanelSettings
from rvsim.devices.kinds.tank import TANK_INSTANCES

Functions = Mapping[str, list[int]]
"""What a unit is on the network: functions with their instances."""
NEEDED: Mapping[str, tuple[str, ...]] = {
    "heater": ("furnace", "water_heater"),
    "panel": ("thermostat",),
    "roof_fan": ("roof_fan",),
    "charger": ("charger", "dc_source"),
    "battery_monitor": ("battery_monitor", "dc_source"),
    "tank": ("tank",),
    "ambient": ("ambient_sensor",),
    "circulation_pump": ("circulation_pump",),
}
"""The functions that each kind of simulated device needs; of several kinds the first listed stands in."""


def kind_for(unit: Functions) -> str | None:
    """Return the kind of simulated device that can stand in for a unit, None where none can."""
    kinds = (kind for kind, needed in NEEDED.items() if all(function in unit for function in needed))
    kind = next(kinds, None)
    return None if kind == "tank" and _water(min(unit["tank"])) is None else kind


def settings_for(kind: str, unit: Functions, rig: Iterable[Functions]) -> dict[str, int | str]:
    """Return what a simulated device has to be set to, where that is not what it is set to by itself.

    A log does not tell where a sensor hangs: of the ambient sensors the first is taken to be in the cabin, the second
    outdoors, which is what simulated panels expect.
    """
    there: dict[str, set[int]] = {}
    for one in rig:
        for function, instances in one.items():
            there.setdefault(function, set()).update(instances)
    found: dict[str, int | str | None] = {}
    if kind == "tank":
        found = {"tank": _water(min(unit["tank"]))}
    elif kind == "ambient":
        outdoors = sorted(there["ambient_sensor"])[1:2] == [min(unit["ambient_sensor"])]
        found = {"place": "outdoors" if outdoors else None}
    elif kind == "panel":
        found = {name: _partner(name, there.get(function, set())) for name, function in Panel.instance_settings.items()}
        found = {name: value for name, value in found.items() if value != PanelSettings.model_fields[name].default}
    return {name: value for name, value in found.items() if value is not None}


def _water(instance: int) -> str | None:
    """Return what the instance of a tank says is in it; None where it is no water."""
    return next((water for water, those in TANK_INSTANCES.items() if instance in those), None)


def _partner(setting: str, instances: Iterable[int]) -> int | None:
    """Return the instance that a panel would listen to or command; None where the rig has none."""
    usable = sorted(one for one in instances if setting != "fresh_tank" or _water(one) == "fresh")
    place = 1 if setting == "outdoor_sensor" else 0
    return usable[place] if place < len(usable) else None

"""What everything but the heaters takes from a battery in a night, and what stays on while a vehicle is stored.

Knows: the average current of a device or an output by the rig's figures or by its kind, and which battery and branch
feed it. Does not know any limit, nor heaters at night (`night_heat` has them).

At night a device draws its lowest current by ``amps``, a circulation pump its highest while there is heat, a fridge its
compressor's share, an inverter what it takes without load. An output draws its current for its ``duty_percent``.
"""

from collections.abc import Callable, Mapping
from functools import cached_property
from typing import Any, NamedTuple

from rvsim.devices.kinds.fridge import DUTY_AIR_C, FridgeSettings
from rvsim.devices.kinds.inverter import InverterSettings
from rvsim.devices.own.own_settings import OwnLoadPlan
from rvsim.devices.registry import settings_models
from rvsim.plan.kind_settings import kind_settings
from rvsim.plan.night_heat import NightHeat
from rvsim.rig.climate import OUTDOORS
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.electric import BranchPlan, battery_by_branch
from rvsim.rig.model import Rig
from rvsim.rig.switching import OutputPlan
from rvsim.rig.vehicle import VehiclePlan

NOMINAL_VOLTS = 12.0
"""Power by current is counted at this voltage. Common practice, no source."""
_REST_KEYS = ("electronics_amps", "standby_amps")
"""The settings that say what a kind of device always draws."""
_CHARGERS = ("charger", "dc_dc_charger", "alternator", "solar_controller", "generator")


class Load(NamedTuple):
    """One device or output: its battery, its average current, the calculation; or the key that is missing."""

    name: str
    battery: str
    branch: str | None
    amps: float | None
    text: str


class Loads:
    """The loads of a rig."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig

    @cached_property
    def _vehicle(self) -> VehiclePlan:
        return self.rig.vehicle

    @cached_property
    def _branch_by_name(self) -> Mapping[str, BranchPlan]:
        return {one.name: one for one in self._vehicle.branches}

    @cached_property
    def _battery_by_branch(self) -> Mapping[str, str]:
        return battery_by_branch(self.rig.batteries, self._vehicle.branches)

    def battery_of(self, device: DevicePlan) -> str:
        """Return the battery that a device is on."""
        vehicle = self._vehicle
        branch = vehicle.branch_by_device.get(device.name)
        if branch is not None:
            return self._battery_by_branch[branch]
        return vehicle.battery_by_device.get(device.name, vehicle.battery.name)

    def branches_of(self, branch: str | None) -> list[str]:
        """Return a branch and those that feed it, the nearest first."""
        by_name = self._branch_by_name
        found = []
        while branch is not None:
            found.append(branch)
            branch = by_name[branch].parent
        return found

    def night(self, heat: NightHeat | None) -> list[Load]:
        """Return the loads of a night, without those of the heaters whose run is known."""
        known = {one.heater.device for one in heat.runs} if heat is not None else set()
        loads = [
            self._load(device, lambda device: _night_amps(device, heat))
            for device in self.rig.devices
            if device.name not in known
        ]
        return loads + [self._output(output) for output in self.rig.outputs]

    def stored(self) -> list[Load]:
        """Return what each device draws while the vehicle is stored; its outputs are off."""
        return [self._load(device, _standing_amps) for device in self.rig.devices]

    def _load(self, device: DevicePlan, amps_of: Callable[[DevicePlan], tuple[float | None, str]]) -> Load:
        amps, text = amps_of(device)
        branch = self._vehicle.branch_by_device.get(device.name)
        return Load(device.name, self.battery_of(device), branch, amps, text)

    def _output(self, output: OutputPlan) -> Load:
        module = next(one for one in self.rig.modules if one.name == output.module)
        devices = {device.name: device.branch for device in self.rig.devices}
        branch = module.branch or devices.get(module.device or "")
        battery = self._battery_by_branch[branch] if branch is not None else self._vehicle.battery.name
        missing = [key for key in ("amps", "duty_percent") if getattr(output, key) is None]
        if output.amps is None or output.duty_percent is None:
            return Load(output.name, battery, branch, None, f"{' and '.join(missing)} of output {output.name}")
        amps = output.amps * output.duty_percent / 100
        text = f"{output.name} {output.amps:g} A x {output.duty_percent:g} %"
        return Load(output.name, battery, branch, amps, text)


def _settings(device: DevicePlan) -> Any:
    model = settings_models().get(device.kind)
    return None if model is None else kind_settings(device, model)


def _rest_amps(device: DevicePlan) -> tuple[float | None, str]:
    """Return what a device draws at rest: by ``amps``, or by the settings of its kind."""
    if device.amps:
        amps = sum(low for low, _ in device.amps.values())
        return amps, f"{device.name} {amps:g} A at rest"
    settings = _settings(device)
    for key in _REST_KEYS:
        if settings is not None and hasattr(settings, key):
            amps = float(getattr(settings, key))
            return amps, f"{device.name} {amps:g} A ({key} of its kind)"
    if device.kind == "own" and isinstance(settings.amps, OwnLoadPlan):
        return settings.amps.offset, f"{device.name} {settings.amps.offset:g} A (offset of its current)"
    if device.kind == "own" and isinstance(settings.amps, float):
        return settings.amps, f"{device.name} {settings.amps:g} A"
    if device.kind in _CHARGERS:
        return 0.0, f"{device.name} 0 A (it charges)"
    if device.kind == "keypad":
        return settings.amps, f"{device.name} {settings.amps:g} A"
    return None, f"amps of device {device.name}"


def _night_amps(device: DevicePlan, heat: NightHeat | None) -> tuple[float | None, str]:
    amps, text = _rest_amps(device)
    if device.kind == "fridge":
        return _fridge_amps(device, kind_settings(device, FridgeSettings), heat)
    if device.kind == "inverter":
        inverter = kind_settings(device, InverterSettings)
        if inverter.enabled:
            watts = inverter.sense_w if inverter.load_sense else inverter.no_load_w
            return watts / NOMINAL_VOLTS, f"{device.name} {watts:g} W without load / {NOMINAL_VOLTS:g} V"
    if "circulation_pump" in device.functions and device.amps and heat is not None and heat.lost_w > 0:
        amps = sum(high for _, high in device.amps.values())
        return amps, f"{device.name} {amps:g} A all night"
    return amps, text


def _fridge_amps(device: DevicePlan, fridge: FridgeSettings, heat: NightHeat | None) -> tuple[float | None, str]:
    """Return the average current of a fridge: its compressor's share grows with how much warmer the air is."""
    if heat is None and fridge.zone != OUTDOORS:
        air_c = DUTY_AIR_C
    else:
        assert heat is not None
        air_c = heat.place_c(fridge.zone)
    share = max(0.0, min(1.0, fridge.duty_percent / 100 * (air_c - fridge.set_c) / (DUTY_AIR_C - fridge.set_c)))
    amps = fridge.compressor_w * share / NOMINAL_VOLTS + fridge.electronics_amps
    text = (
        f"{device.name} {fridge.compressor_w:g} W x {100 * share:.0f} % at {air_c:.0f} C / {NOMINAL_VOLTS:g} V + "
        f"{fridge.electronics_amps:g} A"
    )
    return amps, text


def _standing_amps(device: DevicePlan) -> tuple[float | None, str]:
    if device.standing_milliamps is None:
        return None, f"standing_milliamps of device {device.name}"
    return device.standing_milliamps / 1000, f"{device.name} {device.standing_milliamps:g} mA"

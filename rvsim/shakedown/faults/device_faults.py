"""Faults of a device itself: what it reports, what it measures, its burner and its air.

Knows: which calls and conditions each kind needs, and which kinds of device can have it. Does not know when a fault
starts.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import assert_never

from rvsim.devices.combustion.burner_device import BurnerDevice
from rvsim.devices.device import Device
from rvsim.devices.kinds.air_furnace import AirFurnace
from rvsim.devices.kinds.ambient import PLACES, AmbientSensor
from rvsim.devices.kinds.tank import TankSensor
from rvsim.devices.kinds.water_heater import WaterHeater
from rvsim.devices.registry import kinds_by_name
from rvsim.errors import did_you_mean
from rvsim.rig.climate import unknown_zone
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import FUNCTIONS, canonical
from rvsim.rig.quantity import shown
from rvsim.shakedown.faults import device_fault_plans as plans
from rvsim.shakedown.faults.bench_effects import DeviceAction, DeviceCondition, Effect, GroundOffset, PowerLoss
from rvsim.wire.diagnostics import ReportedFault


class DeviceFaults:
    """Makes the effects of faults of devices for one rig; ``zones`` are the names of its zones."""

    def __init__(self, devices: Mapping[str, DevicePlan], zones: list[str]) -> None:
        self._devices, self._zones = devices, zones

    def effects(self, fault: plans.InternalPlan) -> Iterator[Effect]:
        """Yield the effects of a fault.

        Raises:
            ValueError: the device cannot have it.
        """
        match fault:
            case plans.RestartPlan():
                yield PowerLoss((fault.device,), fault.takes)
            case plans.ReportedPlan():
                yield self._reported(fault)
            case plans.FilterBlockedPlan():
                yield self._filter_blocked(fault)
            case plans.SensorMisplacedPlan() | plans.SenderReversedPlan() | plans.GroundOffsetPlan():
                yield self._measuring(fault)
            case plans.FailedIgnitionPlan():
                yield self._failed_ignition(fault)
            case plans.FuelGellingPlan() | plans.AirInFuelPlan():
                yield self._of_fuel(fault)
            case _:
                assert_never(fault)

    # What a device reports itself.

    def _reported(self, fault: plans.ReportedPlan) -> Effect:
        plan = self._devices[fault.device]
        own = [name for name in plan.functions if not FUNCTIONS[name].shared] or list(plan.functions)
        function = canonical(fault.function)
        if function not in own:
            raise ValueError(
                f"{fault.device} reports no faults of {fault.function}{did_you_mean(fault.function, own)}; its "
                f"functions are {', '.join(own)}"
            )
        reported = ReportedFault(fault.spn, fault.fmi, fault.times)

        def report(device: Device) -> None:
            device.report_fault(function, reported, red=fault.lamp == "red")

        def withdraw(device: Device) -> None:
            device.withdraw_fault(function, reported)

        return DeviceAction(fault.device, report, withdraw)

    # What a device measures.

    def _measuring(self, fault: plans.MeasuringPlan) -> Effect:
        match fault:
            case plans.SensorMisplacedPlan():
                self._check_kind(fault, AmbientSensor)
                self._check_place(fault)

                def move(device: Device) -> None:
                    assert isinstance(device, AmbientSensor)
                    device.move_to(fault.place, fault.zone)

                def move_back(device: Device) -> None:
                    assert isinstance(device, AmbientSensor)
                    device.move_to(None)

                return DeviceCondition(fault.device, move, move_back)
            case plans.SenderReversedPlan():
                self._check_kind(fault, TankSensor)

                def turn_over(device: Device) -> None:
                    assert isinstance(device, TankSensor)
                    device.turn_over()

                return DeviceCondition(fault.device, turn_over, turn_over)
            case plans.GroundOffsetPlan():
                return GroundOffset(fault.device, fault.volts)
            case _:
                assert_never(fault)

    def _check_kind(self, fault: plans.MeasuringPlan, wanted: type[Device]) -> None:
        """Raise ValueError where the device is of another kind, which has nothing that could be so at fault."""
        kind = self._devices[fault.device].kind
        known = kinds_by_name().get(kind)
        if known is not None and not issubclass(known, wanted):
            raise ValueError(
                f'{fault.device} is of kind "{kind}", so {fault.fault} has no effect; name a device of kind '
                f'"{wanted.kind}"'
            )

    def _check_place(self, fault: plans.SensorMisplacedPlan) -> None:
        if fault.zone not in self._zones:
            raise ValueError(unknown_zone(fault.zone, self._zones))
        places = (*self._zones, *PLACES)
        if fault.place not in places:
            raise ValueError(
                f"{shown(fault.place)} is no place for a sensor{did_you_mean(fault.place, places)}; the places are "
                f"{', '.join(places)}"
            )

    # What is wrong with a burner or its air.

    def _filter_blocked(self, fault: plans.FilterBlockedPlan) -> Effect:
        kind = self._devices[fault.device].kind
        known = kinds_by_name().get(kind)
        if known is not None and not issubclass(known, AirFurnace):
            raise ValueError(
                f'{fault.device} has no air filter (kind "{kind}"), so filter_blocked has no effect; name a device of '
                f'kind "{AirFurnace.kind}"'
            )

        def block(device: Device) -> None:
            assert isinstance(device, AirFurnace)
            device.block_air(fault.percent / 100)

        def clean(device: Device) -> None:
            assert isinstance(device, AirFurnace)
            device.block_air(0.0)

        return DeviceCondition(fault.device, block, clean)

    def _failed_ignition(self, fault: plans.FailedIgnitionPlan) -> Effect:
        """Return the effect on a burner of whatever kind; a water heater for the mains alone has none."""
        self._check_burner(fault, (BurnerDevice, WaterHeater))
        if self._devices[fault.device].settings.get("gas_w") == 0:
            raise ValueError(f"{fault.device} has no burner (gas_w = 0), so {fault.fault} has no effect")

        def fail(device: Device) -> None:
            assert isinstance(device, BurnerDevice | WaterHeater)
            device.fail_ignition(fault.tries)

        def mend(device: Device) -> None:
            assert isinstance(device, BurnerDevice | WaterHeater)
            device.fail_ignition(0)

        return DeviceCondition(fault.device, fail, mend)

    def _of_fuel(self, fault: plans.FuelGellingPlan | plans.AirInFuelPlan) -> Effect:
        self._check_burner(fault, (BurnerDevice,))

        def call(act: Callable[[BurnerDevice], None]) -> Callable[[Device], None]:
            def act_on(device: Device) -> None:
                assert isinstance(device, BurnerDevice)
                act(device)

            return act_on

        match fault:
            case plans.FuelGellingPlan():
                return DeviceCondition(
                    fault.device,
                    call(lambda device: device.plug_fuel_filter(fault.within)),
                    call(lambda device: device.plug_fuel_filter(None)),
                )
            case plans.AirInFuelPlan():
                return DeviceCondition(
                    fault.device,
                    call(lambda device: device.let_air_into_fuel(fault.gap)),
                    call(lambda device: device.let_air_into_fuel(None)),
                )
            case _:
                assert_never(fault)

    def _check_burner(self, fault: plans.BurnerPlan, having: tuple[type[Device], ...]) -> None:
        """Raise ValueError where the device is of a kind that has no such burner."""
        kind = self._devices[fault.device].kind
        known = kinds_by_name().get(kind)
        if known is not None and not issubclass(known, having):
            what = "burner" if isinstance(fault, plans.FailedIgnitionPlan) else "burner with a fuel line"
            raise ValueError(
                f'{fault.device} has no {what} (kind "{kind}"), so {fault.fault} has no effect; name a device that has '
                "one"
            )

"""How planned faults act on a bench: what each applies when it starts and removes when it stops.

Knows: which gates, device actions and wire faults make up each fault. Does not know when a fault starts: a scenario's
times, a step or a user at the bench decide that.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from random import Random
from typing import NamedTuple, Protocol, assert_never

from rvsim.devices.combustion.burner_device import BurnerDevice
from rvsim.devices.device import Device
from rvsim.devices.kinds.air_furnace import AirFurnace
from rvsim.devices.kinds.ambient import PLACES, AmbientSensor
from rvsim.devices.kinds.tank import TankSensor
from rvsim.devices.registry import kinds_by_name
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.climate import unknown_zone, zone_names
from rvsim.rig.functions import FUNCTIONS, by_status
from rvsim.rig.model import DevicePlan, Rig
from rvsim.rig.quantity import shown
from rvsim.rig.references import unknown_text
from rvsim.shakedown.faults import fault_plans as plans
from rvsim.shakedown.faults import gates
from rvsim.shakedown.faults.bus_faults import WireFaultEffect, wire_fault_of
from rvsim.sim.bench import Bench, Gate
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.spec import MessageSpec


class Effect(Protocol):
    """One change that a fault makes to a bench."""

    def apply(self, bench: Bench) -> None:
        """Make the change."""

    def remove(self, bench: Bench) -> None:
        """Undo the change."""


class OutgoingGate(NamedTuple):
    """A gate for the frames that a device sends."""

    device: str
    gate: Gate

    def apply(self, bench: Bench) -> None:
        """Add the gate behind the device's other gates."""
        bench.outgoing_gates[self.device].append(self.gate)

    def remove(self, bench: Bench) -> None:
        """Remove the gate, if it is there."""
        bench.outgoing_gates[self.device][:] = [
            gate for gate in bench.outgoing_gates[self.device] if gate is not self.gate
        ]


class IncomingGate(NamedTuple):
    """A gate for the frames that a device receives."""

    device: str
    gate: Gate

    def apply(self, bench: Bench) -> None:
        """Add the gate behind the device's other gates."""
        bench.incoming_gates.setdefault(self.device, []).append(self.gate)

    def remove(self, bench: Bench) -> None:
        """Remove the gate, if it is there."""
        left = [gate for gate in bench.incoming_gates.pop(self.device, []) if gate is not self.gate]
        if left:
            bench.incoming_gates[self.device] = left


class DeviceAction(NamedTuple):
    """Something that a device does when the fault is applied, and something else when it is removed."""

    device: str
    on_apply: Callable[[Device], None]
    on_remove: Callable[[Device], None]

    def apply(self, bench: Bench) -> None:
        """Have the device do the first."""
        bench.call_device(self.device, self.on_apply)

    def remove(self, bench: Bench) -> None:
        """Have the device do the second."""
        bench.call_device(self.device, self.on_remove)


class GroundOffset(NamedTuple):
    """A ground that is off: it is in the wires, so that it stays while the device has no power."""

    device: str
    volts: float

    def apply(self, bench: Bench) -> None:
        """Add the offset to the others of the device."""
        bench.world.add_ground_offset(self.device, self.volts)

    def remove(self, bench: Bench) -> None:
        """Take it away."""
        bench.world.remove_ground_offset(self.device, self.volts)


class DeviceCondition(NamedTuple):
    """Something that is wrong with the device itself, and stays wrong when it loses its power and gets it back."""

    device: str
    on_apply: Callable[[Device], None]
    on_remove: Callable[[Device], None]

    def apply(self, bench: Bench) -> None:
        """Make it so, for the device and for those that stand in its place after a loss of power."""
        bench.conditions.setdefault(self.device, []).append(self.on_apply)
        bench.call_device(self.device, self.on_apply)

    def remove(self, bench: Bench) -> None:
        """End it; what other faults make wrong stays so."""
        left = bench.conditions[self.device]
        left[:] = [condition for condition in left if condition is not self.on_apply]
        for call in (self.on_remove, *left):
            bench.call_device(self.device, call)


class PowerLoss:
    """Devices without power, which restart when the power comes back.

    Args:
        devices: the names of the devices.
        duration_us: the time after which the power comes back by itself; None where it comes back with ``remove``.
    """

    def __init__(self, devices: tuple[str, ...], duration_us: int | None = None) -> None:
        self._devices, self._duration_us = devices, duration_us

    def apply(self, bench: Bench) -> None:
        """Switch the devices off."""
        for device in self._devices:
            bench.switch_off(device)
        if self._duration_us is not None:
            bench.plan(bench.now + self._duration_us, lambda: self._switch_on(bench))

    def remove(self, bench: Bench) -> None:
        """Switch the devices on."""
        self._switch_on(bench)

    @property
    def ends_by_itself(self) -> bool:
        """Whether the power comes back by itself."""
        return self._duration_us is not None

    def _switch_on(self, bench: Bench) -> None:
        for device in self._devices:
            bench.switch_on(device)


class OpenBattery(NamedTuple):
    """A battery that is disconnected from its bus-bar, by the name of the battery."""

    battery: str
    owner: str

    def apply(self, bench: Bench) -> None:
        """Disconnect it."""
        bench.world.set_disconnect(self.owner, open=True, battery=self.battery)

    def remove(self, bench: Bench) -> None:
        """Connect it again, unless something else keeps it disconnected."""
        bench.world.set_disconnect(self.owner, open=False, battery=self.battery)


def _restart(device: Device) -> None:
    device.reset(faults=True, reboot=True)


def _do_nothing(_device: Device) -> None:
    """Leave the device as it is."""


class PlannedFault:
    """A fault of a scenario; its effects are made anew each time it is applied, so nothing is left from before.

    Raises:
        InputError, ValueError: as ``EffectMaker.effects``.
    """

    def __init__(self, plan: plans.FaultPlan, make: Callable[[], Iterable[Effect]]) -> None:
        self.plan = plan
        self._make = make
        self._applied: list[Effect] = []
        list(make())  # so that an effect that cannot be made raises before anything runs

    def apply(self, bench: Bench) -> None:
        """Apply the fault, unless it is applied already."""
        if self._applied:
            return
        effects = list(self._make())
        for effect in effects:
            effect.apply(bench)
        self._applied = [effect for effect in effects if not (isinstance(effect, PowerLoss) and effect.ends_by_itself)]

    def remove(self, bench: Bench) -> None:
        """Remove the fault, if it is applied."""
        for effect in reversed(self._applied):
            effect.remove(bench)
        self._applied = []


def planned_faults(
    faults: tuple[plans.Fault, ...], where: Callable[[int], str], rig: Rig, catalogue: Catalogue, seed: int
) -> list[PlannedFault]:
    """Return the faults of a scenario, ready to be applied.

    Args:
        faults: as the scenario has them.
        where: returns the place of a fault in the scenario's file, by its index from 0.
        rig: the scenario's rig.
        catalogue: the message definitions.
        seed: decides what is left to chance.

    Raises:
        InputError: faults name messages, fields or functions that are not defined, or values that a field cannot have;
            one line for each.
    """
    maker = EffectMaker(rig, catalogue, seed)
    built, problems = [], []
    for number, fault in enumerate(faults, start=1):
        try:
            built.append(PlannedFault(fault, partial(maker.effects, fault, number)))
        except InputError as error:
            problems += [f"{where(number - 1)}: {problem}" for problem in error.problems]
        except ValueError as error:
            problems.append(f"{where(number - 1)}: {error}")
    if problems:
        raise InputError(*problems)
    return built


class EffectMaker:
    """Makes the effects of faults for one rig."""

    def __init__(self, rig: Rig, catalogue: Catalogue, seed: int) -> None:
        self._devices = {plan.name: plan for plan in rig.devices}
        self._batteries = [plan.name for plan in rig.batteries]
        self._house = rig.vehicle.battery.name
        self._zones = zone_names(rig.zones)
        self._catalogue, self._seed = catalogue, seed

    def effects(self, fault: plans.Fault, number: int = 0) -> Iterator[Effect]:
        """Yield the effects of a fault; ``number`` gives two faults of one kind different random values.

        Raises:
            InputError: a message is not defined.
            ValueError: a field is not defined, or cannot have the value.
        """
        random = Random(f"{self._seed}:fault {number}")
        match fault:
            case plans.SilentPlan():
                yield OutgoingGate(fault.device, gates.silence())
            case plans.AsleepPlan():
                yield OutgoingGate(fault.device, gates.silence())
                yield IncomingGate(fault.device, gates.silence())
            case plans.LatePlan():
                yield OutgoingGate(
                    fault.device, gates.only_dgns(self._dgns(fault.message), gates.MinimumGap(fault.gap))
                )
            case plans.JitterPlan():
                yield OutgoingGate(
                    fault.device, gates.only_dgns(self._dgns(fault.message), gates.random_delay(fault.by, random))
                )
            case plans.ShortFramePlan():
                yield OutgoingGate(
                    fault.device, gates.only_dgns(self._dgns(fault.message), gates.shortened_data(fault.length))
                )
            case plans.WrongInstancePlan() | plans.SharedInstancePlan() | plans.FirmwareResetPlan():
                yield from self._instances(fault)
            case plans.SharedAddressPlan():
                yield from self._shared_address(fault)
            case plans.CommandIgnoredPlan():
                yield IncomingGate(fault.device, gates.only_dgns(self._commands(fault), gates.silence()))
            case plans.CommandDelayedPlan():
                yield IncomingGate(fault.device, gates.only_dgns(self._commands(fault), gates.fixed_delay(fault.by)))
            case plans.RestartPlan():
                yield PowerLoss((fault.device,), fault.takes)
            case plans.BrownOutPlan():
                yield PowerLoss(fault.devices)
            case plans.ProtectionOpensPlan():
                yield OpenBattery(self._battery(fault.battery), f"fault {number}")
            case plans.ReportedPlan():
                yield self._reported(fault)
            case plans.SensorMisplacedPlan() | plans.SenderReversedPlan() | plans.GroundOffsetPlan():
                yield self._measuring(fault)
            case plans.FailedIgnitionPlan() | plans.FuelGellingPlan() | plans.AirInFuelPlan():
                yield self._of_burner(fault)
            case plans.FilterBlockedPlan():
                yield self._filter_blocked(fault)
            case (
                plans.BabblingPlan() | plans.BusErrorsPlan() | plans.MissingTerminatorPlan() | plans.ReversedPairPlan()
            ):
                yield WireFaultEffect(wire_fault_of(fault))
            case (
                plans.WrongValuePlan()
                | plans.StuckPlan()
                | plans.DriftPlan()
                | plans.NoisePlan()
                | plans.WrongScalePlan()
                | plans.OutOfRangePlan()
                | plans.NoDataPlan()
            ):
                yield OutgoingGate(fault.device, self._field_gate(fault, random))
            case _:
                assert_never(fault)

    def _battery(self, name: str | None) -> str:
        if name is not None and name not in self._batteries:
            raise ValueError(unknown_text(name, self._batteries, "batteries"))
        return name or self._house

    def _dgns(self, message: str | None) -> frozenset[int] | None:
        return None if message is None else frozenset({self._catalogue.by_name(message).dgn})

    def _commands(self, fault: plans.CommandIgnoredPlan | plans.CommandDelayedPlan) -> frozenset[int]:
        """Return the DGNs of the commands that a fault is about."""
        named = self._dgns(fault.message)
        if named is not None:
            return named
        commands = [name for function in self._devices[fault.device].functions for name in FUNCTIONS[function].commands]
        if not commands:
            raise ValueError(f"the functions of {fault.device} have no commands; name the message")
        return frozenset(self._catalogue.by_name(name).dgn for name in commands)

    # One field.

    def _field_gate(self, fault: plans.ValuePlan, random: Random) -> Gate:
        spec = self._catalogue.by_name(fault.message)
        field = spec.field(fault.field)
        _check_sender(fault, self._devices[fault.device])
        match fault:
            case plans.StuckPlan():
                return gates.StuckField(spec, field)
            case plans.DriftPlan():
                return gates.FieldChange(spec, field, gates.drift(field, fault.per_hour))
            case plans.NoisePlan():
                return gates.FieldChange(spec, field, gates.noise(field, fault.by, random))
            case plans.WrongScalePlan():
                return gates.FieldChange(spec, field, gates.scaled(field, fault.factor, fault.offset))
            case plans.WrongValuePlan():
                return gates.FieldChange(spec, field, gates.constant(field.raw(fault.value)), always=True)
            case plans.OutOfRangePlan():
                return _state_gate(fault, spec, field, State.OUT_OF_RANGE)
            case plans.NoDataPlan():
                return _state_gate(fault, spec, field, State.NO_DATA)
            case _:
                assert_never(fault)

    # Instances.

    def _instances(
        self, fault: plans.WrongInstancePlan | plans.SharedInstancePlan | plans.FirmwareResetPlan
    ) -> Iterator[Effect]:
        changes = self._changes(fault)
        statuses = self._by_message(changes, lambda name: FUNCTIONS[name].statuses)
        if isinstance(fault, plans.WrongInstancePlan) and fault.message is not None:
            spec = self._catalogue.by_name(fault.message)
            statuses = {spec.dgn: dict.fromkeys(range(256), fault.instance)}
        if not statuses:
            raise ValueError(f"{fault.device} sends no message with an instance that could be changed")
        yield OutgoingGate(fault.device, gates.InstanceChange(self._catalogue, statuses).outgoing)
        if isinstance(fault, plans.FirmwareResetPlan):
            back = {name: {new: own for own, new in change.items()} for name, change in changes.items()}
            commands = self._by_message(back, lambda name: FUNCTIONS[name].commands)
            yield IncomingGate(fault.device, gates.InstanceChange(self._catalogue, commands).incoming)
            yield PowerLoss((fault.device,), _RESTART_US)

    def _changes(
        self, fault: plans.WrongInstancePlan | plans.SharedInstancePlan | plans.FirmwareResetPlan
    ) -> Mapping[str, Mapping[int, int]]:
        """Return the changes of instances, from the device's own to the other one, by function."""
        own = self._devices[fault.device].functions
        if isinstance(fault, plans.SharedInstancePlan):
            other = self._devices[fault.as_device].functions
            both = [name for name in own if name in other]
            if not both:
                raise ValueError(f"{fault.device} and {fault.as_device} have no function in common")
            return {name: dict.fromkeys(own[name], other[name][0]) for name in both}
        first = fault.instance
        return {
            name: {instance: first + place for place, instance in enumerate(own[name]) if first + place <= 255}
            for name in own
        }

    def _by_message(
        self, changes: Mapping[str, Mapping[int, int]], messages: Callable[[str], tuple[str, ...]]
    ) -> Mapping[int, Mapping[int, int]]:
        return {
            self._catalogue.by_name(message).dgn: change
            for name, change in changes.items()
            for message in messages(name)
        }

    def _shared_address(self, fault: plans.SharedAddressPlan) -> Iterator[Effect]:
        """Yield what gives a device another address.

        The device claims, sends and receives under that address, and the device that holds it keeps it too. When the
        fault is removed, the device claims its own address again.
        """
        own = self._devices[fault.device].address
        yield DeviceAction(fault.device, _do_nothing, _restart)
        if fault.address is not None:
            source = fault.address
        elif fault.as_device is not None:
            source = self._devices[fault.as_device].address
            no_claims = gates.only_dgns(frozenset({ADDRESS_CLAIM}), gates.silence())
            yield IncomingGate(fault.as_device, no_claims)
        yield IncomingGate(fault.device, gates.with_destination(own, source))
        yield OutgoingGate(fault.device, gates.with_source(source))
        yield DeviceAction(fault.device, _restart, _do_nothing)

    # What a device reports itself.

    def _reported(self, fault: plans.ReportedPlan) -> Effect:
        plan = self._devices[fault.device]
        own = [name for name in plan.functions if not FUNCTIONS[name].shared] or list(plan.functions)
        if fault.function not in own:
            raise ValueError(
                f"{fault.device} reports no faults of {fault.function}{did_you_mean(fault.function, own)}; its "
                f"functions are {', '.join(own)}"
            )
        reported = ReportedFault(fault.spn, fault.fmi, fault.times)

        def report(device: Device) -> None:
            device.report_fault(fault.function, reported, red=fault.lamp == "red")

        def withdraw(device: Device) -> None:
            device.withdraw_fault(fault.function, reported)

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

    def _of_burner(self, fault: plans.BurnerPlan) -> Effect:
        kind = self._devices[fault.device].kind
        known = kinds_by_name().get(kind)
        if known is not None and not issubclass(known, BurnerDevice):
            raise ValueError(
                f'{fault.device} has no burner (kind "{kind}"), so {fault.fault} has no effect; name a device that has '
                "one"
            )

        def call(act: Callable[[BurnerDevice], None]) -> Callable[[Device], None]:
            def act_on(device: Device) -> None:
                assert isinstance(device, BurnerDevice)
                act(device)

            return act_on

        match fault:
            case plans.FailedIgnitionPlan():
                return DeviceCondition(
                    fault.device,
                    call(lambda device: device.fail_ignition(fault.tries)),
                    call(lambda device: device.fail_ignition(0)),
                )
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


_RESTART_US = 2_000_000
"""The time that new firmware takes to start. Our figure: devices differ from a second to a minute."""


def _state_gate(fault: plans.ValuePlan, spec: MessageSpec, field: FieldSpec, state: State) -> Gate:
    """Return a gate that gives a field the code of a state.

    Raises:
        ValueError: the field has no such code.
    """
    code = field.code(state)
    if code is None:
        raise ValueError(f"{fault.message} {fault.field} has no code for {state}: choose another field")
    return gates.FieldChange(spec, field, gates.constant(code), always=True)


def _check_sender(fault: plans.ValuePlan, plan: DevicePlan) -> None:
    """Refuse a fault on a status message of a function that the device does not have: it would have no effect.

    Raises:
        ValueError: the device does not send the message.
    """
    function = by_status(fault.message)
    if function is not None and function.name not in plan.functions:
        sends = [message for name in plan.functions for message in FUNCTIONS[name].statuses]
        raise ValueError(
            f"{fault.device} does not have the function {function.title} and never sends {fault.message}; "
            f"it sends {', '.join(sends) or 'no status message'}"
        )

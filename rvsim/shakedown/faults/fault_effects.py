"""How planned faults act on a bench: what each applies when it begins and removes when it ends.

Knows: which gates, acts of devices and faults of the wires make up each fault. Does not know when a fault
begins: a scenario's times, a step or a person at the bench do.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from random import Random
from typing import NamedTuple, Protocol

from rvsim.devices.device import Device
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.functions import FUNCTIONS, by_status
from rvsim.rig.model import DevicePlan, Rig
from rvsim.shakedown.faults import fault_plans as plans
from rvsim.shakedown.faults import gates
from rvsim.shakedown.faults.bus_faults import OnTheWires, wire_fault_of
from rvsim.sim.bench import Bench, Gate
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.diagnostics import ReportedFault as Fault
from rvsim.wire.fields import State


class Effect(Protocol):
    """Something that is applied to a bench, and removed again."""

    def apply(self, bench: Bench) -> None:
        """Apply it."""

    def remove(self, bench: Bench) -> None:
        """Remove it."""


class Outward(NamedTuple):
    """A gate between a device and the wires."""

    device: str
    gate: Gate

    def apply(self, bench: Bench) -> None:
        """Put it behind those that are there."""
        bench.outgoing_gates[self.device].append(self.gate)

    def remove(self, bench: Bench) -> None:
        """Take it away, if it is there."""
        bench.outgoing_gates[self.device] = [
            gate for gate in bench.outgoing_gates[self.device] if gate is not self.gate
        ]


class Inward(NamedTuple):
    """A gate between the wires and a device."""

    device: str
    gate: Gate

    def apply(self, bench: Bench) -> None:
        """Put it behind those that are there."""
        bench.incoming_gates.setdefault(self.device, []).append(self.gate)

    def remove(self, bench: Bench) -> None:
        """Take it away, if it is there."""
        left = [gate for gate in bench.incoming_gates.pop(self.device, []) if gate is not self.gate]
        if left:
            bench.incoming_gates[self.device] = left


class Acted(NamedTuple):
    """Something that a device is made to do, and to undo."""

    device: str
    do: Callable[[Device], None]
    undo: Callable[[Device], None]

    def apply(self, bench: Bench) -> None:
        """Do it."""
        bench.call_device(self.device, self.do)

    def remove(self, bench: Bench) -> None:
        """Undo it."""
        bench.call_device(self.device, self.undo)


class PowerLost:
    """Devices without power, that start anew when it comes back; after ``takes`` by itself, where that is given."""

    def __init__(self, devices: tuple[str, ...], takes: int | None = None) -> None:
        self._devices, self._takes = devices, takes

    def apply(self, bench: Bench) -> None:
        """Take the power away."""
        for device in self._devices:
            bench.switch_off(device)
        if self._takes is not None:
            bench.plan(bench.now + self._takes, lambda: self._back(bench))

    def remove(self, bench: Bench) -> None:
        """Give it back."""
        self._back(bench)

    @property
    def ends_itself(self) -> bool:
        """Whether it comes back by itself."""
        return self._takes is not None

    def _back(self, bench: Bench) -> None:
        for device in self._devices:
            bench.switch_on(device)


def _start_anew(device: Device) -> None:
    device.reset(faults=True, reboot=True)


def _nothing(_device: Device) -> None:
    """Leave it as it is."""


class PlannedFault:
    """A fault of a scenario; each time that it begins it is made up anew, and so remembers nothing of the last time.

    Raises:
        InputError, ValueError: as ``Maker.effects``.
    """

    def __init__(self, plan: plans.FaultPlan, make: Callable[[], Iterable[Effect]]) -> None:
        self.plan = plan
        self._make = make
        self._under_way: list[Effect] = []
        list(make())  # so that what cannot be made is told before anything runs

    def apply(self, bench: Bench) -> None:
        """Let it begin, if it is not under way."""
        if self._under_way:
            return
        effects = list(self._make())
        for effect in effects:
            effect.apply(bench)
        self._under_way = [one for one in effects if not (isinstance(one, PowerLost) and one.ends_itself)]

    def remove(self, bench: Bench) -> None:
        """Let it end, if it is under way."""
        for effect in reversed(self._under_way):
            effect.remove(bench)
        self._under_way = []


def planned(
    faults: tuple[plans.Fault, ...], where: Callable[[int], str], rig: Rig, catalogue: Catalogue, seed: int
) -> list[PlannedFault]:
    """Return the faults of a scenario, ready to begin; ``where`` says where each stands, counted from 0.

    Raises:
        InputError: faults name messages, fields or functions that are not there, or values that a field cannot say;
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
        self._catalogue, self._seed = catalogue, seed

    def effects(self, fault: plans.Fault, number: int = 0) -> Iterator[Effect]:
        """Yield what makes up a fault; ``number`` tells two of one kind apart in what is left to chance.

        Raises:
            InputError: a message is not defined.
            ValueError: a field is not, or cannot say what it should.
        """
        random = Random(f"{self._seed}:fault {number}")
        match fault:
            case plans.SilentPlan():
                yield Outward(fault.device, gates.silence())
            case plans.AsleepPlan():
                yield Outward(fault.device, gates.silence())
                yield Inward(fault.device, gates.silence())
            case plans.LatePlan():
                yield Outward(fault.device, gates.only(self._dgns(fault.message), gates.Seldom(fault.gap)))
            case plans.JitterPlan():
                yield Outward(fault.device, gates.only(self._dgns(fault.message), gates.late(fault.by, random)))
            case plans.ShortFramePlan():
                yield Outward(fault.device, gates.only(self._dgns(fault.message), gates.shortened(fault.length)))
            case plans.WrongInstancePlan() | plans.SharedInstancePlan() | plans.FirmwareResetPlan():
                yield from self._instances(fault)
            case plans.SharedAddressPlan():
                yield from self._shared_address(fault)
            case plans.CommandIgnoredPlan():
                yield Inward(fault.device, gates.only(self._commands(fault), gates.silence()))
            case plans.CommandDelayedPlan():
                yield Inward(fault.device, gates.only(self._commands(fault), gates.delayed(fault.by)))
            case plans.RestartPlan():
                yield PowerLost((fault.device,), fault.takes)
            case plans.BrownOutPlan():
                yield PowerLost(fault.devices)
            case plans.ReportedPlan():
                yield self._reported(fault)
            case (
                plans.BabblingPlan() | plans.BusErrorsPlan() | plans.MissingTerminatorPlan() | plans.ReversedPairPlan()
            ):
                yield OnTheWires(wire_fault_of(fault))
            case _:
                yield Outward(fault.device, self._field_gate(fault, random))

    def _dgns(self, message: str | None) -> frozenset[int] | None:
        return None if message is None else frozenset({self._catalogue.by_name(message).dgn})

    def _commands(self, fault: plans.CommandIgnoredPlan | plans.CommandDelayedPlan) -> frozenset[int]:
        """Return the DGNs of the commands that are meant."""
        named = self._dgns(fault.message)
        if named is not None:
            return named
        commands = [name for function in self._devices[fault.device].functions for name in FUNCTIONS[function].commands]
        if not commands:
            raise ValueError(f"{fault.device} takes no command of its functions; name the message")
        return frozenset(self._catalogue.by_name(name).dgn for name in commands)

    # One field.

    def _field_gate(self, fault: plans.ValuePlan, random: Random) -> Gate:
        spec = self._catalogue.by_name(fault.message)
        field = spec.field(fault.field)
        _check_sender(fault, self._devices[fault.device])
        match fault:
            case plans.StuckPlan():
                return gates.Stuck(spec, field)
            case plans.DriftPlan():
                return gates.FieldChanged(spec, field, gates.drift(field, fault.per_hour))
            case plans.NoisePlan():
                return gates.FieldChanged(spec, field, gates.noise(field, fault.by, random))
            case plans.WrongScalePlan():
                return gates.FieldChanged(spec, field, gates.scaled(field, fault.factor, fault.offset))
            case plans.WrongValuePlan():
                return gates.FieldChanged(spec, field, gates.constant(field.raw(fault.value)), even=True)
        state = State.OUT_OF_RANGE if isinstance(fault, plans.OutOfRangePlan) else State.NO_DATA
        code = field.code(state)
        if code is None:
            raise ValueError(f"{fault.message} {fault.field} has no code for {state}: choose another field")
        return gates.FieldChanged(spec, field, gates.constant(code), even=True)

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
            raise ValueError(f"{fault.device} says no instance that could be another one")
        yield Outward(fault.device, gates.Instances(self._catalogue, statuses).gate)
        if isinstance(fault, plans.FirmwareResetPlan):
            back = {name: {new: own for own, new in change.items()} for name, change in changes.items()}
            commands = self._by_message(back, lambda name: FUNCTIONS[name].commands)
            yield Inward(fault.device, gates.Instances(self._catalogue, commands).ear)
            yield PowerLost((fault.device,), _RESTART)

    def _changes(
        self, fault: plans.WrongInstancePlan | plans.SharedInstancePlan | plans.FirmwareResetPlan
    ) -> Mapping[str, Mapping[int, int]]:
        """Return own instance to the other one, by function."""
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
        """Let it claim, speak and be spoken to under that address, whoever has it not give way; then claim its own."""
        own = self._devices[fault.device].address
        yield Acted(fault.device, _nothing, _start_anew)
        if fault.address is not None:
            source = fault.address
        elif fault.as_device is not None:
            source = self._devices[fault.as_device].address
            deaf_to_claims = gates.only(frozenset({ADDRESS_CLAIM}), gates.silence())
            yield Inward(fault.as_device, deaf_to_claims)
        yield Inward(fault.device, gates.addressed_as(own, source))
        yield Outward(fault.device, gates.readdressed(source))
        yield Acted(fault.device, _start_anew, _nothing)

    # What a device reports itself.

    def _reported(self, fault: plans.ReportedPlan) -> Effect:
        plan = self._devices[fault.device]
        own = [name for name in plan.functions if not FUNCTIONS[name].shared] or list(plan.functions)
        if fault.function not in own:
            raise ValueError(
                f"{fault.device} does not report of {fault.function}{did_you_mean(fault.function, own)}; it does of "
                f"{', '.join(own)}"
            )
        trouble = Fault(fault.spn, fault.fmi, fault.times)

        def report(device: Device) -> None:
            device.report_fault(fault.function, trouble, red=fault.lamp == "red")

        def withdraw(device: Device) -> None:
            device.withdraw_fault(fault.function, trouble)

        return Acted(fault.device, report, withdraw)


_RESTART = 2_000_000
"""Microseconds that new firmware takes to start. Our figure: devices differ from a second to a minute."""


def _check_sender(fault: plans.ValuePlan, plan: DevicePlan) -> None:
    """Refuse a fault on a status message of a function that the device does not have: it would do nothing.

    Raises:
        ValueError: it is one.
    """
    function = by_status(fault.message)
    if function is not None and function.name not in plan.functions:
        sends = [message for name in plan.functions for message in FUNCTIONS[name].statuses]
        raise ValueError(
            f"{fault.device} is no {function.title} and never sends {fault.message}; "
            f"it sends {', '.join(sends) or 'no status of its own'}"
        )

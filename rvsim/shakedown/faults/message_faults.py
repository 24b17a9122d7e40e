"""Faults of messages: which gates and calls each puts between a device and the wires.

Knows: what each kind changes, delays or drops. Does not know when a fault starts, nor how a gate works (`gates`).
"""

from collections.abc import Callable, Iterator, Mapping
from random import Random
from typing import assert_never

from rvsim.devices.device import Device
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import FUNCTIONS, by_status
from rvsim.shakedown.faults import gates
from rvsim.shakedown.faults import message_fault_plans as plans
from rvsim.shakedown.faults.bench_effects import DeviceAction, Effect, IncomingGate, OutgoingGate, PowerLoss
from rvsim.sim.bench import Gate
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.spec import MessageSpec

_RESTART_US = 2_000_000
"""The time that new firmware takes to start. Our figure: devices differ from a second to a minute."""


def _restart(device: Device) -> None:
    device.reset(faults=True, reboot=True)


def _do_nothing(_device: Device) -> None:
    """Leave the device as it is."""


class MessageFaults:
    """Makes the effects of faults of messages for one rig."""

    def __init__(self, devices: Mapping[str, DevicePlan], catalogue: Catalogue) -> None:
        self._devices, self._catalogue = devices, catalogue

    def effects(self, fault: plans.MessagePlan, random: Random) -> Iterator[Effect]:
        """Yield the effects of a fault; ``random`` decides what is left to chance.

        Raises:
            InputError: a message is not defined.
            ValueError: a field is not defined, or cannot have the value.
        """
        match fault:
            case plans.SilentPlan():
                yield OutgoingGate(fault.device, gates.silence())
            case plans.AsleepPlan() | plans.CarriedAwayPlan():
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
            case _:
                yield OutgoingGate(fault.device, self._field_gate(fault, random))

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

"""Changes that faults make to a bench, and undo: gates, calls of devices, lost power, open batteries.

Knows: how each change is made and undone. Does not know which fault asks for it, nor when.
"""

from collections.abc import Callable
from typing import NamedTuple, Protocol

from rvsim.devices.device import Device
from rvsim.sim.bench import Bench, Gate
from rvsim.world.world import World


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


def _present_world(bench: Bench) -> World:
    """Return the physics at the present second, so that a change counts from now on."""
    bench.world.advance(bench.now)
    return bench.world


class OpenBranch(NamedTuple):
    """A branch that is disconnected from what feeds it."""

    branch: str
    owner: str

    def apply(self, bench: Bench) -> None:
        """Disconnect it."""
        world = _present_world(bench)
        world.open_branch(self.owner, self.branch)

    def remove(self, bench: Bench) -> None:
        """Connect it again, unless its fuse or something else keeps it disconnected."""
        world = _present_world(bench)
        world.close_branch(self.owner, self.branch)


class BranchLoad(NamedTuple):
    """A current at the far end of a branch that belongs to no device."""

    branch: str
    owner: str
    amps: float

    def apply(self, bench: Bench) -> None:
        """Let it flow."""
        world = _present_world(bench)
        world.place(self.owner, self.branch)
        world.set_load(self.owner, self.amps)

    def remove(self, bench: Bench) -> None:
        """End it; a fuse that it opened stays open."""
        world = _present_world(bench)
        world.set_load(self.owner, 0.0)


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

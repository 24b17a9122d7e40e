"""What flows where: the running and the highest current of outputs, devices, modules and branches by plan.

Knows: which currents of a rig add up where, with the share that runs at one time, for the plan and for the watch. Does
not know any limit, nor what a kind of load takes at its start (`plan.starts`).

A figure that the rig does not give is None, and so is every sum that it belongs to; `missing` then names the keys. A
device's current is that of its functions at their highest (``amps``), or its ``peak_amps`` if that lasts 30 s or longer
(common practice, no source). The device of a module counts without the functions that are its outputs.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.electric import BranchPlan
from rvsim.rig.model import Rig
from rvsim.rig.module_parts import INPUT_FUNCTION, LOAD_CENTRE
from rvsim.rig.switching import FUNCTION_BY_FORM, ModulePlan, OutputPlan, RelayPlan
from rvsim.wire.frame import SECOND_US

CONTINUOUS_US = 30 * SECOND_US
"""A peak that lasts as long counts as continuous. Common practice, no source."""
_OF_OUTPUTS = frozenset({*FUNCTION_BY_FORM.values(), INPUT_FUNCTION})
"""The functions of a module's outputs and inputs."""


@dataclass(frozen=True)
class Demand:
    """A current: running and at its highest, in amperes; ``peak_us`` is how long that lasts, None if unknown.

    ``amps`` is None where the rig gives no figure; ``missing`` then names the keys. ``known_amps`` is the sum of what
    is given.
    """

    amps: float | None
    peak_amps: float | None = None
    peak_us: int | None = None
    missing: tuple[str, ...] = ()
    known_amps: float = 0.0


def output_demand(output: OutputPlan) -> Demand:
    """Return the current of what hangs on an output; without a load that it switches itself, see ``own_demand``."""
    if output.amps is None:
        return Demand(None, output.peak_amps, output.peak, (f"amps of output {output.name}",))
    amps = output.amps
    if output.peak_amps is not None and output.peak is not None and output.peak >= CONTINUOUS_US:
        amps = max(amps, output.peak_amps)
    return Demand(amps, output.peak_amps, output.peak, (), amps)


def device_demand(device: DevicePlan) -> Demand:
    """Return the current of a device by plan."""
    return _device_demand(device, [limits[1] for limits in device.amps.values()])


def _device_demand(device: DevicePlan, own: Sequence[float]) -> Demand:
    if not own and device.peak_amps is None:
        return Demand(None, None, None, (f"amps of device {device.name}",))
    amps = sum(own) if own else device.peak_amps
    assert amps is not None
    if device.peak_amps is not None and device.peak is not None and device.peak >= CONTINUOUS_US:
        amps = max(amps, device.peak_amps)
    return Demand(amps, device.peak_amps, device.peak, (), amps)


def coil_amps(relay: RelayPlan, volts: float) -> float | None:
    """Return the current of a coil: as given for 12 V, else by its resistance at these volts; None: not known."""
    if relay.coil_amps is not None or relay.coil_ohm is None:
        return relay.coil_amps
    return volts / relay.coil_ohm


@dataclass(frozen=True)
class RigDemand:
    """The currents of a whole rig."""

    rig: Rig

    @cached_property
    def relays(self) -> Mapping[str, float | None]:
        """The coil current of each relay."""
        return {relay.name: coil_amps(relay, self.rig.rules.base_volts) for relay in self.rig.relays}

    def terminal(self, output: OutputPlan) -> Demand:
        """Return what an output itself carries: its load, or the coil of its relay."""
        if output.relay is None:
            return output_demand(output)
        coil = self.relays[output.relay]
        missing = () if coil is not None else (f"coil_amps of relay {output.relay}",)
        return Demand(coil, None, None, missing, coil or 0.0)

    def share(self, output: OutputPlan) -> float:
        """Return how much of an output counts in a sum, 0 to 1."""
        given = output.share_percent
        return (self.rig.rules.simultaneous_percent if given is None else given) / 100

    def module(self, module: ModulePlan) -> Demand:
        """Return what all outputs of a module carry at one time, each with its share; the highest start counts once."""
        return self._sum([(self.terminal(one), self.share(one)) for one in self.outputs(module.name)])

    def branch(self, name: str) -> Demand:
        """Return what flows through a branch: its devices and outputs, and the branches behind it with their shares."""
        if name not in self._by_branch:
            parts = [*self._on_branch.get(name, ())]
            for other in self._children.get(name, ()):
                part = 1.0 if other.share_percent is None else other.share_percent / 100
                parts.append((self.branch(other.name), part))
            self._by_branch[name] = self._sum(parts)
        return self._by_branch[name]

    def parts(self, name: str) -> int:
        """Return how many devices, outputs and branches a branch feeds directly."""
        return len(self._on_branch.get(name, ())) + len(self._children.get(name, ()))

    def outputs(self, module: str) -> Sequence[OutputPlan]:
        """Return the outputs of a module."""
        return self._by_module.get(module, ())

    @cached_property
    def _by_branch(self) -> dict[str, Demand]:
        return {}

    @cached_property
    def _by_module(self) -> Mapping[str, Sequence[OutputPlan]]:
        found: dict[str, list[OutputPlan]] = {}
        for output in self.rig.outputs:
            found.setdefault(output.module, []).append(output)
        return found

    @cached_property
    def _children(self) -> Mapping[str, Sequence[BranchPlan]]:
        found: dict[str, list[BranchPlan]] = {}
        for branch in self.rig.all_branches:
            if branch.parent is not None:
                found.setdefault(branch.parent, []).append(branch)
        return found

    @cached_property
    def _on_branch(self) -> Mapping[str, Sequence[tuple[Demand, float]]]:
        """What each branch feeds directly, with its share."""
        found: dict[str, list[tuple[Demand, float]]] = {}
        feeding = self.rig.vehicle.branch_by_device
        modules = {module.name: module for module in self.rig.modules}
        own_modules = {module.device for module in self.rig.modules}
        for device in self.rig.devices:
            branch, demand = feeding.get(device.name), device_demand(device)
            if device.kind == LOAD_CENTRE or device.name in own_modules:
                own = [limits[1] for name, limits in device.amps.items() if name not in _OF_OUTPUTS]
                demand = _device_demand(device, own) if own else Demand(0.0)
            if branch is not None:
                found.setdefault(branch, []).append((demand, 1.0))
        for output in self.rig.outputs:
            module = modules[output.module]
            if output.fuse_amps is not None:
                fed: str | None = output.name
            else:
                fed = module.branch or feeding.get(module.device or "")
            if fed is not None:
                found.setdefault(fed, []).append((output_demand(output), self.share(output)))
        return found

    @staticmethod
    def _sum(parts: "Sequence[tuple[Demand, float]]") -> Demand:
        missing = tuple(key for part, _ in parts for key in part.missing)
        known = sum(part.known_amps * share for part, share in parts)
        starts = [
            (part.peak_amps - (part.amps or 0.0) * share, part.peak_us)
            for part, share in parts
            if part.amps is not None and part.peak_amps is not None
        ]
        more, lasting = max(starts, default=(0.0, None), key=lambda start: start[0])
        return Demand(None if missing else known, known + max(more, 0.0), lasting, missing, known)

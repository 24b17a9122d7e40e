"""What flows where: the running and the highest current of outputs, devices, modules and branches by plan.

Knows: which currents of a rig add up where, with the share that runs at one time. Does not know any limit.

A figure that the rig does not give is None, and so is every sum that it belongs to; `missing` then names the keys. A
device's current is that of its functions at their highest (``amps``), or its ``peak_amps`` if that lasts 30 s or longer
(common practice, no source).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from rvsim.rig.model import DevicePlan, Rig
from rvsim.rig.module_parts import LOAD_CENTRE
from rvsim.rig.switching import ModulePlan, OutputPlan
from rvsim.wire.frame import SECOND_US

CONTINUOUS_US = 30 * SECOND_US
"""A peak that lasts as long counts as continuous. Common practice, no source."""


@dataclass(frozen=True)
class Demand:
    """A current: running and at its highest, in amperes; ``peak_us`` is how long that lasts, None if unknown.

    ``amps`` is None where the rig gives no figure; ``missing`` then names the keys.
    """

    amps: float | None
    peak_amps: float | None = None
    peak_us: int | None = None
    missing: tuple[str, ...] = ()


def output_demand(output: OutputPlan) -> Demand:
    """Return the current of what hangs on an output; without a load that it switches itself, see ``own_demand``."""
    if output.amps is None:
        return Demand(None, output.peak_amps, output.peak, (f"amps of output {output.name}",))
    amps = output.amps
    if output.peak_amps is not None and output.peak is not None and output.peak >= CONTINUOUS_US:
        amps = max(amps, output.peak_amps)
    return Demand(amps, output.peak_amps, output.peak)


def device_demand(device: DevicePlan) -> Demand:
    """Return the current of a device by plan."""
    own = [limits[1] for limits in device.amps.values()]
    if not own and device.peak_amps is None:
        return Demand(None, None, None, (f"amps of device {device.name}",))
    amps = sum(own) if own else device.peak_amps
    assert amps is not None
    if device.peak_amps is not None and device.peak is not None and device.peak >= CONTINUOUS_US:
        amps = max(amps, device.peak_amps)
    return Demand(amps, device.peak_amps, device.peak)


@dataclass(frozen=True)
class RigDemand:
    """The currents of a whole rig."""

    rig: Rig

    @cached_property
    def relays(self) -> Mapping[str, float | None]:
        """The coil current of each relay."""
        return {relay.name: relay.coil_amps for relay in self.rig.relays}

    def terminal(self, output: OutputPlan) -> Demand:
        """Return what an output itself carries: its load, or the coil of its relay."""
        if output.relay is None:
            return output_demand(output)
        coil = self.relays[output.relay]
        return Demand(coil, None, None, () if coil is not None else (f"coil_amps of relay {output.relay}",))

    def share(self, output: OutputPlan) -> float:
        """Return how much of an output counts in a sum, 0 to 1."""
        given = output.share_percent
        return (self.rig.rules.simultaneous_percent if given is None else given) / 100

    def module(self, module: ModulePlan) -> Demand:
        """Return what all outputs of a module carry at one time, each with its share; the highest start counts once."""
        return self._sum([(self.terminal(one), self.share(one)) for one in self._outputs(module.name)])

    def branch(self, name: str) -> Demand:
        """Return what flows through a branch: its devices and outputs, and the branches behind it with their shares."""
        vehicle = self.rig.vehicle
        parts: list[tuple[Demand, float]] = []
        by_name = {module.name: module for module in self.rig.modules}
        for device in self.rig.devices:
            if vehicle.branch_by_device.get(device.name) == name and device.kind != LOAD_CENTRE:
                parts.append((device_demand(device), 1.0))
        for output in self.rig.outputs:
            module = by_name[output.module]
            feeding = output.name if output.fuse_amps is not None else self._module_branch(module)
            if feeding == name:
                parts.append((output_demand(output), self.share(output)))
        for other in self.rig.all_branches:
            if other.parent == name:
                below = self.branch(other.name)
                part = 1.0 if other.share_percent is None else other.share_percent / 100
                parts.append((below, part))
        return self._sum(parts)

    def _module_branch(self, module: ModulePlan) -> str | None:
        if module.branch is not None or module.device is None:
            return module.branch
        return next((one.branch for one in self.rig.devices if one.name == module.device), None)

    def _outputs(self, module: str) -> list[OutputPlan]:
        return [output for output in self.rig.outputs if output.module == module]

    @staticmethod
    def _sum(parts: "list[tuple[Demand, float]]") -> Demand:
        missing = tuple(key for part, _ in parts for key in part.missing)
        known = [(part, share) for part, share in parts if part.amps is not None]
        amps = sum((part.amps or 0.0) * share for part, share in known)
        starts = [
            (part.peak_amps - (part.amps or 0.0) * share, part.peak_us)
            for part, share in known
            if part.peak_amps is not None
        ]
        more, lasting = max(starts, default=(0.0, None), key=lambda start: start[0])
        return Demand(None if missing else amps, amps + max(more, 0.0), lasting, missing)

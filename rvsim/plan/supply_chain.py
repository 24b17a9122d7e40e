"""The way of a current from the battery to each load and device: the wires and fuses in series, and what flows in each.

Knows: which branches, wires and fuses lie one behind the other, and how much of a load's own current is in each sum.
Does not know any limit.

Each wire counts out and back, as on a bench: the return is as long and as thick as the feed. What a shared ground
shifts is judged with the harness.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, NamedTuple

from rvsim.plan.ampacity import Ampacity, ampacity
from rvsim.plan.answer import path_name
from rvsim.plan.conductor_tables import Size, size_of, wire_ohm, wire_text
from rvsim.rig.demand import Demand, RigDemand, device_demand, output_demand
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.electric import BatteryPlan, BranchPlan, WirePlan, battery_by_branch
from rvsim.rig.model import Rig
from rvsim.rig.module_parts import LOAD_CENTRE
from rvsim.rig.switching import LoadKind, ModulePlan, OutputPlan
from rvsim.watch.detect.supply_limits import cut_off_of

MOTOR_LOADS = frozenset({"motor", "pump"})
STEADY_LOADS = frozenset({"led", "heater mat", "relay coil"})
"""Loads whose start is their running current, or over within a millisecond (`world/loads`)."""


@dataclass(frozen=True, eq=False)
class Link:
    """One part of a chain: a branch, an output or a device, with its fuse at its head and its wire behind it.

    ``what`` is its name for people, as "branch main"; ``key`` is the stem of its answers, as "branch.main".
    """

    what: str
    key: str
    demand: Demand
    wire: WirePlan | None = None
    fuse_amps: float | None = None
    breaker: Literal["manual", "automatic"] | None = None
    fuse_distance_m: float | None = None
    interrupting_amps: float | None = None
    load: LoadKind | None = None
    critical: bool = False
    ohm: float | None = None
    """The resistance of its wire out and back, at the temperature of the rules; None without a wire."""
    ohm_text: str = ""
    size: Size | None = None
    """The size of its wire; None without a wire, and where only its resistance is given."""
    limit: Ampacity | None = None
    """What its wire carries; None without a size."""
    has_current_limit: bool = False
    """Whether electronics limit its current, which is no fuse."""
    has_wire_key: bool = True
    """Whether the rig has a key for its wire; a device has none."""

    @property
    def protection(self) -> str:
        """Its fuse or breaker in words."""
        return f"{'fuse' if self.breaker is None else 'breaker'} of {self.fuse_amps:g} A"


class Chain(NamedTuple):
    """The parts in series from the battery on, the battery's end first; empty where the rig does not say.

    ``shares`` has, for each part, how much of the last one's own current its sum counts.
    """

    links: tuple[Link, ...]
    shares: tuple[float, ...]
    battery: BatteryPlan | None
    missing: tuple[str, ...] = ()

    @property
    def fuse(self) -> Link | None:
        """The part with the fuse that protects the last wire: its own, or the nearest towards the battery."""
        return next((link for link in reversed(self.links) if link.fuse_amps is not None), None)

    @property
    def fuse_before(self) -> Link | None:
        """The part with the fuse that protects what is before the last part."""
        return next((link for link in reversed(self.links[:-1]) if link.fuse_amps is not None), None)


@dataclass(frozen=True, eq=False)
class Consumer:
    """A load or a device at the end of its chain."""

    what: str
    key: str
    demand: Demand
    chain: Chain
    critical: bool
    cut_off_volts: float | None
    load: LoadKind | None = None
    is_output: bool = True

    @property
    def is_steady(self) -> bool:
        """Whether its start is known to take no more than it takes later."""
        return not self.is_output or self.load in STEADY_LOADS


@dataclass(frozen=True, eq=False)
class Supply:
    """All chains of a rig."""

    rig: Rig

    @cached_property
    def demand(self) -> RigDemand:
        """The currents."""
        return RigDemand(self.rig)

    @cached_property
    def links(self) -> tuple[Link, ...]:
        """Every part once: branches, then outputs, then devices with a fuse of their own."""
        return tuple(chain.links[-1] for chain in self.chains.values())

    @cached_property
    def chains(self) -> Mapping[str, Chain]:
        """The chain that ends with each part, by its key."""
        every = (*self.branch_chains, *self.output_chains, *self.device_chains)
        return {chain.links[-1].key: chain for chain in every}

    @cached_property
    def branch_chains(self) -> tuple[Chain, ...]:
        """The chain to the end of each branch."""
        return tuple(self._by_name.values())

    @cached_property
    def output_chains(self) -> tuple[Chain, ...]:
        """The chain to the load of each output that has a load, a wire or a fuse."""
        return tuple(
            self._to_output(output)
            for output in self.rig.outputs
            if output.amps is not None or output.wire is not None or output.fuse_amps is not None
        )

    @cached_property
    def device_chains(self) -> tuple[Chain, ...]:
        """The chain to each device with a fuse of its own."""
        return tuple(self._to_device(device) for device in self.rig.devices if device.fuse_amps is not None)

    @cached_property
    def consumers(self) -> tuple[Consumer, ...]:
        """Every load of an output and every device on a branch, but those that take nothing."""
        found = []
        by_key = self.chains
        for output in self.rig.outputs:
            key = f"output.{path_name(output.name)}"
            if key in by_key:
                what, demand = f"output {output.name}", output_demand(output)
                found.append(
                    Consumer(what, key, demand, by_key[key], output.critical, output.cut_off_volts, output.load)
                )
        own_modules = {module.device for module in self.rig.modules}
        for device in self.rig.devices:
            is_module = device.kind == LOAD_CENTRE or device.name in own_modules
            if (is_module and not device.amps) or (device.branch is None and device.fuse_amps is None):
                continue
            what, key, demand = f"device {device.name}", f"device.{path_name(device.name)}", device_demand(device)
            if demand.amps == 0 and not demand.peak_amps and device.cut_off_volts is None:
                continue
            chain = self._to_device(device) if device.fuse_amps is None else by_key[key]
            found.append(Consumer(what, key, demand, chain, device.critical, cut_off_of(device), is_output=False))
        return tuple(found)

    @cached_property
    def devices_without_branch(self) -> Sequence[str]:
        """The devices that take a current, or stop at a voltage, and are on no branch by the rig."""
        return [
            device.name
            for device in self.rig.devices
            if device.branch is None
            and device.fuse_amps is None
            and (any(limits[1] for limits in device.amps.values()) or device.peak_amps or cut_off_of(device))
        ]

    @cached_property
    def grounds(self) -> tuple[Link, ...]:
        """The grounds, each with all that returns through it by plan; they have no fuses and belong to no chain."""
        return tuple(
            self._measured(
                Link(
                    f"ground {ground.name}",
                    f"ground.{path_name(ground.name)}",
                    self._returning(ground.name),
                    ground.wire,
                )
            )
            for ground in self.rig.grounds
        )

    def _returning(self, ground: str) -> Demand:
        """Return what flows through a ground: devices, outputs with their shares, and the grounds behind it."""
        modules = {module.name for module in self.rig.modules if module.ground == ground}
        own_modules = {module.device for module in self.rig.modules}
        parts = [(self._returning(other.name), 1.0) for other in self.rig.grounds if other.parent == ground]
        parts += [
            (device_demand(device), 1.0)
            for device in self.rig.devices
            if device.ground == ground and (device.amps or device.name not in own_modules)
        ]
        parts += [
            (output_demand(output), self.demand.share(output))
            for output in self.rig.outputs
            if output.module in modules
        ]
        missing = tuple(key for part, _ in parts for key in part.missing)
        amps = sum((part.amps or 0.0) * share for part, share in parts)
        return Demand(None if missing else amps, missing=missing)

    # Chains.

    @cached_property
    def _by_name(self) -> Mapping[str, Chain]:
        return {branch.name: self._to_branch(branch.name) for branch in self.rig.branches}

    def _to_branch(self, name: str) -> Chain:
        path = [self._branches[name]]
        while path[-1].parent is not None:
            path.append(self._branches[path[-1].parent])
        shares, share = [], 1.0
        for branch in path:
            shares.append(share)
            share *= 1.0 if branch.share_percent is None else branch.share_percent / 100
        links = tuple(self._branch_links[branch.name] for branch in reversed(path))
        return Chain(links, tuple(reversed(shares)), self._batteries[self._battery_by_branch[name]])

    def _to_output(self, output: OutputPlan) -> Chain:
        module = self._modules[output.module]
        device = self._devices.get(module.device or "")
        branch = module.branch or (device.branch if device is not None else None)
        link = Link(
            f"output {output.name}", f"output.{path_name(output.name)}", output_demand(output), output.wire,
            fuse_amps=output.fuse_amps, fuse_distance_m=output.fuse_distance_m,
            interrupting_amps=output.interrupting_amps, load=output.load, critical=output.critical,
            has_current_limit=output.limit_amps is not None and output.relay is None,
        )  # fmt: skip
        missing = f"branch of module {module.name}"
        return self._behind(branch, self._measured(link), self.demand.share(output), missing)

    def _to_device(self, device: DevicePlan) -> Chain:
        if device.fuse_amps is None:
            assert device.branch is not None
            return self._by_name[device.branch]
        link = Link(
            f"device {device.name}", f"device.{path_name(device.name)}", device_demand(device),
            fuse_amps=device.fuse_amps, fuse_distance_m=device.fuse_distance_m,
            interrupting_amps=device.interrupting_amps, critical=device.critical, has_wire_key=False,
        )  # fmt: skip
        return self._behind(device.branch, link, 1.0, f"branch of device {device.name}")

    def _behind(self, branch: str | None, link: Link, share: float, missing: str) -> Chain:
        if branch is None:
            return Chain((link,), (1.0,), None, (missing,))
        above = self._by_name[branch]
        return Chain((*above.links, link), (*(share * one for one in above.shares), 1.0), above.battery)

    @cached_property
    def _branches(self) -> Mapping[str, BranchPlan]:
        return {branch.name: branch for branch in self.rig.branches}

    @cached_property
    def _modules(self) -> Mapping[str, ModulePlan]:
        return {module.name: module for module in self.rig.modules}

    @cached_property
    def _devices(self) -> Mapping[str, DevicePlan]:
        return {device.name: device for device in self.rig.devices}

    @cached_property
    def _batteries(self) -> Mapping[str, BatteryPlan]:
        return {battery.name: battery for battery in self.rig.batteries}

    @cached_property
    def _battery_by_branch(self) -> Mapping[str, str]:
        return battery_by_branch(self.rig.batteries, self.rig.branches)

    @cached_property
    def _branch_links(self) -> Mapping[str, Link]:
        return {
            branch.name: self._measured(
                Link(
                    f"branch {branch.name}", f"branch.{path_name(branch.name)}", self.demand.branch(branch.name),
                    branch.wire, fuse_amps=branch.fuse_amps, breaker=branch.breaker,
                    fuse_distance_m=branch.fuse_distance_m, interrupting_amps=branch.interrupting_amps,
                    critical=branch.critical,
                )
            )
            for branch in self.rig.branches
        }  # fmt: skip

    def _measured(self, link: Link) -> Link:
        """Return a part with the resistance of its wire, and what it carries."""
        if link.wire is None:
            return link
        rules, size = self.rig.rules, size_of(link.wire)
        ohm, text = wire_ohm(link.wire, rules), wire_text(link.wire, rules)
        limit = None if size is None else ampacity(link.wire, rules)
        return replace(link, ohm=ohm, ohm_text=text, size=size, limit=limit)

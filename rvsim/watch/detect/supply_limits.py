"""At which voltage of a DC source each device stops.

Knows: the cut-offs of kinds of devices, and which voltage is lost on the wires of a rig at its planned currents. Does
not know any reading.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from rvsim.rig.device_plan import DevicePlan
    from rvsim.rig.model import Rig

CUT_OFF_VOLTS: Mapping[str, float] = {"furnace": 10.0, "water_heater": 10.0, "inverter": 10.5}
"""Below which supply voltage a function of a 12 V device stops. Heaters: three heater makers' fault-code tables, below
10 V (a gas boiler about 10.5 V). Inverter: common practice, no source."""
USUAL_CUT_OFF_VOLTS = 10.5
"""For devices that are not known: the higher one of those above."""
MARGIN_VOLTS = 1.0
"""How much above its cut-off the supply of a device is too low. Common practice, no source: 0.5 V for the tolerance of
the cut-off (the same tables) and 0.5 V for the plugs that no rig lists."""
USUAL_MARGIN_VOLTS = 0.5
"""The same where neither device nor wire is known. Common practice, no source: a lead-acid battery is empty there."""


class SupplyLimit(NamedTuple):
    """The cut-off of a device, and the voltage that is lost on the way to it at ``amps`` of its branch."""

    device: str
    cut_off: float
    drop: float = 0.0
    amps: float = 0.0
    branch: str | None = None


class WireDrop(NamedTuple):
    """The voltage that is lost between a battery and the end of a branch, and the current of that branch."""

    volts: float
    amps: float


def cut_off_of(device: "DevicePlan") -> float | None:
    """Return the cut-off of a planned device; None where it is not known."""
    if device.cut_off_volts is not None:
        return device.cut_off_volts
    return max((CUT_OFF_VOLTS[name] for name in device.functions if name in CUT_OFF_VOLTS), default=None)


def wire_drops(rig: "Rig") -> dict[str, WireDrop]:
    """Return what is lost up to the end of each branch that has a wire, itself or above it, at the planned currents.

    These are the running currents of the plan: outputs and branches with their shares, a peak that lasts as running.
    """
    from rvsim.rig.demand import RigDemand

    branches = {branch.name: branch for branch in rig.branches}
    demand = RigDemand(rig)
    amps = {name: max(0.0, demand.branch(name).known_amps) for name in branches}
    drops = {}
    for name in branches:
        path = [branches[name]]
        while path[-1].parent is not None:
            path.append(branches[path[-1].parent])
        wires = [(branch.wire.ohm, amps[branch.name]) for branch in path if branch.wire is not None]
        if wires:
            drops[name] = WireDrop(sum(ohm * current for ohm, current in wires), amps[name])
    return drops


def limits_by_source(rig: "Rig") -> dict[int, Sequence[SupplyLimit]]:
    """Return the limits of the planned devices by the instance of the DC source that feeds them."""
    from rvsim.rig.electric import battery_by_branch

    drops, batteries = wire_drops(rig), battery_by_branch(rig.batteries, rig.branches)
    instances = battery_instances(rig)
    found: dict[int, list[SupplyLimit]] = {}
    for device in rig.devices:
        cut_off = cut_off_of(device)
        battery = rig.vehicle.battery.name if device.branch is None else batteries[device.branch]
        if cut_off is None or battery not in instances:
            continue
        limit = SupplyLimit(device.name, cut_off)
        if device.branch in drops:
            drop = drops[device.branch]
            limit = SupplyLimit(device.name, cut_off, drop.volts, drop.amps, device.branch)
        found.setdefault(instances[battery], []).append(limit)
    return dict(found)


def battery_instances(rig: "Rig") -> dict[str, int]:
    """Return the DC source of each battery of which it is certain."""
    from rvsim.rig.electric import dc_sources

    return dc_sources(rig.batteries)


def allowed_differences(rig: "Rig | None", functions: Sequence[str]) -> Iterator[tuple[str, int, float]]:
    """Yield for which function and instance the rig allows which drop, in volts, between it and its battery.

    Only where the branch has a wire, and the current of that function is planned.
    """
    drops = wire_drops(rig) if rig is not None else {}
    for device in rig.devices if rig is not None else ():
        for function in functions:
            if device.branch in drops and function in device.amps:
                for instance in device.functions[function]:
                    yield function, instance, drops[device.branch].volts

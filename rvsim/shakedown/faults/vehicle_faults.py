"""Faults of the vehicle's supply: what each takes away from a bench.

Knows: which devices, branch or battery each is about. Does not know when a fault starts.
"""

from collections.abc import Iterator
from typing import assert_never

from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown
from rvsim.rig.references import unknown_text
from rvsim.shakedown.faults import vehicle_fault_plans as plans
from rvsim.shakedown.faults.bench_effects import BranchLoad, Effect, OpenBattery, OpenBranch, PowerLoss


class VehicleFaults:
    """Makes the effects of faults of the supply for one rig."""

    def __init__(self, rig: Rig) -> None:
        self._batteries = [plan.name for plan in rig.batteries]
        self._branches = [plan.name for plan in rig.all_branches]
        self._house = rig.vehicle.battery.name

    def effects(self, fault: plans.SupplyPlan, owner: str) -> Iterator[Effect]:
        """Yield the effects of a fault; ``owner`` distinguishes it from others.

        Raises:
            ValueError: it names what the rig does not have.
        """
        match fault:
            case plans.BrownOutPlan():
                if fault.branch is None:
                    yield PowerLoss(fault.faulty_devices)
                else:
                    yield OpenBranch(self._branch(fault.branch), owner)
            case plans.OverloadPlan():
                yield BranchLoad(self._branch(fault.branch), f"overload by {owner}", fault.amps)
            case plans.ProtectionOpensPlan():
                yield OpenBattery(self._battery(fault.battery), owner)
            case _:
                assert_never(fault)

    def _battery(self, name: str | None) -> str:
        if name is not None and name not in self._batteries:
            raise ValueError(unknown_text(name, self._batteries, "batteries"))
        return name or self._house

    def _branch(self, name: str) -> str:
        if not self._branches:
            raise ValueError(f"the rig has no branch {shown(name)}: it has none; add [[branch]] to it")
        if name not in self._branches:
            raise ValueError(unknown_text(name, self._branches, "branches"))
        return name

"""Faults of the vehicle's supply: what each takes away from a bench.

Knows: which devices and which battery each is about. Does not know when a fault starts.
"""

from collections.abc import Iterator
from typing import assert_never

from rvsim.rig.model import Rig
from rvsim.rig.references import unknown_text
from rvsim.shakedown.faults import vehicle_fault_plans as plans
from rvsim.shakedown.faults.bench_effects import Effect, OpenBattery, PowerLoss


class VehicleFaults:
    """Makes the effects of faults of the supply for one rig."""

    def __init__(self, rig: Rig) -> None:
        self._batteries = [plan.name for plan in rig.batteries]
        self._house = rig.vehicle.battery.name

    def effects(self, fault: plans.SupplyPlan, owner: str) -> Iterator[Effect]:
        """Yield the effects of a fault; ``owner`` distinguishes it from others.

        Raises:
            ValueError: it names what the rig does not have.
        """
        match fault:
            case plans.BrownOutPlan():
                yield PowerLoss(fault.devices)
            case plans.ProtectionOpensPlan():
                yield OpenBattery(self._battery(fault.battery), owner)
            case _:
                assert_never(fault)

    def _battery(self, name: str | None) -> str:
        if name is not None and name not in self._batteries:
            raise ValueError(unknown_text(name, self._batteries, "batteries"))
        return name or self._house

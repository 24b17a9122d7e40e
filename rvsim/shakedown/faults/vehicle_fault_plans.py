"""Faults of the vehicle's supply, as a scenario writes them.

Knows: the keys of each kind. Does not know how a fault acts (`vehicle_faults`): this is data only.
"""

from typing import Annotated, Literal

from pydantic import Field

from rvsim.rig.table import OneLineText
from rvsim.shakedown.checked_names import DeviceName
from rvsim.shakedown.faults.fault_plan_base import FaultPlan


class BrownOutPlan(FaultPlan):
    """The supply of a branch fails: its devices send nothing while it lasts, and restart afterwards."""

    fault: Literal["brown_out"]
    devices: Annotated[tuple[DeviceName, ...], Field(min_length=1, strict=False)]
    """The devices of the branch."""

    @property
    def faulty_devices(self) -> tuple[str, ...]:
        """The devices of the branch."""
        return self.devices


class ProtectionOpensPlan(FaultPlan):
    """The protection of a battery opens: it gives and takes no current, and what no charger supplies is dark."""

    fault: Literal["protection_opens"]
    battery: OneLineText | None = None
    """The battery by its name in the rig; the house battery if omitted."""

    @property
    def location(self) -> str:
        """The battery."""
        return f"battery {self.battery}" if self.battery else "the house battery"


SupplyPlan = BrownOutPlan | ProtectionOpensPlan
"""The faults of the supply."""

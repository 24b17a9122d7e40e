"""Faults of the vehicle's supply, as a scenario writes them.

Knows: the keys of each kind. Does not know how a fault acts (`vehicle_faults`): this is data only.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from rvsim.rig.table import OneLineText
from rvsim.shakedown.checked_names import DeviceName
from rvsim.shakedown.faults.fault_plan_base import FaultPlan


class BrownOutPlan(FaultPlan):
    """The supply of devices fails: they send nothing while it lasts, and restart afterwards.

    With a branch, all that hangs on it is without its supply, loads too; a device that has another one, as a charger
    has the mains, goes on.
    """

    fault: Literal["brown_out"]
    devices: Annotated[tuple[DeviceName, ...], Field(min_length=1, strict=False)] | None = None
    """The devices."""
    branch: OneLineText | None = None
    """The branch of the rig, instead of devices."""

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if (self.devices is None) == (self.branch is None):
            raise ValueError("name the devices, or a branch of the rig, and not both")
        return self

    @property
    def faulty_devices(self) -> tuple[str, ...]:
        """The devices; none where a branch is named."""
        return self.devices or ()

    @property
    def location(self) -> str:
        """The devices, or the branch."""
        return super().location if self.branch is None else f"branch {self.branch}"


class OverloadPlan(FaultPlan):
    """Too much current flows at the far end of a branch: a jammed motor, or with hundreds of amperes a short circuit.

    The fuse or breaker of the branch opens by it; a fuse stays open afterwards, until a step closes the branch.
    """

    fault: Literal["overload"]
    branch: OneLineText
    """The branch of the rig."""
    amps: Annotated[float, Field(gt=0, le=10_000)]
    """The current, on top of what its devices draw."""

    @property
    def location(self) -> str:
        """The branch."""
        return f"branch {self.branch}"


class ProtectionOpensPlan(FaultPlan):
    """The protection of a battery opens: it gives and takes no current, and what no charger supplies is dark."""

    fault: Literal["protection_opens"]
    battery: OneLineText | None = None
    """The battery by its name in the rig; the house battery if omitted."""

    @property
    def location(self) -> str:
        """The battery."""
        return f"battery {self.battery}" if self.battery else "the house battery"


SupplyPlan = BrownOutPlan | OverloadPlan | ProtectionOpensPlan
"""The faults of the supply."""

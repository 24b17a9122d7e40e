"""Faults of what motors move, as a scenario writes them.

Knows: the keys of each kind, and how each is said. Does not know how a fault acts (`motion_faults`): this is data only.
"""

from typing import Literal

from rvsim.rig.table import OneLineText
from rvsim.shakedown.faults.fault_plan_base import FaultPlan


class MotionFaultPlan(FaultPlan):
    """A fault of a motion."""

    motion: OneLineText
    """The motion by its name in the rig."""

    @property
    def location(self) -> str:
        """The motion."""
        return self.motion

    @property
    def sentence(self) -> str:
        """The fault as a sentence, without its time."""
        raise NotImplementedError


class ObstructionPlan(MotionFaultPlan):
    """Something is in the way: the motor is blocked wherever it is, and takes its stall current."""

    fault: Literal["obstruction"]

    @property
    def sentence(self) -> str:
        """The fault as a sentence."""
        return f"something is in the way of {self.location}"


class LimitSwitchStuckPlan(MotionFaultPlan):
    """The limit switches do not open: the motor is blocked at the end, and takes its stall current."""

    fault: Literal["limit_switch_stuck"]

    @property
    def sentence(self) -> str:
        """The fault as a sentence."""
        return f"the limit switches of {self.location} do not open"


MotionFault = ObstructionPlan | LimitSwitchStuckPlan
"""The faults of motions."""

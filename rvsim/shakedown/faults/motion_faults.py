"""Faults of what motors move: what each changes on a bench.

Knows: which motion each is about. Does not know when a fault starts, nor what drives the motion.
"""

from typing import NamedTuple, assert_never

from rvsim.rig.references import unknown_text
from rvsim.rig.vehicle import VehiclePlan
from rvsim.shakedown.faults import motion_fault_plans as plans
from rvsim.sim.bench import Bench


class Obstruction(NamedTuple):
    """Something in the way of a motion."""

    motion: str

    def apply(self, bench: Bench) -> None:
        """Put it there."""
        bench.world.motions.set_obstructed(self.motion, is_obstructed=True, now=bench.now)

    def remove(self, bench: Bench) -> None:
        """Take it away."""
        bench.world.motions.set_obstructed(self.motion, is_obstructed=False, now=bench.now)


class StuckLimitSwitch(NamedTuple):
    """Limit switches that do not open."""

    motion: str

    def apply(self, bench: Bench) -> None:
        """Let them stay closed."""
        bench.world.motions.set_switch_closed(self.motion, is_closed=True, now=bench.now)

    def remove(self, bench: Bench) -> None:
        """Let them open."""
        bench.world.motions.set_switch_closed(self.motion, is_closed=False, now=bench.now)


def motion_effect(fault: plans.MotionFault, plan: VehiclePlan) -> Obstruction | StuckLimitSwitch:
    """Return the effect of a fault on a vehicle.

    Raises:
        ValueError: it names what the rig does not have.
    """
    known = [motion.name for motion in plan.motions]
    if fault.motion not in known:
        raise ValueError(unknown_text(fault.motion, known, "motions"))
    match fault:
        case plans.ObstructionPlan():
            return Obstruction(fault.motion)
        case plans.LimitSwitchStuckPlan():
            return StuckLimitSwitch(fault.motion)
        case _:
            assert_never(fault)

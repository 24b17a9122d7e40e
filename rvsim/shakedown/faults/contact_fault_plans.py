"""Faults of switches and keys: a contact that sticks, one that ages, as a scenario writes them.

Knows: the keys of each kind. Does not know how a fault acts (`contact_faults`): this is data only.
"""

from typing import Annotated, Literal

from pydantic import Field

from rvsim.rig.table import OneLineText
from rvsim.shakedown.checked_names import PositiveDuration
from rvsim.shakedown.faults.fault_plan_base import FaultPlan


class KeyStuckPlan(FaultPlan):
    """A switch or key sticks: once it is pressed it stays so, as long as the fault lasts."""

    fault: Literal["key_stuck"]
    key: OneLineText
    """The switch or key by its name, like "galley switch", "door ladder.galley" or "bed keypad.night"."""

    @property
    def location(self) -> str:
        """The key."""
        return self.key


class LadderResistancePlan(FaultPlan):
    """The contacts of an input age: each adds ``ohm`` to the resistance that the input reads while it is closed."""

    fault: Literal["ladder_resistance"]
    input: OneLineText
    """The input with its switches, or one switch, by its name."""
    ohm: Annotated[float, Field(gt=0, le=1_000_000)]
    """The resistance that is added."""
    within: PositiveDuration | None = None
    """The time in which it grows to that; at once if omitted."""

    @property
    def location(self) -> str:
        """The input."""
        return f"input {self.input}"


ContactFaultPlan = KeyStuckPlan | LadderResistancePlan
"""The faults of switches and keys."""

"""Faults of relays and of what hangs on the outputs of modules, as a scenario writes them.

Knows: the keys of each kind, and how each is said. Does not know how a fault acts (`switching_faults`): this is data
only.
"""

from typing import Annotated, Literal

from pydantic import Field

from rvsim.rig.table import OneLineText
from rvsim.shakedown.faults.fault_plan_base import FaultPlan


class SwitchingFaultPlan(FaultPlan):
    """The keys of all faults of switched loads."""

    @property
    def sentence(self) -> str:
        """The fault as a sentence, without its time."""
        raise NotImplementedError


class RelayFaultPlan(SwitchingFaultPlan):
    """A fault of the contact of a relay."""

    relay: OneLineText
    """The relay by its name in the rig."""

    @property
    def location(self) -> str:
        """The relay."""
        return f"relay {self.relay}"


class OutputFaultPlan(SwitchingFaultPlan):
    """A fault of what hangs on an output."""

    output: OneLineText
    """The output by its name in the rig."""

    @property
    def location(self) -> str:
        """The output."""
        return f"output {self.output}"


class RelayWeldedPlan(RelayFaultPlan):
    """The contact of a relay is welded: its load stays on, whatever its output does."""

    fault: Literal["relay_welded"]

    @property
    def sentence(self) -> str:
        """The fault as a sentence."""
        return f"the contact of {self.location} is welded"


class RelayOpenPlan(RelayFaultPlan):
    """The contact of a relay no longer closes: its load stays off, whatever its output does."""

    fault: Literal["relay_open"]

    @property
    def sentence(self) -> str:
        """The fault as a sentence."""
        return f"the contact of {self.location} does not close"


class LampOutPlan(OutputFaultPlan):
    """What hangs on an output takes no current: a lamp that has burnt out, a plug that is off."""

    fault: Literal["lamp_out"]

    @property
    def sentence(self) -> str:
        """The fault as a sentence."""
        return f"what hangs on {self.location} takes no current"


class OutputOverloadPlan(OutputFaultPlan):
    """What hangs on an output takes more than it should, by ``amps``: water in a lamp, a blocked pump."""

    fault: Literal["output_overload"]
    amps: Annotated[float, Field(gt=0, le=1000)]
    """By how much, at 12 V."""

    @property
    def sentence(self) -> str:
        """The fault as a sentence."""
        return f"what hangs on {self.location} takes {self.amps:g} A too much"


SwitchingPlan = RelayWeldedPlan | RelayOpenPlan | LampOutPlan | OutputOverloadPlan
"""The faults of switched loads."""

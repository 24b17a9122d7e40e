"""Faults of the wires and of babbling nodes, as a scenario writes them.

Knows: the keys of each kind. Does not know how a fault acts (`bus_faults`): this is data only.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from rvsim.rig.quantity import duration_text, shown
from rvsim.rig.table import OneLineText
from rvsim.shakedown.checked_names import DeviceName, FrameBytes, PositiveDuration
from rvsim.shakedown.expect.sight import Identifier
from rvsim.shakedown.faults.fault_plan_base import DeviceFaultPlan, FaultPlan
from rvsim.wire.frame import SECOND_US
from rvsim.wire.timing import BIT_RATE, min_bits

BitErrorRate = Annotated[float, Field(gt=0, le=1)]
"""The probability that a bit is in error."""
_SHORTEST_FRAME_US = -(-min_bits(0) * SECOND_US // BIT_RATE)
"""The shortest time that any frame takes."""


class BabblingPlan(FaultPlan):
    """A node sends one frame repeatedly: a device of the rig, or another node with the name ``node``."""

    fault: Literal["babbling"]
    device: DeviceName | None = None
    """The device of the rig that sends it."""
    node: OneLineText | None = None
    """The name of the node that sends it, instead of a device of the rig."""
    identifier: Identifier
    """The 29-bit identifier of the frame."""
    data: FrameBytes = Field(default="00 00 00 00 00 00 00 00", alias="bytes")
    """The data bytes of the frame."""
    gap: PositiveDuration | None = None
    """The time from one frame to the next; as fast as the bus allows if omitted."""

    @field_validator("node")
    @classmethod
    def _not_in_the_rig(cls, name: str | None, info: ValidationInfo) -> str | None:
        if name is not None and name in ((info.context or {}).get("devices") or ()):
            raise ValueError(f"{shown(name)} is a device of the rig; write device = {shown(name)}")
        return name

    @field_validator("gap")
    @classmethod
    def _not_shorter_than_a_frame(cls, gap: int | None) -> int | None:
        if gap is not None and gap < _SHORTEST_FRAME_US:
            raise ValueError(
                f"{duration_text(gap)} is shorter than any frame, which takes at least "
                f"{duration_text(_SHORTEST_FRAME_US)}; omit gap to send as fast as the bus allows"
            )
        return gap

    @model_validator(mode="after")
    def _one_node(self) -> Self:
        if (self.device is None) == (self.node is None):
            raise ValueError("name a device of the rig, or a node that is not in it, and not both")
        return self

    @property
    def faulty_devices(self) -> tuple[str, ...]:
        """The device, if it is one of the rig."""
        return (self.device,) if self.device is not None else ()

    @property
    def location(self) -> str:
        """The node."""
        return self.device or self.node or ""


class BusErrorsPlan(FaultPlan):
    """Each bit on the wires is inverted with a probability of ``rate``: a model whose rate you choose."""

    fault: Literal["bus_errors"]
    rate: BitErrorRate
    """The chance of each bit to be wrong."""


class MissingTerminatorPlan(FaultPlan):
    """One terminator is missing: on a short bench trunk this has no effect, unless a ``rate`` of errors is given."""

    fault: Literal["missing_terminator"]
    rate: Annotated[float, Field(ge=0, le=1)] = 0.0
    """The chance of each bit to be wrong."""


class ReversedPairPlan(DeviceFaultPlan):
    """The two wires are swapped at the device."""

    fault: Literal["reversed_pair"]


WirePlan = BabblingPlan | BusErrorsPlan | MissingTerminatorPlan | ReversedPairPlan
"""The faults of the wires."""

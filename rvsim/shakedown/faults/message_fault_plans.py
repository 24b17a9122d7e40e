"""Faults of the messages that a device sends and receives, as a scenario writes them.

Knows: the keys of each kind. Does not know how a fault acts (`message_faults`): this is data only.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from rvsim.shakedown.checked_names import DefinedName, PositiveDuration
from rvsim.shakedown.faults.fault_plan_base import DeviceFaultPlan, FieldFaultPlan, OtherDeviceName
from rvsim.wire.ident import MAX_ADDRESS


class SilentPlan(DeviceFaultPlan):
    """The device sends nothing, as if it had lost its power."""

    fault: Literal["silent"]


class AsleepPlan(DeviceFaultPlan):
    """The device sends nothing and obeys no command, but still acknowledges frames: it sleeps."""

    fault: Literal["asleep"]


class CarriedAwayPlan(DeviceFaultPlan):
    """The device is out of reach: it neither sends nor receives, and keeps its power and what it knows."""

    fault: Literal["carried_away"]


class LatePlan(DeviceFaultPlan):
    """The device sends each of its messages, or the named one, at most once in each ``gap``."""

    fault: Literal["late"]
    gap: PositiveDuration
    """The shortest time between two frames of one message."""
    message: DefinedName | None = None
    """The message that is late; all of the device if omitted."""


class JitterPlan(DeviceFaultPlan):
    """Each frame of the device, or of the named message, is delayed by a random time of up to ``by``."""

    fault: Literal["jitter"]
    by: PositiveDuration
    """The longest delay."""
    message: DefinedName | None = None
    """The message that is delayed; all of the device if omitted."""


class WrongValuePlan(FieldFaultPlan):
    """A field always reports ``value``, in its unit."""

    fault: Literal["wrong_value"]
    value: float
    """The value, in the field's unit."""


class StuckPlan(FieldFaultPlan):
    """A field repeats the first value that it reports while the fault lasts."""

    fault: Literal["stuck"]


class DriftPlan(FieldFaultPlan):
    """A field moves away from the true value by ``per_hour`` of its unit each hour."""

    fault: Literal["drift"]
    per_hour: float
    """The drift in an hour, in the field's unit; negative: downwards."""


class NoisePlan(FieldFaultPlan):
    """A field is wrong by a random amount in each frame: up to ``by`` of its unit, up or down."""

    fault: Literal["noise"]
    by: Annotated[float, Field(gt=0)]
    """The largest deviation, in the field's unit."""


class WrongScalePlan(FieldFaultPlan):
    """A field reports its value times ``factor`` plus ``offset``: a wrong sender range, a wrong definition."""

    fault: Literal["wrong_scale"]
    factor: float
    """What the value is multiplied by."""
    offset: float = 0.0
    """What is added afterwards, in the field's unit."""


class OutOfRangePlan(FieldFaultPlan):
    """A field reports "out of range", as a sensor does that detects its own failure."""

    fault: Literal["out_of_range"]


class NoDataPlan(FieldFaultPlan):
    """A field reports "no data"."""

    fault: Literal["no_data"]


class WrongInstancePlan(DeviceFaultPlan):
    """The device sends another instance in each of its messages that has one, or in the named message."""

    fault: Literal["wrong_instance"]
    instance: Annotated[int, Field(ge=0, le=255)]
    """The instance that it sends."""
    message: DefinedName | None = None
    """The message with the wrong instance; all of the device if omitted."""


class SharedInstancePlan(DeviceFaultPlan):
    """The device sends as the instance of another device with the same function."""

    fault: Literal["shared_instance"]
    as_device: OtherDeviceName = Field(alias="as")
    """The other device."""


class FirmwareResetPlan(DeviceFaultPlan):
    """New firmware: the device restarts with its default instance, in what it sends and in the commands it obeys."""

    fault: Literal["firmware_reset"]
    instance: Annotated[int, Field(ge=0, le=255)] = 1
    """The default instance."""


class SharedAddressPlan(DeviceFaultPlan):
    """The device sends from the address of another device, or from ``address``, and never gives the address up."""

    fault: Literal["shared_address"]
    as_device: OtherDeviceName | None = Field(default=None, alias="as")
    """The other device."""
    address: Annotated[int, Field(ge=0, le=MAX_ADDRESS)] | None = None
    """The address, instead of another device."""

    @model_validator(mode="after")
    def _one_address(self) -> Self:
        if (self.as_device is None) == (self.address is None):
            raise ValueError('name the other device, as = "...", or an address, and not both')
        return self


class ShortFramePlan(DeviceFaultPlan):
    """Frames of the device, or of the named message, have only ``length`` bytes."""

    fault: Literal["short_frame"]
    length: Annotated[int, Field(ge=0, le=7)]
    """The number of data bytes."""
    message: DefinedName | None = None
    """The message that is short; all of the device if omitted."""


class CommandIgnoredPlan(DeviceFaultPlan):
    """The device ignores the named command, or without ``message`` every command."""

    fault: Literal["command_ignored"]
    message: DefinedName | None = None
    """The command; all commands if omitted."""


class CommandDelayedPlan(DeviceFaultPlan):
    """The device receives commands later, by the time ``by``."""

    fault: Literal["command_delayed"]
    by: PositiveDuration
    """The delay."""
    message: DefinedName | None = None
    """The command; all commands if omitted."""


ValuePlan = WrongValuePlan | StuckPlan | DriftPlan | NoisePlan | WrongScalePlan | OutOfRangePlan | NoDataPlan
"""The faults of one field of a message."""
InstancePlan = WrongInstancePlan | SharedInstancePlan | FirmwareResetPlan
"""The faults of instances."""
MessagePlan = (
    SilentPlan
    | AsleepPlan
    | CarriedAwayPlan
    | LatePlan
    | JitterPlan
    | ShortFramePlan
    | InstancePlan
    | SharedAddressPlan
    | CommandIgnoredPlan
    | CommandDelayedPlan
    | ValuePlan
)
"""The faults of messages."""

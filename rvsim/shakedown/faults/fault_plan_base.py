"""What every kind of fault has: a time or a name, a faulty device, a field of a message.

Knows: the keys that kinds share. Does not know any kind.
"""

from typing import Annotated, Self

from pydantic import AfterValidator, ValidationInfo, model_validator

from rvsim.rig.quantity import duration_text, shown
from rvsim.rig.table import OneLineText
from rvsim.shakedown.checked_names import DefinedName, DeviceName, TimeSpan


class FaultPlan(TimeSpan):
    """The keys of every fault: a time, to the end of the run without ``until``, or a name by which a step starts it."""

    name: OneLineText | None = None
    """The name by which a step starts and stops it; then it needs no "from"."""

    @model_validator(mode="after")
    def _begins(self) -> Self:
        if self.since is None and self.name is None:
            raise ValueError('nothing starts it; write from = "20s", or a name by which a step starts it')
        if self.since is None and self.until is not None:
            raise ValueError("until needs from; write from, or stop the fault by a step")
        return self

    @property
    def faulty_devices(self) -> tuple[str, ...]:
        """The devices of the rig that are faulty; none where the fault is in the wires."""
        return ()

    @property
    def location(self) -> str:
        """Where the fault is: the faulty devices, or the wires."""
        return ", ".join(self.faulty_devices) or "the wires"

    @property
    def when(self) -> str:
        """The time for which it lasts, as text."""
        if self.since is None:
            return f'when a step starts "{self.name}"'
        return f"from {duration_text(self.since)}" + (
            f" until {duration_text(self.until)}" if self.until is not None else " on"
        )


class DeviceFaultPlan(FaultPlan):
    """A fault of one device of the rig."""

    device: DeviceName
    """The device that it is applied to."""

    @property
    def faulty_devices(self) -> tuple[str, ...]:
        """The device."""
        return (self.device,)


def _other_device(name: str, info: ValidationInfo) -> str:
    if name == info.data.get("device"):
        raise ValueError(f"{shown(name)} is the device itself; name another device")
    return name


OtherDeviceName = Annotated[DeviceName, AfterValidator(_other_device)]
"""The name of another device of the rig than the faulty one."""


class FieldFaultPlan(DeviceFaultPlan):
    """A fault of one field of one message of a device."""

    message: DefinedName
    """The message of the device."""
    field: DefinedName
    """The field of the message."""

"""Faults as a scenario plans them: whom they befall, what they do, and when.

Knows: how each kind is written. Does not know how a fault acts (`faults`): this is data only.
"""

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, ValidationInfo, field_validator, model_validator

from rvsim.rig.model import HIGHEST_ADDRESS
from rvsim.rig.quantity import shown, spoken
from rvsim.rig.table import Line
from rvsim.shakedown.checked_names import Bytes, InTheRig, Positive, Timed, Word
from rvsim.shakedown.expect.sight import Identifier
from rvsim.wire.diagnostics import COUNT_NOT_KNOWN, NO_FAULT_FMI, NO_FAULT_SPN
from rvsim.wire.timing import BIT_RATE, least_bits

Rate = Annotated[float, Field(gt=0, le=1)]
"""A chance for each bit."""
_SHORTEST_FRAME = -(-least_bits(0) * 1_000_000 // BIT_RATE)
"""Microseconds that no frame goes below."""


class FaultPlan(Timed):
    """What every fault has: a time, to the end of the run without ``until``, or a name by which a step starts it."""

    name: Line | None = None
    """By which a step of the script starts and stops it; then it needs no ``from``."""

    @model_validator(mode="after")
    def _begins(self) -> Self:
        if self.since is None and self.name is None:
            raise ValueError('nothing starts it; write from = "20s", or a name by which a step starts it')
        if self.since is None and self.until is not None:
            raise ValueError("until without from says nothing; let a step stop it, or write from")
        return self

    @property
    def whom(self) -> str:
        """Say whom it befalls."""
        return str(getattr(self, "device", "the wires"))

    @property
    def when(self) -> str:
        """Say when it lasts."""
        if self.since is None:
            return f'when a step starts "{self.name}"'
        return f"from {spoken(self.since)}" + (f" until {spoken(self.until)}" if self.until is not None else " on")


class DeviceFaultPlan(FaultPlan):
    """What befalls one device of the rig."""

    device: InTheRig


def _another(name: str, info: ValidationInfo) -> str:
    if name == info.data.get("device"):
        raise ValueError(f"{shown(name)} is the device itself; name another device")
    return name


Another = Annotated[InTheRig, AfterValidator(_another)]
"""The name of a device of the rig that is not the one that the fault befalls."""


class FieldFaultPlan(DeviceFaultPlan):
    """What befalls one field of one message of a device."""

    message: Word
    field: Word


class SilentPlan(DeviceFaultPlan):
    """The device sends nothing at all, as one that has lost its power."""

    fault: Literal["silent"]


class AsleepPlan(DeviceFaultPlan):
    """The device sends nothing and takes no command, but acknowledges: it sleeps."""

    fault: Literal["asleep"]


class LatePlan(DeviceFaultPlan):
    """The device sends each of its messages, or the named one, no more often than each ``gap``."""

    fault: Literal["late"]
    gap: Positive
    message: Word | None = None


class JitterPlan(DeviceFaultPlan):
    """Each frame of the device, or of the named message, comes up to ``by`` later than it wanted to, by chance."""

    fault: Literal["jitter"]
    by: Positive
    message: Word | None = None


class WrongValuePlan(FieldFaultPlan):
    """A field says ``value``, in its unit, whatever the device wants to say."""

    fault: Literal["wrong_value"]
    value: float


class StuckPlan(FieldFaultPlan):
    """A field goes on saying what it said first while the fault lasts."""

    fault: Literal["stuck"]


class DriftPlan(FieldFaultPlan):
    """A field goes away from the truth by so much of its unit an hour."""

    fault: Literal["drift"]
    per_hour: float


class NoisePlan(FieldFaultPlan):
    """A field is off by up to ``by`` of its unit, up or down, by chance in each frame."""

    fault: Literal["noise"]
    by: Annotated[float, Field(gt=0)]


class WrongScalePlan(FieldFaultPlan):
    """A field says its value times ``factor`` plus ``offset``: a wrong sender range, a wrong definition."""

    fault: Literal["wrong_scale"]
    factor: float
    offset: float = 0.0


class OutOfRangePlan(FieldFaultPlan):
    """A field says "out of range", as a sensor does that knows that it is broken."""

    fault: Literal["out_of_range"]


class NoDataPlan(FieldFaultPlan):
    """A field says "no data"."""

    fault: Literal["no_data"]


class WrongInstancePlan(DeviceFaultPlan):
    """The device says another instance in each of its messages that has one, or in the named message."""

    fault: Literal["wrong_instance"]
    instance: Annotated[int, Field(ge=0, le=255)]
    message: Word | None = None


class SharedInstancePlan(DeviceFaultPlan):
    """The device speaks for the instance of another device of the same function."""

    fault: Literal["shared_instance"]
    as_device: Another = Field(alias="as")


class FirmwareResetPlan(DeviceFaultPlan):
    """New firmware: the device restarts and has its default instance again, in what it says and what it obeys."""

    fault: Literal["firmware_reset"]
    instance: Annotated[int, Field(ge=0, le=255)] = 1


class SharedAddressPlan(DeviceFaultPlan):
    """The device speaks from the address of another device, or from ``address``, and never gives way."""

    fault: Literal["shared_address"]
    as_device: Another | None = Field(default=None, alias="as")
    address: Annotated[int, Field(ge=0, le=HIGHEST_ADDRESS)] | None = None

    @model_validator(mode="after")
    def _one_address(self) -> Self:
        if (self.as_device is None) == (self.address is None):
            raise ValueError('name the other device, as = "...", or an address, and not both')
        return self


class ShortFramePlan(DeviceFaultPlan):
    """Frames of the device, or of the named message, have only so many bytes."""

    fault: Literal["short_frame"]
    length: Annotated[int, Field(ge=0, le=7)]
    message: Word | None = None


class CommandIgnoredPlan(DeviceFaultPlan):
    """The device does not take a command, or with ``message`` left out none at all."""

    fault: Literal["command_ignored"]
    message: Word | None = None


class CommandDelayedPlan(DeviceFaultPlan):
    """The device takes commands ``by`` later than they come."""

    fault: Literal["command_delayed"]
    by: Positive
    message: Word | None = None


class RestartPlan(DeviceFaultPlan):
    """The device loses its power for ``takes``, then starts anew and claims its address."""

    fault: Literal["restart"]
    takes: Positive = 2_000_000


class BrownOutPlan(FaultPlan):
    """The supply of a branch fails: its devices say nothing while it lasts, and start anew afterwards."""

    fault: Literal["brown_out"]
    devices: Annotated[tuple[InTheRig, ...], Field(min_length=1, strict=False)]

    @property
    def whom(self) -> str:
        """Say whom it befalls."""
        return ", ".join(self.devices)


class ReportedPlan(DeviceFaultPlan):
    """The device reports a fault of one of its functions: in its heartbeat, with a lamp, and in its DM1."""

    fault: Literal["reported"]
    function: Word
    spn: Annotated[int, Field(ge=0, lt=NO_FAULT_SPN)]
    fmi: Annotated[int, Field(ge=0, le=NO_FAULT_FMI)]
    lamp: Literal["yellow", "red"] = "yellow"
    times: Annotated[int, Field(ge=0, lt=COUNT_NOT_KNOWN)] | None = None


class BabblingPlan(FaultPlan):
    """A node sends one frame over and over: a device of the rig, or a stranger by the name ``node``."""

    fault: Literal["babbling"]
    device: InTheRig | None = None
    node: Line | None = None
    identifier: Identifier
    data: Bytes = Field(default="00 00 00 00 00 00 00 00", alias="bytes")
    gap: Positive | None = None
    """Left out, as fast as the pair allows."""

    @field_validator("node")
    @classmethod
    def _a_stranger(cls, name: str | None, info: ValidationInfo) -> str | None:
        if name is not None and name in ((info.context or {}).get("devices") or ()):
            raise ValueError(f"{shown(name)} is a device of the rig; write device = {shown(name)}")
        return name

    @field_validator("gap")
    @classmethod
    def _room_for_a_frame(cls, gap: int | None) -> int | None:
        if gap is not None and gap < _SHORTEST_FRAME:
            raise ValueError(
                f"{spoken(gap)} is shorter than any frame, which takes {spoken(_SHORTEST_FRAME)} at least; "
                "leave gap out for as fast as the pair allows"
            )
        return gap

    @model_validator(mode="after")
    def _one_node(self) -> Self:
        if (self.device is None) == (self.node is None):
            raise ValueError("name a device of the rig, or a node that is not in it, and not both")
        return self

    @property
    def whom(self) -> str:
        """Say who does it."""
        return self.device or self.node or ""


class BusErrorsPlan(FaultPlan):
    """Each bit on the pair is turned over with a chance of ``rate``: a model, its rate is the user's."""

    fault: Literal["bus_errors"]
    rate: Rate


class MissingTerminatorPlan(FaultPlan):
    """One terminator is not there: on a short bench trunk nothing happens, unless ``rate`` says otherwise."""

    fault: Literal["missing_terminator"]
    rate: Annotated[float, Field(ge=0, le=1)] = 0.0


class ReversedPairPlan(DeviceFaultPlan):
    """The two wires are swapped at the device."""

    fault: Literal["reversed_pair"]


WirePlan = BabblingPlan | BusErrorsPlan | MissingTerminatorPlan | ReversedPairPlan
"""The faults of the wires themselves."""
ValuePlan = WrongValuePlan | StuckPlan | DriftPlan | NoisePlan | WrongScalePlan | OutOfRangePlan | NoDataPlan
"""The faults of one field, which stand between a device and the wires."""
Fault = Annotated[
    SilentPlan
    | AsleepPlan
    | LatePlan
    | JitterPlan
    | ValuePlan
    | WrongInstancePlan
    | SharedInstancePlan
    | FirmwareResetPlan
    | SharedAddressPlan
    | ShortFramePlan
    | CommandIgnoredPlan
    | CommandDelayedPlan
    | RestartPlan
    | BrownOutPlan
    | ReportedPlan
    | WirePlan,
    Field(discriminator="fault"),
]

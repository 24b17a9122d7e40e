"""The kinds of fault, as a scenario writes them: which device each is at, what it does, and when.

Knows: the keys of each kind. Does not know how a fault acts (`fault_effects`): this is data only.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from rvsim.rig.quantity import duration_text, shown
from rvsim.rig.table import OneLineText
from rvsim.shakedown.checked_names import DefinedName, DeviceName, FrameBytes, PositiveDuration
from rvsim.shakedown.expect.sight import Identifier
from rvsim.shakedown.faults.contact_fault_plans import ContactFaultPlan, KeyStuckPlan, LadderResistancePlan
from rvsim.shakedown.faults.fault_plan_base import DeviceFaultPlan, FaultPlan, FieldFaultPlan, OtherDeviceName
from rvsim.shakedown.faults.switching_fault_plans import (
    LampOutPlan,
    OutputOverloadPlan,
    RelayOpenPlan,
    RelayWeldedPlan,
    SwitchingPlan,
)
from rvsim.wire.diagnostics import NO_FAULT_FMI, NO_FAULT_SPN, UNKNOWN_COUNT
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import MAX_ADDRESS
from rvsim.wire.timing import BIT_RATE, min_bits

__all__ = [
    "AirInFuelPlan",
    "AsleepPlan",
    "BabblingPlan",
    "BrownOutPlan",
    "BurnerPlan",
    "BusErrorsPlan",
    "CommandDelayedPlan",
    "CommandIgnoredPlan",
    "DriftPlan",
    "FailedIgnitionPlan",
    "Fault",
    "FaultPlan",
    "FilterBlockedPlan",
    "FirmwareResetPlan",
    "FuelGellingPlan",
    "GroundOffsetPlan",
    "JitterPlan",
    "KeyStuckPlan",
    "LadderResistancePlan",
    "LampOutPlan",
    "LatePlan",
    "MeasuringPlan",
    "MissingTerminatorPlan",
    "NoDataPlan",
    "NoisePlan",
    "OutOfRangePlan",
    "OutputOverloadPlan",
    "ProtectionOpensPlan",
    "RelayOpenPlan",
    "RelayWeldedPlan",
    "ReportedPlan",
    "RestartPlan",
    "ReversedPairPlan",
    "SenderReversedPlan",
    "SensorMisplacedPlan",
    "SharedAddressPlan",
    "SharedInstancePlan",
    "ShortFramePlan",
    "SilentPlan",
    "StuckPlan",
    "SwitchingPlan",
    "ValuePlan",
    "WirePlan",
    "WrongInstancePlan",
    "WrongScalePlan",
    "WrongValuePlan",
]

BitErrorRate = Annotated[float, Field(gt=0, le=1)]
"""The probability that a bit is in error."""
_SHORTEST_FRAME_US = -(-min_bits(0) * SECOND_US // BIT_RATE)
"""The shortest time that any frame takes."""


class SilentPlan(DeviceFaultPlan):
    """The device sends nothing, as if it had lost its power."""

    fault: Literal["silent"]


class AsleepPlan(DeviceFaultPlan):
    """The device sends nothing and obeys no command, but still acknowledges frames: it sleeps."""

    fault: Literal["asleep"]


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


class RestartPlan(DeviceFaultPlan):
    """The device loses its power for ``takes``, then restarts and claims its address."""

    fault: Literal["restart"]
    takes: PositiveDuration = 2_000_000
    """How long it has no power. Our decision."""


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


class ReportedPlan(DeviceFaultPlan):
    """The device reports a fault of one of its functions: in its heartbeat (DM_RV), with a lamp, and in its DM1."""

    fault: Literal["reported"]
    function: DefinedName
    """The function that has the fault."""
    spn: Annotated[int, Field(ge=0, lt=NO_FAULT_SPN)]
    """The number of what is faulty (SPN)."""
    fmi: Annotated[int, Field(ge=0, le=NO_FAULT_FMI)]
    """How it fails (FMI)."""
    lamp: Literal["yellow", "red"] = "yellow"
    """The lamp that is on with it."""
    times: Annotated[int, Field(ge=0, lt=UNKNOWN_COUNT)] | None = None
    """How often it has happened (occurrence count); not known if omitted."""


class SensorMisplacedPlan(DeviceFaultPlan):
    """The device, a temperature sensor, hangs in another place while it lasts: its reading lags there and back."""

    fault: Literal["sensor_misplaced"]
    place: OneLineText = "heater_outlet"
    """Where it hangs: a zone, "outdoors", "heater_outlet", "fridge" or "tank_bay"."""
    zone: OneLineText = "cabin"
    """The zone of that outlet or fridge."""


class SenderReversedPlan(DeviceFaultPlan):
    """The device, a tank's sensor, has its sender the wrong way round: a full tank reads empty."""

    fault: Literal["sender_reversed"]


class GroundOffsetPlan(DeviceFaultPlan):
    """The ground of the device is bad: every voltage that it measures is off by ``volts``."""

    fault: Literal["ground_offset"]
    volts: Annotated[float, Field(ge=-10, le=10)]
    """By how much; below 0: it measures less, as over a corroded ground wire."""


MeasuringPlan = SensorMisplacedPlan | SenderReversedPlan | GroundOffsetPlan
"""The faults by which a device measures something else than it should."""


class FailedIgnitionPlan(DeviceFaultPlan):
    """The device's burner gives no flame: its fuel comes, its plug or spark does not light it."""

    fault: Literal["failed_ignition"]
    tries: Annotated[int, Field(ge=1, le=1000)] | None = None
    """How many tries give no flame; all while it lasts if omitted."""


class FuelGellingPlan(DeviceFaultPlan):
    """Wax closes the filter of the device's fuel line; afterwards it thaws in ten minutes."""

    fault: Literal["fuel_gelling"]
    within: PositiveDuration = 600_000_000
    """The time in which the filter closes. Common practice, no source."""


class AirInFuelPlan(DeviceFaultPlan):
    """Bubbles of air come through the device's fuel line at random times; each keeps its fuel away for ten seconds."""

    fault: Literal["air_in_fuel"]
    gap: PositiveDuration = 180_000_000
    """The time from one bubble to the next, on average. Common practice, no source."""


class FilterBlockedPlan(DeviceFaultPlan):
    """The air filter of the device is blocked: its fan moves less air."""

    fault: Literal["filter_blocked"]
    percent: Annotated[float, Field(gt=0, le=100)] = 50.0
    """The share of the air that is kept back. Common practice, no source."""


BurnerPlan = FailedIgnitionPlan | FuelGellingPlan | AirInFuelPlan
"""The faults of a burner and its fuel."""


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
ValuePlan = WrongValuePlan | StuckPlan | DriftPlan | NoisePlan | WrongScalePlan | OutOfRangePlan | NoDataPlan
"""The faults of one field of a message."""
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
    | ProtectionOpensPlan
    | ReportedPlan
    | MeasuringPlan
    | BurnerPlan
    | FilterBlockedPlan
    | ContactFaultPlan
    | SwitchingPlan
    | WirePlan,
    Field(discriminator="fault"),
]
"""A fault of any kind."""

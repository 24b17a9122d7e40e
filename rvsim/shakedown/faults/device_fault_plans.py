"""Faults of a device itself, of what it measures and of its burner, as a scenario writes them.

Knows: the keys of each kind. Does not know how a fault acts (`device_faults`): this is data only.
"""

from typing import Annotated, Literal

from pydantic import Field

from rvsim.rig.table import OneLineText
from rvsim.shakedown.checked_names import DefinedName, PositiveDuration
from rvsim.shakedown.faults.fault_plan_base import DeviceFaultPlan
from rvsim.wire.diagnostics import NO_FAULT_FMI, NO_FAULT_SPN, UNKNOWN_COUNT


class RestartPlan(DeviceFaultPlan):
    """The device loses its power for ``takes``, then restarts and claims its address."""

    fault: Literal["restart"]
    takes: PositiveDuration = 2_000_000
    """How long it has no power. Our decision."""


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
    """The device's burner gives no flame: its fuel comes, its plug or spark does not light it.

    A heater, an air furnace, or a water heater with a burner for gas.
    """

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
InternalPlan = RestartPlan | ReportedPlan | MeasuringPlan | BurnerPlan | FilterBlockedPlan
"""The faults within a device."""

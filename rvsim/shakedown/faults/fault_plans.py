"""The kinds of fault, as a scenario writes them: which device each is at, what it does, and when.

Knows: which kinds there are; the modules beside it have the keys of each, by subject. Does not know how a fault acts
(`fault_effects`): this is data only.
"""

from typing import Annotated

from pydantic import Field

from rvsim.shakedown.faults.bus_fault_plans import (
    BabblingPlan,
    BusErrorsPlan,
    MissingTerminatorPlan,
    ReversedPairPlan,
    WirePlan,
)
from rvsim.shakedown.faults.contact_fault_plans import ContactFaultPlan, KeyStuckPlan, LadderResistancePlan
from rvsim.shakedown.faults.device_fault_plans import (
    AirInFuelPlan,
    BurnerPlan,
    FailedIgnitionPlan,
    FilterBlockedPlan,
    FuelGellingPlan,
    GroundOffsetPlan,
    InternalPlan,
    MeasuringPlan,
    ReportedPlan,
    RestartPlan,
    SenderReversedPlan,
    SensorMisplacedPlan,
)
from rvsim.shakedown.faults.fault_plan_base import FaultPlan
from rvsim.shakedown.faults.message_fault_plans import (
    AsleepPlan,
    CarriedAwayPlan,
    CommandDelayedPlan,
    CommandIgnoredPlan,
    DriftPlan,
    FirmwareResetPlan,
    InstancePlan,
    JitterPlan,
    LatePlan,
    MessagePlan,
    NoDataPlan,
    NoisePlan,
    OutOfRangePlan,
    SharedAddressPlan,
    SharedInstancePlan,
    ShortFramePlan,
    SilentPlan,
    StuckPlan,
    ValuePlan,
    WrongInstancePlan,
    WrongScalePlan,
    WrongValuePlan,
)
from rvsim.shakedown.faults.motion_fault_plans import LimitSwitchStuckPlan, MotionFault, ObstructionPlan
from rvsim.shakedown.faults.switching_fault_plans import (
    LampOutPlan,
    OutputOverloadPlan,
    RelayOpenPlan,
    RelayWeldedPlan,
    SwitchingPlan,
)
from rvsim.shakedown.faults.vehicle_fault_plans import BrownOutPlan, OverloadPlan, ProtectionOpensPlan, SupplyPlan

__all__ = [
    "AirInFuelPlan",
    "AsleepPlan",
    "BabblingPlan",
    "BrownOutPlan",
    "BurnerPlan",
    "BusErrorsPlan",
    "CarriedAwayPlan",
    "CommandDelayedPlan",
    "CommandIgnoredPlan",
    "ContactFaultPlan",
    "DriftPlan",
    "FailedIgnitionPlan",
    "Fault",
    "FaultPlan",
    "FilterBlockedPlan",
    "FirmwareResetPlan",
    "FuelGellingPlan",
    "GroundOffsetPlan",
    "InstancePlan",
    "InternalPlan",
    "JitterPlan",
    "KeyStuckPlan",
    "LadderResistancePlan",
    "LampOutPlan",
    "LatePlan",
    "LimitSwitchStuckPlan",
    "MeasuringPlan",
    "MessagePlan",
    "MissingTerminatorPlan",
    "MotionFault",
    "NoDataPlan",
    "NoisePlan",
    "ObstructionPlan",
    "OutOfRangePlan",
    "OutputOverloadPlan",
    "OverloadPlan",
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
    "SupplyPlan",
    "SwitchingPlan",
    "ValuePlan",
    "WirePlan",
    "WrongInstancePlan",
    "WrongScalePlan",
    "WrongValuePlan",
]

Fault = Annotated[
    SilentPlan
    | AsleepPlan
    | CarriedAwayPlan
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
    | OverloadPlan
    | ProtectionOpensPlan
    | ReportedPlan
    | MeasuringPlan
    | BurnerPlan
    | FilterBlockedPlan
    | ContactFaultPlan
    | SwitchingPlan
    | MotionFault
    | WirePlan,
    Field(discriminator="fault"),
]
"""A fault of any kind."""

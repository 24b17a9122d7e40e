"""Warnings about a scenario: expectations that cannot fail on its rig, and steps and faults that are never due.

Knows: which devices and instances can send, by the rig, by the settings of devices of kind "own", and by the scenario's
own steps and faults. Does not know what happens in a run: it finds typing mistakes, not events that are unlikely.
"""

from typing import assert_never

from rvsim.devices.own.definition_check import instance_of
from rvsim.devices.own.own_device import OwnDevice
from rvsim.devices.own.own_settings import OwnSettings
from rvsim.devices.registry import BUILT_IN
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import Function, by_status
from rvsim.rig.quantity import duration_text
from rvsim.shakedown.expect import expectation_plans as plans
from rvsim.shakedown.expect.expectation_plans import Expectation
from rvsim.shakedown.expect.sight import Sight
from rvsim.shakedown.faults import fault_plans
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.wire.catalogue import Catalogue

_BUILT_IN = frozenset(kind.kind for kind in BUILT_IN)
_BUS_SUBJECT = "bus"
"""The subject of flags about the whole bus."""


def cannot_fail_warnings(loaded: LoadedScenario, catalogue: Catalogue) -> tuple[str, ...]:
    """Return a line for each expectation that cannot fail, and for each step and fault that is never due."""
    traffic = _PossibleTraffic(loaded, catalogue)
    lines = []
    for number, plan in enumerate(loaded.scenario.expectations):
        why = _why_it_cannot_fail(plan, traffic)
        if why is not None:
            lines.append(f"{loaded.where('expect', number)}: {why}, so it cannot fail; correct it, or remove it")
    lasts = loaded.scenario.lasts
    for number, step in enumerate(loaded.scenario.steps):
        if step.when is None and not step.times(lasts):
            due = duration_text(step.since if step.every else step.at or 0)
            lines.append(
                f"{loaded.where('step', number)}: it is due at {due}, and the run lasts {duration_text(lasts)}"
            )
    for number, fault in enumerate(loaded.scenario.faults):
        if fault.since is not None and fault.since >= lasts:
            start = f"it starts at {duration_text(fault.since)}, and the run lasts {duration_text(lasts)}"
            lines.append(f"{loaded.where('fault', number)}: {start}")
    return tuple(lines)


def _why_it_cannot_fail(plan: Expectation, traffic: "_PossibleTraffic") -> str | None:
    """Return why an expectation cannot fail, None if it can."""
    match plan:
        case plans.OnlyUntilPlan():
            return traffic.why_never_seen(plan.sight) or traffic.why_never_seen(plan.end)
        case plans.NeverWhilePlan():
            during = None if plan.during is None else traffic.why_never_seen(plan.during)
            return traffic.why_never_seen(plan.sight) or during
        case plans.NeverPlan() | plans.OnlyAfterPlan():
            return traffic.why_never_seen(plan.sight)
        case plans.RatePlan():
            return traffic.why_never_seen(plan.sight) if (plan.at_least or 0) <= 0 else None
        case plans.FlagPlan():
            return traffic.why_no_subject(plan.subject) if not plan.raised and plan.subject is not None else None
        case (
            plans.SeenPlan()
            | plans.EnteredPlan()
            | plans.EveryPlan()
            | plans.OrderPlan()
            | plans.AnswerPlan()
            | plans.StaysPlan()
            | plans.WorldPlan()
            | plans.WiresPlan()
            | plans.PresencePlan()
            | plans.OwnAddressPlan()
        ):
            return None
        case _:
            assert_never(plan)


class _PossibleTraffic:
    """The messages that can be on the bus of a scenario."""

    def __init__(self, loaded: LoadedScenario, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._devices = {plan.name: plan for plan in loaded.rig.devices}
        self._faults = loaded.scenario.faults
        self._sends = [step.send for step in loaded.scenario.steps if step.send is not None]
        self._own: set[tuple[str, str, int | None]] = set()
        """Device, message and instance of the messages of devices of kind "own"."""
        for plan in loaded.rig.devices:
            if plan.kind == OwnDevice.kind:
                for message in plan.settings_as(OwnSettings).message:
                    instance = instance_of(message, catalogue.by_name(message.message), plan.functions)
                    self._own.add((plan.name, message.message, instance))

    def why_never_seen(self, sight: Sight) -> str | None:
        """Return why a sight cannot be seen; None if it can, or if that is not known."""
        function = by_status(sight.message or "")
        if function is None or self._is_sent_otherwise(sight):
            return None  # any node may send a command, and a wrong one for any instance
        names = [sight.device] if sight.device is not None else list(self._devices)
        if any(self._can_send(self._devices[name], function, sight) for name in names if name in self._devices):
            return None
        what = f"{function.title}{'' if sight.instance is None else f' {sight.instance}'}"
        if len(names) == 1 and sight.device:
            return f"{sight.device} does not have the function {what}"
        return f"no device of the rig has the function {what}"

    def _can_send(self, device: DevicePlan, function: Function, sight: Sight) -> bool:
        if device.kind not in _BUILT_IN:
            return True  # what a kind of another package sends is not known here
        instances = device.functions.get(function.name, ())
        if sight.instance in instances or (sight.instance is None and instances):
            return True
        return any(
            name == device.name and message == sight.message and sight.instance in (None, instance)
            for name, message, instance in self._own
        )

    def _is_sent_otherwise(self, sight: Sight) -> bool:
        """Tell whether a step sends such a message, or a fault can have a device send it."""
        if any(send.message == sight.message or send.identifier is not None for send in self._sends):
            return True
        return any(_can_cause(fault, sight) for fault in self._faults)

    def why_no_subject(self, subject: str) -> str | None:
        """Return why no flag can have a subject; None if one can."""
        if subject in self._devices or subject == _BUS_SUBJECT or subject.startswith("address "):
            return None
        if any(isinstance(fault, fault_plans.BabblingPlan) and fault.node == subject for fault in self._faults):
            return None
        return f'no device of the rig has the name "{subject}"'


def _can_cause(fault: fault_plans.Fault, sight: Sight) -> bool:
    """Tell whether a fault can have a device send a message, or an instance, that is not its own."""
    match fault:
        case fault_plans.BabblingPlan() | fault_plans.SharedAddressPlan():
            return True
        case fault_plans.WrongInstancePlan() | fault_plans.FirmwareResetPlan():
            return fault.instance == sight.instance
        case fault_plans.WrongValuePlan():
            return fault.message == sight.message
        case (
            fault_plans.SilentPlan()
            | fault_plans.AsleepPlan()
            | fault_plans.CarriedAwayPlan()
            | fault_plans.LatePlan()
            | fault_plans.JitterPlan()
            | fault_plans.StuckPlan()
            | fault_plans.DriftPlan()
            | fault_plans.NoisePlan()
            | fault_plans.WrongScalePlan()
            | fault_plans.OutOfRangePlan()
            | fault_plans.NoDataPlan()
            | fault_plans.SharedInstancePlan()
            | fault_plans.ShortFramePlan()
            | fault_plans.CommandIgnoredPlan()
            | fault_plans.CommandDelayedPlan()
            | fault_plans.RestartPlan()
            | fault_plans.BrownOutPlan()
            | fault_plans.OverloadPlan()
            | fault_plans.ProtectionOpensPlan()
            | fault_plans.ReportedPlan()
            | fault_plans.SensorMisplacedPlan()
            | fault_plans.SenderReversedPlan()
            | fault_plans.GroundOffsetPlan()
            | fault_plans.FilterBlockedPlan()
            | fault_plans.FailedIgnitionPlan()
            | fault_plans.FuelGellingPlan()
            | fault_plans.AirInFuelPlan()
            | fault_plans.KeyStuckPlan()
            | fault_plans.LadderResistancePlan()
            | fault_plans.RelayWeldedPlan()
            | fault_plans.RelayOpenPlan()
            | fault_plans.LampOutPlan()
            | fault_plans.OutputOverloadPlan()
            | fault_plans.ObstructionPlan()
            | fault_plans.LimitSwitchStuckPlan()
            | fault_plans.BusErrorsPlan()
            | fault_plans.MissingTerminatorPlan()
            | fault_plans.ReversedPairPlan()
        ):
            return False
        case _:
            assert_never(fault)

"""Which messages and instances there can be on the bus of a scenario, and which commands somebody obeys.

Knows: which devices and instances can send, by the rig, by the settings of devices of kind "own", and by the scenario's
own steps and faults. Does not know what happens in a run: it finds typing mistakes, not events that are unlikely.
"""

from collections.abc import Iterator
from typing import assert_never

from pydantic import ValidationError

from rvsim.devices.own.definition_check import instance_of
from rvsim.devices.own.own_device import OwnDevice
from rvsim.devices.own.own_settings import OwnSettings
from rvsim.devices.registry import BUILT_IN
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import MAX_INSTANCE, Function, by_command, by_status
from rvsim.shakedown.expect import expectation_plans as plans
from rvsim.shakedown.expect.expectation_plans import Expectation
from rvsim.shakedown.expect.sight import Sight
from rvsim.shakedown.faults import fault_plans
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.script import SendPlan
from rvsim.wire.catalogue import Catalogue

_BUILT_IN = frozenset(kind.kind for kind in BUILT_IN)
_BUS_SUBJECT = "bus"
"""The subject of flags about the whole bus."""


class PossibleTraffic:
    """The messages that can be on the bus of a scenario."""

    def __init__(self, loaded: LoadedScenario, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._devices = {plan.name: plan for plan in loaded.rig.devices}
        self._faults = loaded.scenario.faults
        self._sends = [step.send for step in loaded.scenario.steps if step.send is not None]
        self._own: set[tuple[str, str, int | None]] = set()
        """Device, message and instance of the messages of devices of kind "own"."""
        self._obeyed: set[tuple[str, int | None]] = set()
        """Command and instance of the answers of such devices."""
        for plan in loaded.rig.devices:
            if plan.kind == OwnDevice.kind:
                try:
                    settings = plan.settings_as(OwnSettings)
                except ValidationError:  # the reader of rigs reports that
                    continue
                self._obeyed |= {(answer.command, answer.instance) for answer in settings.answer}
                for message in settings.message:
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

    def why_no_occasion(self, sight: Sight) -> str | None:
        """Return why a sight that has to come cannot be seen: no device has its instance; None if one has, or may."""
        if sight.instance is None:
            return None
        function = by_command(sight.message or "")
        if function is None:
            why = self.why_never_seen(sight)
            return None if why is None else f"{why}{self._instances_text(by_status(sight.message or ''))}"
        if self._is_sent_otherwise(sight):
            return None
        return self._why_nobody_obeys(function, sight.message or "", sight.instance)

    def why_no_receiver(self, send: SendPlan) -> str | None:
        """Return why nobody can obey the command that a step sends; None if somebody can, or it is no command."""
        function = by_command(send.message or "")
        instance = send.fields.get("instance")
        if function is None or not isinstance(instance, float) or instance > MAX_INSTANCE:
            return None
        return self._why_nobody_obeys(function, send.message or "", int(instance))

    def _why_nobody_obeys(self, function: Function, message: str, instance: int) -> str | None:
        devices = self._devices.values()
        if any(_is_unknown(device) for device in devices) or instance in self._instances_of(function):
            return None
        if {(message, instance), (message, None)} & self._obeyed or any(
            isinstance(fault, fault_plans.WrongInstancePlan | fault_plans.FirmwareResetPlan)
            and fault.instance == instance
            for fault in self._faults
        ):
            return None
        return f"no device of the rig has the function {function.title} {instance}{self._instances_text(function)}"

    def _instances_of(self, function: Function) -> list[int]:
        return sorted({each for device in self._devices.values() for each in device.functions.get(function.name, ())})

    def _instances_text(self, function: Function | None) -> str:
        """Return which instances of a function there are, in the words that follow."""
        there = [] if function is None else self._instances_of(function)
        return f"; there is {', '.join(map(str, there))}" if there else ""

    def _can_send(self, device: DevicePlan, function: Function, sight: Sight) -> bool:
        if _is_unknown(device):
            return True
        instances = device.functions.get(function.name, ())
        if sight.instance in instances or (sight.instance is None and instances):
            return True
        return any(
            name == device.name and message == sight.message and sight.instance in (None, instance)
            for name, message, instance in self._own
        )

    def _is_sent_otherwise(self, sight: Sight) -> bool:
        """Tell whether a step sends such a message, or a fault can have a device send it."""
        for send in self._sends:
            if send.identifier is not None:
                return True
            instance = send.fields.get("instance", sight.instance)
            if send.message == sight.message and sight.instance in (None, instance):
                return True
        return any(_can_cause(fault, sight) for fault in self._faults)

    def why_no_subject(self, subject: str) -> str | None:
        """Return why no flag can have a subject; None if one can."""
        if subject in self._devices or subject == _BUS_SUBJECT or subject.startswith("address "):
            return None
        if any(isinstance(fault, fault_plans.BabblingPlan) and fault.node == subject for fault in self._faults):
            return None
        return f'no device of the rig has the name "{subject}"'


def _is_unknown(device: DevicePlan) -> bool:
    """Tell whether nobody here knows what a device sends and obeys: its kind is of another package, or left open."""
    return device.kind not in _BUILT_IN if device.kind else not device.functions


def occasions(plan: Expectation) -> Iterator[tuple[str, Sight]]:
    """Yield the sights that have to come for an expectation to be met, or to mean anything, by their keys."""
    match plan:
        case plans.OnlyAfterPlan():
            yield "after", plan.after
        case plans.NeverPlan() | plans.OnlyUntilPlan() | plans.NeverWhilePlan():
            return  # what is not to be seen may be what nobody has; a warning says so
        case plans.RatePlan() if not plan.at_least:
            return
        case _:
            yield from plan.sights.items()


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

"""Expectations that cannot fail on a scenario's rig, and what is never done: whoever wrote them should know.

Knows: which devices and instances are there, by the rig, by devices of one's own and by what a scenario
itself sends. Does not know what happens in a run: a slip of the pen is told, not what is merely unlikely.
"""

from rvsim.devices.own.definition_check import instance_of
from rvsim.devices.own.own_device import OwnDevice
from rvsim.devices.own.own_settings import OwnSettings
from rvsim.devices.registry import BUILT_IN
from rvsim.rig.functions import Function, by_command, by_status
from rvsim.rig.model import DevicePlan
from rvsim.rig.quantity import duration_text
from rvsim.shakedown.expect import expectation_plans as plans
from rvsim.shakedown.expect.plan_base import ExpectPlan
from rvsim.shakedown.expect.sight import Sight
from rvsim.shakedown.faults import fault_plans
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.wire.catalogue import Catalogue

_BUILT_IN = frozenset(kind.kind for kind in BUILT_IN)
_OF_THE_BUS = "bus"


def never_fail(loaded: LoadedScenario, catalogue: Catalogue) -> tuple[str, ...]:
    """Return a line for each expectation that cannot fail, and for each step and fault that never comes."""
    there = _There(loaded, catalogue)
    lines = []
    for number, plan in enumerate(loaded.scenario.expectations):
        why = _why(plan, there)
        if why is not None:
            lines.append(f"{loaded.where('expect', number)}: {why}, so it cannot fail; correct it, or leave it out")
    lasts = loaded.scenario.lasts
    for number, step in enumerate(loaded.scenario.steps):
        if step.when is None and not step.times(lasts):
            due = duration_text(step.since if step.every else step.at or 0)
            lines.append(
                f"{loaded.where('step', number)}: it is due at {due}, and the run lasts {duration_text(lasts)}"
            )
    for number, fault in enumerate(loaded.scenario.faults):
        if fault.since is not None and fault.since >= lasts:
            begins = f"it begins at {duration_text(fault.since)}, and the run lasts {duration_text(lasts)}"
            lines.append(f"{loaded.where('fault', number)}: {begins}")
    return tuple(lines)


def _why(plan: ExpectPlan, there: "_There") -> str | None:
    """Return why an expectation cannot fail, None if it can."""
    match plan:
        case plans.OnlyUntilPlan():
            return there.missing(plan.sight) or there.missing(plan.end)
        case plans.NeverPlan() | plans.OnlyAfterPlan():
            return there.missing(plan.sight)
        case plans.RatePlan() if (plan.at_least or 0) <= 0:
            return there.missing(plan.sight)
        case plans.FlagPlan() if not plan.raised and plan.subject is not None:
            return there.nobody(plan.subject)
        case _:
            return None


class _There:
    """What can be on the bus of a scenario."""

    def __init__(self, loaded: LoadedScenario, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._devices = {plan.name: plan for plan in loaded.rig.devices}
        self._faults = loaded.scenario.faults
        self._sends = [step.send for step in loaded.scenario.steps if step.send is not None]
        self._own: set[tuple[str, str, int | None]] = set()
        """Device, message and instance of what devices of one's own send."""
        for plan in loaded.rig.devices:
            if plan.kind == OwnDevice.kind:
                for message in plan.settings_as(OwnSettings).message:
                    instance = instance_of(message, catalogue.by_name(message.message), plan.functions)
                    self._own.add((plan.name, message.message, instance))

    def missing(self, sight: Sight) -> str | None:
        """Return what is not there that a sight needs; None if it can be seen, or if that cannot be told."""
        is_status = by_status(sight.message or "") is not None
        function = by_status(sight.message or "") or by_command(sight.message or "")
        if function is None or not (is_status or sight.instance is not None) or self._is_sent_otherwise(sight):
            return None  # a command may be sent by anybody, for whatever it is
        names = [sight.device] if sight.device is not None and is_status else list(self._devices)
        if any(self._could(self._devices[name], function, sight) for name in names if name in self._devices):
            return None
        what = f"{function.title}{'' if sight.instance is None else f' {sight.instance}'}"
        return f"{sight.device} is no {what}" if len(names) == 1 and sight.device else f"no device of the rig is {what}"

    def _could(self, device: DevicePlan, function: Function, sight: Sight) -> bool:
        if device.kind not in _BUILT_IN:
            return True  # what a kind of another package sends is its own affair
        instances = device.functions.get(function.name, ())
        if sight.instance in instances or (sight.instance is None and instances):
            return True
        return any(
            name == device.name and message == sight.message and sight.instance in (None, instance)
            for name, message, instance in self._own
        )

    def _is_sent_otherwise(self, sight: Sight) -> bool:
        """Tell whether a step sends such a message, or a fault has a device say what it is not."""
        if any(send.message == sight.message or send.identifier is not None for send in self._sends):
            return True
        return any(
            isinstance(fault, fault_plans.BabblingPlan | fault_plans.SharedAddressPlan)
            or (sight.instance is not None and getattr(fault, "instance", None) == sight.instance)
            or (isinstance(fault, fault_plans.WrongValuePlan) and fault.message == sight.message)
            for fault in self._faults
        )

    def nobody(self, subject: str) -> str | None:
        """Return that no flag can have a subject; None if one can."""
        if subject in self._devices or subject == _OF_THE_BUS or subject.startswith("address "):
            return None
        if any(getattr(fault, "node", None) == subject for fault in self._faults):
            return None
        return f'no device of the rig is called "{subject}"'

"""How a planned fault acts: a gate between one simulated device and the wires, or something the device does itself.

Knows: the faults a scenario can plan and what each does to a frame on its way out, of which the device never learns;
only a fault that a device reports is its own doing. Does not know when a run starts: the gate is told the time of each
frame.
"""

from collections.abc import Callable, Mapping
from functools import partial

from rvsim.devices.device import Device
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.functions import FUNCTIONS, by_status
from rvsim.rig.model import Rig
from rvsim.shakedown.scenario import (
    GatedFault,
    LoadedScenario,
    NoDataPlan,
    OutOfRangePlan,
    ReportedPlan,
    SilentPlan,
    StuckPlan,
    WrongValuePlan,
)
from rvsim.sim.bench import Act, Gate
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.diagnostics import Trouble
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec


def acts(loaded: LoadedScenario) -> list[Act]:
    """Return what a scenario's faults make devices do themselves, and when.

    Raises:
        InputError: a device does not report of the function that a fault names; one line for each.
    """
    planned: list[Act] = []
    problems = []
    for number, fault in enumerate(loaded.scenario.faults, start=1):
        if not isinstance(fault, ReportedPlan):
            continue
        plan = next(device for device in loaded.rig.devices if device.name == fault.device)
        own = [name for name in plan.functions if not FUNCTIONS[name].shared] or list(plan.functions)
        if fault.function not in own:
            problems.append(
                f"{loaded.path}, fault {number} (reported): {fault.device} does not report of {fault.function}"
                f"{did_you_mean(fault.function, own)}; it does of {', '.join(own)}"
            )
            continue
        trouble = Trouble(fault.spn, fault.fmi, fault.times)
        report = partial(_report, fault.function, trouble, fault.lamp == "red")
        planned.append(Act(fault.since, fault.device, report))
        if fault.until is not None:
            planned.append(Act(fault.until, fault.device, partial(_withdraw, fault.function, trouble)))
    if problems:
        raise InputError(*problems)
    return planned


def _report(function: str, trouble: Trouble, red: bool, device: Device) -> None:
    device.report(function, trouble, red)


def _withdraw(function: str, trouble: Trouble, device: Device) -> None:
    device.withdraw(function, trouble)


def gates(loaded: LoadedScenario, catalogue: Catalogue) -> Mapping[str, list[Gate]]:
    """Return the gates of a scenario's faults by device name.

    Raises:
        InputError: faults name messages or fields that are not defined, or values that a field cannot say; one
            line for each.
    """
    built: dict[str, list[Gate]] = {}
    problems = []
    for number, fault in enumerate(loaded.scenario.faults, start=1):
        if isinstance(fault, ReportedPlan):
            continue
        try:
            _check_sender(fault, loaded.rig)
            built.setdefault(fault.device, []).append(gate_of(fault, catalogue))
        except (InputError, ValueError) as error:
            problems.append(f"{loaded.path}, fault {number} ({fault.fault}): {error}")
    if problems:
        raise InputError(*problems)
    return built


def _check_sender(fault: GatedFault, rig: Rig) -> None:
    """Refuse a fault on a status message of a function that the device does not have: it would do nothing.

    Raises:
        ValueError: it is one.
    """
    if isinstance(fault, SilentPlan):
        return
    function = by_status(fault.message)
    plan = next(device for device in rig.devices if device.name == fault.device)
    if function is not None and function.name not in plan.functions:
        sends = [message for name in plan.functions for message in FUNCTIONS[name].statuses]
        raise ValueError(
            f"{fault.device} is no {function.title} and never sends {fault.message}; "
            f"it sends {', '.join(sends) or 'no status of its own'}"
        )


def gate_of(fault: GatedFault, catalogue: Catalogue) -> Gate:
    """Return the gate of one fault.

    Raises:
        InputError: the message is not defined.
        ValueError: the field is not, or cannot say what it should.
    """
    if isinstance(fault, SilentPlan):
        return _within(fault, lambda identifier, data: None)  # noqa: ARG005 - nothing gets through
    spec = catalogue.by_name(fault.message)
    field = _field(spec, fault.field)
    return _within(fault, _Changed(spec, field, _said_instead(fault, field)))


def _said_instead(fault: WrongValuePlan | StuckPlan | OutOfRangePlan | NoDataPlan, field: FieldSpec) -> int | None:
    """Return the raw value that a fault puts into a field, None for what the field says first."""
    if isinstance(fault, StuckPlan):
        return None
    if isinstance(fault, WrongValuePlan):
        return field.raw(fault.value)
    state = State.OUT_OF_RANGE if isinstance(fault, OutOfRangePlan) else State.NO_DATA
    code = field.code(state)
    if code is None:
        raise ValueError(f"{fault.message} {fault.field} has no code for {state}: choose another field")
    return code


def _field(spec: MessageSpec, name: str) -> FieldSpec:
    if name not in spec.by_name:
        raise ValueError(
            f"{spec.name} has no field {name}{did_you_mean(name, spec.by_name)}; it has: {', '.join(spec.by_name)}"
        )
    return spec.by_name[name]


def _within(fault: GatedFault, change: Callable[[int, bytes], bytes | None]) -> Gate:
    start, end = fault.since, fault.until

    def gate(time: int, identifier: int, data: bytes) -> bytes | None:
        acts = start <= time and (end is None or time < end)
        return change(identifier, data) if acts else data

    return gate


class _Changed:
    """Puts one raw value into a field; without one it keeps to what each frame of its kind said first."""

    def __init__(self, spec: MessageSpec, field: FieldSpec, raw: int | None) -> None:
        self._spec, self._field, self._raw = spec, field, raw
        self._first: dict[tuple[int, bytes], int] = {}

    def __call__(self, identifier: int, data: bytes) -> bytes:
        said = self._field.raw_in(data)
        if dgn_of(identifier) != self._spec.dgn or said is None:
            return data
        raw = self._first.setdefault((identifier, data[:1]), said) if self._raw is None else self._raw
        return self._spec.replace(data, self._field.name, raw)

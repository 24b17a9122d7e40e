"""How a planned fault acts: a gate between one simulated device and the wires.

Knows: the faults a scenario can plan and what each does to a frame on its way out; it changes nothing inside the
device, which never learns of it. Does not know when a run starts: the gate is told the time of each frame.
"""

from collections.abc import Callable, Mapping

from rvsim.errors import InputError, did_you_mean
from rvsim.shakedown.scenario import Fault, LoadedScenario, SilentPlan, WrongValuePlan
from rvsim.sim.bench import Gate
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Special
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec


def gates(loaded: LoadedScenario, catalogue: Catalogue) -> Mapping[str, list[Gate]]:
    """Return the gates of a scenario's faults by device name.

    Raises:
        InputError: faults name messages or fields that are not defined, or values that a field cannot say; one
            line for each.
    """
    built: dict[str, list[Gate]] = {}
    problems = []
    for number, fault in enumerate(loaded.scenario.faults, start=1):
        try:
            built.setdefault(fault.device, []).append(_gate(fault, catalogue))
        except (InputError, ValueError) as error:
            problems.append(f"{loaded.path}, fault {number} ({fault.fault}): {error}")
    if problems:
        raise InputError(*problems)
    return built


def _gate(fault: Fault, catalogue: Catalogue) -> Gate:
    if isinstance(fault, SilentPlan):
        return _within(fault, lambda _: None)
    spec = catalogue.by_name(fault.message)
    field = _field(spec, fault.field)
    if isinstance(fault, WrongValuePlan):
        raw = field.raw(fault.value)
    elif field.special is Special.NONE:
        raise ValueError(f"{fault.message} {fault.field} has no code for no data: choose another field")
    else:
        raw = field.all_ones
    return _replacing(fault, spec, field, raw)


def _field(spec: MessageSpec, name: str) -> FieldSpec:
    if name not in spec.by_name:
        raise ValueError(
            f"{spec.name} has no field {name}{did_you_mean(name, spec.by_name)}; it has: {', '.join(spec.by_name)}"
        )
    return spec.by_name[name]


def _within(fault: Fault, change: Callable[[bytes], bytes | None]) -> Gate:
    start, end = fault.since, fault.until

    def gate(time: int, identifier: int, data: bytes) -> bytes | None:  # noqa: ARG001 - a silent device sends nothing
        acts = start <= time and (end is None or time < end)
        return change(data) if acts else data

    return gate


def _replacing(fault: Fault, spec: MessageSpec, field: FieldSpec, raw: int) -> Gate:
    within = _within(fault, lambda data: spec.replace(data, field.name, raw))

    def gate(time: int, identifier: int, data: bytes) -> bytes | None:
        return within(time, identifier, data) if dgn_of(identifier) == spec.dgn else data

    return gate

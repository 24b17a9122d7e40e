"""A scenario read back as sentences: what it is, what is done in it, what goes wrong, what is expected.

Knows: the order in which a person reads it. Does not know how any of it acts.
"""

from collections.abc import Iterable, Iterator

from rvsim.rig.quantity import spoken
from rvsim.shakedown.faults import fault_plans as plans
from rvsim.shakedown.scenario import ChangePlan, LoadedScenario
from rvsim.shakedown.script import StepPlan

_DAY = 24 * 60


def explained(loaded: LoadedScenario) -> Iterator[str]:
    """Yield the lines."""
    scenario, rig = loaded.scenario, loaded.rig
    yield f"{loaded.name}: {scenario.title}"
    yield from (f"  {line}" for line in scenario.about.strip().splitlines())
    weather = scenario.weather
    shore = "with" if scenario.shore_power else "without"
    hour, minute = divmod(round(weather.start_hour * 60) % _DAY, 60)
    yield (
        f"The rig {rig.name}, {len(rig.devices)} devices, {weather.outdoor_c:g} °C outside, begun at "
        f"{hour:02d}:{minute:02d}, {shore} shore power. "
        f"It lasts {spoken(scenario.lasts)}, with seed {scenario.seed}."
    )
    if not scenario.bench_acknowledges:
        yield "The bench acknowledges nothing: only the devices do."
    yield from (f"  changed: {_change(change)}" for change in scenario.changes)
    yield from _listed("What goes wrong", enumerate((f"{_fault(one)}, {one.when}" for one in scenario.faults), 1))
    yield from _listed("What is done", ((number, step.sentence) for number, step in _in_order(scenario.steps)))
    yield from _listed("What is expected", enumerate((one.full_sentence for one in scenario.expectations), 1))


def _listed(head: str, lines: Iterable[tuple[int, str]]) -> Iterator[str]:
    """List lines with their numbers, by which mistakes and verdicts name them too."""
    numbered = [f"  {number}. {line}" for number, line in lines]
    if numbered:
        yield f"{head}:"
    yield from numbered


def _in_order(steps: tuple[StepPlan, ...]) -> list[tuple[int, StepPlan]]:
    """Return steps with their numbers by the time at which they can first be due; those that wait come last."""

    def due(numbered: tuple[int, StepPlan]) -> int:
        step = numbered[1]
        return step.since if step.every else step.at if step.at is not None else 1 << 62

    return sorted(enumerate(steps, 1), key=due)


def _change(change: ChangePlan) -> str:
    if change.absent:
        return f"{change.device} is not there"
    parts = [f"kind {change.kind}"] if change.kind is not None else []
    parts += [f"address {change.address:02X} hex"] if change.address is not None else []
    parts += [f"functions {dict(change.functions)}"] if change.functions is not None else []
    parts += [f"settings {dict(change.settings)}"] if change.settings is not None else []
    return f"{change.device} has {', '.join(parts)}"


def _fault(fault: plans.Fault) -> str:
    """Say a fault in one sentence."""
    message = getattr(fault, "message", None)
    whom = f"{message} of {fault.whom}" if message else fault.whom
    field = f"{message} {fault.field} of {fault.whom}" if isinstance(fault, plans.ValuePlan) else ""
    match fault:
        case plans.SilentPlan():
            return f"{whom} is silent"
        case plans.AsleepPlan():
            return f"{whom} sleeps"
        case plans.LatePlan():
            return f"{whom} comes no more often than every {spoken(fault.gap)}"
        case plans.JitterPlan():
            return f"{whom} comes up to {spoken(fault.by)} late"
        case plans.WrongValuePlan():
            return f"{field} says {fault.value:g}"
        case plans.StuckPlan():
            return f"{field} is stuck"
        case plans.DriftPlan():
            return f"{field} drifts by {fault.per_hour:g} an hour"
        case plans.NoisePlan():
            return f"{field} is off by up to {fault.by:g}"
        case plans.WrongScalePlan():
            return f"{field} says {fault.factor:g} times its value plus {fault.offset:g}"
        case plans.OutOfRangePlan():
            return f"{field} is out of range"
        case plans.NoDataPlan():
            return f"{field} has no data"
        case plans.WrongInstancePlan():
            return f"{whom} says instance {fault.instance}"
        case plans.SharedInstancePlan():
            return f"{whom} speaks for the instance of {fault.as_device}"
        case plans.FirmwareResetPlan():
            return f"{whom} restarts with instance {fault.instance}"
        case plans.SharedAddressPlan():
            other = f"the address of {fault.as_device}" if fault.as_device else f"address {fault.address or 0:02X} hex"
            return f"{whom} uses {other}, and nobody gives way"
        case plans.ShortFramePlan():
            return f"{whom} sends {fault.length} bytes"
        case plans.CommandIgnoredPlan():
            return f"{fault.whom} ignores {fault.message or 'every command'}"
        case plans.CommandDelayedPlan():
            return f"{fault.whom} takes {fault.message or 'every command'} {spoken(fault.by)} late"
        case plans.RestartPlan():
            return f"{whom} restarts, which takes {spoken(fault.takes)}"
        case plans.BrownOutPlan():
            return f"the supply of {whom} fails"
        case plans.ReportedPlan():
            return f"{whom} reports SPN {fault.spn}, FMI {fault.fmi} of its {fault.function.replace('_', ' ')}"
        case plans.BabblingPlan():
            gap = f"every {spoken(fault.gap)}" if fault.gap else "as fast as the pair allows"
            return f"{whom} sends {fault.identifier} {fault.data} {gap}"
        case plans.BusErrorsPlan():
            return f"each bit is spoilt with a chance of {fault.rate:g}"
        case plans.MissingTerminatorPlan():
            return "one terminator is missing" + (f": each bit is spoilt with {fault.rate:g}" if fault.rate else "")
        case plans.ReversedPairPlan():
            return f"the two wires are swapped at {whom}"

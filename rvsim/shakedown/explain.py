"""A scenario rendered as sentences: its rig and weather, its faults, its steps, and what is expected.

Knows: the order in which a person reads a scenario. Does not know how any part of it acts.
"""

from collections.abc import Iterable, Iterator
from typing import assert_never

from rvsim.rig.quantity import duration_text
from rvsim.shakedown.expect.run_judge import expected
from rvsim.shakedown.faults import fault_plans as plans
from rvsim.shakedown.scenario import ChangePlan, LoadedScenario
from rvsim.shakedown.script import StepPlan
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.quantity_text import compose, figure, join

_DAY_MINUTES = 24 * 60
_NO_TIME = 1 << 62


def render_scenario(loaded: LoadedScenario, catalogue: Catalogue | None = None) -> Iterator[str]:
    """Yield the lines that describe a scenario.

    With definitions the units of what is expected are known, and it can be shown in others.
    """
    scenario, rig = loaded.scenario, loaded.rig
    yield f"{loaded.name}: {scenario.title}"
    yield from (f"  {line}" for line in scenario.about.strip().splitlines())
    weather = scenario.weather
    devices = "1 device" if len(rig.devices) == 1 else f"{len(rig.devices)} devices"
    shore = "with" if scenario.shore_power else "without"
    hour, minute = divmod(round(weather.start_hour * 60) % _DAY_MINUTES, 60)
    yield compose(
        f"Rig {rig.name}: {devices}; ",
        figure(weather.outdoor_c, "degC"),
        f" outside, start at {hour:02d}:{minute:02d}, {shore} shore "
        f"power; duration {duration_text(scenario.lasts)}, seed {scenario.seed}.",
    )
    if scenario.start.sentences:
        yield compose("At the start: ", join(", ", scenario.start.sentences), ".")
    if not scenario.bench_acknowledges:
        yield "The bench acknowledges no frames: only the devices do."
    yield from (f"  changed: {_change(change)}" for change in scenario.changes)
    yield from _list("Faults", enumerate((f"{_fault(fault)}, {fault.when}" for fault in scenario.faults), 1))
    yield from _list("Steps", ((number, step.sentence) for number, step in _in_order(scenario.steps)))
    texts = (plan.full_sentence for plan in scenario.expectations) if catalogue is None else expected(loaded, catalogue)
    yield from _list("Expectations", enumerate(texts, 1))


def _list(head: str, lines: Iterable[tuple[int, str]]) -> Iterator[str]:
    """Yield lines with their numbers, which error lines and verdicts use too."""
    numbered = [compose(f"  {number}. ", line) for number, line in lines]
    if numbered:
        yield f"{head}:"
    yield from numbered


def _in_order(steps: tuple[StepPlan, ...]) -> list[tuple[int, StepPlan]]:
    """Return steps with their numbers, in the order of their first time; steps that wait for something come last."""

    def due(numbered: tuple[int, StepPlan]) -> int:
        step = numbered[1]
        if step.every:
            return step.since
        return _NO_TIME if step.at is None else step.at

    return sorted(enumerate(steps, 1), key=due)


def _change(change: ChangePlan) -> str:
    if change.absent:
        return f"{change.device} is absent"
    keys = (
        [] if change.real is None else ["no simulated stand-in: it is real" if change.real else "a simulated stand-in"]
    )
    keys += [f"kind {change.kind}"] if change.kind is not None else []
    keys += [f"address {change.address:02X} hex"] if change.address is not None else []
    keys += [f"functions {dict(change.functions)}"] if change.functions is not None else []
    keys += [f"settings {dict(change.settings)}"] if change.settings is not None else []
    return f"{change.device} has {', '.join(keys)}"


def _fault(fault: plans.Fault) -> str:
    """Return a fault as a sentence, without its time."""
    where = fault.location
    match fault:
        case plans.SilentPlan():
            return f"{where} is silent"
        case plans.AsleepPlan():
            return f"{where} sleeps"
        case plans.CarriedAwayPlan():
            return f"{where} is carried away"
        case plans.LatePlan():
            return f"{_messages(fault)} at most once every {duration_text(fault.gap)}"
        case plans.JitterPlan():
            return f"{_messages(fault)} up to {duration_text(fault.by)} late"
        case plans.WrongValuePlan():
            return f"{_field(fault)} reports {fault.value:g}"
        case plans.StuckPlan():
            return f"{_field(fault)} is stuck"
        case plans.DriftPlan():
            return f"{_field(fault)} drifts by {fault.per_hour:g} an hour"
        case plans.NoisePlan():
            return f"{_field(fault)} is wrong by up to {fault.by:g}, at random"
        case plans.WrongScalePlan():
            return f"{_field(fault)} reports {fault.factor:g} times its value plus {fault.offset:g}"
        case plans.OutOfRangePlan():
            return f"{_field(fault)} reports out of range"
        case plans.NoDataPlan():
            return f"{_field(fault)} reports no data"
        case plans.WrongInstancePlan():
            return f"{_messages(fault)} with instance {fault.instance}"
        case plans.SharedInstancePlan():
            return f"{where} sends as the instance of {fault.as_device}"
        case plans.FirmwareResetPlan():
            return f"{where} restarts with instance {fault.instance}"
        case plans.SharedAddressPlan():
            other = f"the address of {fault.as_device}" if fault.as_device else f"address {fault.address or 0:02X} hex"
            return f"{where} uses {other}, and neither device gives it up"
        case plans.ShortFramePlan():
            return f"{_messages(fault)} with {'1 byte' if fault.length == 1 else f'{fault.length} bytes'}"
        case plans.CommandIgnoredPlan():
            return f"{where} ignores {fault.message or 'every command'}"
        case plans.CommandDelayedPlan():
            return f"{where} receives {fault.message or 'every command'} {duration_text(fault.by)} late"
        case plans.RestartPlan():
            return f"{where} restarts, which takes {duration_text(fault.takes)}"
        case plans.BrownOutPlan():
            return f"the supply of {where} fails"
        case plans.OverloadPlan():
            return f"{fault.amps:g} A too much flow through {where}"
        case plans.ProtectionOpensPlan():
            return f"the protection of {where} opens"
        case plans.ReportedPlan():
            return f"{where} reports SPN {fault.spn}, FMI {fault.fmi} of its {fault.function.replace('_', ' ')}"
        case plans.SensorMisplacedPlan():
            return f"{where} hangs in the wrong place: {_place(fault)}"
        case plans.SenderReversedPlan():
            return f"the sender of {where} is the wrong way round"
        case plans.GroundOffsetPlan():
            off = f"{abs(fault.volts):g} V too {'low' if fault.volts < 0 else 'high'}"
            return f"the ground of {where} is bad: its voltages read {off}"
        case plans.FilterBlockedPlan():
            return f"the air filter of {where} keeps back {fault.percent:g} % of its air"
        case plans.FailedIgnitionPlan():
            tries = "" if fault.tries is None else " once" if fault.tries == 1 else f" in {fault.tries} tries"
            return f"the burner of {where} does not light{tries}"
        case plans.FuelGellingPlan():
            return f"wax closes the fuel filter of {where} within {duration_text(fault.within)}"
        case plans.AirInFuelPlan():
            return f"air comes through the fuel line of {where}, on average every {duration_text(fault.gap)}"
        case plans.KeyStuckPlan():
            return f"{where} sticks once it is pressed"
        case plans.LadderResistancePlan():
            within = "" if fault.within is None else f" within {duration_text(fault.within)}"
            return f"the contacts of {where} get {fault.ohm:g} ohm more{within}"
        case plans.RelayWeldedPlan() | plans.RelayOpenPlan() | plans.LampOutPlan() | plans.OutputOverloadPlan():
            return fault.sentence
        case plans.ObstructionPlan() | plans.LimitSwitchStuckPlan():
            return fault.sentence
        case plans.BabblingPlan():
            gap = f"every {duration_text(fault.gap)}" if fault.gap else "as fast as the bus allows"
            return f"{where} sends {fault.identifier} {fault.data} {gap}"
        case plans.BusErrorsPlan():
            return f"each bit is in error with a probability of {fault.rate:g}"
        case plans.MissingTerminatorPlan():
            errors = f"; each bit is in error with a probability of {fault.rate:g}" if fault.rate else ""
            return f"one terminator is missing{errors}"
        case plans.ReversedPairPlan():
            return f"the two wires are swapped at {where}"
        case _:
            assert_never(fault)


def _place(fault: plans.SensorMisplacedPlan) -> str:
    """Return the place of a misplaced sensor in words, with its zone where that counts."""
    place = fault.place.replace("_", " ")
    return f"{place}, {fault.zone}" if fault.place in ("heater_outlet", "fridge") else place


def _messages(fault: plans.LatePlan | plans.JitterPlan | plans.WrongInstancePlan | plans.ShortFramePlan) -> str:
    return f"{fault.location} sends {fault.message or 'its messages'}"


def _field(fault: plans.ValuePlan) -> str:
    return f"{fault.message} {fault.field} of {fault.location}"

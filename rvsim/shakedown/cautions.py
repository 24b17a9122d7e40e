"""Cautions that a scenario shows once when it is run.

Knows: which devices and motions a scenario starts that are dangerous where they are real, and which motions have no
interlock. Does not know who shows a caution.
"""

from collections.abc import Iterator

from rvsim.devices.registry import kinds_by_name
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import DevicePlan
from rvsim.rig.motions import motion_notices
from rvsim.shakedown.expect.sight import identifier_of
from rvsim.shakedown.faults.fault_plans import BurnerPlan, MotionFault, RelayWeldedPlan
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.script import SendPlan
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.ident import dgn_of

GENERATOR, GENERATOR_START = "generator", "generator_start"
MIN_LITHIUM_CHARGE_C = 0.0
"""Below this cell temperature lithium iron phosphate is not charged (a battery maker's manual, table 4.3)."""
EXERCISE = "exercise_every_hours"
"""The setting by which a simulated generator starts by itself."""


def cautions(loaded: LoadedScenario, catalogue: Catalogue) -> Iterator[str]:
    """Yield a line for each kind of dangerous device that the scenario commands, makes faulty or starts by its rig."""
    rig = loaded.rig
    generators = [plan.name for plan in rig.devices if plan.kind == GENERATOR or GENERATOR in plan.functions]
    starters = [plan for plan in rig.devices if GENERATOR_START in plan.functions and plan.name not in generators]
    sends = [step.send for step in loaded.scenario.steps if step.send is not None]
    exercised = [plan.name for plan in rig.devices if plan.kind == GENERATOR and EXERCISE in plan.settings]
    if generators and (_has_command(sends, catalogue) or starters):
        yield _generator_caution(generators, starters)
    elif exercised:
        yield _caution("a setting of the rig", exercised)
    yield from _of_kinds(loaded, {_message(send, catalogue) for send in sends})
    yield from _of_motions(loaded)
    yield from _of_cold_lithium(loaded)
    for notice in motion_notices(rig.motions):
        yield f"notice: {notice}"


def _of_kinds(loaded: LoadedScenario, sent: set[str | None]) -> Iterator[str]:
    """Yield the caution of each kind of which a step commands a device, or whose burner a fault is about."""
    burners = {fault.device for fault in loaded.scenario.faults if isinstance(fault, BurnerPlan)}
    told: dict[str, list[str]] = {}
    for plan in loaded.rig.devices:
        kind = kinds_by_name().get(plan.kind)
        commands = {name for function in plan.functions for name in FUNCTIONS[function].commands}
        is_told = plan.kind == GENERATOR
        if kind is not None and not is_told and kind.caution and (commands & sent or plan.name in burners):
            told.setdefault(kind.caution, []).append(plan.name)
    for caution, names in told.items():
        yield f"caution: {' and '.join(names)}, which {'is' if len(names) == 1 else 'are'} only simulated. {caution}"


def _of_motions(loaded: LoadedScenario) -> Iterator[str]:
    """Yield the caution of what outputs move, where a step commands or presses something, or a fault moves it."""
    names = [plan.name for plan in loaded.rig.motions if plan.outputs]
    scenario = loaded.scenario
    is_used = any(step.send is not None or step.uses_switches for step in scenario.steps)
    if names and (is_used or any(isinstance(fault, MotionFault | RelayWeldedPlan) for fault in scenario.faults)):
        yield (
            f"caution: {' and '.join(names)}, which {'is' if len(names) == 1 else 'are'} only simulated. Motion: what "
            "a motor moves crushes and pinches, with nobody looking; keep clear of it. A message on the bus does not "
            "replace a switch that cuts the motor."
        )


def _of_cold_lithium(loaded: LoadedScenario) -> Iterator[str]:
    """Yield the caution of lithium batteries, where one of them starts below 0 degrees Celsius."""
    start = loaded.scenario.start.battery_c
    cold = [
        plan.name
        for plan in loaded.rig.batteries
        if plan.chemistry == "lfp" and start.get(plan.name, plan.start_c) < MIN_LITHIUM_CHARGE_C
    ]
    if cold:
        yield (
            f"caution: the battery {' and '.join(cold)}, which is only simulated, is lithium and cold. Lithium: no "
            "charging below 0 °C cell temperature; the protection may open at any time."
        )


def _generator_caution(generators: list[str], starters: list[DevicePlan]) -> str:
    who = " and ".join(plan.name for plan in starters) or "a step"
    return _caution(f"{who} of this scenario", generators)


def _caution(who: str, generators: list[str]) -> str:
    return (
        f"caution: {who} starts {' and '.join(generators)}, which is only simulated. A real generator "
        "that starts by a command does so with nobody looking: its exhaust kills, its mains are for a licensed person, "
        "and a number on the bus never replaces a listed CO alarm."
    )


def _has_command(sends: list[SendPlan], catalogue: Catalogue) -> bool:
    """Tell whether one of the frames commands a generator."""
    commands = {name for function in (GENERATOR, GENERATOR_START) for name in FUNCTIONS[function].commands}
    return any(_message(send, catalogue) in commands for send in sends)


def _message(send: SendPlan, catalogue: Catalogue) -> str | None:
    if send.identifier is None:
        return send.message
    spec = catalogue.by_dgn(dgn_of(identifier_of(send.identifier)))
    return None if spec is None else spec.name

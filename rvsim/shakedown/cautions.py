"""Cautions that a scenario shows once when it is run.

Knows: which devices and motions a scenario starts that are dangerous where they are real, and which motions have no
interlock. Does not know who shows a caution.
"""

import re
from collections.abc import Iterator, Sequence

from rvsim.devices.registry import kinds_by_name
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.motions import motion_notices
from rvsim.rig.panel_parts import PANEL
from rvsim.shakedown.expect.sight import identifier_of
from rvsim.shakedown.faults.fault_plans import BurnerPlan, MotionFault, RelayWeldedPlan
from rvsim.shakedown.faults.fault_plans import ProtectionOpensPlan as _Opens
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.script import SendPlan
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.ident import dgn_of

GENERATOR, GENERATOR_START = "generator", "generator_start"
MIN_LITHIUM_CHARGE_C = 0.0
"""Below this cell temperature lithium iron phosphate is not charged (a battery maker's manual, table 4.3)."""
START_SETTING = "generator"
"""The setting by which a simulated panel starts the generator by itself."""
EXERCISE = "exercise_every_hours"
"""The setting by which a simulated generator starts by itself."""
ENGINE_KINDS = ("alternator", "dc_dc_charger")
"""The kinds that charge while the engine runs."""
LITHIUM = "Lithium: no charging below 0 °C cell temperature; the protection may open at any time."
_SENTENCE_END = re.compile(r"(?<=\.) (?=[A-Z])")


def cautions(loaded: LoadedScenario, catalogue: Catalogue) -> Iterator[str]:
    """Yield a line for each kind of dangerous device that the scenario commands, makes faulty or starts by its rig."""
    rig = loaded.rig
    generators = [plan for plan in rig.devices if plan.kind == GENERATOR or GENERATOR in plan.functions]
    starters = [plan for plan in rig.devices if GENERATOR_START in plan.functions and plan not in generators]
    sends = [step.send for step in loaded.scenario.steps if step.send is not None]
    exercised = [plan for plan in rig.devices if plan.kind == GENERATOR and EXERCISE in plan.settings]
    if any(plan.kind == PANEL and START_SETTING in plan.settings for plan in rig.devices):
        exercised = generators
    if generators and (_has_command(sends, catalogue) or starters):
        yield _generator_caution(generators, starters)
    elif exercised:
        yield _caution("a setting of the rig", exercised)
    of_kinds = list(_of_kinds(loaded, {_message(send, catalogue) for send in sends}))
    yield from of_kinds
    yield from _of_lithium(loaded, is_told=any(LITHIUM in text for text in of_kinds))
    yield from _of_motions(loaded)
    for notice in motion_notices(rig.motions):
        yield f"notice: {notice}"


def _of_kinds(loaded: LoadedScenario, sent: set[str | None]) -> Iterator[str]:
    """Yield the caution of each kind of which a step or a fault uses a device: each sentence once, with its devices."""
    burners = {fault.device for fault in loaded.scenario.faults if isinstance(fault, BurnerPlan)}
    changes = [step.change for step in loaded.scenario.steps if step.change is not None]
    is_shore_changed = any(change.shore_power is not None for change in changes)
    is_engine_changed = any(change.engine_rpm is not None for change in changes)
    told: dict[tuple[str, bool], list[str]] = {}
    for plan in loaded.rig.devices:
        kind = kinds_by_name().get(plan.kind)
        if kind is None or not kind.caution or plan.kind == GENERATOR:
            continue
        commands = {name for function in plan.functions for name in FUNCTIONS[function].commands}
        is_fed = is_shore_changed and "mains" in kind.caution.lower()
        is_driven = is_engine_changed and plan.kind in ENGINE_KINDS
        if commands & sent or plan.name in burners or is_fed or is_driven:
            for sentence in _SENTENCE_END.split(kind.caution):
                told.setdefault((sentence, plan.real), []).append(plan.name)
    for names, real in dict.fromkeys((tuple(names), real) for (_, real), names in told.items()):
        text = " ".join(sentence for (sentence, _), devices in told.items() if tuple(devices) == names)
        how = "real" if real else "only simulated"
        yield f"caution: {_list(names)}, which {'is' if len(names) == 1 else 'are'} {how}. {text}"


def _list(names: Sequence[str]) -> str:
    """Return names as a list in a sentence."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _of_motions(loaded: LoadedScenario) -> Iterator[str]:
    """Yield the caution of what outputs move, where a step commands or presses something, or a fault moves it."""
    names = [plan.name for plan in loaded.rig.motions if plan.outputs]
    scenario = loaded.scenario
    is_used = any(step.send is not None or step.uses_switches for step in scenario.steps)
    if names and (is_used or any(isinstance(fault, MotionFault | RelayWeldedPlan) for fault in scenario.faults)):
        yield (
            f"caution: {_list(names)}, which {'is' if len(names) == 1 else 'are'} only simulated. Motion: what "
            "a motor moves crushes and pinches, with nobody looking; keep clear of it. A message on the bus does not "
            "replace a switch that cuts the motor."
        )


def _of_lithium(loaded: LoadedScenario, *, is_told: bool) -> Iterator[str]:
    """Yield the caution of lithium batteries that start below 0 degrees Celsius, or whose protection a fault opens.

    ``is_told``: what it says of lithium is already told for a charger.
    """
    rig, scenario = loaded.rig, loaded.scenario
    opened = {fault.battery or rig.vehicle.battery.name for fault in scenario.faults if isinstance(fault, _Opens)}
    lithium = [plan for plan in rig.vehicle.batteries if plan.chemistry == "lfp"]
    start = scenario.start.battery_c
    cold = [plan.name for plan in lithium if start.get(plan.name, plan.start_c) < MIN_LITHIUM_CHARGE_C]
    others = [plan.name for plan in lithium if plan.name in opened and plan.name not in cold]
    if cold or (others and not is_told):
        names = cold if is_told else [*cold, *others]
        yield (
            f"caution: the battery {' and '.join(names)}, which is only simulated, is lithium"
            f"{' and cold' if cold else ''}.{'' if is_told else f' {LITHIUM}'}"
        )


def _generator_caution(generators: list[DevicePlan], starters: list[DevicePlan]) -> str:
    who = " and ".join(plan.name for plan in starters) or "a step"
    return _caution(f"{who} of this scenario", generators)


def _caution(who: str, generators: list[DevicePlan]) -> str:
    names = " and ".join(plan.name for plan in generators)
    how = "real" if any(plan.real for plan in generators) else "only simulated"
    return (
        f"caution: {who} starts {names}, which is {how}. A real generator "
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

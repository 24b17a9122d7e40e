"""Applies a scenario's faults and steps to a bench.

Knows: when faults and steps are due, and which frames and values steps wait for. Does not know how a fault acts or a
change is made, nor how the run is judged.
"""

from collections.abc import Callable, Iterator
from functools import cached_property, partial

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import shown
from rvsim.shakedown.expect.possible_traffic import PossibleTraffic
from rvsim.shakedown.expect.quantities import quantity
from rvsim.shakedown.expect.sight import SightMatcher, identifier_of
from rvsim.shakedown.faults.contact_fault_plans import KeyStuckPlan, LadderResistancePlan
from rvsim.shakedown.faults.fault_effects import EffectMaker, planned_faults
from rvsim.shakedown.faults.switching_fault_plans import OutputFaultPlan, RelayFaultPlan
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.script import SendPlan, StepPlan
from rvsim.shakedown.vehicle_change import VehicleChangePlan
from rvsim.shakedown.vehicle_effects import OWNER, VehicleEffects
from rvsim.shakedown.verdict import ToldChange
from rvsim.sim.bench import Bench
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import is_addressed
from rvsim.world.world import World

BENCH_ADDRESS = 0xF9
"""The source address of commands that the bench sends for its user: 249, a service tool's (SAE J1939; from memory)."""
_MAX_REPEATS = 1_000_000
"""How often a step may be due in one run. Our decision: more is a typing mistake."""
MAX_TOLD_CHANGES = 100
"""So many changes of the vehicle are told with a verdict: a step may be due again and again. Our decision."""
_COLD_BELOW_PERCENT = 95.0
"""A battery of which less than this can be taken out is empty because it is cold. Our decision."""
SendFrame = Callable[[int, bytes], None]
"""Takes the identifier and the data of a frame."""


class ScriptRunner:
    """Applies the faults and steps of a scenario to one bench.

    Args:
        loaded: the scenario.
        catalogue: the message definitions.
        bench: the bench.
        send: sends a frame of the bench's user.
        seed: decides what is left to chance.

    Raises:
        InputError: faults or steps name what is not there; one line for each.
    """

    def __init__(self, loaded: LoadedScenario, catalogue: Catalogue, bench: Bench, send: SendFrame, seed: int) -> None:
        scenario = loaded.scenario
        self.maker = EffectMaker(loaded.rig, catalogue, seed)
        self._bench, self._send = bench, send
        problems = [*_faults_on_absent(loaded, bench), *_switches_of_absent(loaded, bench)]
        problems += script_problems(loaded, catalogue, seed)
        if problems:
            raise InputError(*problems)
        faults = planned_faults(scenario.faults, partial(loaded.where, "fault"), loaded.rig, catalogue, seed)
        self._faults_by_name = {fault.plan.name: fault for fault in faults if fault.plan.name is not None}
        self._waiting: list[tuple[int, StepPlan, SightMatcher | None]] = []
        self.changes: list[ToldChange] = []
        """The changes of the vehicle by steps, fuses and batteries up to now, in words: the first
        ``MAX_TOLD_CHANGES`` of them."""
        self._effects = VehicleEffects(bench)
        self.on_change: Callable[[int, str], None] | None = None
        """Called with the time of each change of the vehicle, in microseconds, and its words; may be set."""
        for zone, count in (scenario.start.people or {}).items():
            bench.world.set_people(count, zone)
        for branch, state in scenario.start.branch.items():
            if state == "open":
                bench.world.open_branch(OWNER, branch)
        self._branches = {branch.name: branch for branch in loaded.rig.all_branches}
        self._shared_branches = {branch.name for branch in loaded.rig.branches}
        bench.world.on_fuse = self._note_fuse
        bench.world.on_collapse = self._note_collapse
        for name, position in scenario.start.switch.items():
            bench.world.contacts.set(name, on=position == "on")
        self._actions: dict[int, Callable[[], None]] = {}
        self._done: set[int] = set()
        self._beyond: set[int] = set()
        for number, step in enumerate(scenario.steps, start=1):
            self._prepare(number, step, catalogue, scenario.lasts)
        for fault in faults:
            if fault.plan.since is not None:
                bench.plan(fault.plan.since, partial(fault.apply, bench))
            if fault.plan.until is not None:
                bench.plan(fault.plan.until, partial(fault.remove, bench))

    def _prepare(self, number: int, step: StepPlan, catalogue: Catalogue, lasts: int) -> None:
        action = self._action(step, catalogue)
        self._actions[number] = action
        if step.when is not None:
            self._waiting.append(
                (number, step, None if step.when.seen is None else SightMatcher(step.when.seen, catalogue))
            )
            return
        for time in step.times(lasts):
            self._bench.plan(time, action)

    def _action(self, step: StepPlan, catalogue: Catalogue) -> Callable[[], None]:
        if step.send is not None:
            identifier, data = frame_to_send(step.send, catalogue)
            return partial(self._send, identifier, data)
        if step.change is not None:
            return partial(self._change, step.change)
        if step.uses_switches:
            return partial(self._use_switches, step)
        fault = self._faults_by_name[step.start or step.stop or ""]
        return partial(fault.apply if step.start else fault.remove, self._bench)

    def _change(self, change: VehicleChangePlan) -> None:
        self._effects.apply(change)
        self._note(change.sentence, self._bench.now)

    def _use_switches(self, step: StepPlan) -> None:
        contacts = self._bench.world.contacts
        if step.press is not None:
            contacts.press(step.press, step.hold)
        for name, position in (step.switch or {}).items():
            contacts.set(name, on=position == "on")
        for name, override in (step.override or {}).items():
            self._bench.world.set_override(name, None if override == "none" else override)
        self._note(step.switched_sentence, self._bench.now)

    def _note_fuse(self, second: int, branch: str, is_open: bool) -> None:  # noqa: FBT001 - the form of a callback
        where = f"branch {branch}" if branch in self._shared_branches else branch
        does = "opens" if is_open else "closes again"
        self._note(f"the {self._branches[branch].protection} of {where} {does}", second * SECOND_US)

    def _note_collapse(self, second: int, battery: str, has_collapsed: bool) -> None:  # noqa: FBT001 - see above
        bar = self._bench.world.battery(battery)
        if not has_collapsed:
            text = f"battery {battery} takes back what it had dropped"
        elif not bar.is_empty:
            text = f"the electronics of battery {battery} stop its discharge: what hangs on it is dark"
        else:
            text = f"battery {battery} gives no more current, at a charge of {bar.percent:.0f} %"
            if bar.usable_percent < _COLD_BELOW_PERCENT:
                text += f": at {bar.celsius:.0f} °C only {bar.usable_percent:.0f} % of its capacity can be taken out"
        self._note(text, second * SECOND_US)

    def _note(self, text: str, now: int) -> None:
        """Keep a change of the vehicle in words, and tell of it."""
        if len(self.changes) < MAX_TOLD_CHANGES:
            self.changes.append(ToldChange(now / SECOND_US, text))
        if self.on_change is not None:
            self.on_change(now, text)

    @cached_property
    def waits_for_values(self) -> bool:
        """Whether a step waits for a value of the vehicle."""
        return any(matcher is None for *_, matcher in self._waiting)

    @property
    def pending_steps(self) -> list[str]:
        """The steps whose condition has not been met."""
        return [f"step {number}: {step.sentence}" for number, step, _ in self._waiting if number not in self._done]

    def observe_frame(self, frame: Frame, device: str) -> None:
        """Observe a frame of a device."""
        for number, step, matcher in self._waiting:
            if matcher is not None and matcher.matches(frame, device):
                self._plan_action(number, step)

    def observe_second(self, world: World) -> None:
        """Observe the vehicle at a whole second."""
        for number, step, matcher in self._waiting:
            if matcher is None and step.when is not None and step.when.value is not None:
                holds = step.when.holds(quantity(step.when.value)[1](world))
                if holds and number not in self._beyond:
                    self._plan_action(number, step)
                (self._beyond.add if holds else self._beyond.discard)(number)

    def _plan_action(self, number: int, step: StepPlan) -> None:
        if number in self._done and not step.each_time:
            return
        self._done.add(number)
        self._bench.plan(self._bench.now + step.wait, self._actions[number])


def script_problems(loaded: LoadedScenario, catalogue: Catalogue, seed: int) -> Iterator[str]:
    """Yield a line for each fault and step that names what is not there, or cannot be carried out."""
    try:
        planned_faults(loaded.scenario.faults, partial(loaded.where, "fault"), loaded.rig, catalogue, seed)
    except InputError as error:
        yield from error.problems
    traffic = PossibleTraffic(loaded, catalogue)
    for number, step in enumerate(loaded.scenario.steps):
        try:
            if step.send is not None:
                frame_to_send(step.send, catalogue)
                if (why := traffic.why_no_receiver(step.send)) is not None:
                    yield (
                        f"{loaded.where('step', number, 'send')}: {why}; correct it, or send identifier and bytes if "
                        "the command is meant for nobody"
                    )
        except (InputError, ValueError) as error:
            yield f"{loaded.where('step', number, 'send')}: {error}"
        try:
            if step.when is not None and step.when.seen is not None:
                SightMatcher(step.when.seen, catalogue)
                if (why := traffic.why_no_occasion(step.when.seen)) is not None:
                    yield f"{loaded.where('step', number, 'when')}: {why}, so it is never seen; correct it"
        except (InputError, ValueError) as error:
            yield f"{loaded.where('step', number, 'when')}: {error}"
        if len(step.times(loaded.scenario.lasts)) > _MAX_REPEATS:
            where = loaded.where("step", number, "every")
            yield f"{where}: the step would be due more than {_MAX_REPEATS} times; choose a longer time"


def _faults_on_absent(loaded: LoadedScenario, bench: Bench) -> Iterator[str]:
    """Yield a line for each fault of a device that is not simulated: the bench cannot make it faulty."""
    modules = {module.name: module.device for module in loaded.rig.modules}
    switching = {output.name: modules[output.module] for output in loaded.rig.outputs}
    switching |= {output.relay: modules[output.module] for output in loaded.rig.outputs if output.relay is not None}
    for number, fault in enumerate(loaded.scenario.faults):
        parts: list[tuple[str, str, str | None]] = [("device", device, device) for device in fault.faulty_devices]
        match fault:
            case RelayFaultPlan(relay=name):
                parts.append(("relay", name, switching.get(name)))
            case OutputFaultPlan(output=name):
                parts.append(("output", name, switching.get(name)))
            case KeyStuckPlan(key=name):
                parts += [("key", name, device) for device in _readers(name, bench)]
            case LadderResistancePlan(input=name):
                parts += [("input", name, device) for device in _readers(name, bench)]
        for key, name, device in parts:
            if device is not None and device not in bench.outgoing_gates:
                whose = f"{device} is" if name == device else f"{name} belongs to {device}, which is"
                yield (
                    f"{loaded.where('fault', number, key)}: {whose} not simulated here, so the bench cannot "
                    "make it faulty; simulate it, or make the device itself faulty"
                )


def _readers(name: str, bench: Bench) -> Iterator[str]:
    """Yield the device that reads a contact or an input."""
    found = {plan.device for plan in bench.world.contacts.plans.values() if name in (plan.name, plan.input)}
    yield from (device for device in found if device is not None)


def _switches_of_absent(loaded: LoadedScenario, bench: Bench) -> Iterator[str]:
    """Yield a line for each step that uses a switch of a device that is not simulated: only a hand can do that."""
    contacts, rig = bench.world.contacts.plans, loaded.rig
    modules = {module.name: module.device for module in rig.modules}
    readers = {name: plan.device for name, plan in contacts.items()}
    switching = {output.name: modules.get(output.module) for output in rig.outputs}
    for number, step in enumerate(loaded.scenario.steps):
        used = [("press", name, readers) for name in (step.press,) if name is not None]
        used += [("switch", name, readers) for name in step.switch or ()]
        used += [("override", name, switching) for name in step.override or ()]
        for key, name, devices in used:
            device = devices[name]
            if device is not None and device not in bench.outgoing_gates:
                yield (
                    f"{loaded.where('step', number, key)}: {name} belongs to {device}, which is not simulated here, so "
                    "only a hand can do that; simulate the device, or remove the step"
                )


def frame_to_send(send: SendPlan, catalogue: Catalogue) -> tuple[int, bytes]:
    """Return the identifier and the data of the frame that a step sends.

    Raises:
        InputError: the message is not defined.
        ValueError: a field is not defined, or cannot have the value.
    """
    if send.identifier is not None:
        return identifier_of(send.identifier), bytes.fromhex(send.data or "")
    spec = catalogue.by_name(send.message or "")
    raws = {name: _raw(spec.field(name), value) for name, value in send.fields.items()}
    return spec.identifier(BENCH_ADDRESS, send.to if is_addressed(spec.dgn) else None), spec.encode(raws)


def _raw(field: FieldSpec, value: float | str) -> int:
    if not isinstance(value, str):
        if not field.unit and field.scale == 1 and value % 1:
            raise ValueError(f"{field.title} {value:g} is no whole number; write one")
        return field.raw(value)
    codes = field.codes
    if value not in codes:
        raise ValueError(
            f"{field.name} cannot be {shown(value)}{did_you_mean(value, codes)}; write a number"
            + (f", or one of: {', '.join(codes)}" if codes else "")
        )
    return codes[value]

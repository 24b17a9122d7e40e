"""A scenario's faults and script at work on a bench.

Knows: when faults and steps are due, and which frames and values steps wait for. Does not know how a fault acts, nor
how anybody judges what follows.
"""

from collections.abc import Callable, Iterator
from functools import cached_property, partial

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import shown
from rvsim.shakedown.expect.quantities import QUANTITIES
from rvsim.shakedown.expect.sight import Spotter, identifier_of
from rvsim.shakedown.faults.fault_effects import EffectMaker, planned
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.script import SendPlan, StepPlan
from rvsim.sim.bench import Bench
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import Frame
from rvsim.wire.ident import is_addressed
from rvsim.world.world import World

OWN_ADDRESS = 0xF9
"""From here commands of the person at the bench come: 249, a service tool's address (SAE J1939; from memory)."""
_MOST = 1_000_000
"""So many times at most a step is done in one run. Our decision, against slips of the pen."""
Put = Callable[[int, bytes], None]


class Script:
    """What a scenario does to one bench.

    Raises:
        InputError: faults or steps name what is not there; one line for each.
    """

    def __init__(self, loaded: LoadedScenario, catalogue: Catalogue, bench: Bench, put: Put, seed: int) -> None:
        scenario = loaded.scenario
        self.maker = EffectMaker(loaded.rig, catalogue, seed)
        self._bench, self._put = bench, put
        problems = [*_absentees(loaded, bench), *problems_of(loaded, catalogue, seed)]
        if problems:
            raise InputError(*problems)
        faults = planned(scenario.faults, partial(loaded.where, "fault"), loaded.rig, catalogue, seed)
        self._named = {fault.plan.name: fault for fault in faults if fault.plan.name is not None}
        self._waiting: list[tuple[int, StepPlan, Spotter | None]] = []
        self._deeds: dict[int, Callable[[], None]] = {}
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
        deed = self._deed(step, catalogue)
        self._deeds[number] = deed
        if step.when is not None:
            self._waiting.append((number, step, None if step.when.seen is None else Spotter(step.when.seen, catalogue)))
            return
        for time in step.times(lasts):
            self._bench.plan(time, deed)

    def _deed(self, step: StepPlan, catalogue: Catalogue) -> Callable[[], None]:
        if step.send is not None:
            identifier, data = frame_of(step.send, catalogue)
            return partial(self._put, identifier, data)
        fault = self._named[step.start or step.stop or ""]
        return partial(fault.apply if step.start else fault.remove, self._bench)

    @cached_property
    def waits_for_frames(self) -> bool:
        """Whether a step waits for something on the bus."""
        return any(spotter is not None for *_, spotter in self._waiting)

    @cached_property
    def waits_for_values(self) -> bool:
        """Whether a step waits for a value of the vehicle."""
        return any(spotter is None for *_, spotter in self._waiting)

    @property
    def undone(self) -> list[str]:
        """The steps that wait for something that has not happened."""
        return [f"step {number}: {step.sentence}" for number, step, _ in self._waiting if number not in self._done]

    def frame(self, frame: Frame, device: str) -> None:
        """Take a frame that was heard of a device."""
        for number, step, spotter in self._waiting:
            if spotter is not None and spotter.sees(frame, device):
                self._happened(number, step)

    def second(self, world: World) -> None:
        """Take a whole second of the vehicle."""
        for number, step, spotter in self._waiting:
            if spotter is None and step.when is not None and step.when.value is not None:
                holds = step.when.holds(QUANTITIES[step.when.value][1](world))
                if holds and number not in self._beyond:
                    self._happened(number, step)
                (self._beyond.add if holds else self._beyond.discard)(number)

    def _happened(self, number: int, step: StepPlan) -> None:
        if number in self._done and not step.each_time:
            return
        self._done.add(number)
        self._bench.plan(self._bench.now + step.wait, self._deeds[number])


def problems_of(loaded: LoadedScenario, catalogue: Catalogue, seed: int) -> Iterator[str]:
    """Yield a line for each fault and step that names what is not there, or cannot be done."""
    try:
        planned(loaded.scenario.faults, partial(loaded.where, "fault"), loaded.rig, catalogue, seed)
    except InputError as error:
        yield from error.problems
    for number, step in enumerate(loaded.scenario.steps):
        try:
            if step.send is not None:
                frame_of(step.send, catalogue)
        except (InputError, ValueError) as error:
            yield f"{loaded.where('step', number, 'send')}: {error}"
        try:
            if step.when is not None and step.when.seen is not None:
                Spotter(step.when.seen, catalogue)
        except (InputError, ValueError) as error:
            yield f"{loaded.where('step', number, 'when')}: {error}"
        if len(step.times(loaded.scenario.lasts)) > _MOST:
            where = loaded.where("step", number, "every")
            yield f"{where}: it would be done more than {_MOST} times; choose a longer time"


def _absentees(loaded: LoadedScenario, bench: Bench) -> Iterator[str]:
    """Yield a line for each fault on a device that others stand in for: it cannot be made faulty from here."""
    for number, fault in enumerate(loaded.scenario.faults):
        named = [getattr(fault, "device", None), *getattr(fault, "devices", ())]
        for device in named:
            if device is not None and device not in bench.gates:
                yield (
                    f"{loaded.where('fault', number, 'device')}: {device} is not simulated here, so no fault of "
                    "it can be; make it faulty itself, or let it be simulated"
                )


def frame_of(send: SendPlan, catalogue: Catalogue) -> tuple[int, bytes]:
    """Return identifier and bytes of what a step sends.

    Raises:
        InputError: the message is not defined.
        ValueError: a field is not, or cannot say what it should.
    """
    if send.identifier is not None:
        return identifier_of(send.identifier), bytes.fromhex(send.data or "")
    spec = catalogue.by_name(send.message or "")
    raws = {name: _raw(spec.field(name), value) for name, value in send.fields.items()}
    return spec.identifier(OWN_ADDRESS, send.to if is_addressed(spec.dgn) else None), spec.encode(raws)


def _raw(field: FieldSpec, value: float | str) -> int:
    if not isinstance(value, str):
        return field.raw(value)
    codes = field.codes
    if value not in codes:
        raise ValueError(
            f"{field.name} cannot say {shown(value)}{did_you_mean(value, codes)}; write a number"
            + (f", or one of: {', '.join(codes)}" if codes else "")
        )
    return codes[value]

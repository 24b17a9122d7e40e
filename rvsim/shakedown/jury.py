"""All expectations of one scenario held against one run, and the evidence for those that are not met.

Knows: what is kept of a run for evidence, and where to look in each case. Does not know how a run is made: it is told
of frames after the watch has heard them, of events, and of the seconds of the vehicle.
"""

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial

from rvsim.errors import InputError
from rvsim.rig.quantity import moment, spoken
from rvsim.shakedown.expect import Expectation, PresencePlan, WorldPlan
from rvsim.shakedown.judge import Judge
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.sight import Spotter, spotters
from rvsim.shakedown.sight_judges import SIGHT_JUDGES
from rvsim.shakedown.state_judges import STATE_JUDGES
from rvsim.shakedown.verdict import Outcome
from rvsim.watch.transitions import Presence
from rvsim.watch.watch import Event, FlagCleared, FlagRaised, PresenceChanged, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.world.world import World

_JUDGES = {**SIGHT_JUDGES, **STATE_JUDGES}
_NEVER = 1 << 62
KEPT = 5
"""So many frames are kept as evidence, of each source and of all."""


def judge_of(plan: Expectation, spotters: Mapping[str, Spotter], on_broken: Callable[[Judge], None]) -> Judge:
    """Return the judge of an expectation; ``on_broken`` is told once if it is not met."""
    return _JUDGES[type(plan)](plan, spotters, on_broken)


class Jury:
    """The judges of one run; ``catch_up`` has it told of the frames up to now, before evidence is taken from them.

    Raises:
        InputError: expectations that cannot be judged, a line for each.
    """

    def __init__(
        self, loaded: LoadedScenario, catalogue: Catalogue, watch: Watch, catch_up: Callable[[], None] = lambda: None
    ) -> None:
        self._watch, self._catch_up = watch, catch_up
        self._judges = self._seated(loaded, catalogue)
        self._by_dgn: dict[int, list[Judge]] = {}
        self._any: list[Judge] = []
        self._senders: dict[int, dict[str, None]] = {}
        for judge in self._judges:
            self._sort_in(judge)
        self._present = [judge for judge in self._judges if isinstance(judge.plan, PresencePlan)]
        self._worlds = [judge for judge in self._judges if isinstance(judge.plan, WorldPlan)]
        self._closing = [judge for judge in self._judges if judge.spotters and judge.plan.until is not None]
        self._closed: set[Judge] = set()
        self._next_end = min((judge.plan.until for judge in self._closing), default=_NEVER)
        self._recent: defaultdict[int, deque[Frame]] = defaultdict(partial(deque, maxlen=KEPT))
        self._last: deque[Frame] = deque(maxlen=KEPT)
        self._evidence: dict[Judge, tuple[tuple[str, ...], str]] = {}
        self.frames = 0

    def _seated(self, loaded: LoadedScenario, catalogue: Catalogue) -> list[Judge]:
        """Return a judge for each expectation."""
        judges, problems = [], []
        for number, plan in enumerate(loaded.scenario.expectations, start=1):
            place = f"{loaded.path}, expect {number} ({plan.expect})"
            if plan.since >= loaded.scenario.lasts:
                lasts = spoken(loaded.scenario.lasts)
                problems.append(f"{place}: it begins at {spoken(plan.since)}, and the run lasts {lasts}")
            try:
                judges.append(judge_of(plan, spotters(plan.sights, catalogue), self.note))
            except InputError as error:
                problems += [f"{place}: {problem}" for problem in error.problems]
        if problems:
            raise InputError(*problems)
        return judges

    def _close(self, time: int) -> None:
        """Decide about those whose part of the run is over, as long as the last frames before its end are at hand."""
        for judge in [judge for judge in self._closing if judge.plan.until <= time]:
            judge.finish(judge.plan.until)
            self._closing.remove(judge)
            self._closed.add(judge)
        self._next_end = min((judge.plan.until for judge in self._closing), default=_NEVER)

    def _sort_in(self, judge: Judge) -> None:
        dgns = {spotter.dgn for spotter in judge.spotters.values()}
        if None in dgns:
            self._any.append(judge)
            return
        for dgn in dgns:
            self._by_dgn.setdefault(dgn or 0, []).append(judge)
            self._senders.setdefault(dgn or 0, {})

    @property
    def wants_seconds(self) -> bool:
        """Whether it has to be told of whole seconds."""
        return bool(self._worlds)

    # What goes in.

    def frame(self, frame: Frame, events: Sequence[Event]) -> None:
        """Take a frame that the watch has just heard, and what followed from it."""
        self.frames += 1
        if not self._judges:
            return
        time, identifier, _ = frame
        if time >= self._next_end:
            self._close(time)
        self._last.append(frame)
        self._recent[identifier & 0xFF].append(frame)
        judges = self._by_dgn.get(dgn_of(identifier))
        if judges is not None or self._any:
            device = self._watch.device_at(identifier & 0xFF)
            if judges is not None:
                self._senders[dgn_of(identifier)][device] = None
            for judge in (*(judges or ()), *self._any):
                judge.frame(time, frame, device)
        if events:
            self.events(events)

    def events(self, events: Iterable[Event]) -> None:
        """Take what the passing of time has changed."""
        for event in events:
            if isinstance(event, FlagRaised | FlagCleared):
                for judge in self._judges:
                    judge.flag(event.time, event.flag)
            elif isinstance(event, PresenceChanged):
                for judge in self._present:
                    judge.presence(event.time, event.device, event.state)

    def second(self, time: int, world: World) -> None:
        """Take a whole second of the vehicle."""
        for judge in self._worlds:
            judge.second(time, world)

    def finish(self, end: int) -> tuple[Outcome, ...]:
        """Return what became of each expectation in a run that ended now."""
        self._close(end)
        for judge in self._judges:
            judge.wires(end, self._watch.wires)
            if judge not in self._closed:
                judge.finish(end)
        return tuple(self._outcome(judge) for judge in self._judges)

    def _outcome(self, judge: Judge) -> Outcome:
        plan, broken = judge.plan, judge.broken
        expected = plan.told
        if broken is None:
            return Outcome(expected, True)
        before, look = self._evidence[judge]
        near = judge.nearest
        nearest = f"{near.said} at {moment(near.frame.time)}: {near.frame}" if near is not None else ""
        return Outcome(expected, False, broken.found, broken.time / 1e6, nearest, before, look)

    # Evidence.

    def note(self, judge: Judge) -> None:
        """Keep what was on the bus when an expectation was found not to be met."""
        self._catch_up()
        device = self._device(judge)
        record = next((one for one in self._watch.roll_call if one.device == device), None)
        source = None if record is None else record.source
        recent = self._recent.get(source) if source is not None else None
        frames = self._last if recent is None else recent
        before = tuple(f"{moment(frame.time)}  {frame}" for frame in frames)
        self._evidence[judge] = (before, "; ".join(self._hints(judge, device, record is not None and record.state)))

    @staticmethod
    def _device(judge: Judge) -> str | None:
        named: list[str | None] = [judge.plan.device] if isinstance(judge.plan, PresencePlan) else []
        named += [spotter.sight.device for spotter in judge.spotters.values()]
        return next((name for name in named if name is not None), None)

    def _hints(self, judge: Judge, device: str | None, state: Presence | bool | None) -> Iterable[str]:
        for flag in self._watch.flags:
            if device is None or flag.subject in (device, "bus"):
                yield f"flag {flag.tag} {flag.kind} of {flag.subject} stood then: {flag.text}"
        if device is not None and state in (None, False):
            yield f"{device} was not heard at all: is it in this run, at its planned address?"
        yield from self._sent_by(judge)
        if judge.nearest is not None:
            yield "the message came, and its field said other things: what decides about that field"

    def _sent_by(self, judge: Judge) -> Iterable[str]:
        for spotter in judge.awaited:
            if spotter.spec is None:
                continue
            device = spotter.sight.device
            senders = self._senders.get(spotter.spec.dgn, {})
            if not senders:
                yield f"nobody sent {spotter.spec.name}"
            elif device is not None and device not in senders:
                yield f"{spotter.spec.name} came from {', '.join(senders)}, not from {device}"

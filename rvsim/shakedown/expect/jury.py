"""All expectations of one scenario held against one run, and the evidence for those that are not met.

Knows: what is kept of a run for evidence, and where to look in each case. Does not know how a run is made: it is told
of frames after the watch has heard them, of events, and of the seconds of the vehicle.
"""

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import islice

from rvsim.errors import InputError
from rvsim.rig.quantity import duration_text, time_text
from rvsim.shakedown.expect.expectation_plans import Expectation, OwnAddressPlan, PresencePlan, WorldPlan
from rvsim.shakedown.expect.judge import Judge
from rvsim.shakedown.expect.sight import Spotter, spotters
from rvsim.shakedown.expect.sight_judges import SIGHT_JUDGES
from rvsim.shakedown.expect.state_judges import STATE_JUDGES
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.verdict import Outcome
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.watch import Event, FlagCleared, FlagRaised, PresenceChanged, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.quantity_text import compose, join
from rvsim.world.world import World

_JUDGES = {**SIGHT_JUDGES, **STATE_JUDGES}
_NEVER = 1 << 62
KEPT = 5
"""So many frames are shown as evidence."""
_HELD, _HELD_OF_EACH = 4096, 512
"""So many frames are held of all and of each source: more than a second of a full pair has (from memory: some 128 bits
a frame at 250 kbit/s), as it can be told late that something was wrong then."""


def judge_of(plan: Expectation, spotters: Mapping[str, Spotter], on_broken: Callable[[Judge], None]) -> Judge:
    """Return the judge of an expectation; ``on_broken`` is told once if it is not met."""
    return _JUDGES[type(plan)](plan, spotters, on_broken)


def problems_of(loaded: LoadedScenario, catalogue: Catalogue) -> Iterator[str]:
    """Yield a line for each expectation that cannot be judged."""
    lasts = loaded.scenario.lasts
    for number, plan in enumerate(loaded.scenario.expectations):
        if plan.since >= lasts:
            where = loaded.where("expect", number, "from")
            yield f"{where}: it begins at {duration_text(plan.since)}, and the run lasts {duration_text(lasts)}"
        try:
            spotters(plan.sights, catalogue)
        except InputError as error:
            for problem in error.problems:
                key, _, _ = problem.partition(":")
                yield f"{loaded.where('expect', number, key)}: {problem}"


def _seated(loaded: LoadedScenario, catalogue: Catalogue, on_broken: Callable[[Judge], None]) -> list[Judge]:
    """Return a judge for each expectation.

    Raises:
        InputError: some cannot be judged, a line for each.
    """
    problems = tuple(problems_of(loaded, catalogue))
    if problems:
        raise InputError(*problems)
    return [judge_of(plan, spotters(plan.sights, catalogue), on_broken) for plan in loaded.scenario.expectations]


def expected(loaded: LoadedScenario, catalogue: Catalogue) -> list[str]:
    """Return what each expectation of a scenario says, with the figures that can be shown in other units.

    Raises:
        InputError: some cannot be judged, a line for each.
    """
    return [judge.expected for judge in _seated(loaded, catalogue, lambda _: None)]


class Jury:
    """The judges of one run; ``catch_up`` has it told of the frames up to now, before evidence is taken from them.

    Raises:
        InputError: expectations that cannot be judged, a line for each.
    """

    def __init__(
        self, loaded: LoadedScenario, catalogue: Catalogue, watch: Watch, catch_up: Callable[[], None] = lambda: None
    ) -> None:
        self._watch, self._catch_up = watch, catch_up
        self._judges = _seated(loaded, catalogue, self.note_outcome)
        self._by_dgn: dict[int, list[Judge]] = {}
        self._any: list[Judge] = []
        self._senders: dict[int, dict[str, None]] = {}
        for judge in self._judges:
            self._sort_in(judge)
        self._present = [judge for judge in self._judges if isinstance(judge.plan, PresencePlan)]
        self._worlds = [judge for judge in self._judges if isinstance(judge.plan, WorldPlan)]
        self._intruded = [judge for judge in self._judges if isinstance(judge.plan, OwnAddressPlan)]
        self._intruders: list[tuple[int, bytes, str]] = []
        self._closing = [judge for judge in self._judges if judge.plan.until is not None]
        self._closed: set[Judge] = set()
        self._recent: defaultdict[int, deque[Frame]] = defaultdict(partial(deque, maxlen=_HELD_OF_EACH))
        self._last: deque[Frame] = deque(maxlen=_HELD)
        self._at_end: dict[Judge, tuple[str, ...]] = {}
        """The frames before the end of a part that is decided only when all is known."""
        self._next_due = self._upcoming()
        self._evidence: dict[Judge, tuple[tuple[str, ...], str]] = {}
        self.frames = 0

    def _upcoming(self) -> int:
        """Return the last moment up to which no judge has to be told that time has come so far."""
        ends = (judge.plan.until - 1 for judge in self._closing)
        dues = (judge.due for judge in self._judges if judge.due is not None)
        return min((*ends, *dues), default=_NEVER)

    def _pass(self, time: int) -> None:
        """Decide what time alone decides, as long as the last frames before that are at hand."""
        for judge in [judge for judge in self._closing if judge.plan.until <= time]:
            self._closing.remove(judge)
            if judge.spotters:
                self._close(judge, judge.plan.until)
            else:  # what follows from the frames before may be told later
                self._at_end[judge] = self._before(judge, judge.plan.until - 1)
        for judge in self._judges:
            if judge.due is not None and time > judge.due:
                judge.overdue(time)
        self._next_due = self._upcoming()

    def _close(self, judge: Judge, end: int) -> None:
        judge.finish(end)
        judge.due = None
        self._closed.add(judge)

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

    def observe_frame(self, frame: Frame, events: Sequence[Event]) -> None:
        """Take a frame that the watch has just heard, and what followed from it."""
        self.frames += 1
        if not self._judges:
            return
        time, identifier, _ = frame
        if time > self._next_due:
            self._pass(time)
        self._last.append(frame)
        self._recent[identifier & 0xFF].append(frame)
        judges = self._by_dgn.get(dgn_of(identifier))
        if judges is not None or self._any:
            device = self._watch.device_at(identifier & 0xFF)
            if judges is not None:
                self._senders[dgn_of(identifier)][device] = None
            for judge in (*(judges or ()), *self._any):
                judge.frame(time, frame, device)
                if judge.due is not None and judge.due < self._next_due:
                    self._next_due = judge.due
        if self._intruders:
            self._recognise(frame)
        if events:
            self.observe_events(events)

    def expect_intruder(self, identifier: int, data: bytes, holder: str) -> None:
        """Take that a frame from outside is under way from the address of a simulated device, its holder."""
        if self._intruded:
            self._intruders.append((identifier, data, holder))

    def _recognise(self, frame: Frame) -> None:
        for place, (identifier, data, holder) in enumerate(self._intruders):
            if (identifier, data) == (frame.identifier, frame.data):
                del self._intruders[place]
                for judge in self._intruded:
                    judge.intruder(frame.time, frame, holder)
                return

    def observe_events(self, events: Iterable[Event]) -> None:
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
        for judge in self._judges:
            if judge.plan.since < end and judge not in self._closed:
                judge.wires(end, self._watch.wire_problems)
                self._close(judge, end)
        return tuple(self._outcome(judge, end) for judge in self._judges)

    def _outcome(self, judge: Judge, end: int) -> Outcome:
        plan, broken = judge.plan, judge.broken
        expected = judge.expected
        if plan.since >= end:
            found = f"it counts from {time_text(plan.since)} on, and the run was judged at {time_text(end)}"
            return Outcome(expected, False, found, judged=False)
        if broken is None:
            return Outcome(expected, True)
        before, look = self._evidence[judge]
        near = judge.nearest
        nearest = compose(near.said, f" at {time_text(near.frame.time)}: {near.frame}") if near is not None else ""
        return Outcome(expected, False, broken.found, broken.time / 1e6, nearest, before, look)

    # Evidence.

    def note_outcome(self, judge: Judge) -> None:
        """Keep what was on the bus when an expectation was found not to be met."""
        self._catch_up()
        time = judge.broken.time if judge.broken is not None else 0
        until = judge.plan.until
        before = self._at_end.get(judge) if until is not None and time >= until else None
        if before is None:
            before = self._before(judge, time)
        self._evidence[judge] = (before, join("; ", self._hints(judge, time)))

    def _record(self, judge: Judge) -> RollCallLine | None:
        device = self._device(judge)
        return next((one for one in self._watch.roll_call if one.device == device), None)

    def _before(self, judge: Judge, time: int) -> tuple[str, ...]:
        """Return the last frames up to a time, of the device that a judge is about if it is heard."""
        record = self._record(judge)
        recent = self._recent.get(record.source) if record is not None and record.source is not None else None
        frames = (frame for frame in reversed(self._last if recent is None else recent) if frame.time <= time)
        return tuple(f"{time_text(frame.time)}  {frame}" for frame in reversed(list(islice(frames, KEPT))))

    @staticmethod
    def _device(judge: Judge) -> str | None:
        named: list[str | None] = [judge.plan.device] if isinstance(judge.plan, PresencePlan) else []
        named += [spotter.sight.device for spotter in judge.spotters.values()]
        return next((name for name in named if name is not None), None)

    def _hints(self, judge: Judge, time: int) -> Iterable[str]:
        device, record = self._device(judge), self._record(judge)
        for flag in self._watch.all_flags:
            stood = flag.since <= time and (flag.until is None or flag.until > time)
            if stood and (device is None or flag.subject in (device, "bus")):
                yield compose(f"flag {flag.tag} {flag.kind} of {flag.subject} stood then: ", flag.text)
        if device is not None and (record is None or record.state is None):
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

"""All expectations of one scenario judged against one run, and the evidence for those that are not met.

Knows: which frames are kept as evidence, and where to look in each case. Does not know how a run is made: it observes
frames and events after the watch has observed them, and the vehicle at each whole second.
"""

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import islice
from typing import assert_never

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import duration_text, time_text
from rvsim.shakedown.expect import expectation_plans as plans
from rvsim.shakedown.expect import sight_judges, state_judges
from rvsim.shakedown.expect.expectation_plans import Expectation, FlagPlan, PresencePlan
from rvsim.shakedown.expect.judge import AnyJudge
from rvsim.shakedown.expect.possible_traffic import PossibleTraffic, occasions
from rvsim.shakedown.expect.quantities import quantity
from rvsim.shakedown.expect.sight import SightMatcher, matchers_of
from rvsim.shakedown.expect.state_judges import OwnAddressJudge, PresenceJudge
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.verdict import Outcome
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.watch import Event, FlagCleared, FlagRaised, PresenceChanged, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.quantity_text import compose, join
from rvsim.world.world import World

_NO_DEADLINE = 1 << 62
MAX_EVIDENCE_FRAMES = 5
"""How many frames are shown as evidence."""
_MAX_RECENT_FRAMES, _MAX_RECENT_PER_SOURCE = 4096, 512
"""How many frames are held in all, and of each source: more than one second of a full bus has (from memory: some 128
bits a frame at 250 kbit/s), since a failure can be reported some time after the frames that it is about."""


def judge_of(
    plan: Expectation, matchers: Mapping[str, SightMatcher], on_failure: Callable[[AnyJudge], None]
) -> AnyJudge:
    """Return the judge of an expectation; ``on_failure`` is called once if it is not met."""
    match plan:
        case plans.SeenPlan():
            return sight_judges.SeenJudge(plan, matchers, on_failure)
        case plans.EnteredPlan():
            return sight_judges.EnteredJudge(plan, matchers, on_failure)
        case plans.NeverPlan():
            return sight_judges.NeverJudge(plan, matchers, on_failure)
        case plans.EveryPlan():
            return sight_judges.EveryJudge(plan, matchers, on_failure)
        case plans.OrderPlan():
            return sight_judges.OrderJudge(plan, matchers, on_failure)
        case plans.AnswerPlan():
            return sight_judges.AnswerJudge(plan, matchers, on_failure)
        case plans.OnlyAfterPlan():
            return sight_judges.OnlyAfterJudge(plan, matchers, on_failure)
        case plans.OnlyUntilPlan():
            return sight_judges.OnlyUntilJudge(plan, matchers, on_failure)
        case plans.NeverWhilePlan():
            return sight_judges.NeverWhileJudge(plan, matchers, on_failure)
        case plans.StaysPlan():
            return sight_judges.StaysJudge(plan, matchers, on_failure)
        case plans.RatePlan():
            return sight_judges.RateJudge(plan, matchers, on_failure)
        case plans.WorldPlan():
            return state_judges.WorldJudge(plan, matchers, on_failure)
        case plans.WiresPlan():
            return state_judges.WiresJudge(plan, matchers, on_failure)
        case plans.PresencePlan():
            return state_judges.PresenceJudge(plan, matchers, on_failure)
        case plans.FlagPlan():
            return state_judges.FlagJudge(plan, matchers, on_failure)
        case plans.OwnAddressPlan():
            return state_judges.OwnAddressJudge(plan, matchers, on_failure)
        case _:
            assert_never(plan)


def expectation_problems(loaded: LoadedScenario, catalogue: Catalogue) -> Iterator[str]:
    """Yield a line for each expectation that cannot be judged."""
    lasts, traffic = loaded.scenario.lasts, PossibleTraffic(loaded, catalogue)
    for number, plan in enumerate(loaded.scenario.expectations):
        if plan.since >= lasts:
            where = loaded.where("expect", number, "from")
            yield f"{where}: it starts at {duration_text(plan.since)}, and the run lasts {duration_text(lasts)}"
        try:
            matchers_of(plan.sights, catalogue)
        except InputError as error:
            for problem in error.problems:
                key, _, _ = problem.partition(":")
                yield f"{loaded.where('expect', number, key)}: {problem}"
        else:
            for key, sight in occasions(plan):
                why = traffic.why_no_occasion(sight)
                if why is not None:
                    yield f"{loaded.where('expect', number, key)}: {key}: {why}, so it is never seen; correct it"
        if isinstance(plan, FlagPlan) and plan.raised and plan.subject is not None:
            close = did_you_mean(plan.subject, [device.name for device in loaded.rig.devices])
            why = traffic.why_no_subject(plan.subject)
            if why is not None and close:
                yield f"{loaded.where('expect', number, 'subject')}: {why}{close}, so no flag is of it; correct it"


def _judges_of(loaded: LoadedScenario, catalogue: Catalogue, on_failure: Callable[[AnyJudge], None]) -> list[AnyJudge]:
    """Return a judge for each expectation.

    Raises:
        InputError: some cannot be judged, a line for each.
    """
    problems = tuple(expectation_problems(loaded, catalogue))
    if problems:
        raise InputError(*problems)
    return [judge_of(plan, matchers_of(plan.sights, catalogue), on_failure) for plan in loaded.scenario.expectations]


def expected(loaded: LoadedScenario, catalogue: Catalogue) -> list[str]:
    """Return what each expectation of a scenario says, with the figures that can be shown in other units.

    Raises:
        InputError: some cannot be judged, a line for each.
    """
    return [judge.expected for judge in _judges_of(loaded, catalogue, lambda _: None)]


class RunJudge:
    """Judges all expectations of one run.

    Args:
        loaded: the scenario.
        catalogue: the message definitions.
        watch: the watch of the run.
        catch_up: passes the frames up to now to the watch and to this object; called before evidence is collected.

    Raises:
        InputError: expectations that cannot be judged, a line for each.
    """

    def __init__(
        self, loaded: LoadedScenario, catalogue: Catalogue, watch: Watch, catch_up: Callable[[], None] = lambda: None
    ) -> None:
        self._watch, self._catch_up = watch, catch_up
        self._judges = _judges_of(loaded, catalogue, self.collect_evidence)
        self._by_dgn: dict[int, list[AnyJudge]] = {}
        self._of_any_dgn: list[AnyJudge] = []
        self._senders: dict[int, dict[str, None]] = {}
        for judge in self._judges:
            self._index(judge)
        self._presence_judges = [judge for judge in self._judges if isinstance(judge, PresenceJudge)]
        self._world_judges = [
            (judge, quantity(judge.value_name)[1]) for judge in self._judges if judge.value_name is not None
        ]
        """The judges that go by a value of the vehicle, each with what reads it."""
        self._own_address_judges = [judge for judge in self._judges if isinstance(judge, OwnAddressJudge)]
        self._outside_frames: list[tuple[int, bytes, str]] = []
        """Identifier, data and holder of frames from outside that are on their way to the watch."""
        self._part_ends = [(judge.plan.until, judge) for judge in self._judges if judge.plan.until is not None]
        """The ends of parts that the run has not reached, with their judges."""
        self._finished: set[AnyJudge] = set()
        self._recent: defaultdict[int, deque[Frame]] = defaultdict(partial(deque, maxlen=_MAX_RECENT_PER_SOURCE))
        self._recent_of_all: deque[Frame] = deque(maxlen=_MAX_RECENT_FRAMES)
        self._before_part_end: dict[AnyJudge, tuple[str, ...]] = {}
        """The frames before the end of a part that is decided only at the end of the run."""
        self._next_due = self._earliest_due()
        self._evidence: dict[AnyJudge, tuple[tuple[str, ...], str]] = {}
        self.frames = 0
        """How many frames were observed."""

    def _earliest_due(self) -> int:
        """Return the last time up to which no judge has to decide anything because of time alone."""
        ends = (until - 1 for until, _ in self._part_ends)
        dues = (judge.due for judge in self._judges if judge.due is not None)
        return min((*ends, *dues), default=_NO_DEADLINE)

    def _advance(self, time: int) -> None:
        """Decide what time alone decides, while the last frames before that time are still held."""
        for until, judge in [(until, judge) for until, judge in self._part_ends if until <= time]:
            self._part_ends.remove((until, judge))
            if judge.matchers:
                self._finish(judge, until)
            else:  # events that follow from the frames before this time may come later
                self._before_part_end[judge] = self._frames_before(judge, until - 1)
        for judge in self._judges:
            if judge.due is not None and time > judge.due:
                judge.overdue(time)
        self._next_due = self._earliest_due()

    def _finish(self, judge: AnyJudge, end: int) -> None:
        judge.finish(end)
        judge.due = None
        self._finished.add(judge)

    def _index(self, judge: AnyJudge) -> None:
        dgns = {matcher.dgn for matcher in judge.matchers.values()}
        if None in dgns:
            self._of_any_dgn.append(judge)
            return
        for dgn in dgns:
            self._by_dgn.setdefault(dgn or 0, []).append(judge)
            self._senders.setdefault(dgn or 0, {})

    @property
    def needs_seconds(self) -> bool:
        """Whether ``observe_second`` has to be called."""
        return bool(self._world_judges)

    # What is observed.

    def observe_frame(self, frame: Frame, events: Sequence[Event]) -> None:
        """Observe a frame that the watch has just observed, and the events that followed from it."""
        self.frames += 1
        if not self._judges:
            return
        time, identifier, _ = frame
        if time > self._next_due:
            self._advance(time)
        self._recent_of_all.append(frame)
        self._recent[identifier & 0xFF].append(frame)
        judges = self._by_dgn.get(dgn_of(identifier))
        if judges is not None or self._of_any_dgn:
            device = self._watch.device_at(identifier & 0xFF)
            if judges is not None:
                self._senders[dgn_of(identifier)][device] = None
            for judge in (*(judges or ()), *self._of_any_dgn):
                judge.observe_frame(time, frame, device)
                if judge.due is not None and judge.due < self._next_due:
                    self._next_due = judge.due
        if self._outside_frames:
            self._match_outside_frame(frame)
        if events:
            self.observe_events(events)

    # What is passed over.

    @property
    def next_due(self) -> int:
        """The last time, in microseconds, up to which no frame decides anything by its time alone."""
        return self._next_due if self._judges else _NO_DEADLINE

    @property
    def known_senders(self) -> int:
        """How many pairs of a device and a message that it has sent are known; what concerns a judge depends on it."""
        return sum(map(len, self._senders.values()))

    def may_concern(self, frame: Frame, device: str) -> bool:
        """Tell whether a frame of ``device`` can be what a judge looks for, whatever the values of its fields are.

        The answer is the same for all frames of one identifier and instance as long as ``known_senders`` is the same.
        """
        judges = self._by_dgn.get(dgn_of(frame.identifier), ())
        if judges and device not in self._senders[dgn_of(frame.identifier)]:
            return True
        return any(
            matcher.may_match(frame, device)
            for judge in (*judges, *self._of_any_dgn)
            for matcher in judge.matchers.values()
        )

    def pass_over(self, frames: Sequence[Frame]) -> None:
        """Note frames that concern no judge, none of them later than ``next_due``: they are evidence."""
        self.frames += len(frames)
        if self._judges:
            self._recent_of_all.extend(frames)
            recent = self._recent
            for frame in frames:
                recent[frame[1] & 0xFF].append(frame)

    @property
    def awaits_outside_frame(self) -> bool:
        """Whether a frame from outside is announced that was not observed yet: then it must observe every frame."""
        return bool(self._outside_frames)

    def expect_outside_frame(self, identifier: int, data: bytes, holder: str) -> None:
        """Announce a frame from outside that has the source address of a simulated device, its holder."""
        if self._own_address_judges:
            self._outside_frames.append((identifier, data, holder))

    def _match_outside_frame(self, frame: Frame) -> None:
        for place, (identifier, data, holder) in enumerate(self._outside_frames):
            if (identifier, data) == (frame.identifier, frame.data):
                del self._outside_frames[place]
                for judge in self._own_address_judges:
                    judge.observe_outside_frame(frame.time, frame, holder)
                return

    def observe_events(self, events: Iterable[Event]) -> None:
        """Observe events of the watch."""
        for event in events:
            if isinstance(event, FlagRaised | FlagCleared):
                for judge in self._judges:
                    judge.observe_flag(event.time, event.flag)
            elif isinstance(event, PresenceChanged):
                for presence_judge in self._presence_judges:
                    presence_judge.observe_presence(event.time, event.device, event.state)

    def observe_second(self, time: int, world: World) -> None:
        """Observe the vehicle at a whole second."""
        self.observe_values(time, self.read_values(time, world))

    def read_values(self, time: int, world: World) -> tuple[float | None, ...]:
        """Return the values of the vehicle that ``observe_values`` takes; None for one that is not needed now."""
        return tuple([read(world) if judge.needs_value(time) else None for judge, read in self._world_judges])

    def observe_values(self, time: int, values: Sequence[float | None]) -> None:
        """Observe values of the vehicle at a whole second; they are those of ``read_values``."""
        for (judge, _), value in zip(self._world_judges, values, strict=True):
            if value is not None:
                judge.observe_value(time, value)

    def finish(self, end: int) -> tuple[Outcome, ...]:
        """Return the outcome of each expectation in a run that ends now."""
        for judge in self._judges:
            if judge.plan.since < end and judge not in self._finished:
                judge.observe_wires(end, self._watch.wire_problems)
                self._finish(judge, end)
        return tuple(self._outcome(judge, end) for judge in self._judges)

    def _outcome(self, judge: AnyJudge, end: int) -> Outcome:
        plan, failure = judge.plan, judge.failure
        expected = judge.expected
        if plan.since >= end:
            found = f"it applies from {time_text(plan.since)}, and the run was judged at {time_text(end)}"
            return Outcome(expected, False, found, judged=False)
        if failure is None:
            return Outcome(expected, True, judge.untested)
        before, look = self._evidence[judge]
        near = judge.nearest
        nearest = compose(near.text, f" at {time_text(near.frame.time)}: {near.frame}") if near is not None else ""
        return Outcome(expected, False, failure.found, failure.time / SECOND_US, nearest, before, look)

    # Evidence.

    def collect_evidence(self, judge: AnyJudge) -> None:
        """Keep the frames before the time at which an expectation failed, and where to look."""
        self._catch_up()
        time = judge.failure.time if judge.failure is not None else 0
        until = judge.plan.until
        before = self._before_part_end.get(judge) if until is not None and time >= until else None
        if before is None:
            before = self._frames_before(judge, time)
        self._evidence[judge] = (before, join("; ", self._hints(judge, time)))

    def _roll_call_line(self, judge: AnyJudge) -> RollCallLine | None:
        device = self._device(judge)
        return next((line for line in self._watch.roll_call if line.device == device), None)

    def _frames_before(self, judge: AnyJudge, time: int) -> tuple[str, ...]:
        """Return the last frames up to a time: of the device that a judge is about if it was seen, else of all."""
        line = self._roll_call_line(judge)
        recent = self._recent.get(line.source) if line is not None and line.source is not None else None
        frames = (frame for frame in reversed(self._recent_of_all if recent is None else recent) if frame.time <= time)
        shown = reversed(list(islice(frames, MAX_EVIDENCE_FRAMES)))
        return tuple(f"{time_text(frame.time)}  {frame}" for frame in shown)

    @staticmethod
    def _device(judge: AnyJudge) -> str | None:
        """Return the device that an expectation is about, None if it names none."""
        names: list[str | None] = [judge.plan.device] if isinstance(judge.plan, PresencePlan) else []
        names += [matcher.sight.device for matcher in judge.matchers.values()]
        return next((name for name in names if name is not None), None)

    def _hints(self, judge: AnyJudge, time: int) -> Iterable[str]:
        device, line = self._device(judge), self._roll_call_line(judge)
        for flag in self._watch.all_flags:
            stood = flag.since <= time and (flag.until is None or flag.until > time)
            if stood and (device is None or flag.subject in (device, "bus")):
                yield compose(f"flag {flag.tag}, {flag.kind} of {flag.subject}, was active at that time: ", flag.text)
        if device is not None and (line is None or line.state is None):
            yield f"no frame of {device} was seen: is it in this run, at its planned address?"
        yield from self._other_senders(judge)
        if judge.nearest is not None:
            yield "the message was seen, but its field had other values: check what sets that field"

    def _other_senders(self, judge: AnyJudge) -> Iterable[str]:
        for matcher in judge.awaited:
            if matcher.spec is None:
                continue
            device = matcher.sight.device
            senders = self._senders.get(matcher.spec.dgn, {})
            if not senders:
                yield f"no device sent {matcher.spec.name}"
            elif device is not None and device not in senders:
                yield f"{matcher.spec.name} was sent by {', '.join(senders)}, not by {device}"

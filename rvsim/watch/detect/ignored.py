"""Commands that are followed by no change of status.

Needs every frame of commands and acknowledgements; of status messages and heartbeats the changes, and every frame while
a command to their function waits for its answer.

Knows: that a command is answered by a change in the fields of its function's status that it gives, or, where the status
has no such field, by any change of it; in either case by a change of the function's heartbeat. A device is judged once
it had its time and every one of its periodic topics has spoken again. Not judged: a command that asks for what is
already so; the repetition of one that was obeyed, while the status still says what it said then (a set point beyond a
limit); an output that stands at zero while the heartbeat says that the function is at its job (ignition, cold coolant);
and a function that starts slowly, for its first three minutes.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping

from rvsim.rig.functions import by_dsa, by_status
from rvsim.rig.model import DEFAULT_ANSWER_TIME_US
from rvsim.watch.detect.answers import SLOW_STARTERS, answering, comparable, counts, is_rest, same
from rvsim.watch.detect.commands import Command, PlannedDevices, Thing
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import CommandIgnored, Ended, Transition
from rvsim.wire.fields import Reading
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec

START_TIME_US = 180 * SECOND_US
"""So long a slow starter may stay at rest: tries of ignition, the rest of a compressor. Common practice, no source."""
_AT_WORK = ("operating_status_1", "operating_status_2")
"""The fields of a heartbeat that say whether its function is on, and at its job."""
_CODES = {0: "acknowledged", 1: "refused", 2: "refused, access denied", 3: "refused, cannot respond now"}
"""What an acknowledgement says (SAE J1939-21)."""

_ACKNOWLEDGED = ("acknowledgment_code", "source_address_acknowledged", "dgn_acknowledged")

_Pairs = list[tuple[Reading, Reading]]


class _Waiting:
    """Commands to one thing that wait for an answer; ``due`` is bus time."""

    def __init__(self, command: Command, before: Mapping[TopicRecord, bytes], due: int) -> None:
        self.first = command
        self.latest = command
        self.given = dict(command.given)
        self.commanders = {command.source: None}
        self.count = 1
        self.before = dict(before)
        """What each topic said last before it was commanded."""
        self.due = due
        self.answers: dict[str, None] = {}

    def add(self, command: Command) -> None:
        """Take another command that came before an answer."""
        self.latest = command
        self.given.update(command.given)
        self.commanders[command.source] = None
        self.count += 1


class _State:
    """What is known of one thing that was commanded."""

    def __init__(self, number: int, thing: Thing) -> None:
        self.number = number
        self.thing = thing
        self.waiting: _Waiting | None = None
        self.last: dict[str, int | None] = {}
        """What it was commanded last, by field."""
        self.obeyed: dict[str, tuple[int | None, int | None]] = {}
        """What it was commanded when it obeyed, and what it said when that was repeated, None as long as it was not."""
        self.told: CommandIgnored | None = None
        self.ignored: dict[str, Reading] = {}
        """What it was commanded and did not obey."""


class IgnoredCommands:
    """Holds what functions say against what they are commanded."""

    def __init__(
        self,
        planned: PlannedDevices,
        deadlines: Deadlines,
        emit: Callable[[Transition], None],
        name_of: Callable[[int], str],
    ) -> None:
        self._planned = planned
        self._deadlines = deadlines
        self._emit = emit
        self._name_of = name_of
        self._answering = DeadlineKind(21, self._answer_due, self._expire)
        self._states: dict[Thing, _State] = {}
        self._of: dict[tuple[str, int | None], list[_State]] = {}
        """The things of one function and instance: commanded to all, or to one node."""
        self._statuses: dict[tuple[str, int | None], list[TopicRecord]] = {}
        self._heartbeats: dict[str, list[TopicRecord]] = {}

    # What comes in.

    def observe(self, command: Command) -> None:
        """Take in a command."""
        thing = command.thing
        state = self._states.get(thing)
        if state is None:
            state = self._states[thing] = _State(len(self._states), thing)
            self._of.setdefault(thing[:2], []).append(state)
        before = {name: state.last.get(name) for name in command.given}
        new = {name: reading.raw for name, reading in command.given.items()}
        state.last.update(new)
        parts = [part for part in self._statuses.get(thing[:2], ()) if _speaks(part, thing, command.now)]
        if not parts:
            state.waiting = None
            return
        if state.waiting is not None:
            state.waiting.add(command)
        given = state.waiting.given if state.waiting is not None else command.given
        pairs = list(_pairs(given, parts))
        differing = [pair for pair in pairs if self._differs(state, *pair)]
        if pairs and not differing:
            state.waiting = None
            self._end(state, command.frame.time)
        elif state.waiting is None and (pairs or (None not in before.values() and before != new)):
            self._wait(state, command, parts, differing)

    def status(self, part: TopicRecord) -> bool:
        """Take in a status of a function; return whether the same frame again could change nothing here."""
        spec = part.layout.spec
        function = by_status(spec.name) if spec is not None else None
        if function is None:
            return True
        key = function.name, part.topic.instance
        known = self._statuses.setdefault(key, [])
        if part not in known:
            known.append(part)
        return self._answered(self._of.get(key, ()), part)

    def heartbeat(self, part: TopicRecord) -> bool:
        """Take in a heartbeat; return whether the same frame again could change nothing here."""
        function = by_dsa(part.topic.dsa) if part.topic.dsa is not None else None
        if function is None:
            return True
        known = self._heartbeats.setdefault(function.name, [])
        if part not in known:
            known.append(part)
        return self._answered((one for one in self._states.values() if one.thing.function == function.name), part)

    def acknowledgement(self, part: TopicRecord) -> None:
        """Take in an acknowledgement: what a waiting command was told."""
        spec = part.layout.spec
        said = {reading.field.name: reading.raw for reading in spec.decode(part.frame.data)} if spec else {}
        code, whose, dgn = (said.get(name) for name in _ACKNOWLEDGED)
        for state in self._states.values():
            waiting = state.waiting
            if waiting is None or whose not in waiting.commanders or dgn not in _dgns(waiting) or code not in _CODES:
                continue
            if any(one.topic.source == part.topic.source for one in waiting.before):
                waiting.answers[f"{_CODES[code]} by {self._name_of(part.topic.source)}"] = None

    def forget(self, part: TopicRecord, time: int) -> None:
        """Forget a topic that nobody speaks for any more."""
        for key, parts in self._statuses.items():
            if part in parts:
                parts.remove(part)
                for state in self._of.get(key, ()):
                    state.waiting = None
                    if not parts and state.told is not None:
                        self._end(state, time)
        for parts in self._heartbeats.values():
            if part in parts:
                parts.remove(part)

    # Waiting.

    def _wait(self, state: _State, command: Command, parts: list[TopicRecord], differing: _Pairs) -> None:
        plan, thing = self._planned.of(state.thing), state.thing
        time = plan.answer_time if plan is not None else DEFAULT_ANSWER_TIME_US
        if thing.function in SLOW_STARTERS and all(is_rest(said) and not is_rest(wanted) for wanted, said in differing):
            time = max(time, START_TIME_US)
        beating = self._beating(thing, parts, command.now)
        before = {part: part.frame.data for part in (*parts, *beating)}
        state.waiting = _Waiting(command, before, command.now + time)
        for part in before:
            part.settled_data = None  # every frame is looked at from now on
        self._deadlines.schedule(state.waiting.due, self._answering, state.number, state)

    def _beating(self, thing: Thing, parts: Iterable[TopicRecord], now: int) -> list[TopicRecord]:
        """Return the heartbeats of those who speak for a thing."""
        sources = {part.topic.source for part in parts}
        beating = self._heartbeats.get(thing.function, ())
        return [part for part in beating if part.topic.source in sources and _speaks(part, thing, now)]

    def _differs(self, state: _State, wanted: Reading, said: Reading) -> bool:
        """Tell whether a command asks for what is not so, and was not found to be all that the device does."""
        name = wanted.field.name
        asked, answered = state.obeyed.get(name, (None, None))
        if asked is None or asked != wanted.raw:
            return not same(wanted, said)
        if answered is None:
            state.obeyed[name] = asked, said.raw
        return answered not in (None, said.raw) and not same(wanted, said)

    # Answers.

    def _answered(self, states: Iterable[_State], part: TopicRecord) -> bool:
        """Look at what was said by somebody who was commanded."""
        nothing_waits = True
        for state in states:
            if state.thing.node not in (None, part.topic.source):
                continue
            time, now = part.frame.time, part.rhythm.times[-1]
            waiting = state.waiting
            if waiting is not None and _was_away(part):
                state.waiting = None
            elif waiting is not None and _obeyed(waiting, part):
                state.waiting = None
                state.obeyed = {name: (reading.raw, None) for name, reading in waiting.given.items()}
                if state.told is not None:
                    self._end(state, time)
            elif waiting is not None and now > waiting.due:
                self._judge(state, waiting, time)
            if state.told is not None:
                self._as_commanded(state, list(self._statuses.get(state.thing[:2], ())), time)
            nothing_waits = nothing_waits and state.waiting is None
        return nothing_waits

    def _as_commanded(self, state: _State, parts: list[TopicRecord], time: int) -> None:
        """End what is told where the state now is what was commanded."""
        pairs = list(_pairs(state.ignored, parts))
        if state.told is not None and pairs and all(same(wanted, said) for wanted, said in pairs):
            self._end(state, time)

    def _end(self, state: _State, time: int) -> None:
        if state.told is not None:
            self._emit(Ended(time, state.told.problem_key))
        state.told, state.ignored = None, {}

    def _answer_due(self, state: _State, passed: int) -> int | None:
        return max(passed, state.waiting.due) if state.waiting is not None else None

    def _expire(self, state: _State, time: int, since: int) -> None:  # noqa: ARG002 - as every duty
        if state.waiting is not None:
            self._judge(state, state.waiting, time)

    def _judge(self, state: _State, waiting: _Waiting, time: int) -> None:
        """Judge a command whose time is over, once all have spoken again who speak periodically."""
        if any(part.rhythm.gap() is not None and part.rhythm.times[-1] <= waiting.due for part in waiting.before):
            return
        state.waiting = None
        parts = [part for part in waiting.before if part.topic.dsa is None]
        pairs = list(_pairs(waiting.given, parts))
        differing = [pair for pair in pairs if not same(*pair)]
        starting = differing and all(is_rest(said) and not is_rest(wanted) for wanted, said in differing)
        if starting and any(_is_at_work(part) for part in waiting.before if part.topic.dsa is not None):
            return
        if differing or not pairs:
            self._tell(state, waiting, parts, differing, time)

    def _tell(self, state: _State, waiting: _Waiting, parts: list[TopicRecord], differing: _Pairs, time: int) -> None:
        alone: list[tuple[Reading, Reading | None]] = [(reading, None) for reading in waiting.given.values()]
        pairs = differing or alone
        part = next((one for one in parts if differing and _has(one.layout.spec, differing[0][1])), parts[0])
        answer_time = waiting.due - waiting.first.now
        told = state.told
        state.ignored.update(waiting.given)
        state.told = CommandIgnored(
            time,
            told.since if told is not None else waiting.first.frame.time + answer_time,
            part.device.name,
            tuple(dict.fromkeys(self._name_of(source) for source in waiting.commanders)),
            str(state.thing),
            state.thing.node,
            tuple(wanted for wanted, _ in pairs),
            tuple(said for _, said in pairs),
            answer_time,
            waiting.count + (told.commands if told is not None else 0),
            tuple(waiting.answers),
            part.topic,
            waiting.latest.frame,
            part.frame,
        )
        self._emit(state.told)


def _pairs(given: Mapping[str, Reading], parts: Iterable[TopicRecord]) -> Iterator[tuple[Reading, Reading]]:
    for part in parts:
        if part.layout.spec is not None:
            yield from comparable(given, part.layout.spec, part.frame.data)


def _speaks(part: TopicRecord, thing: Thing, now: int) -> bool:
    """Tell whether a topic is being heard, and from the node that a command was sent to."""
    rhythm = part.rhythm
    lives = part.device.is_heard and (rhythm.gap() is None or now - rhythm.times[-1] <= rhythm.limit())
    return lives and thing.node in (None, part.topic.source)


def _was_away(part: TopicRecord) -> bool:
    """Tell whether a periodic topic has come back only now."""
    times = part.rhythm.times
    return len(times) > 1 and part.rhythm.gap() is not None and times[-1] - times[-2] > part.rhythm.limit()


def _obeyed(waiting: _Waiting, part: TopicRecord) -> bool:
    """Tell whether what a topic says has changed since the command, in what it was commanded where it says that."""
    spec, data = part.layout.spec, part.frame.data
    before = waiting.before.setdefault(part, data)
    if spec is None or before == data:
        return False
    if part.topic.dsa is not None:
        return any(_changed(spec, name, before, data) for name in _AT_WORK)
    if _is_comparable(waiting):
        fields = (answering(one.field, spec) for one in waiting.given.values() if counts(one.field.name, waiting.given))
        return any(_changed(spec, field.name, before, data) for field in fields if field is not None)
    return True


def _is_comparable(waiting: _Waiting) -> bool:
    """Tell whether any status has said, before the command, what it was to be compared with."""
    said = ((one.layout.spec, data) for one, data in waiting.before.items() if one.topic.dsa is None)
    return any(True for spec, data in said if spec is not None for _ in comparable(waiting.given, spec, data))


def _changed(spec: MessageSpec, name: str, before: bytes, data: bytes) -> bool:
    field = spec.by_name.get(name)
    return field is not None and field.raw_in(before) != field.raw_in(data)


def _is_at_work(part: TopicRecord) -> bool:
    spec = part.layout.spec
    field = spec.by_name.get(_AT_WORK[1]) if spec is not None else None
    return field is not None and field.raw_in(part.frame.data) == 1


def _has(spec: MessageSpec | None, said: Reading) -> bool:
    return spec is not None and spec.by_name.get(said.field.name) is said.field


def _dgns(waiting: _Waiting) -> set[int]:
    return {dgn_of(command.frame.identifier) for command in (waiting.first, waiting.latest)}

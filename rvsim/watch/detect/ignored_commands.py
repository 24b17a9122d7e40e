"""Commands that are followed by no change of status.

Needs every frame of commands and acknowledgments; of status messages and heartbeats the changes while a command to
their function waits for its answer, and the first frame of each after its answer time.

Knows: that a command is answered by a change in those fields of the function's status that it sets, or, where the
status has no such field, by any change of the status; in either case also by a change of the function's heartbeat of
the same unit. A device is judged after its answer time, when each of its periodic topics was received again. Not
judged: a command for a state that is already reached; the repetition of a command that was obeyed, while the status
still reports what it did then (a set point beyond a limit); an output at zero while the heartbeat reports that the
function is active (ignition, cold coolant); and a function that starts slowly, for its first three minutes, and longer
where no heartbeat reports whether it is active.
A dimmer or a load may wait as long as the command or the rig says, and what in its status explains that it does not
obey is told with it: a trip, a lock, an override. Does not know the layouts of messages.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping

from rvsim.rig.default_times import DEFAULT_ANSWER_TIME_US
from rvsim.rig.functions import by_dsa, by_status
from rvsim.watch.detect import output_commands
from rvsim.watch.detect.answers import (
    SLOW_STARTERS,
    answering_field,
    comparable_readings,
    is_commanded_value,
    is_zero_percent,
    same_value,
)
from rvsim.watch.detect.commands import Command, CommandTarget, PlannedDevices
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import CommandIgnored, Ended, Transition
from rvsim.wire.fields import Reading
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec

MAX_START_US = 180 * SECOND_US
"""How long a slow starter may have no output: ignition attempts, the pause of a compressor. Common practice, no
source."""
_HEARTBEAT_STATE_FIELDS = ("operating_status_1", "operating_status_2")
"""The fields of a heartbeat that report whether its function is on, and whether it is active."""
_INACTIVE, _ACTIVE = 0, 1
"""The codes of the second of them."""
_ACKNOWLEDGMENT_TEXTS = {0: "acknowledged", 1: "refused", 2: "refused, access denied", 3: "refused, cannot respond now"}
"""The codes of an acknowledgment (SAE J1939-21), as texts of a flag."""

_ACKNOWLEDGMENT_FIELDS = ("acknowledgment_code", "source_address_acknowledged", "dgn_acknowledged")

_ReadingPairs = list[tuple[Reading, Reading]]


class _PendingCommands:
    """Commands to one function and instance that wait for an answer; ``due`` is bus time."""

    def __init__(self, command: Command, before: Mapping[TopicRecord, bytes], due: int) -> None:
        self.first = command
        self.latest = command
        self.commanded = dict(command.commanded)
        self.commanders = {command.source: None}
        self.count = 1
        self.before = dict(before)
        """The last data of each topic before the command."""
        self.sources = {record.topic.source for record in before}
        self.due = due
        self.answers: dict[str, None] = {}

    def add(self, command: Command) -> None:
        """Add another command that came before an answer; where it differs the next frames may be the answer."""
        self.latest = command
        commanded = {**self.commanded, **command.commanded}
        if commanded != self.commanded:
            self.examine_next()
        self.commanded = commanded
        self.commanders[command.source] = None
        self.count += 1

    def examine_next(self) -> None:
        """Have the next frames of all its topics examined, even if they are the same."""
        for record in self.before:
            record.examine_next()


class _TargetState:
    """What is known of one function and instance that was commanded."""

    def __init__(self, number: int, target: CommandTarget) -> None:
        self.number = number
        self.target = target
        self.pending: _PendingCommands | None = None
        self.last_raws: dict[str, int | None] = {}
        """The raw values that were last commanded, by field."""
        self.obeyed: dict[str, tuple[int | None, int | None]] = {}
        """By field: the raw value of the command that was obeyed, and the raw value of the status when that command was
        repeated, None before it was."""
        self.reported: CommandIgnored | None = None
        self.disobeyed: dict[str, Reading] = {}
        """The commanded readings that were not obeyed, by field."""


class IgnoredCommands:
    """Compares the status of functions with their commands."""

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
        self._answer_deadline = DeadlineKind(21, self._answer_due, self._expire)
        self._states: dict[CommandTarget, _TargetState] = {}
        self._states_of: dict[tuple[str, int | None], list[_TargetState]] = {}
        """The states of one function and instance: commanded to all, or to one node."""
        self._statuses: dict[tuple[str, int | None], list[TopicRecord]] = {}
        self._heartbeats: dict[str, list[TopicRecord]] = {}

    # Frames.

    def observe(self, command: Command) -> None:
        """Take in a command."""
        if not command.is_answered:
            return
        target = command.target
        state = self._states.get(target)
        if state is None:
            state = self._states[target] = _TargetState(len(self._states), target)
            self._states_of.setdefault(target[:2], []).append(state)
        before = {name: state.last_raws.get(name) for name in command.commanded}
        new = {name: reading.raw for name, reading in command.commanded.items()}
        state.last_raws.update(new)
        records = [record for record in self._statuses.get(target[:2], ()) if _is_heard(record, target, command.now)]
        if not records:
            state.pending = None
            return
        if state.pending is not None:
            state.pending.add(command)
        commanded = state.pending.commanded if state.pending is not None else command.commanded
        pairs = list(_pairs(commanded, records))
        differing = [pair for pair in pairs if self._differs(state, *pair)]
        if pairs and not differing:
            state.pending = None
            self._clear(state, command.frame.time)
        elif state.pending is None and (pairs or (None not in before.values() and before != new)):
            self._start_waiting(state, command, records, differing)

    def observe_status(self, record: TopicRecord) -> bool:
        """Take in a status of a function; return whether the same frame again would change nothing here."""
        spec = record.layout.spec
        function = by_status(spec.name) if spec is not None else None
        if function is None:
            return True
        key = function.name, record.topic.instance
        known = self._statuses.setdefault(key, [])
        if record not in known:
            known.append(record)
        return self._check_answers(self._states_of.get(key, ()), record)

    def observe_heartbeat(self, record: TopicRecord) -> bool:
        """Take in a heartbeat; return whether the same frame again would change nothing here."""
        function = by_dsa(record.topic.dsa) if record.topic.dsa is not None else None
        if function is None:
            return True
        known = self._heartbeats.setdefault(function.name, [])
        if record not in known:
            known.append(record)
        return self._check_answers(self._states_for(function.name), record)

    def needs_each_change(self, record: TopicRecord) -> bool:
        """Return whether each frame with new data of a status or heartbeat is needed at present: a command to its
        function is not settled, or for a heartbeat waits for its answer.
        """
        if record.topic.dsa is not None:
            function = by_dsa(record.topic.dsa)
            return function is not None and any(state.pending is not None for state in self._states_for(function.name))
        function = by_status(record.topic.message or "")
        states = self._states_of.get((function.name, record.topic.instance), ()) if function is not None else ()
        return any(state.pending is not None or state.reported is not None for state in states)

    def observe_acknowledgment(self, record: TopicRecord) -> None:
        """Take in an acknowledgment: it may answer a waiting command."""
        spec = record.layout.spec
        raws = {reading.field.name: reading.raw for reading in spec.decode(record.frame.data)} if spec else {}
        code, commander, dgn = (raws.get(name) for name in _ACKNOWLEDGMENT_FIELDS)
        for state in self._states.values():
            pending = state.pending
            if (
                pending is None
                or commander not in pending.commanders
                or dgn not in _dgns(pending)
                or code not in _ACKNOWLEDGMENT_TEXTS
            ):
                continue
            if any(known.topic.source == record.topic.source for known in pending.before):
                pending.answers[f"{_ACKNOWLEDGMENT_TEXTS[code]} by {self._name_of(record.topic.source)}"] = None

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        for key, records in self._statuses.items():
            if record in records:
                records.remove(record)
                for state in self._states_of.get(key, ()):
                    state.pending = None
                    if not records and state.reported is not None:
                        self._clear(state, time)
        for records in self._heartbeats.values():
            if record in records:
                records.remove(record)

    def resume_listening(self) -> None:
        """Wait for no answer any more: nobody listened for a time, so answers and later commands were missed."""
        for state in self._states.values():
            state.pending = None
            state.last_raws.clear()

    def _states_for(self, function: str) -> Iterator[_TargetState]:
        """Yield the states of a function, of whatever instance."""
        return (state for state in self._states.values() if state.target.function == function)

    # Waiting.

    def _start_waiting(
        self, state: _TargetState, command: Command, records: list[TopicRecord], differing: _ReadingPairs
    ) -> None:
        plan, target = self._planned.find(state.target), state.target
        answer_time_us = plan.answer_time if plan is not None else DEFAULT_ANSWER_TIME_US
        if target.function in SLOW_STARTERS and _are_without_output(differing):
            answer_time_us = max(answer_time_us, MAX_START_US)
        answer_time_us += command.delay_us
        if all(is_zero_percent(reading) for reading in command.states.values()):
            answer_time_us += self._planned.off_delay_us(target)
        heartbeats = self._heartbeats_of(target, records, command.now)
        before = {record: record.frame.data for record in (*records, *heartbeats)}
        state.pending = _PendingCommands(command, before, command.now + answer_time_us)
        for record in before:
            if not _is_told_late(record):
                record.examine_next()
        for record in (*before, *self._statuses.get(target[:2], ())):
            record.choose_again()
        self._deadlines.schedule(state.pending.due, self._answer_deadline, state.number, state)
        self._deadlines.hasten(state.pending.due, self._answer_deadline, state.number, state)

    def _heartbeats_of(self, target: CommandTarget, records: Iterable[TopicRecord], now: int) -> list[TopicRecord]:
        """Return the heartbeats of the sources of these topics, for the commanded function."""
        sources = {record.topic.source for record in records}
        heartbeats = self._heartbeats.get(target.function, ())
        return [record for record in heartbeats if record.topic.source in sources and _is_heard(record, target, now)]

    def _differs(self, state: _TargetState, commanded: Reading, reported: Reading) -> bool:
        """Return whether a status differs from a command, and the device has not obeyed the same command before."""
        name = commanded.field.name
        obeyed_raw, answered_raw = state.obeyed.get(name, (None, None))
        if obeyed_raw is None or obeyed_raw != commanded.raw:
            return not same_value(commanded, reported)
        if answered_raw is None:
            state.obeyed[name] = obeyed_raw, reported.raw
        return answered_raw not in (None, reported.raw) and not same_value(commanded, reported)

    # Answers.

    def _check_answers(self, states: Iterable[_TargetState], record: TopicRecord) -> bool:
        """Check the frame of a commanded function; return whether the same frame again would change nothing here."""
        settled = True
        for state in states:
            if state.target.node not in (None, record.topic.source):
                continue
            time, now = record.frame.time, record.rhythm.times[-1]
            pending = state.pending
            if pending is not None and record.topic.dsa is not None and record.topic.source not in pending.sources:
                continue  # another unit has the same function
            if pending is not None and _has_returned(record):
                state.pending = None
            elif pending is not None and _has_obeyed(pending, record):
                state.pending = None
                state.obeyed = {name: (reading.raw, None) for name, reading in pending.commanded.items()}
                if state.reported is not None:
                    self._clear(state, time)
            elif pending is not None and now > pending.due:
                self._judge(state, pending, time)
            if state.reported is not None:
                self._clear_if_as_commanded(state, list(self._statuses.get(state.target[:2], ())), time)
            settled = settled and (state.pending is None or _is_told_late(record))
        return settled

    def _clear_if_as_commanded(self, state: _TargetState, records: list[TopicRecord], time: int) -> None:
        """End the reported problem where the state is now as commanded."""
        pairs = list(_pairs(state.disobeyed, records))
        if (
            state.reported is not None
            and pairs
            and all(same_value(commanded, reported) for commanded, reported in pairs)
        ):
            self._clear(state, time)

    def _clear(self, state: _TargetState, time: int) -> None:
        if state.reported is not None:
            self._emit(Ended(time, state.reported.problem_key))
        state.reported, state.disobeyed = None, {}

    def _answer_due(self, state: _TargetState, passed: int) -> int | None:
        return max(passed, state.pending.due) if state.pending is not None else None

    def _expire(self, state: _TargetState, time: int, since: int) -> None:  # noqa: ARG002 - every deadline has it
        if state.pending is not None:
            self._judge(state, state.pending, time)
        if state.pending is not None:
            state.pending.examine_next()

    def _judge(self, state: _TargetState, pending: _PendingCommands, time: int) -> None:
        """Judge a command after its answer time, when all periodic topics were received again."""
        if any(record.rhythm.gap() is not None and record.rhythm.times[-1] <= pending.due for record in pending.before):
            return
        state.pending = None
        records = [record for record in pending.before if record.topic.dsa is None]
        pairs = list(_pairs(pending.commanded, records))
        differing = [pair for pair in pairs if not same_value(*pair)]
        if differing and _are_without_output(differing):
            activities = {_activity(record) for record in pending.before if record.topic.dsa is not None}
            is_slow = state.target.function in SLOW_STARTERS
            if _ACTIVE in activities or (is_slow and _INACTIVE not in activities):
                return
        if differing or not pairs:
            self._report(state, pending, records, differing, time)

    def _report(
        self,
        state: _TargetState,
        pending: _PendingCommands,
        records: list[TopicRecord],
        differing: _ReadingPairs,
        time: int,
    ) -> None:
        unanswered: list[tuple[Reading, Reading | None]] = [(reading, None) for reading in pending.commanded.values()]
        pairs = differing or unanswered
        record = next(
            (known for known in records if differing and _has_field(known.layout.spec, differing[0][1])), records[0]
        )
        answer_time_us = pending.due - pending.first.now
        earlier = state.reported
        state.disobeyed.update(pending.commanded)
        state.reported = CommandIgnored(
            time,
            earlier.since if earlier is not None else pending.first.frame.time + answer_time_us,
            record.device.name,
            tuple(dict.fromkeys(self._name_of(source) for source in pending.commanders)),
            str(state.target),
            state.target.node,
            tuple(commanded for commanded, _ in pairs),
            tuple(reported for _, reported in pairs),
            answer_time_us,
            pending.count + (earlier.commands if earlier is not None else 0),
            tuple(pending.answers),
            record.topic,
            pending.latest.frame,
            record.frame,
            tuple(dict.fromkeys(text for known in records for text in _explanations(known, state.target))),
        )
        self._emit(state.reported)


def _explanations(record: TopicRecord, target: CommandTarget) -> Iterator[str]:
    """Yield what the status of an output has that explains it."""
    if target.function in output_commands.FUNCTIONS and record.layout.spec is not None:
        yield from output_commands.explanations(record.layout.spec, record.frame.data)


def _pairs(commanded: Mapping[str, Reading], records: Iterable[TopicRecord]) -> Iterator[tuple[Reading, Reading]]:
    for record in records:
        if record.layout.spec is not None:
            yield from comparable_readings(commanded, record.layout.spec, record.frame.data)


def _are_without_output(pairs: _ReadingPairs) -> bool:
    """Return whether every status reports 0 % where more was commanded."""
    return all(is_zero_percent(reported) and not is_zero_percent(commanded) for commanded, reported in pairs)


def _is_heard(record: TopicRecord, target: CommandTarget, now: int) -> bool:
    """Return whether a topic is heard, and comes from the node that a command was sent to."""
    rhythm = record.rhythm
    is_heard = record.device.is_heard and (rhythm.gap() is None or now - rhythm.times[-1] <= rhythm.limit())
    return is_heard and target.node in (None, record.topic.source)


def _is_told_late(record: TopicRecord) -> bool:
    """Return whether the roll call has the frame examined with which a topic returns; not always if it may sleep."""
    return record.device.plan is None or not record.device.plan.sleeps


def _has_returned(record: TopicRecord) -> bool:
    """Return whether the last frame of a periodic topic ended a silence of it."""
    times = record.rhythm.times
    return len(times) > 1 and record.rhythm.gap() is not None and times[-1] - times[-2] > record.rhythm.limit()


def _has_obeyed(pending: _PendingCommands, record: TopicRecord) -> bool:
    """Return whether a topic has changed since the command, in the commanded fields where it has these."""
    spec, data = record.layout.spec, record.frame.data
    before = pending.before.setdefault(record, data)
    if spec is None or before == data:
        return False
    if record.topic.dsa is not None:
        return any(_changed(spec, name, before, data) for name in _HEARTBEAT_STATE_FIELDS)
    if _has_comparable_status(pending):
        commanded = (
            reading.field
            for reading in pending.commanded.values()
            if is_commanded_value(reading.field.name, pending.commanded)
        )
        fields = (answering_field(field, spec) for field in commanded)
        return any(_changed(spec, field.name, before, data) for field in fields if field is not None)
    return True


def _has_comparable_status(pending: _PendingCommands) -> bool:
    """Return whether any status had a reading before the command that can be compared with it."""
    statuses = ((record.layout.spec, data) for record, data in pending.before.items() if record.topic.dsa is None)
    return any(
        True for spec, data in statuses if spec is not None for _ in comparable_readings(pending.commanded, spec, data)
    )


def _changed(spec: MessageSpec, name: str, before: bytes, data: bytes) -> bool:
    field = spec.by_name.get(name)
    return field is not None and field.raw_in(before) != field.raw_in(data)


def _activity(record: TopicRecord) -> int | None:
    """Return the code by which a heartbeat reports whether its function is active; None where it has none."""
    spec = record.layout.spec
    field = spec.by_name.get(_HEARTBEAT_STATE_FIELDS[1]) if spec is not None else None
    return None if field is None else field.raw_in(record.frame.data)


def _has_field(spec: MessageSpec | None, reported: Reading) -> bool:
    return spec is not None and spec.by_name.get(reported.field.name) is reported.field


def _dgns(pending: _PendingCommands) -> set[int]:
    return {dgn_of(command.frame.identifier) for command in (pending.first, pending.latest)}

"""Two sources that send conflicting commands to one function and instance.

Needs every frame of the command messages.

Knows: that a command contradicts the last one of another source when a field of both has different values and there was
no time to settle in between; a repetition before the other source has commanded again is no new contradiction. A
conflict is reported when two sources contradict each other three times in a row (A, B, A, B: each pair twice) and each
of them is contradicted. A person who uses a wall switch and a screen in turn needs longer than the settling time from
one to the other, or is contradicted once; a source that repeats the command of another one does not contradict it,
whatever its delay. Outputs are commanded by instance or by group, and only levels contradict each other: a toggle or a
ramp by hand asks for no state. All of this is our decision. Does not know whether a command is obeyed.
"""

from collections.abc import Callable

from rvsim.rig.default_times import DEFAULT_SETTLING_TIME_US
from rvsim.watch.detect.commands import Command, CommandTarget, PlannedDevices
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import CommandsContradict, Ended, Transition
from rvsim.wire.fields import Reading

MIN_TURNS = 3
"""How many contradictions in a row are reported. Our decision."""
MAX_SETTLING_TIMES_BETWEEN = 3
"""Contradictions with more time between them are not in a row. Our decision."""
CLEAR_AFTER_SETTLING_TIMES = 6
"""How many settling times without another contradiction end the conflict: a minute by default. Our decision."""
_MAX_SOURCES = 16
"""How many sources are kept for one function and instance, the last ones. Our decision, to bound the memory."""


class _Conflict:
    """The contradictions between two sources; ``clear_after_us`` is how long without another one ends the conflict."""

    def __init__(self, number: int, clear_after_us: int) -> None:
        self.number = number
        self.clear_after_us = clear_after_us
        self.turns = 0
        self.contradicted: set[int] = set()
        """The sources that were contradicted, of the two."""
        self.first_at = 0
        """When the first one was, in frame time."""
        self.last_turn_at = 0
        """When the last one was, in bus time."""
        self.reported: CommandsContradict | None = None

    def restart(self, time: int) -> None:
        """Start a new count."""
        self.turns, self.first_at, self.contradicted = 0, time, set()


class TwoCommanders:
    """Compares each command with those of the other sources."""

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
        self._clear_deadline = DeadlineKind(20, self._clear_due, self._clear)
        self._last_commands: dict[CommandTarget, dict[int, Command]] = {}
        self._pairs: dict[tuple[CommandTarget, frozenset[int]], _Conflict] = {}

    def observe(self, command: Command) -> None:
        """Take in a command."""
        if not command.states:
            return
        latest = self._last_commands.setdefault(command.target, {})
        plan = self._planned.find(command.target)
        settling_us = plan.settling_time if plan is not None else DEFAULT_SETTLING_TIME_US
        sources = list(latest)
        since_own = sources.index(command.source) + 1 if command.source in latest else 0
        for other in [latest[source] for source in sources[since_own:]]:
            if command.now - other.now <= settling_us and (field_names := _differing(command, other)):
                self._count_contradiction(command, other, field_names, settling_us)
        latest.pop(command.source, None)
        latest[command.source] = command
        if len(latest) > _MAX_SOURCES:
            del latest[next(iter(latest))]

    def _count_contradiction(
        self, command: Command, other: Command, field_names: tuple[str, ...], settling_us: int
    ) -> None:
        """Count a contradiction between two commands."""
        key = command.target, frozenset({command.source, other.source})
        conflict = self._pairs.get(key)
        if conflict is None:
            conflict = self._pairs[key] = _Conflict(len(self._pairs), CLEAR_AFTER_SETTLING_TIMES * settling_us)
        is_separate = command.now - conflict.last_turn_at > MAX_SETTLING_TIMES_BETWEEN * settling_us
        if not conflict.turns or (is_separate and conflict.reported is None):
            conflict.restart(other.frame.time)
        conflict.turns += 1
        conflict.last_turn_at = command.now
        conflict.contradicted.add(other.source)
        if conflict.turns < MIN_TURNS or len(conflict.contradicted) < len(key[1]):
            return
        pair = (command, other) if command.source < other.source else (other, command)
        since = conflict.reported.since if conflict.reported is not None else conflict.first_at
        conflict.reported = CommandsContradict(
            command.frame.time,
            since,
            (self._name_of(pair[0].source), self._name_of(pair[1].source)),
            (pair[0].source, pair[1].source),
            str(command.target),
            command.target.node,
            (_readings(pair[0], field_names), _readings(pair[1], field_names)),
            conflict.turns,
            settling_us,
            command.topic,
            (other.frame, command.frame),
        )
        self._emit(conflict.reported)
        self._deadlines.schedule(
            conflict.last_turn_at + conflict.clear_after_us, self._clear_deadline, conflict.number, conflict
        )

    def _clear_due(self, conflict: _Conflict, passed: int) -> int | None:
        due = conflict.last_turn_at + conflict.clear_after_us
        return max(due, passed) if conflict.reported is not None else None

    def _clear(self, conflict: _Conflict, time: int, since: int) -> None:  # noqa: ARG002 - every deadline has it
        if conflict.reported is not None:
            self._emit(Ended(time, conflict.reported.problem_key))
        conflict.reported = None
        conflict.restart(time)


def _differing(command: Command, other: Command) -> tuple[str, ...]:
    """Return the names of the states that both commands ask for, with different values."""
    common = (name for name in command.states if name in other.states)
    return tuple(name for name in common if command.states[name].raw != other.states[name].raw)


def _readings(command: Command, field_names: tuple[str, ...]) -> tuple[Reading, ...]:
    return tuple(command.states[name] for name in field_names)

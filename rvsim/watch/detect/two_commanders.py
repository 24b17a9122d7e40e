"""Two sources that command one thing against each other.

Needs every frame of the command messages.

Knows: that a command contradicts the last one of another source when a field that both give differs and the thing had
no time to settle in between; what a source repeats before the other has spoken again is no new contradiction. Two
sources command against each other when they contradict each other three times in a row (A, B, A, B: each pair twice)
and each of them is contradicted. A person who uses a wall switch and a screen in turn takes longer than the settling
time from one to the other, or is contradicted once; who repeats what another one commands does not contradict, however
slow it is. All of this is our decision.
"""

from collections.abc import Callable

from rvsim.rig.model import DEFAULT_SETTLING_TIME_US
from rvsim.watch.detect.commands import Command, PlannedDevices, Thing
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import CommandsContradict, Ended, Transition
from rvsim.wire.fields import Reading

TURNS_TO_TELL = 3
MAX_SETTLING_TIMES_BETWEEN = 3
"""Contradictions that are further apart are not counted in a row. Our decision."""
CALM_SETTLING_TIMES = 6
"""After so many settling times without another contradiction it is over: a minute by default. Our decision."""
_MAX_SOURCES = 16
"""So many sources are remembered for one thing, the last ones: our decision, against floods."""


class _Contradictions:
    """What two sources have commanded against each other; ``first`` and ``turned`` are microseconds."""

    def __init__(self, number: int, calm: int) -> None:
        self.number = number
        self.calm = calm
        self.turns = 0
        self.contradicted: set[int] = set()
        """Which of the two have been contradicted."""
        self.first = 0
        self.turned = 0
        """When the last turn was, in bus time."""
        self.told: CommandsContradict | None = None

    def begin(self, time: int) -> None:
        """Count from the start again."""
        self.turns, self.first, self.contradicted = 0, time, set()


class TwoCommanders:
    """Holds each command against those of the other sources."""

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
        self._calming = DeadlineKind(20, self._calm_due, self._end)
        self._last: dict[Thing, dict[int, Command]] = {}
        self._pairs: dict[tuple[Thing, frozenset[int]], _Contradictions] = {}

    def observe(self, command: Command) -> None:
        """Take in a command."""
        latest = self._last.setdefault(command.thing, {})
        plan = self._planned.of(command.thing)
        settling = plan.settling_time if plan is not None else DEFAULT_SETTLING_TIME_US
        sources = list(latest)
        since_own = sources.index(command.source) + 1 if command.source in latest else 0
        for other in [latest[source] for source in sources[since_own:]]:
            if command.now - other.now <= settling and (fields := _differing(command, other)):
                self._turn(command, other, fields, settling)
        latest.pop(command.source, None)
        latest[command.source] = command
        if len(latest) > _MAX_SOURCES:
            del latest[next(iter(latest))]

    def _turn(self, command: Command, other: Command, fields: tuple[str, ...], settling: int) -> None:
        """Count that a command contradicts another one."""
        key = command.thing, frozenset({command.source, other.source})
        counted = self._pairs.get(key)
        if counted is None:
            counted = self._pairs[key] = _Contradictions(len(self._pairs), CALM_SETTLING_TIMES * settling)
        apart = command.now - counted.turned > MAX_SETTLING_TIMES_BETWEEN * settling
        if not counted.turns or (apart and counted.told is None):
            counted.begin(other.frame.time)
        counted.turns += 1
        counted.turned = command.now
        counted.contradicted.add(other.source)
        if counted.turns < TURNS_TO_TELL or len(counted.contradicted) < len(key[1]):
            return
        pair = (command, other) if command.source < other.source else (other, command)
        since = counted.told.since if counted.told is not None else counted.first
        counted.told = CommandsContradict(
            command.frame.time,
            since,
            (self._name_of(pair[0].source), self._name_of(pair[1].source)),
            (pair[0].source, pair[1].source),
            str(command.thing),
            command.thing.node,
            (_readings(pair[0], fields), _readings(pair[1], fields)),
            counted.turns,
            settling,
            command.topic,
            (other.frame, command.frame),
        )
        self._emit(counted.told)
        self._deadlines.schedule(counted.turned + counted.calm, self._calming, counted.number, counted)

    def _calm_due(self, counted: _Contradictions, passed: int) -> int | None:
        due = counted.turned + counted.calm
        return max(due, passed) if counted.told is not None else None

    def _end(self, counted: _Contradictions, time: int, since: int) -> None:  # noqa: ARG002 - as every duty
        if counted.told is not None:
            self._emit(Ended(time, counted.told.problem_key))
        counted.told = None
        counted.begin(time)


def _differing(one: Command, other: Command) -> tuple[str, ...]:
    """Return the fields that both give, and give different values."""
    common = (name for name in one.given if name in other.given)
    return tuple(name for name in common if one.given[name].raw != other.given[name].raw)


def _readings(command: Command, fields: tuple[str, ...]) -> tuple[Reading, ...]:
    return tuple(command.given[name] for name in fields)

"""Functions that are commanded and were never heard.

Needs every frame of commands; of status messages and heartbeats the first of each topic.

Knows: that a function speaks in its status messages, and that a heartbeat tells a function without its instance, so
that whoever says it is one and no more may be the one that is commanded. Not judged: what the rig has, whose silence is
told of the device; a function whose status comes only as needed.
"""

from collections.abc import Callable

from rvsim.rig.functions import FUNCTIONS, by_dsa, by_status
from rvsim.watch.detect.commands import Command, PlannedDevices, Thing
from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US, TopicRecord
from rvsim.watch.traffic import MISSED_IN_A_ROW, DeadlineKind, Deadlines
from rvsim.watch.transitions import CommandedFunctionMissing, Ended, Transition
from rvsim.wire.catalogue import Catalogue


class _Commanded:
    """A function and instance that was commanded before anybody was heard to be it."""

    def __init__(self, number: int, command: Command) -> None:
        self.number = number
        self.first = command
        self.count = 0
        self.told: CommandedFunctionMissing | None = None


class UnheardFunctions:
    """Waits for the functions that are commanded."""

    def __init__(
        self,
        planned: PlannedDevices,
        catalogue: Catalogue,
        deadlines: Deadlines,
        emit: Callable[[Transition], None],
        name_of: Callable[[int], str],
    ) -> None:
        self._planned = planned
        self._catalogue = catalogue
        self._deadlines = deadlines
        self._emit = emit
        self._name_of = name_of
        self._waiting = DeadlineKind(22, self._due, self._tell)
        self._commanded: dict[Thing, _Commanded] = {}
        self._heard: set[Thing] = set()
        self._stated: set[tuple[str, int]] = set()
        """Functions of which a source has stated an instance."""
        self._beating: dict[str, set[int]] = {}
        """The sources whose heartbeat says that they are a function."""

    def observe(self, command: Command) -> None:
        """Take in a command."""
        thing = command.thing._replace(node=None)
        if thing in self._heard or self._planned.of(thing) is not None:
            return
        limit = self._limit(thing)
        if limit is None:
            return
        state = self._commanded.get(thing)
        if state is None:
            state = self._commanded[thing] = _Commanded(len(self._commanded), command)
        state.count += 1
        if state.told is not None:
            state.told = state.told._replace(time=command.frame.time, commands=state.count, command=command.frame)
            self._emit(state.told)
        else:
            self._deadlines.schedule(state.first.now + limit, self._waiting, state.number, state)

    def status(self, part: TopicRecord) -> None:
        """Take in a status of a function."""
        function = by_status(part.topic.message or "")
        if function is None:
            return
        thing = Thing(function.name, part.topic.instance)
        self._stated.add((function.name, part.topic.source))
        self._heard.add(thing)
        state = self._commanded.pop(thing, None)
        if state is not None and state.told is not None:
            self._emit(Ended(part.frame.time, state.told.problem_key))

    def heartbeat(self, part: TopicRecord) -> None:
        """Take in a heartbeat."""
        function = by_dsa(part.topic.dsa) if part.topic.dsa is not None else None
        if function is not None:
            self._beating.setdefault(function.name, set()).add(part.topic.source)

    def _limit(self, thing: Thing) -> int | None:
        """Return how long a function may stay away, None where it need not speak at all by itself."""
        defined = set(FUNCTIONS[thing.function].statuses).intersection(self._catalogue.names)
        known = map(self._catalogue.by_name, defined)
        gaps = [spec.gap_us for spec in known if spec.gap_us is not None and spec.fields]
        return max(MIN_SILENCE_LIMIT_US, MISSED_IN_A_ROW * max(gaps)) if gaps else None

    def _due(self, state: _Commanded, passed: int) -> int | None:
        thing = state.first.thing._replace(node=None)
        return passed if state.told is None and self._commanded.get(thing) is state else None

    def _tell(self, state: _Commanded, time: int, since: int) -> None:
        thing = state.first.thing._replace(node=None)
        if any((thing.function, source) not in self._stated for source in self._beating.get(thing.function, ())):
            return
        waited = self._limit(thing) or MIN_SILENCE_LIMIT_US
        first = state.first
        device = self._name_of(first.source)
        state.told = CommandedFunctionMissing(
            time, since, device, str(thing), waited, state.count, first.topic, first.frame
        )
        self._emit(state.told)

"""Functions that are commanded and were never heard.

Needs every frame of commands, and the first frame of each topic of status messages and heartbeats.

Knows: that a function sends its status messages, and that a heartbeat has the function without its instance, so that a
source which sends only a heartbeat of the function may be the commanded one. Does not judge functions of the rig, since
the silence of their devices is reported, nor functions whose status is sent only as needed. Does not know what a
command asks for.
"""

from collections.abc import Callable

from rvsim.rig.functions import FUNCTIONS, by_dsa, by_status
from rvsim.watch.detect.commands import Command, CommandTarget, PlannedDevices
from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US, TopicRecord
from rvsim.watch.traffic import MISSED_IN_A_ROW, DeadlineKind, Deadlines
from rvsim.watch.transitions import CommandedFunctionMissing, Ended, Transition
from rvsim.wire.catalogue import Catalogue


class _CommandedFunction:
    """A function and instance that was commanded before it was heard."""

    def __init__(self, number: int, command: Command) -> None:
        self.number = number
        self.first = command
        self.count = 0
        self.reported: CommandedFunctionMissing | None = None


class MissingFunctions:
    """Waits for the status of the functions that are commanded."""

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
        self._deadline = DeadlineKind(22, self._due, self._report)
        self._waiting_for: dict[CommandTarget, _CommandedFunction] = {}
        self._heard: set[CommandTarget] = set()
        self._with_known_instance: set[tuple[str, int]] = set()
        """The functions of each source whose instance is known from a status."""
        self._heartbeat_sources: dict[str, set[int]] = {}
        """The sources whose heartbeat has the DSA of a function, by function."""

    def observe(self, command: Command) -> None:
        """Take in a command."""
        target = command.target._replace(node=None)
        if target in self._heard or self._planned.find(target) is not None:
            return
        limit = self._limit(target)
        if limit is None:
            return
        commanded = self._waiting_for.get(target)
        if commanded is None:
            commanded = self._waiting_for[target] = _CommandedFunction(len(self._waiting_for), command)
        commanded.count += 1
        if commanded.reported is not None:
            commanded.reported = commanded.reported._replace(
                time=command.frame.time, commands=commanded.count, command=command.frame
            )
            self._emit(commanded.reported)
        else:
            self._deadlines.schedule(commanded.first.now + limit, self._deadline, commanded.number, commanded)

    def observe_status(self, record: TopicRecord) -> None:
        """Take in a status of a function."""
        function = by_status(record.topic.message or "")
        if function is None:
            return
        target = CommandTarget(function.name, record.topic.instance)
        self._with_known_instance.add((function.name, record.topic.source))
        self._heard.add(target)
        commanded = self._waiting_for.pop(target, None)
        if commanded is not None and commanded.reported is not None:
            self._emit(Ended(record.frame.time, commanded.reported.problem_key))

    def observe_heartbeat(self, record: TopicRecord) -> None:
        """Take in a heartbeat."""
        function = by_dsa(record.topic.dsa) if record.topic.dsa is not None else None
        if function is not None:
            self._heartbeat_sources.setdefault(function.name, set()).add(record.topic.source)

    def _limit(self, target: CommandTarget) -> int | None:
        """Return how long a function may be silent, in microseconds; None where it need not send without a request."""
        status_names = set(FUNCTIONS[target.function].statuses).intersection(self._catalogue.names)
        known = map(self._catalogue.by_name, status_names)
        gaps = [spec.gap_us for spec in known if spec.gap_us is not None and spec.fields]
        return max(MIN_SILENCE_LIMIT_US, MISSED_IN_A_ROW * max(gaps)) if gaps else None

    def _due(self, commanded: _CommandedFunction, passed: int) -> int | None:
        target = commanded.first.target._replace(node=None)
        return passed if commanded.reported is None and self._waiting_for.get(target) is commanded else None

    def _report(self, commanded: _CommandedFunction, time: int, since: int) -> None:
        target = commanded.first.target._replace(node=None)
        if any(
            (target.function, source) not in self._with_known_instance
            for source in self._heartbeat_sources.get(target.function, ())
        ):
            return
        waited_us = self._limit(target) or MIN_SILENCE_LIMIT_US
        first = commanded.first
        device = self._name_of(first.source)
        commanded.reported = CommandedFunctionMissing(
            time, since, device, str(target), waited_us, commanded.count, first.topic, first.frame
        )
        self._emit(commanded.reported)

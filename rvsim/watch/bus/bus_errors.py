"""Errors on the bus: how many error frames, in which seconds, and which controllers are not error active.

Knows: when errors are a problem, how serious it is, and when it ends. Does not know where the events come from (a
simulated bus, an adapter or a log). Needs every error frame and every change of state.
"""

from collections import Counter, deque
from collections.abc import Callable

from rvsim.watch.transitions import Ended, ErrorExtent, ErrorsOnBus, Transition
from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import ErrorState, StateChanged

MANY_ERRORS, MANY_ERRORS_WITHIN_US = 10, 10 * SECOND_US
"""This number of error frames within less than this time counts as many. Our decision."""
ERRORS_CLEAR_AFTER_US = 60 * SECOND_US
"""The time without an error frame that ends the problem: occasional errors are one problem. Our decision."""
_MAX_LISTED = 10
"""The largest number of seconds with error frames, and of kinds of errors, that are listed."""


class BusErrors:
    """Counts the errors of one bus."""

    def __init__(self, emit: Callable[[Transition], None], frames: Callable[[], int]) -> None:
        """Take what is called with each transition, and what returns the number of valid frames so far."""
        self.due: int | None = None
        """The time after which the problem can end."""
        self._emit, self._frames = emit, frames
        self._counts_by_time = True
        self._latest: deque[int] = deque()
        self._standing: ErrorsOnBus | None = None
        self._controllers: dict[str, StateChanged] = {}
        self._seconds: dict[int, int] = {}
        self._about: Counter[str] = Counter()
        self._last = self._last_event = 0
        """The time of the last error frame, and that of the last event."""

    @property
    def waits_for_frame(self) -> bool:
        """Whether the first valid frame would change the problem."""
        return self._standing is not None and not self._standing.valid

    def doubt_times(self) -> None:
        """Stop judging by the time between errors."""
        self._counts_by_time = False

    def observe_frame(self, time: int) -> None:
        """Note a valid frame."""
        if self._standing is not None and not self._standing.valid:
            self._report(self._standing._replace(time=time, valid=True))

    def count(self, time: int, about: str) -> None:
        """Count an error frame."""
        self._last = self._last_event = time
        latest = self._latest
        latest.append(time)
        while latest[0] <= time - MANY_ERRORS_WITHIN_US:
            latest.popleft()
        second = time // SECOND_US
        if second in self._seconds or len(self._seconds) < _MAX_LISTED:
            self._seconds[second] = self._seconds.get(second, 0) + 1
        if about and (about in self._about or len(self._about) < _MAX_LISTED):
            self._about[about] += 1
        before = self._standing
        since, count, most, worst = (
            (before.since, before.errors, before.most, before.worst) if before else (time, 0, 0, 0)
        )
        if len(latest) > most:
            most, worst = len(latest), time
        self._find(time, since if count else time, count + 1, most, worst)

    def change(self, event: StateChanged) -> None:
        """Take in the new state of a controller."""
        self._controllers.pop(event.node, None)
        if event.state is not ErrorState.ACTIVE:
            self._last_event = event.time
            self._controllers[event.node] = event
        before = self._standing
        if before is not None:
            self._find(event.time, before.since, before.errors, before.most, before.worst)
        elif self._controllers:
            self._find(event.time, event.time, 0, 0, 0)

    def settle(self, time: int) -> None:
        """End the problem if that is due before ``time``."""
        if self.due is not None and self.due < time:
            self._end(self.due)

    def _find(self, time: int, since: int, count: int, most: int, worst: int) -> None:
        found = ErrorsOnBus(
            time,
            since,
            self._extent(most),
            count,
            self._last,
            most,
            worst,
            tuple(self._seconds.items()),
            tuple(self._about.items()),
            tuple(self._controllers.values()),
            self._frames() > 0,
        )
        before = self._standing
        if before is not None and found.extent > before.extent:
            self._emit(Ended(time, before.problem_key))
        elif before is not None:
            found = found._replace(extent=before.extent)  # the problem ends as a whole, not step by step
        self._report(found)

    def _extent(self, most: int) -> ErrorExtent:
        states = {one.state for one in self._controllers.values()}
        if ErrorState.BUS_OFF in states:
            return ErrorExtent.BUS_OFF
        many = self._counts_by_time and most >= MANY_ERRORS
        return ErrorExtent.MANY if many or states else ErrorExtent.FEW

    def _report(self, found: ErrorsOnBus) -> None:
        self._standing = found
        self._emit(found)
        is_off = any(one.state is ErrorState.BUS_OFF for one in self._controllers.values())
        self.due = None if is_off else self._last_event + ERRORS_CLEAR_AFTER_US

    def _end(self, time: int) -> None:
        """End the problem; a controller that is error passive and makes no errors counts as error active again."""
        assert self._standing is not None
        self._emit(Ended(time, self._standing.problem_key))
        self._standing = self.due = None
        self._controllers.clear()
        self._seconds.clear()
        self._about.clear()
        self._latest.clear()

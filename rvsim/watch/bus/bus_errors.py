"""Errors on the pair: how many error frames, in which seconds, which controllers are not error active.

Knows: from when on that is worth a flag, how far it has gone, and when it is over. Does not know who tells it: a
simulated pair, an adapter or a log. Needs every error frame and change of state.
"""

from collections import Counter, deque
from collections.abc import Callable

from rvsim.watch.transitions import Ended, ErrorExtent, ErrorsOnBus, Transition
from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import ErrorState, StateChanged

MANY_ERRORS, MANY_ERRORS_WITHIN_US = 10, 10 * SECOND_US
"""So many error frames within less than so long are many. Our decision."""
ERRORS_CLEAR_AFTER_US = 60 * SECOND_US
"""So long without an error frame ends the flag: noise that comes now and then is one trouble. Our decision."""
_MAX_LISTED = 10
"""Seconds with error frames that are told one by one, and kinds of errors."""


class BusErrors:
    """Counts the errors of one pair."""

    def __init__(self, emit: Callable[[Transition], None], frames: Callable[[], int]) -> None:
        """Take what takes the transitions, and what returns how many valid frames have come."""
        self.due: int | None = None
        """After this time the flag can be over."""
        self._emit, self._frames = emit, frames
        self._counts_by_time = True
        self._latest: deque[int] = deque()
        self._standing: ErrorsOnBus | None = None
        self._controllers: dict[str, StateChanged] = {}
        self._seconds: dict[int, int] = {}
        self._about: Counter[str] = Counter()
        self._last = self._stirred = 0
        """When the last error frame was, and when anything was last told."""

    @property
    def waits_for_frame(self) -> bool:
        """Tell whether the first valid frame would change what is told."""
        return self._standing is not None and not self._standing.valid

    def doubt_times(self) -> None:
        """Do not judge by how much time lies between errors any more."""
        self._counts_by_time = False

    def see_frame(self, time: int) -> None:
        """Learn that a valid frame has come."""
        if self._standing is not None and not self._standing.valid:
            self._tell(self._standing._replace(time=time, valid=True))

    def count(self, time: int, about: str) -> None:
        """Count an error frame."""
        self._last = self._stirred = time
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
        """Take in the state of a controller."""
        self._controllers.pop(event.node, None)
        if event.state is not ErrorState.ACTIVE:
            self._stirred = event.time
            self._controllers[event.node] = event
        before = self._standing
        if before is not None:
            self._find(event.time, before.since, before.errors, before.most, before.worst)
        elif self._controllers:
            self._find(event.time, event.time, 0, 0, 0)

    def settle(self, time: int) -> None:
        """Find out before ``time`` whether it is over."""
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
            found = found._replace(extent=before.extent)  # it is over as a whole, not step by step
        self._tell(found)

    def _extent(self, most: int) -> ErrorExtent:
        states = {one.state for one in self._controllers.values()}
        if ErrorState.BUS_OFF in states:
            return ErrorExtent.BUS_OFF
        many = self._counts_by_time and most >= MANY_ERRORS
        return ErrorExtent.MANY if many or states else ErrorExtent.FEW

    def _tell(self, found: ErrorsOnBus) -> None:
        self._standing = found
        self._emit(found)
        is_off = any(one.state is ErrorState.BUS_OFF for one in self._controllers.values())
        self.due = None if is_off else self._stirred + ERRORS_CLEAR_AFTER_US

    def _end(self, time: int) -> None:
        """Forget all of it; a controller that is error passive and makes no errors is so no more."""
        assert self._standing is not None
        self._emit(Ended(time, self._standing.problem_key))
        self._standing = self.due = None
        self._controllers.clear()
        self._seconds.clear()
        self._about.clear()
        self._latest.clear()

"""What happens on the pair beside frames: errors, who is not acknowledged, who collides, who waits too long.

Knows: the line's events (`wire.line_events`), and which of them are worth a flag. Only a simulated pair tells all of
them, a log or an adapter error frames and its own state; without any, nothing here happens. Does not know frames but
for who sent them. Needs what the pair tells beside frames, and every frame of a node that nobody acknowledged.

One cause has one flag: the error frames of an attempt that nobody acknowledges, or of a collision, count to
no-acknowledge and shared-address, and do not count as errors of the wires.
"""

from collections.abc import Callable

from rvsim.watch.bus.bus_errors import BusErrors
from rvsim.watch.bus.bus_load import BusLoad
from rvsim.watch.bus.log_order import LogOrder
from rvsim.watch.bus.overload import CLEAR_AFTER_SECONDS
from rvsim.watch.bus.worst_case import WorstCase
from rvsim.watch.transitions import (
    Ended,
    FramesCollided,
    SenderNotAcknowledged,
    TimesInWrongUnit,
    Transition,
    WorstCaseExceeded,
)
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import (
    Collided,
    Disturbed,
    ErrorFrame,
    ErrorState,
    LineEvent,
    LogEnded,
    NotAcknowledged,
    OtherFrame,
    OtherKind,
    Overflowed,
    StateChanged,
    TimesInUnit,
    TimeWentBack,
    Waited,
    is_error_frame,
)
from rvsim.wire.timing import ERROR_BITS

MAX_UNACKNOWLEDGED_US = SECOND_US
"""For so long a node may go on unacknowledged: nodes of one vehicle come up one after the other. Our decision."""
COLLISIONS_CLEAR_AFTER_US = 60 * SECOND_US
"""So long without a collision ends that flag: two that share an address collide only when they meet. Our decision."""
WAITS_CLEAR_AFTER_US = CLEAR_AFTER_SECONDS * SECOND_US
"""So long without a message that waits too long ends that flag."""


class WireProblems:
    """What the pair of one bus has told, in the watch's time.

    Args:
        emit: takes the transitions.
        claimed: tells whether two NAMEs are known to claim an address: then collisions on it are no news.
        promise: returns what the plan promises.
        load: takes what else than our frames took the pair.
        frames: returns how many frames were heard.
        doubt: is told the time once when the times of a log are not to be believed.
    """

    def __init__(
        self,
        emit: Callable[[Transition], None],
        claimed: Callable[[int], bool],
        promise: Callable[[], WorstCase | None],
        load: BusLoad,
        frames: Callable[[], int],
        doubt: Callable[[int], None],
    ) -> None:
        self.heeds = False
        """Whether frames and the time matter here at present."""
        self.due: int | None = None
        """After this time there is something to decide."""
        self.states: dict[str, StateChanged] = {}
        """The nodes that are not error active, with their counters as they were when their state changed."""
        self.disturbed = self.collided = self.unacknowledged = self.overflowed = 0
        """How many frames were spoilt, collided, were acknowledged by nobody (endless retries count once), found no
        room with their sender."""
        self.error_frames = 0
        """How many error frames an adapter or a log has told."""
        self._errors = BusErrors(emit, frames)
        self._order = LogOrder(emit, self._doubt_times)
        self._load, self._frames, self._doubt = load, frames, doubt
        self._others = 0
        self.longest: Waited | None = None
        """The frame that waited longest."""
        self._emit, self._claimed = emit, claimed
        self.promise = promise
        """Returns what the plan promises, None without a plan."""
        self._alone: dict[int, SenderNotAcknowledged] = {}
        self._told_alone: set[int] = set()
        self._heard_again: dict[int, int] = {}
        self._met: dict[int, FramesCollided] = {}
        self._collided_at: dict[str, int] = {}
        self._late: WorstCaseExceeded | None = None

    def observe_event(self, event: LineEvent) -> None:
        """Take in what has happened."""
        if is_error_frame(event):
            self._count_other(OtherFrame(event.time, OtherKind.ERROR, ERROR_BITS))
        match event:
            case OtherFrame():
                self._count_other(event)
            case TimeWentBack():
                self._order.observe_step(event, self._frames() + self._others)
            case TimesInUnit():
                self._emit(TimesInWrongUnit(event.time, 0, event.factor, event.messages))
                self._doubt_times(event.time)
            case LogEnded():
                self._order.finish(event.time, self._frames() + self._others)
            case StateChanged():
                self._changed(event)
            case NotAcknowledged():
                self._unheard(event)
            case Collided():
                self._collide(event)
            case Waited():
                self._wait(event)
            case Disturbed():
                self.disturbed += 1
                self._errors.count(event.time, "")
            case ErrorFrame():
                self.error_frames += 1
                self._errors.count(event.time, event.about)
            case Overflowed():
                self.overflowed += 1
        self._plan()

    def observe_source(self, time: int, source: int) -> None:
        """Learn that a frame of a source came through."""
        if self._errors.waits_for_frame:
            self._errors.see_frame(time)
        found = self._alone.pop(source, None)
        if found is not None:
            self._heard_again[source] = time
        if found is not None and source in self._told_alone:
            self._told_alone.discard(source)
            self._emit(Ended(time, found.problem_key))
        self._plan()

    def settle(self, time: int) -> None:
        """Decide what is due before ``time``."""
        if self.due is None or time <= self.due:
            return
        for source, alone in self._alone.items():
            if source not in self._told_alone and alone.time < time:
                self._told_alone.add(source)
                self._emit(alone)
        for source, met in list(self._met.items()):
            if met.time + COLLISIONS_CLEAR_AFTER_US < time:
                del self._met[source]
                self._emit(Ended(met.time + COLLISIONS_CLEAR_AFTER_US, met.problem_key))
        if self._late is not None and self._late.time + WAITS_CLEAR_AFTER_US < time:
            self._emit(Ended(self._late.time + WAITS_CLEAR_AFTER_US, self._late.problem_key))
            self._late = None
        self._errors.settle(time)
        self._plan()

    def _plan(self) -> None:
        dues = [alone.time for source, alone in self._alone.items() if source not in self._told_alone]
        dues += [met.time + COLLISIONS_CLEAR_AFTER_US for met in self._met.values()]
        if self._late is not None:
            dues.append(self._late.time + WAITS_CLEAR_AFTER_US)
        if self._errors.due is not None:
            dues.append(self._errors.due)
        self.due = min(dues, default=None)
        self.heeds = bool(dues or self._alone or self._errors.waits_for_frame)

    def _doubt_times(self, time: int) -> None:
        self._errors.doubt_times()
        self._doubt(time)

    # One kind of event each.

    def _count_other(self, other: OtherFrame) -> None:
        """Count what took the pair; one that is told late counts as early as it still can."""
        self._others += 1
        self._load.others.append(other._replace(time=max(other.time, self._load.end - SECOND_US)))

    def _changed(self, event: StateChanged) -> None:
        self.states.pop(event.node, None)
        if event.state is not ErrorState.ACTIVE:
            self.states[event.node] = event
        if event.state is not ErrorState.PASSIVE or not self._is_explained(event):
            self._errors.change(event)

    def _is_explained(self, event: StateChanged) -> bool:
        """Tell whether a node is error passive by what has a flag of its own: nobody acknowledges it, or it collides.

        By the rules of CAN a lone sender becomes error passive and no more (part B, section 8, exception 1).
        """
        is_alone = any(alone.device == event.node for alone in self._alone.values())
        return (
            is_alone
            or event.time - self._collided_at.get(event.node, -COLLISIONS_CLEAR_AFTER_US - 1)
            <= COLLISIONS_CLEAR_AFTER_US
        )

    def _unheard(self, event: NotAcknowledged) -> None:
        self.unacknowledged += 1
        source = event.identifier & 0xFF
        if source not in self._alone:
            self._alone[source] = SenderNotAcknowledged(
                event.time + MAX_UNACKNOWLEDGED_US, event.time, event.node, event.identifier, MAX_UNACKNOWLEDGED_US
            )

    def _collide(self, event: Collided) -> None:
        self.collided += 1
        self._collided_at |= dict.fromkeys(event.nodes, event.time)
        source = event.identifier & 0xFF
        before = self._met.pop(source, None)
        if self._claimed(source):
            if before is not None:
                self._emit(Ended(event.time, before.problem_key))
            return
        since, nodes = (before.since, before.nodes) if before else (event.time, ())
        nodes = tuple(dict.fromkeys((*nodes, *event.nodes)))
        met = FramesCollided(event.time, since, nodes[0], source, nodes, event.identifier)
        self._met[source] = met
        if before is None:
            self._emit(met)

    def _wait(self, event: Waited) -> None:
        source = event.identifier & 0xFF
        if source in self._alone or event.since < self._heard_again.get(source, 0):
            return  # it waited for an acknowledgement, and that is told
        response = event.time - event.since
        if self.longest is None or response > self.longest.time - self.longest.since:
            self.longest = event
        promise = self.promise()
        found = promise.responses.get(dgn_of(event.identifier)) if promise is not None else None
        if found is None or found.worst is None or response <= found.worst:
            return
        before = self._late
        self._late = WorstCaseExceeded(event.time, event.since, event.node, found.message, response, found.worst)
        if before is None:
            self._emit(self._late)

"""Problems on the wires: errors, missing acknowledgements, collisions, and frames that wait too long.

Knows: the events of the line (`wire.line_events`), and which of them are a problem. Only a simulated bus reports all of
them; a log or an adapter reports error frames and its own state; without events nothing happens here. Does not know
frames, except their senders. Needs the events of the line, and every frame of a node that was not acknowledged.

One problem has one flag: the error frames of an attempt without acknowledgement, or of a collision, belong to
no-acknowledge and shared-address, and do not count as errors of the bus.
"""

from collections.abc import Callable
from typing import assert_never

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
    JoinedMessage,
    LineEvent,
    ListeningResumed,
    LogEnded,
    Marked,
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
from rvsim.wire.timing import ERROR_FRAME_BITS

MAX_UNACKNOWLEDGED_US = SECOND_US
"""How long a node may be without acknowledgement: nodes of one vehicle start one after the other. Our decision."""
COLLISIONS_CLEAR_AFTER_US = 60 * SECOND_US
"""The time without a collision that ends that problem: two nodes that share an address collide only when they send
at the same moment. Our decision."""
WAITS_CLEAR_AFTER_US = CLEAR_AFTER_SECONDS * SECOND_US
"""The time without a message that waits too long that ends that problem."""


class WireProblems:
    """The events and problems of the line of one bus, in the time of the watch.

    Args:
        emit: is called with each transition.
        claimed: returns whether two NAMEs claim an address: then collisions on it are already reported.
        worst_case: returns the worst case computed from the plan.
        load: counts the frames that are no data frames with 29-bit identifiers.
        frames: returns the number of frames so far.
        doubt: is called once with the time when the times of a log are found wrong.
    """

    def __init__(
        self,
        emit: Callable[[Transition], None],
        claimed: Callable[[int], bool],
        worst_case: Callable[[], WorstCase | None],
        load: BusLoad,
        frames: Callable[[], int],
        doubt: Callable[[int], None],
    ) -> None:
        self.needs_frames = False
        """Whether frames and times must be passed on to this object at present."""
        self.due: int | None = None
        """The time after which something must be decided, None for nothing."""
        self.states: dict[str, StateChanged] = {}
        """The nodes that are not error active, with their counters as they were when their state changed."""
        self.disturbed = self.collided = self.unacknowledged = self.overflowed = 0
        """The number of frames that were corrupted, collided, were not acknowledged (retries count once), were dropped
        because the queue of their sender was full."""
        self.error_frames = 0
        """The number of error frames that an adapter or a log has reported."""
        self._errors = BusErrors(emit, frames)
        self._order = LogOrder(emit, self._doubt_times)
        self._load, self._frames, self._doubt = load, frames, doubt
        self._others = 0
        self.longest: Waited | None = None
        """The frame that waited longest."""
        self._emit, self._claimed = emit, claimed
        self.worst_case = worst_case
        """Returns the worst case computed from the plan, None without a plan."""
        self._unacknowledged_by: dict[int, SenderNotAcknowledged] = {}
        self._reported_sources: set[int] = set()
        self._acknowledged_at: dict[int, int] = {}
        self._collisions: dict[int, FramesCollided] = {}
        self._collided_at: dict[str, int] = {}
        self._worst_case_exceeded: WorstCaseExceeded | None = None

    @property
    def needs_sources(self) -> bool:
        """Whether the source of each frame must be passed on; else times alone are enough."""
        return bool(self._unacknowledged_by) or self._errors.waits_for_frame

    def observe_event(self, event: LineEvent) -> None:
        """Take in an event of the line."""
        if is_error_frame(event):
            self._count_other(OtherFrame(event.time, OtherKind.ERROR, ERROR_FRAME_BITS))
        match event:
            case OtherFrame():
                self._count_other(event)
            case TimeWentBack():
                self._order.observe_step(event, self._frames() + self._others)
            case TimesInUnit():
                self._emit(TimesInWrongUnit(event.time, 0, event.factor, event.messages))
                self._doubt_times(event.time)
            case ListeningResumed():
                self._resume_listening(event.time)
            case Marked():
                pass  # the watch itself tells it
            case LogEnded():
                self._order.finish(event.time, self._frames() + self._others)
            case StateChanged():
                self._changed(event)
            case NotAcknowledged():
                self._not_acknowledged(event)
            case Collided():
                self._collide(event)
            case Waited():
                self._waited(event)
            case Disturbed():
                self.disturbed += 1
                self._errors.count(event.time, "")
            case ErrorFrame():
                self.error_frames += 1
                self._errors.count(event.time, event.about)
            case Overflowed():
                self.overflowed += 1
            case JoinedMessage():
                pass  # a message, which the watch reads
            case _:
                assert_never(event)
        self._plan()

    def pass_wait(self, event: Waited) -> bool:
        """Note a wait of which nothing follows; return False, with nothing noted, where it must be observed.

        The time of the watch does not go on with it: it is for one whose frame comes at the same time.
        """
        if self.due is not None and self.due < event.time:
            return False
        if not self._waits_for_acknowledgement(event):
            if self._exceeded(event) is not None:
                return False
            self._note_wait(event)
        return True

    def observe_source(self, time: int, source: int) -> None:
        """Note that a frame of a source got through."""
        if self._errors.waits_for_frame:
            self._errors.observe_frame(time)
        found = self._unacknowledged_by.pop(source, None)
        if found is not None:
            self._acknowledged_at[source] = time
        if found is not None and source in self._reported_sources:
            self._reported_sources.discard(source)
            self._emit(Ended(time, found.problem_key))
        self._plan()

    def settle(self, time: int) -> None:
        """Decide what is due before ``time``."""
        if self.due is None or time <= self.due:
            return
        for source, problem in self._unacknowledged_by.items():
            if source not in self._reported_sources and problem.time < time:
                self._reported_sources.add(source)
                self._emit(problem)
        for source, collision in list(self._collisions.items()):
            if collision.time + COLLISIONS_CLEAR_AFTER_US < time:
                del self._collisions[source]
                self._emit(Ended(collision.time + COLLISIONS_CLEAR_AFTER_US, collision.problem_key))
        if self._worst_case_exceeded is not None and self._worst_case_exceeded.time + WAITS_CLEAR_AFTER_US < time:
            self._emit(
                Ended(self._worst_case_exceeded.time + WAITS_CLEAR_AFTER_US, self._worst_case_exceeded.problem_key)
            )
            self._worst_case_exceeded = None
        self._errors.settle(time)
        self._plan()

    def _plan(self) -> None:
        dues = [
            problem.time for source, problem in self._unacknowledged_by.items() if source not in self._reported_sources
        ]
        dues += [collision.time + COLLISIONS_CLEAR_AFTER_US for collision in self._collisions.values()]
        if self._worst_case_exceeded is not None:
            dues.append(self._worst_case_exceeded.time + WAITS_CLEAR_AFTER_US)
        if self._errors.due is not None:
            dues.append(self._errors.due)
        self.due = min(dues, default=None)
        self.needs_frames = bool(dues or self._unacknowledged_by or self._errors.waits_for_frame)

    def _doubt_times(self, time: int) -> None:
        self._errors.doubt_times()
        self._doubt(time)

    # One method for each kind of event.

    def _resume_listening(self, time: int) -> None:
        """Note that the recorder listens again: its controller was started anew, so it is error active."""
        for state in list(self.states.values()):
            self._changed(StateChanged(time, state.node, ErrorState.ACTIVE, None, None))

    def _count_other(self, other: OtherFrame) -> None:
        """Count a frame that is no data frame; one that is reported late counts in the earliest second still open."""
        self._others += 1
        self._load.others.append(other._replace(time=max(other.time, self._load.end - SECOND_US)))

    def _changed(self, event: StateChanged) -> None:
        self.states.pop(event.node, None)
        if event.state is not ErrorState.ACTIVE:
            self.states[event.node] = event
        if event.state is not ErrorState.PASSIVE or not self._is_explained(event):
            self._errors.change(event)

    def _is_explained(self, event: StateChanged) -> bool:
        """Return whether another flag explains that a node is error passive: no acknowledgement, or a collision.

        By the rules of CAN a lone sender becomes error passive and no more (part B, section 8, exception 1).
        """
        is_alone = any(problem.device == event.node for problem in self._unacknowledged_by.values())
        return (
            is_alone
            or event.time - self._collided_at.get(event.node, -COLLISIONS_CLEAR_AFTER_US - 1)
            <= COLLISIONS_CLEAR_AFTER_US
        )

    def _not_acknowledged(self, event: NotAcknowledged) -> None:
        self.unacknowledged += 1
        source = event.identifier & 0xFF
        if source not in self._unacknowledged_by:
            self._unacknowledged_by[source] = SenderNotAcknowledged(
                event.time + MAX_UNACKNOWLEDGED_US, event.time, event.node, event.identifier, MAX_UNACKNOWLEDGED_US
            )

    def _collide(self, event: Collided) -> None:
        self.collided += 1
        self._collided_at |= dict.fromkeys(event.nodes, event.time)
        source = event.identifier & 0xFF
        before = self._collisions.pop(source, None)
        if self._claimed(source):
            if before is not None:
                self._emit(Ended(event.time, before.problem_key))
            return
        since, nodes = (before.since, before.nodes) if before else (event.time, ())
        nodes = tuple(dict.fromkeys((*nodes, *event.nodes)))
        collision = FramesCollided(event.time, since, nodes[0], source, nodes, event.identifier)
        self._collisions[source] = collision
        if before is None:
            self._emit(collision)

    def _waited(self, event: Waited) -> None:
        if self._waits_for_acknowledgement(event):
            return  # which is reported
        self._note_wait(event)
        exceeded = self._exceeded(event)
        if exceeded is None:
            return
        before, self._worst_case_exceeded = self._worst_case_exceeded, exceeded
        if before is None:
            self._emit(exceeded)

    def _waits_for_acknowledgement(self, event: Waited) -> bool:
        source = event.identifier & 0xFF
        return source in self._unacknowledged_by or event.since < self._acknowledged_at.get(source, 0)

    def _note_wait(self, event: Waited) -> None:
        if self.longest is None or event.time - event.since > self.longest.time - self.longest.since:
            self.longest = event

    def _exceeded(self, event: Waited) -> WorstCaseExceeded | None:
        """Return that a frame waited for longer than its message can by the plan; None where it did not."""
        worst_case = self.worst_case()
        found = worst_case.responses.get(dgn_of(event.identifier)) if worst_case is not None else None
        response = event.time - event.since
        if found is None or found.worst_us is None or response <= found.worst_us:
            return None
        return WorstCaseExceeded(event.time, event.since, event.node, found.message, response, found.worst_us)

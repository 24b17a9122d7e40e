"""A watch that observes a log in columns: most frames are passed over, since they change nothing but times.

Knows: which frames of a block a watch must be given one by one, and when something is due between them, so that the
watch finds exactly what it finds frame by frame. Does not know what a frame means, nor any rule. Where too many frames
of a block matter, the rest of it is observed frame by frame, which is faster then.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable
from heapq import heapify, heappop, heappush
from itertools import compress
from typing import TYPE_CHECKING, Protocol

from rvsim.logs.blocks import Block
from rvsim.logs.columns import Columns, to_columns
from rvsim.logs.frame_choice import FrameChoice
from rvsim.logs.possible_pauses import possible_pauses
from rvsim.logs.seconds import Seconds
from rvsim.logs.topic_columns import Moment, TopicFrames, Topics, to_bytes
from rvsim.watch.decode import Decoder
from rvsim.watch.traffic import MAX_SILENCES
from rvsim.watch.watch import Event, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import JoinedMessage, LineEvent, ListeningResumed, OtherFrame, Waited, is_error_frame

if TYPE_CHECKING:
    from numpy import int64
    from numpy.typing import NDArray

MAX_STOPS_PERCENT = 35
"""If more frames than this are stopped at, a block is observed frame by frame: measured, a stop costs about as much as
three frames."""
_MIN_JUDGED_STOPS = 500
"""From how many stops on that share is judged within a block."""
MIN_BLOCK_FRAMES, MIN_FRAMES_PER_TOPIC = 512, 10
"""A block with fewer frames, or with fewer for each topic that is known, is observed frame by frame, and one with less
than twice as many for each identifier that is new: measured, columns of 44 topics gain nothing below 400 frames, and
below 800 where all are new."""
MAX_RETRY_BLOCKS = 8
"""For how many blocks columns are given up at most; at first only for the rest of one, since a start says much that is
new."""


class Follower(Protocol):
    """Something that follows a watch through a block: it gets each frame when the watch is to pass over it, or when the
    watch has observed it. Positions are those of the block.
    """

    def pass_over(self, end: int) -> None:
        """Take the next frames, those before ``end``: the watch passes over them after that, and says nothing."""

    def observe_frame(self, position: int, events: list[Event]) -> None:
        """Take the next frame, which the watch has decided, and the events that followed from its coming."""

    def observe_events(self, events: list[Event]) -> None:
        """Take the events that followed from another entry than a frame."""


class EventFollower:
    """A follower that only collects events."""

    def __init__(self, collect: Callable[[list[Event]], None]) -> None:
        self.observe_events = collect

    def pass_over(self, end: int) -> None:
        """Take no frames."""

    def observe_frame(self, position: int, events: list[Event]) -> None:  # noqa: ARG002 - it needs no frame
        """Collect the events that followed from a frame."""
        self.observe_events(events)


class ColumnWatch:
    """Has a watch observe the blocks of one channel; the follower learns what happens, and when."""

    def __init__(self, watch: Watch, decoder: Decoder, follower: Follower) -> None:
        self._watch = watch
        self._follower = follower
        self._pass: _Pass | None = None
        """The pass that is under way."""
        self._moment = Moment()
        self._choice = FrameChoice(watch, self._moment)
        self._topics = Topics(decoder, self._moment, self._choice)
        self._seconds = Seconds(watch.bus_load, watch.overload)
        self._by_frame_blocks = 0
        """How many blocks are still to be observed frame by frame before columns are tried again."""
        self._retry_blocks = 0
        """How many blocks that will be, the next time that columns are given up."""

    def split(self, frames: Columns) -> list[TopicFrames] | None:
        """Give the topics the frames of the next block and return those that have some; None where there are too few
        frames, or too many identifiers, for that.
        """
        if not len(frames):
            return []
        if len(frames) < max(MIN_BLOCK_FRAMES, MIN_FRAMES_PER_TOPIC * len(self._topics.topics)):
            return None
        topics = self._topics.split(frames, self._watch.topic_record, 2 * MIN_FRAMES_PER_TOPIC)
        unknown = self._watch.frames_without_column() if topics is not None else ()
        if unknown and self._topics.split(to_columns(unknown), self._watch.topic_record):
            topics = self._topics.split(frames, self._watch.topic_record)  # all topics are known now
        return topics

    def bits(self) -> "NDArray[int64]":
        """Return the bits of each frame of the block that was split last."""
        return self._topics.bits()

    def observe(self, block: Block, topics: list[TopicFrames] | None) -> None:
        """Observe a block, with the topics that have frames in it."""
        frames, events = block.frames, list(block.events)
        done = 0
        if topics and not self._by_frame_blocks:
            self._choice.begin(frames, self._topics.topics)
            self._pass = _Pass(self._watch, self._moment, self._seconds, self._choice, self._follower)
            done, events = self._pass.run(block, topics, self._topics.topics)
            self._pass = None
            self._by_frame_blocks = self._retry_blocks if done < len(frames) else 0
            self._retry_blocks = min(2 * self._retry_blocks + 1, MAX_RETRY_BLOCKS) if done < len(frames) else 0
        elif self._by_frame_blocks:
            self._by_frame_blocks -= 1
        for topic in self._topics.topics:
            if topic.record is not None:
                topic.record.hold(None)
        if done < len(frames) or events:
            self._observe_entries(done, Block(frames.between(done), [(before - done, one) for before, one in events]))
        self.keep(frames)

    def keep(self, frames: Columns) -> None:
        """Keep what the next block needs of the latest frames, which the watch has observed, here or elsewhere."""
        if len(frames):
            self._seconds.keep(frames)

    def catch_up(self, end: int) -> None:
        """Let the watch know the frames before ``end`` now: the follower, which has taken them, wants to ask it."""
        if self._pass is not None:
            self._pass.pass_to(end)

    def _observe_entries(self, position: int, rest: Block) -> None:
        """Observe the rest of a block, from a position on, one by one."""
        for entry in rest.entries():
            if isinstance(entry, Frame):
                self._follower.observe_frame(position, self._watch.observe(entry))
                position += 1
            else:
                self._follower.observe_events(self._watch.observe_event(entry))


class _Pass:
    """One pass over a block in columns."""

    def __init__(
        self,
        watch: Watch,
        moment: Moment,
        seconds: Seconds,
        choice: FrameChoice,
        follower: Follower,
    ) -> None:
        self._watch, self._moment, self._seconds, self._follower = watch, moment, seconds, follower
        self._choice, self._version = choice, choice.version
        self._recent = watch.latest_times()
        """The times of the last frames before the block."""
        self._heap: list[tuple[int, int]] = []
        self._gap = 0
        self._passed = 0
        """The number of frames that the watch knows."""
        self._due: tuple[float, int] = (-1, 0)
        """When something is due, and the first frame after that."""
        self._decisive = 0
        """The first frame whose time decides something, or that must be taken in for its source."""

    def run(
        self, block: Block, topics: list[TopicFrames], every_topic: Iterable[TopicFrames]
    ) -> tuple[int, list[tuple[int, LineEvent]]]:
        """Observe the block, or the first part of it; ``topics`` are those that have frames in it.

        Returns:
            The number of frames that were observed, and the other entries that were not.
        """
        self._begin(block, topics, every_topic)
        watch, events, count, stops = self._watch, list(block.events), len(self._times), 0
        events.reverse()
        position = 0
        while True:
            stop = self._next_stop(position)
            while events and events[-1][0] <= stop and self._passes_over(*events[-1]):
                events.pop()
            if events and events[-1][0] <= stop:
                position, event = events.pop()
                self._observe_event(position, event)
            elif stop < count:
                self._stop(stop)
                position = stop + 1
            else:
                break
            stops += 1
            if stops >= _MIN_JUDGED_STOPS and 100 * stops > MAX_STOPS_PERCENT * position:
                count = position
                break
        self._go_to(count)
        self._seconds.finish(count)
        for topic in topics:
            topic.refresh()
        watch.use_silences(None)
        events.reverse()
        return count, events

    def _begin(self, block: Block, topics: list[TopicFrames], every_topic: Iterable[TopicFrames]) -> None:
        import numpy as np

        frames = self._frames = block.frames
        self._topics = topics
        self._moment.paused_us = self._watch.paused_us
        self._times = self._moment.times = np.ascontiguousarray(frames.times).data
        topic_at = np.empty(len(frames), np.int64)
        for place, topic in enumerate(topics):
            topic.place = place
            topic_at[topic.positions] = place
        self._topic_at = topic_at.data
        self._long_gaps = [*self._pauses(block, every_topic), len(frames)]
        """The positions of the frames after a silence in which bus time may stop, and the end of the block."""
        others = (isinstance(event, OtherFrame) or is_error_frame(event) for _, event in block.events)
        places = [(position, event.time) for position, event in compress(block.events, others)]
        self._seconds.begin(frames, places)
        self._move_to(0)
        self._watch.use_silences(self._latest_times)
        for topic in topics:
            topic.next_position = topic.find_next()
            if topic.next_position >= 0:
                self._heap.append((topic.next_position, topic.place))
        heapify(self._heap)

    def _pauses(self, block: Block, topics: Iterable[TopicFrames]) -> list[int]:
        """Return the positions of the frames after a silence in which bus time may stop.

        Where ages may count from another entry on, that is every one of more than a second.
        """
        import numpy as np

        times = block.frames.times
        steps = np.diff(times, prepend=self._recent[-1] if self._recent else times[0])
        pauses = np.flatnonzero(steps > SECOND_US)
        if len(pauses) and not self._restarts(block):
            ends, with_rig = times[pauses], self._watch.rig is not None
            starts, paused_us = ends - steps[pauses], self._moment.paused_us
            may_stop = possible_pauses(starts, ends, topics, self._watch.layout_of, paused_us, with_rig=with_rig)
            pauses = pauses[may_stop]
        positions: list[int] = pauses.tolist()
        return positions

    @staticmethod
    def _restarts(block: Block) -> bool:
        """Return whether ages may count from an entry of a block that is no frame."""
        return any(isinstance(event, ListeningResumed | JoinedMessage) for _, event in block.events)

    # Where to stop.

    def _next_stop(self, position: int) -> int:
        """Return the first frame from this position on that must be stopped at; the number of frames for none."""
        watch, heap = self._watch, self._heap
        if watch.wire_problems.needs_sources:
            self._decisive = position
            return position
        while heap and self._topics[heap[0][1]].next_position != heap[0][0]:
            heappop(heap)
        stop = heap[0][0] if heap else len(self._times)
        due = watch.next_due
        if due != self._due[0]:
            self._due = due, bisect_right(self._times, due)
        while self._long_gaps[self._gap] < position:
            self._gap += 1
        self._decisive = min(
            max(position, self._due[1]), self._long_gaps[self._gap], self._seconds.next_boundary(position)
        )
        return min(stop, self._decisive)

    def _passes_over(self, position: int, event: LineEvent) -> bool:
        """Pass over an event before the frame at a position, where nothing follows from it or from its time.

        That is a frame's wait, when it has ended: many frames wait for a moment on a busy bus.
        """
        return (
            isinstance(event, Waited)
            and position < self._decisive
            and event.time == self._times[position]
            and self._watch.wire_problems.pass_wait(event)
        )

    def _find_next(self, topic: TopicFrames) -> None:
        """Find the next frame of interest of a topic."""
        position = topic.find_next()
        if position != topic.next_position:
            topic.next_position = position
            if position >= 0:
                heappush(self._heap, (position, topic.place))

    def _find_touched(self) -> None:
        touched = self._moment.touched
        if self._version != self._choice.version:
            self._version = self._choice.version
            touched += self._topics
        if touched:
            for topic in dict.fromkeys(touched):
                self._find_next(topic)
            touched.clear()

    # Stops.

    def _stop(self, position: int) -> None:
        """Take in a frame, or decide what its coming decides where the frame itself says nothing new."""
        watch, time = self._watch, self._times[position]
        self._go_to(position)
        if time >= watch.bus_load.end:
            self._seconds.prepare(position, time)
        watch.await_frame(time, may_resume=self._long_gaps[self._gap] == position)
        self._moment.paused_us = watch.paused_us
        self._find_touched()
        topic = self._topics[self._topic_at[position]]
        if topic.next_position == position or watch.wire_problems.needs_sources:
            topic.refresh()
            frame = topic.frame(topic.taken)
            watch.take_in(frame)
            topic.take()
            self._passed = position + 1
            self._move_to(position + 1)
            if topic.record is None:
                topic.hold(watch.topic_record(frame.identifier, frame.data))
            self._find_next(topic)
            self._find_touched()
        self._follower.observe_frame(position, watch.take_events())

    def _observe_event(self, position: int, event: LineEvent) -> None:
        """Observe another entry, before the frame at a position."""
        self._go_to(position)
        if event.time >= self._watch.bus_load.end:
            self._seconds.prepare(position, event.time)
        self._follower.observe_events(self._watch.observe_event(event))
        self._find_touched()

    def _go_to(self, position: int) -> None:
        """Pass over all frames before a position, with the follower ahead."""
        self._follower.pass_over(position)
        self.pass_to(position)

    def pass_to(self, position: int) -> None:
        """Let the watch pass over all frames before a position."""
        if position > self._passed:
            frames, last = self._frames, position - 1
            frame = Frame(
                self._times[last], int(frames.identifiers[last]), to_bytes(frames.data[last], frames.lengths[last])
            )
            self._watch.pass_over(position - self._passed, frame)
            self._passed = position
        self._move_to(position)

    def _move_to(self, position: int) -> None:
        gaps = self._long_gaps
        while gaps[self._gap] < position:
            self._gap += 1
        self._moment.position, self._moment.horizon = position, gaps[self._gap]

    def _latest_times(self) -> list[int]:
        """Return the times of the latest frames that were received."""
        end = self._moment.position
        times = self._times[max(0, end - MAX_SILENCES - 1) : end].tolist()
        missing = MAX_SILENCES + 1 - len(times)
        return [*self._recent[-missing:], *times] if missing > 0 else times

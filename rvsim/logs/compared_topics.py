"""Values that a watch compares with those of another topic, in columns: where a comparison may end in another way.

Knows: which frames of two messages can change whether two values differ, and from when on a value rests while another
one moves. Every answer may have more than needed, never less. Does not know why a watch compares, nor a single frame's
needs (`frame_choice`).
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from math import inf
from typing import TYPE_CHECKING, NamedTuple

from rvsim.logs.columns import Columns
from rvsim.logs.field_classes import FieldClasses
from rvsim.logs.topic_columns import Moment, TopicFrames
from rvsim.watch.needs import Differing, Extremes, Rest
from rvsim.watch.traffic import MIN_LATE_LIMIT_US, MISSED_IN_A_ROW
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from numpy import float64, int64, intp, uint64
    from numpy.typing import NDArray

CERTAIN_DIFFERENCE = 1e-6
"""What rounding can change in a difference of two values at most."""
_MAX_LATE_STEPS = 64
"""With more steps after which a topic may be late, every change of a block is examined. Our decision."""
_BYTES = 8


class RestingSpan(NamedTuple):
    """A span of frame time in which a value has rested long enough, as far as that is known.

    It may begin at ``start``, and has begun at ``certain``: bus time may stop in between.
    """

    start: int
    certain: int
    end: float


class ComparedTopics:
    """The topics of a block that are compared with each other.

    ``columns_of`` returns the fields of a message in columns.
    """

    def __init__(
        self, watch: Watch, moment: Moment, columns_of: Callable[[MessageSpec], Mapping[str, FieldClasses]]
    ) -> None:
        self._watch = watch
        self._moment = moment
        self._columns_of = columns_of
        self._topics: Sequence[TopicFrames] = ()
        self._clock = _Clock((), None)
        self._differing: dict[Differing, Mapping[TopicFrames, NDArray[intp]] | None] = {}
        """The positions of each topic's frames that a need of two topics asks for; None for every change."""
        self._rests: dict[tuple[str, str, int], list[RestingSpan] | None] = {}

    def begin(self, frames: Columns, topics: Sequence[TopicFrames]) -> None:
        """Take the frames of a block, and all topics, with or without frames in it."""
        self._topics = topics
        recent = self._watch.latest_times()
        self._clock = _Clock(frames.times, recent[-1] if recent else None)
        self.forget()

    def forget(self) -> None:
        """Forget what was found of this block: values are judged by other limits."""
        self._differing.clear()
        self._rests.clear()

    def forget_rests(self) -> None:
        """Forget which values rest: one of them was reported."""
        self._rests.clear()

    def differing(self, need: Differing) -> "Mapping[TopicFrames, NDArray[intp]] | None":
        """Return the frames of two messages with which a difference passes a limit; None where all may matter."""
        if need not in self._differing:
            self._differing[need] = self._find_differences(need)
        return self._differing[need]

    def rests(self, need: Extremes) -> list[RestingSpan] | None:
        """Return when a field has rested long enough in any topic; None where that is not known."""
        key = need.resting_message, need.resting_field, need.lag
        if key not in self._rests:
            self._rests[key] = self._find_rests(need)
        return self._rests[key]

    def late_limit(self, topic: TopicFrames) -> int:
        """Return the shortest step after which a frame of a topic can be late."""
        return max(MISSED_IN_A_ROW * (self._watch.layout_of(topic.dgn).gap or 0), MIN_LATE_LIMIT_US)

    def _topics_with(self, message: str) -> Iterable[tuple[TopicFrames, MessageSpec]]:
        """Yield the topics of a message that are known, or have frames in this block."""
        for topic in self._topics:
            spec = self._watch.layout_of(topic.dgn).spec
            if spec is not None and spec.name == message and (topic.record is not None or len(topic.changes)):
                yield topic, spec

    def _keeps_battery(self, topic: TopicFrames, spec: MessageSpec) -> bool:
        battery = self._columns_of(spec).get("dc_source_instance")
        if battery is None or not len(topic.changes):
            return True
        raws = battery.raws(topic.data[topic.changes])
        return bool((raws == raws[0]).all())

    # Differences.

    def _find_differences(self, need: Differing) -> "Mapping[TopicFrames, NDArray[intp]] | None":
        """They can be told while one topic alone has the other field; one that is late does not count."""
        import numpy as np

        values = [(topic, self._compared(topic, spec, need)) for topic, spec in self._topics_with(need.message)]
        others = [
            (topic, spec, self._known_values(topic, spec, need.other_field))
            for topic, spec in self._topics_with(need.other_message)
        ]
        if not self._watch.has_differences():
            every = _joined(column for _, column in values)
            every_other = _joined(column for _, _, column in others)
            if not len(every) or not len(every_other):
                return {}
            most = max(every.max() - every_other.min(), every_other.max() - every.min())
            if most <= min(need.differences) - CERTAIN_DIFFERENCE:
                return {}
        if not others or need.message == need.other_message:
            return None
        # What the one that is late last measures is compared, as soon as all others are late.
        late_from = [self._late_from(topic) for topic, _, _ in others]
        last = late_from.index(max(late_from))
        other, other_spec, other_values = others[last]
        unclear = max((moment for place, moment in enumerate(late_from) if place != last), default=-1)
        both = [*self._topics_with(need.message), (other, other_spec)]
        if not all(self._keeps_battery(topic, spec) for topic, spec in both):
            return None  # where a value ceases to be plausible, that frame is examined anyway
        late = [span for topic, _ in both for span in self._late_spans(topic)]
        if len(late) > _MAX_LATE_STEPS:
            return None
        concerned = [topic for topic, _ in values] + [topic for topic, _, _ in others]
        found: dict[TopicFrames, list[NDArray[intp]]] = {
            topic: [_within(topic, [(-1, unclear), *late])] for topic in concerned
        }
        for topic, column in values:
            for place, positions in enumerate(_passing(topic, column, other, other_values, need)):
                found[(topic, other)[place]].append(positions)
        return {topic: np.concatenate(positions) for topic, positions in found.items()}

    def _late_from(self, topic: TopicFrames) -> int:
        """Return the frame time from which on a topic is certainly late, up to the end of this block."""
        import numpy as np

        stored = np.array(topic.record.rhythm.times if topic.record is not None else (), np.int64)
        coming, paused = topic.times[topic.taken :], self._moment.paused_us
        longest = int(np.diff(np.concatenate((stored + paused, coming))).max(initial=0))
        limit = max(self.late_limit(topic), MISSED_IN_A_ROW * longest)
        if len(coming):
            return self._clock.after(int(coming[-1]), limit)
        return self._clock.after_known(int(stored[-1]) + limit, paused, self._moment.position)

    def _known_values(self, topic: TopicFrames, spec: MessageSpec, field: str) -> "NDArray[float64]":
        """Return the values of a field in the changes of a topic, after the last one before them; NaN for none."""
        import numpy as np

        column, data = self._columns_of(spec)[field], _with_last(topic)
        raws = column.raws(data)
        return np.where(column.is_value(raws), column.values(raws), np.nan)

    def _compared(self, topic: TopicFrames, spec: MessageSpec, need: Differing) -> "NDArray[float64]":
        """Return the values that count, as ``_known_values``."""
        import numpy as np

        values = self._known_values(topic, spec, need.field)
        return np.where(self._known_values(topic, spec, need.current) >= need.min_current, values, np.nan)

    def _late_spans(self, topic: TopicFrames) -> list[tuple[int, float]]:
        """Return the spans of frame time in which a topic may be late, the frame with which that ends included."""
        import numpy as np

        limit, times = self.late_limit(topic), topic.times
        known = [topic.record.stored_frame.time] if topic.record is not None and topic.taken == 0 else []
        every = np.concatenate((np.array(known, np.int64), times))
        last: list[tuple[int, float]] = [(int(every[-1]) + limit, inf)] if len(every) else []
        long = np.flatnonzero(np.diff(every) > limit)
        return [
            (start + limit, end) for start, end in zip(every[long].tolist(), every[long + 1].tolist(), strict=True)
        ] + last

    # Rests.

    def _find_rests(self, need: Extremes) -> list[RestingSpan] | None:
        """It is not known where a topic may belong to another battery later, or is late often.

        Where a value does not count, too much is returned.
        """
        rests: list[RestingSpan] = []
        for topic, spec in self._topics_with(need.resting_message):
            if not self._keeps_battery(topic, spec):
                return None
            late = self._late_frames(topic)
            if len(late) > _MAX_LATE_STEPS:
                return None
            record = topic.record
            rest = self._watch.rest(record, need.resting_field) if record is not None else None
            rests += self._spans(topic, self._columns_of(spec)[need.resting_field], rest, need.lag, late)
        return rests

    def _late_frames(self, topic: TopicFrames) -> list[int]:
        """Return the times of the frames of a topic that may be late."""
        import numpy as np

        limit, times = self.late_limit(topic), topic.times
        late: list[int] = times[1:][np.diff(times) > limit].tolist()
        record = topic.record
        if len(times) and record is not None and times[0] - record.stored_frame.time > limit:
            late.append(int(times[0]))
        return late

    def _spans(
        self, topic: TopicFrames, column: FieldClasses, rest: Rest | None, lag: int, late: Sequence[int]
    ) -> list[RestingSpan]:
        """Return the spans in which a field of a topic has not changed for more than ``lag``.

        After a frame that may be late the value counts as constant from then on, or from before as well: both spans
        are returned.
        """
        import numpy as np

        raws = column.raws(topic.data[topic.changes])
        known = column.field.raw_in(topic.record.stored_frame.data) if topic.record is not None and rest else None
        changed = np.ones(len(raws), np.bool_)
        changed[1:] = raws[1:] != raws[:-1]
        if len(raws):
            changed[0] = known is None or known != raws[0]
        changes, since = topic.times[topic.changes[changed]], -1 if rest is None else rest.time
        changes = changes[changes > since]
        moments = changes[:-1][np.diff(changes) > lag].tolist() + changes[-1:].tolist()

        def end_of(time: int) -> float:
            place = int(changes.searchsorted(time, "right"))
            return int(changes[place]) if place < len(changes) else inf

        spans = [
            RestingSpan(time + lag, self._clock.after(time, lag), end_of(time))
            for time in dict.fromkeys([*moments, *(time for time in late if time > since)])
        ]
        if rest is not None and not rest.is_reported:
            paused, position = self._moment.paused_us, self._moment.position
            certain = self._clock.after_known(rest.now + lag, paused, position)
            spans.append(RestingSpan(rest.now + lag + paused, certain, end_of(since)))
        return [span for span in spans if span.end > span.start]


class _Clock:
    """How far bus time may be behind the frame times of a block: it may stop in each silence of more than a second."""

    def __init__(self, times: "NDArray[int64] | Sequence[int]", before: int | None) -> None:
        """Take the times of the block's frames, and that of the last frame before it."""
        import numpy as np

        self._times = np.asarray(times, np.int64)
        steps = np.diff(self._times, prepend=self._times[:1] if before is None else before)
        self._stopped = np.cumsum(np.where(steps > SECOND_US, steps, 0))
        """The sum of the silences up to each frame."""
        self._slowest = self._times - self._stopped
        self._has_silences = bool(len(steps)) and bool(self._stopped[-1])

    def after(self, time: int, lag: int) -> int:
        """Return the frame time at which ``lag`` of bus time has certainly passed since a frame of the block."""
        if not self._has_silences:
            return time + lag
        place = int(self._times.searchsorted(time, "right")) - 1
        return self._first_beyond(int(self._slowest[place]) + lag, time + lag)

    def after_known(self, now: int, paused_us: int, position: int) -> int:
        """Return the frame time at which bus time is certainly beyond ``now``, where it is ``paused_us`` behind at a
        position.
        """
        if not self._has_silences:
            return now + paused_us
        before = int(self._stopped[position - 1]) if position > 0 else 0
        return self._first_beyond(now + paused_us - before, now + paused_us)

    def _first_beyond(self, slowest: int, earliest: int) -> int:
        place = int(self._slowest.searchsorted(slowest, "right"))
        last = place if place < len(self._times) else len(self._times) - 1
        return max(earliest, int(self._times[last]) - (place < len(self._times)))


def _within(topic: TopicFrames, spans: Iterable[tuple[int, float]]) -> "NDArray[intp]":
    """Return the positions of the changes of a topic in some spans of time, and of the first one after each."""
    import numpy as np

    times = topic.times[topic.changes]
    chosen = np.zeros(len(times), np.bool_)
    for start, end in spans:
        first, last = int(times.searchsorted(start, "right")), int(times.searchsorted(end, "right"))
        chosen[first : last + 1] = True
    return topic.positions[topic.changes[chosen]]


def _with_last(topic: TopicFrames) -> "NDArray[uint64]":
    """Return the data of the changes of a topic, after those of its last frame before them."""
    import numpy as np

    data = topic.data[topic.changes]
    if topic.record is None:
        return np.concatenate((data[:1], data))
    last = int.from_bytes(topic.record.stored_frame.data.ljust(_BYTES, b"\0"), "big")
    return np.concatenate((np.array([last], np.uint64), data))


def _joined(columns: "Iterable[NDArray[float64]]") -> "NDArray[float64]":
    """Return all numbers of some columns."""
    import numpy as np

    every: NDArray[float64] = np.concatenate([np.empty(0), *columns])
    return every[~np.isnan(every)]


def _passing(
    topic: TopicFrames, values: "NDArray[float64]", other: TopicFrames, others: "NDArray[float64]", need: Differing
) -> "tuple[NDArray[intp], NDArray[intp]]":
    """Return the positions of the frames of two topics with which their difference passes a limit."""
    import numpy as np

    own, theirs = topic.positions[topic.changes], other.positions[other.changes]
    positions = np.sort(np.concatenate((own, theirs)))
    value = values[own.searchsorted(positions, "right")]
    compared = others[theirs.searchsorted(positions, "right")]
    side = np.isnan(value).astype(np.intp)
    for limit in need.differences:
        side = 2 * side + (np.abs(value - compared) > limit)
    for limit in need.lowest:
        side = 2 * side + (np.minimum(value, compared) <= limit)
    passed = np.ones(len(side), np.bool_)
    passed[1:] = side[1:] != side[:-1]
    return np.intersect1d(positions[passed], own), np.intersect1d(positions[passed], theirs)

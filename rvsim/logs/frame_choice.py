"""Which frames of a block a watch must examine: of those with new data only the ones that can matter.

Knows: how each need that a watch states (`watch.needs`) becomes a choice among the frames of a topic. A choice may have
more frames than needed, never fewer. Does not know why a watch has a need.
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, assert_never

from rvsim.logs.columns import Columns
from rvsim.logs.field_classes import FieldClasses
from rvsim.logs.topic_columns import Moment, TopicFrames
from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US, TopicRecord
from rvsim.watch.limits import expected
from rvsim.watch.needs import Alternations, Differing, EachChange, Exceeding, Extremes, FieldChange, Need, PassedChange
from rvsim.watch.traffic import MIN_LATE_LIMIT_US, MISSED_IN_A_ROW
from rvsim.watch.watch import Watch
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from numpy import bool_, float64, intp, uint8, uint64
    from numpy.typing import NDArray

_FULL = 8
_CERTAIN_DIFFERENCE = 1e-6
"""What rounding can change in a difference of two values at most."""


class _NeedsEachError(Exception):
    """Each frame with new data is needed."""


class FrameChoice:
    """Chooses the frames of each topic that a watch must examine."""

    def __init__(self, watch: Watch, moment: Moment) -> None:
        self._watch = watch
        self._rig = watch.rig
        self._moment = moment
        self._fields: dict[int, dict[str, FieldClasses]] = {}
        self._topics: Sequence[TopicFrames] = ()
        self._has_silences = False
        self._differing: dict[Differing, Mapping[TopicFrames, NDArray[intp]] | None] = {}
        """The positions of each topic's frames that a need of two topics asks for; None for every change."""
        self._rests: dict[tuple[str, str, int], list[tuple[int, float]] | None] = {}
        self._assignments = 0

    def begin(self, frames: Columns, topics: Sequence[TopicFrames]) -> None:
        """Take the frames of a block, and all topics, with or without frames in it."""
        import numpy as np

        self._topics = topics
        self._has_silences = bool((np.diff(frames.times) > SECOND_US).any())
        self._differing.clear()
        self._rests.clear()

    @property
    def version(self) -> int:
        """A number that changes when every choice must be made again: values are judged by other limits."""
        if self._assignments != self._watch.assignments:
            self._assignments = self._watch.assignments
            self._differing.clear()
            self._rests.clear()
        return self._assignments

    def needs_each_change(self, record: TopicRecord) -> bool:
        """Return whether each frame with new data of a topic must be examined at present."""
        return self._watch.needs_each_change(record)

    def count_undefined(self, frames: int) -> None:
        """Count frames of a message without a definition that were passed over."""
        self._watch.count_undefined(frames)

    def enter(self, topic: TopicFrames, changes: Sequence[PassedChange], entered: int, latest: int) -> None:
        """Enter the last changes of a topic that were passed over, those after ``entered`` up to ``latest``."""
        import numpy as np

        record = topic.record
        assert record is not None
        assert record.layout.spec is not None
        columns = self._columns_of(record.layout.spec)

        def last_change(field: FieldSpec) -> FieldChange | None:
            places = topic.changes[entered : latest + 1]
            raws = columns[field.name].raws(topic.data[places])
            changed = np.flatnonzero(raws[1:] != raws[:-1])
            if not len(changed):
                return None
            place = int(changed[-1]) + 1
            time = int(topic.times[places[place]])
            return FieldChange(int(raws[place]), time - self._moment.paused_us, time)

        self._watch.enter(record, changes, last_change)

    def choose(self, topic: TopicFrames, record: TopicRecord) -> "NDArray[bool_]":
        """Return which of the changes of a topic must be examined where only their values count."""
        import numpy as np

        spec, changes = record.layout.spec, topic.changes
        everything = np.ones(len(changes), np.bool_)
        if spec is None or len(changes) <= 2:  # the first two are always examined
            return everything
        chosen = np.zeros(len(changes), np.bool_)
        chosen[:2] = True
        try:
            self._choose_lengths(topic, spec, chosen)
            self._choose_classes(topic, spec, chosen)
            self._choose_late(topic, spec, chosen)
            for need in self._watch.needs(record):
                self._choose_needed(topic, spec, need, chosen)
        except _NeedsEachError:
            return everything
        return chosen

    def _columns_of(self, spec: MessageSpec) -> dict[str, FieldClasses]:
        columns = self._fields.get(spec.dgn)
        if columns is None:
            plans = (None, *self._rig.devices) if self._rig is not None else (None,)
            every = [expected(spec, plan, twelve_volts=self._rig is not None) for plan in plans]
            columns = self._fields[spec.dgn] = {
                field.name: FieldClasses(field, {limits for one in every if (limits := one[place].limits) is not None})
                for place, field in enumerate(spec.fields)
            }
        return columns

    # What every topic needs.

    @staticmethod
    def _choose_lengths(topic: TopicFrames, spec: MessageSpec, chosen: "NDArray[bool_]") -> None:
        """Choose the frames of another length than the one before, and those with bytes behind their message."""
        import numpy as np

        lengths = topic.lengths[topic.changes]
        chosen[1:] |= lengths[1:] != lengths[:-1]
        if spec.length < _FULL:
            behind = np.uint64((1 << 8 * (_FULL - spec.length)) - 1)
            filled = topic.data[topic.changes] | _after(lengths)
            chosen |= (filled & behind) != behind

    def _choose_classes(self, topic: TopicFrames, spec: MessageSpec, chosen: "NDArray[bool_]") -> None:
        """Choose the frames with which a value gets into another class."""
        import numpy as np

        data, lengths = topic.data[topic.changes], topic.lengths[topic.changes]
        changed_bits = int(np.bitwise_or.reduce(data[1:] ^ data[:-1]))
        for column in self._columns_of(spec).values():
            if not column.fits:
                raise _NeedsEachError
            if column.has_classes and column.differs(changed_bits):
                classes = column.classes(data)
                classes[column.missing(lengths)] = -1
                chosen[1:] |= classes[1:] != classes[:-1]

    def _late_limit(self, topic: TopicFrames) -> int:
        """Return the shortest step after which a frame of a topic can be late."""
        return max(MISSED_IN_A_ROW * (self._watch.layout_of(topic.dgn).gap or 0), MIN_LATE_LIMIT_US)

    def _choose_late(self, topic: TopicFrames, spec: MessageSpec, chosen: "NDArray[bool_]") -> None:
        """Choose the frames after which a sender, or a constant value, counts as started again."""
        limit = MIN_SILENCE_LIMIT_US
        if any(field.moves_with for field in spec.fields):
            limit = min(limit, self._late_limit(topic))
        later = topic.changes[1:]
        chosen[1:] |= topic.times[later] - topic.times[later - 1] > limit

    # What detectors need.

    def _choose_needed(self, topic: TopicFrames, spec: MessageSpec, need: Need, chosen: "NDArray[bool_]") -> None:
        import numpy as np

        match need:
            case EachChange():
                raise _NeedsEachError
            case Alternations():
                self._choose_alternations(topic, spec, need, chosen)
            case Exceeding():
                if self._exceeds(topic, spec, need):
                    raise _NeedsEachError
            case Differing():
                if need not in self._differing:
                    self._differing[need] = self._find_differences(need)
                found = self._differing[need]
                if found is None:
                    raise _NeedsEachError
                chosen |= np.isin(topic.positions[topic.changes], found.get(topic, ()))
            case Extremes():
                self._choose_extremes(topic, spec, need, chosen)
            case _:
                assert_never(need)

    def _choose_alternations(
        self, topic: TopicFrames, spec: MessageSpec, need: Alternations, chosen: "NDArray[bool_]"
    ) -> None:
        import numpy as np

        raws = self._columns_of(spec)[need.field].raws(topic.data[topic.changes])
        from_last, before, across = raws[2:] - raws[1:-1], raws[:-2] - raws[1:-1], raws[2:] - raws[:-2]
        nearest = np.minimum(np.abs(from_last), np.abs(before))
        chosen[2:] |= nearest > need.min_ratio * np.maximum(1, np.abs(across))

    def _exceeds(self, topic: TopicFrames, spec: MessageSpec, need: Exceeding) -> bool:
        columns, data = self._columns_of(spec), topic.data[topic.changes]
        value, bound = columns.get(need.field), columns.get(need.bound)
        if value is None or bound is None:
            return False
        raws, bounds = value.raws(data), bound.raws(data)
        difference = value.values(raws) - bound.values(bounds)
        counts = value.is_value(raws) & bound.is_value(bounds) & (bound.values(bounds) != 0)
        return bool((counts & (difference > -_CERTAIN_DIFFERENCE)).any())

    # Values that are compared with those of another topic.

    def _find_differences(self, need: Differing) -> "Mapping[TopicFrames, NDArray[intp]] | None":
        """Return the frames of two messages with which a difference passes a limit; None where all may matter.

        They can be told where one topic alone has the other field, and every frame is on time.
        """
        import numpy as np

        values = [(topic, self._compared(topic, spec, need)) for topic, spec in self._topics_with(need.message)]
        others = [
            (topic, self._known_values(topic, spec, need.other_field))
            for topic, spec in self._topics_with(need.other_message)
        ]
        if not self._watch.has_differences():
            every, every_other = (_joined(column for _, column in side) for side in (values, others))
            if not len(every) or not len(every_other):
                return {}
            most = max(every.max() - every_other.min(), every_other.max() - every.min())
            if most <= min(need.differences) - _CERTAIN_DIFFERENCE:
                return {}
        for message in (need.message, need.other_message):
            for topic, spec in self._topics_with(message):
                if self._ends(topic) or self._is_late(topic) or not self._keeps_battery(topic, self._columns_of(spec)):
                    return None  # where a value ceases to be plausible, that frame is examined anyway
        if len(others) != 1 or need.message == need.other_message:
            return None
        found: dict[TopicFrames, list[NDArray[intp]]] = {}
        for topic, column in values:
            for place, positions in enumerate(_passing(topic, column, *others[0], need)):
                found.setdefault((topic, others[0][0])[place], []).append(positions)
        return {topic: np.concatenate(positions) for topic, positions in found.items()}

    def _topics_with(self, message: str) -> Iterable[tuple[TopicFrames, MessageSpec]]:
        """Yield the topics of a message that are known, or have frames in this block."""
        for topic in self._topics:
            spec = self._watch.layout_of(topic.dgn).spec
            if spec is not None and spec.name == message and (topic.record is not None or len(topic.changes)):
                yield topic, spec

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

    def _is_late(self, topic: TopicFrames) -> bool:
        """Return whether a frame of a topic may be late in this block, or bus time may stop."""
        import numpy as np

        if self._has_silences or not len(topic.times):
            return True
        limit = self._late_limit(topic)
        is_late = topic.record is not None and topic.times[0] - topic.record.stored_frame.time > limit
        return bool(is_late or (np.diff(topic.times) > limit).any())

    def _ends(self, topic: TopicFrames) -> bool:
        """Return whether a topic may cease in this block."""
        return not len(topic.times) or self._moment.times[-1] - int(topic.times[-1]) > self._late_limit(topic)

    # Values that are compared with one that rests.

    def _choose_extremes(self, topic: TopicFrames, spec: MessageSpec, need: Extremes, chosen: "NDArray[bool_]") -> None:
        """Choose the frames in which a field exceeds its range while another one rests."""
        import numpy as np

        key = need.resting_message, need.resting_field, need.lag
        if key not in self._rests:
            self._rests[key] = self._find_rests(need)
        rests, column = self._rests[key], self._columns_of(spec)[need.field]
        if rests == []:
            return
        if rests is None:
            raise _NeedsEachError
        data, times = topic.data[topic.changes], topic.times[topic.changes]
        raws, classes = column.raws(data), column.classes(data)
        classes[column.missing(topic.lengths[topic.changes])] = -1
        # The range begins again with another class, where a value may not have counted: it is never too wide.
        turns = np.flatnonzero(classes[1:] != classes[:-1]) + 1
        for start, end in rests:
            first, last = int(times.searchsorted(start, "right")), int(times.searchsorted(end, "right"))
            for begin, until in pairwise([max(0, first - 1), *turns[(turns >= first) & (turns < last)].tolist(), last]):
                part = raws[begin:until]
                highest, lowest = np.maximum.accumulate(part)[:-1], np.minimum.accumulate(part)[:-1]
                chosen[begin + 1 : until] |= (part[1:] > highest) | (part[1:] < lowest)

    def _find_rests(self, need: Extremes) -> list[tuple[int, float]] | None:
        """Return the spans of time in which a field has rested long enough in any topic; None where that is not known.

        It is not known where bus time may stop, where a frame is late, and where a topic may belong to another battery
        later. Where a value does not count, too much is returned.
        """
        import numpy as np

        rests: list[tuple[int, float]] = []
        for topic, spec in self._topics_with(need.resting_message):
            columns, record = self._columns_of(spec), topic.record
            column = columns[need.resting_field]
            since = self._watch.resting_since(record, need.resting_field) if record is not None else None
            if not len(topic.times):
                if since is not None:
                    rests.append((since + need.lag, np.inf))
                continue
            if self._is_late(topic) or not self._keeps_battery(topic, columns):
                return None
            rests += _rests(column, topic, since, need.lag, record)
        return rests

    @staticmethod
    def _keeps_battery(topic: TopicFrames, columns: dict[str, FieldClasses]) -> bool:
        battery = columns.get("dc_source_instance")
        if battery is None or not len(topic.changes):
            return True
        raws = battery.raws(topic.data[topic.changes])
        return bool((raws == raws[0]).all())


def _rests(
    column: FieldClasses, topic: TopicFrames, since: int | None, lag: int, record: TopicRecord | None
) -> list[tuple[int, float]]:
    """Return the spans of time in which a field of a topic has not changed for more than ``lag``."""
    import numpy as np

    raws = column.raws(topic.data[topic.changes])
    known = column.field.raw_in(record.stored_frame.data) if record is not None and since is not None else None
    changed = np.ones(len(raws), np.bool_)
    changed[1:] = raws[1:] != raws[:-1]
    if len(raws):
        changed[0] = known is None or known != raws[0]
    moments: list[float] = [] if since is None else [since]
    moments += topic.times[topic.changes[changed]].tolist()
    return [(int(start) + lag, end) for start, end in pairwise([*sorted(moments), np.inf]) if end > start + lag]


def _with_last(topic: TopicFrames) -> "NDArray[uint64]":
    """Return the data of the changes of a topic, after those of its last frame before them."""
    import numpy as np

    data = topic.data[topic.changes]
    if topic.record is None:
        return np.concatenate((data[:1], data))
    last = int.from_bytes(topic.record.stored_frame.data.ljust(_FULL, b"\0"), "big")
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


def _after(lengths: "NDArray[uint8]") -> "NDArray[uint64]":
    """Return masks of the bytes after the last one of each frame."""
    import numpy as np

    masks = np.array([(1 << 8 * (_FULL - length)) - 1 for length in range(_FULL + 1)], np.uint64)
    return masks[lengths]

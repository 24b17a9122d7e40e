"""Which frames of a block a watch must examine: of those with new data only the ones that can matter.

Knows: how each need that a watch states (`watch.needs`) becomes a choice among the frames of a topic. A choice may have
more frames than needed, never fewer. Does not know why a watch has a need.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, assert_never

from rvsim.logs.columns import Columns
from rvsim.logs.compared_topics import CERTAIN_DIFFERENCE, ComparedTopics
from rvsim.logs.field_classes import FieldClasses
from rvsim.logs.topic_columns import Moment, TopicFrames
from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US, TopicRecord
from rvsim.watch.limits import Expected, expected
from rvsim.watch.needs import (
    Alternations,
    Crossing,
    Differing,
    EachChange,
    Exceeding,
    Extremes,
    FieldChange,
    Need,
    PassedChange,
)
from rvsim.watch.transitions import Limits
from rvsim.watch.watch import Watch
from rvsim.wire.fields import FieldSpec
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from numpy import bool_, intp, uint8, uint64
    from numpy.typing import NDArray

_FULL = 8


class _NeedsEachError(Exception):
    """Each frame with new data is needed."""


class FrameChoice:
    """Chooses the frames of each topic that a watch must examine."""

    def __init__(self, watch: Watch, moment: Moment) -> None:
        self._watch = watch
        self._rig = watch.rig
        self._moment = moment
        self._fields: dict[int, dict[str, FieldClasses]] = {}
        self._crossed: dict[tuple[int, Crossing], FieldClasses] = {}
        """The classes of a field between the levels of a need, by the DGN of its message."""
        self._compared = ComparedTopics(watch, moment, self._columns_of)
        self._assignments = 0

    def begin(self, frames: Columns, topics: Sequence[TopicFrames]) -> None:
        """Take the frames of a block, and all topics, with or without frames in it."""
        self._compared.begin(frames, topics)

    @property
    def version(self) -> int:
        """A number that changes when every choice must be made again: values are judged by other limits."""
        if self._assignments != self._watch.assignments:
            self._assignments = self._watch.assignments
            self._compared.forget()
        return self._assignments

    def needs_each_change(self, record: TopicRecord) -> bool:
        """Return whether each frame with new data of a topic must be examined at present."""
        return self._watch.needs_each_change(record)

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of which each change must be examined at present."""
        return self._watch.needed_fields(record)

    def with_changes_of(
        self, topic: TopicFrames, record: TopicRecord, fields: Sequence[FieldSpec], chosen: "NDArray[intp]"
    ) -> "NDArray[intp]":
        """Return the frames that are chosen, with those in which one of some fields changes."""
        import numpy as np

        assert record.layout.spec is not None
        columns, data = self._columns_of(record.layout.spec), topic.data[topic.changes]
        changed = np.zeros(len(data), np.bool_)
        changed[:1] = True
        for field in fields:
            raws = columns[field.name].raws(data)
            changed[1:] |= raws[1:] != raws[:-1]
        return np.union1d(chosen, topic.changes[changed])

    def forget_rests(self) -> None:
        """Note that a value which was constant does not count any more."""
        self._compared.forget_rests()

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
            index = int(places[place])
            time = int(topic.times[index])
            return FieldChange(int(raws[place]), time - self._moment.paused_us, time, index)

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
                self._choose_needed(topic, record, need, chosen)
        except _NeedsEachError:
            return everything
        return chosen

    def _columns_of(self, spec: MessageSpec) -> dict[str, FieldClasses]:
        columns = self._fields.get(spec.dgn)
        if columns is None:
            plans = (None, *self._rig.devices) if self._rig is not None else (None,)
            every = [expected(spec, plan, twelve_volts=self._rig is not None) for plan in plans]
            columns = self._fields[spec.dgn] = {
                field.name: FieldClasses(field, set(_limits(one[place] for one in every)))
                for place, field in enumerate(spec.fields)
            }
        return columns

    # What every topic needs.

    @staticmethod
    def _choose_lengths(topic: TopicFrames, spec: MessageSpec, chosen: "NDArray[bool_]") -> None:
        """Choose the frames of another length than the one before, those with bytes behind their message, and the first
        one after these.
        """
        import numpy as np

        lengths = topic.lengths[topic.changes]
        chosen[1:] |= lengths[1:] != lengths[:-1]
        if spec.length < _FULL:
            behind = np.uint64((1 << 8 * (_FULL - spec.length)) - 1)
            filled = topic.data[topic.changes] | _after(lengths)
            is_longer = (filled & behind) != behind
            chosen |= is_longer
            chosen[1:] |= is_longer[:-1]

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

    def _choose_late(self, topic: TopicFrames, spec: MessageSpec, chosen: "NDArray[bool_]") -> None:
        """Choose the frames after which a sender, or a constant value, counts as started again."""
        limit = MIN_SILENCE_LIMIT_US
        if any(field.moves_with for field in spec.fields):
            limit = min(limit, self._compared.late_limit(topic))
        later = topic.changes[1:]
        chosen[1:] |= topic.times[later] - topic.times[later - 1] > limit

    # What detectors need.

    def _choose_needed(self, topic: TopicFrames, record: TopicRecord, need: Need, chosen: "NDArray[bool_]") -> None:
        import numpy as np

        spec = record.layout.spec
        assert spec is not None
        match need:
            case EachChange():
                raise _NeedsEachError
            case Alternations():
                self._choose_alternations(topic, spec, need, chosen)
            case Exceeding():
                if self._exceeds(topic, spec, need):
                    raise _NeedsEachError
            case Differing():
                found = self._compared.differing(need)
                if found is None:
                    raise _NeedsEachError
                chosen |= np.isin(topic.positions[topic.changes], found.get(topic, ()))
            case Crossing():
                self._choose_crossings(topic, spec, need, chosen)
            case Extremes():
                self._choose_extremes(topic, record, need, chosen)
            case _:
                assert_never(need)

    def _choose_crossings(
        self, topic: TopicFrames, spec: MessageSpec, need: Crossing, chosen: "NDArray[bool_]"
    ) -> None:
        import numpy as np

        column = self._crossed.get((spec.dgn, need))
        if column is None:
            levels = [Limits(level, level, "") for level in need.levels]
            column = self._crossed[spec.dgn, need] = FieldClasses(spec.by_name[need.field], levels)
        if not column.fits:
            raise _NeedsEachError
        data = topic.data[topic.changes]
        if column.differs(int(np.bitwise_or.reduce(data[1:] ^ data[:-1]))):
            classes = column.classes(data)
            classes[column.missing(topic.lengths[topic.changes])] = -1
            chosen[1:] |= classes[1:] != classes[:-1]

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
        return bool((counts & (difference > -CERTAIN_DIFFERENCE)).any())

    # Values that are compared with one that rests.

    def _choose_extremes(
        self, topic: TopicFrames, record: TopicRecord, need: Extremes, chosen: "NDArray[bool_]"
    ) -> None:
        """Choose the frames in which a field exceeds its range while another one rests."""
        import numpy as np

        spec = record.layout.spec
        assert spec is not None
        rests, column = self._compared.rests(need), self._columns_of(spec)[need.field]
        if rests == []:
            return
        if rests is None:
            raise _NeedsEachError
        data, times = topic.data[topic.changes], topic.times[topic.changes]
        raws, classes = column.raws(data), column.classes(data)
        classes[column.missing(topic.lengths[topic.changes])] = -1
        # The range begins again with another class, where a value may not have counted: it is never too wide.
        turns = np.flatnonzero(classes[1:] != classes[:-1]) + 1
        latest = int(topic.changes.searchsorted(topic.taken)) - 1  # of a new record the first one
        if latest > 0:
            turns = np.sort(np.append(turns, latest))
        counts_from = 0
        is_flagged = record.values is not None and record.values.is_flagged(need.field)
        if is_flagged and (latest >= 0 or classes[0] == column.class_in(record.stored_frame.data)):
            later = turns[turns > latest]  # a value that is flagged counts for nothing until its class changes
            counts_from = int(later[0]) if len(later) else len(times)
        for start, certain, end in rests:
            first, last = int(times.searchsorted(certain, "right")), int(times.searchsorted(end, "right"))
            first = max(first, counts_from)
            chosen[max(int(times.searchsorted(start, "right")), counts_from) : min(first, last)] = True
            for begin, until in pairwise([max(0, first - 1), *turns[(turns >= first) & (turns < last)].tolist(), last]):
                part = raws[begin:until]
                highest, lowest = np.maximum.accumulate(part)[:-1], np.minimum.accumulate(part)[:-1]
                chosen[begin + 1 : until] |= (part[1:] > highest) | (part[1:] < lowest)


def _limits(every: Iterable[Expected]) -> Iterator[Limits]:
    """Yield the limits at which a value may be judged, with a value that is no measurement as limits of its own."""
    for one in every:
        if one.limits is not None:
            yield one.limits
        if one.unmeasured is not None:
            yield Limits(one.unmeasured, one.unmeasured, "")


def _after(lengths: "NDArray[uint8]") -> "NDArray[uint64]":
    """Return masks of the bytes after the last one of each frame."""
    import numpy as np

    masks = np.array([(1 << 8 * (_FULL - length)) - 1 for length in range(_FULL + 1)], np.uint64)
    return masks[lengths]

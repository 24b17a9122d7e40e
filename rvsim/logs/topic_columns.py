"""The frames of a block by topic: which frames each topic has, and which of them say something new.

Knows: that a topic is one source and DGN with the byte that tells its topics apart, and how a watch asks for frames
that it passed over. Does not know what a frame means, nor when a watch examines one.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple, Protocol

from rvsim.logs.columns import Columns, frame_bits
from rvsim.logs.kept_rhythm import KeptRhythm
from rvsim.watch.decode import Decoder
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import PassedChange
from rvsim.watch.traffic import MAX_GAPS
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of

if TYPE_CHECKING:
    from numpy import bool_, int64, intp, uint8, uint32, uint64
    from numpy.typing import NDArray

MAX_IDENTIFIERS = 4096
"""With more identifiers a log is no traffic of devices, and is not worth columns. Our decision, to bound the memory."""
_NO_BYTE = 256
"""Stands for the byte that tells topics apart where a frame has none."""
_NO_PLACE = 255
_NO_POSITION = 1 << 62


class Moment:
    """The present place in a block, common to all topics."""

    def __init__(self) -> None:
        self.position = 0
        """The frames before it were received."""
        self.horizon = 0
        """The frames before it come without a silence of the bus in which bus time may stop."""
        self.paused_us = 0
        """By how much bus time is behind the time of the frames."""
        self.times: Sequence[int] = ()
        """The times of the frames of the block."""
        self.touched: list[TopicFrames] = []
        """The topics whose next frame of interest must be found again."""

    def known_until(self) -> int:
        """Return the bus time up to which all frames are known."""
        return self.times[self.horizon - 1] - self.paused_us if self.horizon else 0


class TopicFrames:
    """The frames of one topic in the present block, and what is kept of the blocks before it.

    Frames are numbered from 0 within the block. It is the ``TopicColumn`` of the record that it has.
    """

    def __init__(self, number: int, dgn: int, source: int, moment: Moment, choice: "Choice") -> None:
        import numpy as np

        self.number = number
        self.positions: NDArray[intp] = np.empty(0, np.intp)
        """The positions of its frames in the block."""
        self.place = 0
        """Its number among the topics of the present block."""
        self.dgn = dgn
        self.source = source
        self.record: TopicRecord | None = None
        self.next_position = -1
        """The position of the next frame of interest; -1 where it has none in this block."""
        self.taken = 0
        """How many of the frames were entered into the record."""
        self._next_taken = _NO_POSITION
        """The position of the next frame that is to be entered; ``_NO_POSITION`` where there is none, or no record."""
        self._moment = moment
        self._choice = choice
        self._chosen: NDArray[intp] | None = None
        """The changes that must be examined where only values count; None where that was not found yet."""
        self._version = -1
        self._with_fields: tuple[tuple[FieldSpec, ...], NDArray[intp]] | None = None
        """The fields of which each change is needed, and the frames that must be examined with these."""
        self.entered = -1
        """The last of the changes that the record knows with its values."""
        self._long_steps: dict[int, NDArray[intp]] = {}
        self._irregular: dict[tuple[float, float], NDArray[intp]] = {}
        self._dense: dict[tuple[int, float], NDArray[intp]] = {}
        self._kept: tuple[int, KeptRhythm] | None = None
        """The checks of its rhythm, with the pauses of bus time in which they were computed."""

    def load(
        self,
        positions: "NDArray[intp]",
        times: "NDArray[int64]",
        identifiers: "NDArray[uint32]",
        data: "NDArray[uint64]",
        lengths: "NDArray[uint8]",
        changed: "NDArray[bool_]",
    ) -> None:
        """Take the frames of a block; ``changed`` tells which differ from the one before."""
        import numpy as np

        self.positions, self.times, self.identifiers = positions, times, identifiers
        self.data, self.lengths = data, lengths
        self.changes: NDArray[intp] = np.flatnonzero(changed)
        self.first_uses: list[int] = []
        """The first frame with each identifier, where there are several."""
        if len(identifiers) > 1 and (identifiers[1:] != identifiers[:-1]).any():
            self.first_uses = sorted(np.unique(identifiers, return_index=True)[1].tolist())
        self.taken = 0
        self._find_next_taken()
        self.entered = -1
        self._chosen = self._with_fields = None
        self._long_steps.clear()
        self._irregular.clear()
        self._dense.clear()
        self._kept = None

    def frame(self, index: int) -> Frame:
        """Return one of the frames."""
        return Frame(
            int(self.times[index]),
            int(self.identifiers[index]),
            to_bytes(self.data[index], self.lengths[index]),
        )

    def first_from(self, start: int) -> int:
        """Return the position of its first frame from a time on, not after that of its last one."""
        return int(self.positions[int(self.times.searchsorted(start))])

    # The frames that a watch has passed over.

    def catch_up(self) -> None:
        """Enter the frames that were passed over into the record."""
        if self._next_taken >= self._moment.position:
            return
        record, taken = self.record, self.taken
        assert record is not None
        end = int(self.positions.searchsorted(self._moment.position))
        times = self.times[max(taken, end - MAX_GAPS - 1) : end] - self._moment.paused_us
        if record.time_only:
            self._choice.count_undefined(end - taken)
        self.taken = end
        self._find_next_taken()
        record.rhythm.stored.extend(times.tolist())
        record.stored_frame = last = self.frame(end - 1)
        if record.settled_data is not None:
            changes = self.changes
            latest = int(changes.searchsorted(end)) - 1
            if latest >= 0 and changes[latest] >= taken:
                record.settled_data = record.last_data = last.data
                record.changed_at = int(self.times[changes[latest]]) - self._moment.paused_us

    def _find_next_taken(self) -> None:
        is_known = self.record is not None and self.taken < len(self.positions)
        self._next_taken = int(self.positions[self.taken]) if is_known else _NO_POSITION

    def take(self) -> None:
        """Note that the record has taken in the next frame."""
        self.taken += 1
        self._find_next_taken()
        self.entered = int(self.changes.searchsorted(self.taken)) - 1

    def refresh(self) -> None:
        """Enter the data of the frames that were passed over into what is kept of values."""
        self.catch_up()
        record, entered = self.record, self.entered
        latest = int(self.changes.searchsorted(self.taken)) - 1
        if record is None or latest <= entered:
            return
        self.entered = latest
        if record.layout.spec is not None and entered >= 0:
            changes = [self._passed_change(place) for place in range(max(entered + 1, latest - 1), latest + 1)]
            self._choice.enter(self, changes, entered, latest)

    def _passed_change(self, place: int) -> PassedChange:
        index = int(self.changes[place])
        before, time = self.times[index - 1 : index + 1].tolist()
        paused = self._moment.paused_us
        data = to_bytes(self.data[index], self.lengths[index])
        return PassedChange(time, time - paused, before - paused, data)

    def choose_again(self) -> None:
        """Note that other frames may have to be examined from now on."""
        self._moment.touched.append(self)

    def need_less(self) -> None:
        """Note that less is needed of the values of the frames from now on."""
        self._chosen = None
        self._choice.forget_rests()
        self._moment.touched.append(self)

    def release(self) -> None:
        """Note that the record was dropped."""
        self.refresh()
        if self.record is not None:
            self.record.hold(None)
            self.record = None
            self._find_next_taken()
        self._moment.touched.append(self)

    def hold(self, record: TopicRecord | None) -> None:
        """Take the record that the frames are entered into, None where it has none yet."""
        if record is not self.record:
            self._chosen = self._kept = None
        self.record = record
        self._find_next_taken()
        if record is not None:
            record.hold(self)

    # What comes next.

    def find_next(self) -> int:
        """Return the position of the next frame that a watch must examine, -1 where it need not examine one."""
        self.catch_up()
        record, taken = self.record, self.taken
        if taken >= len(self.positions):
            return -1
        if record is None or not (record.time_only or record.settled_data is not None):
            return int(self.positions[taken])
        found = len(self.positions)
        if not record.time_only:
            choice = self._interesting(record)
            place = int(choice.searchsorted(taken))
            found = int(choice[place]) if place < len(choice) else found
        found = min(found, next((index for index in self.first_uses if index >= taken), found))
        return int(self.positions[found]) if found < len(self.positions) else -1

    def _interesting(self, record: TopicRecord) -> "NDArray[intp]":
        """Return the frames with new data that must be examined, as things are."""
        if self._choice.needs_each_change(record):
            return self.changes
        if self._chosen is None or self._version != self._choice.version:
            self._version = self._choice.version
            self._chosen = self.changes[self._choice.choose(self, record)]
            self._with_fields = None
        fields = self._choice.needed_fields(record)
        if not fields:
            return self._chosen
        if self._with_fields is None or self._with_fields[0] != fields:
            self._with_fields = fields, self._choice.with_changes_of(self, record, fields, self._chosen)
        return self._with_fields[1]

    def _visible(self) -> int:
        """Return the number of frames before the next silence of the bus."""
        return int(self.positions.searchsorted(self._moment.horizon))

    def unbroken_until(self, last: int, longest: int) -> int:
        """See ``Rhythm.unbroken_until``."""
        import numpy as np

        self.catch_up()
        paused, taken, end = self._moment.paused_us, self.taken, self._visible()
        if taken >= end or int(self.times[taken]) - paused - last > longest:
            return last
        steps = self._long_steps.get(longest)
        if steps is None:
            steps = self._long_steps[longest] = np.flatnonzero(np.diff(self.times) > longest) + 1
        place = int(steps.searchsorted(taken, "right"))
        broken = int(steps[place]) if place < len(steps) else end
        return int(self.times[min(broken, end) - 1]) - paused

    def fewer_until(self, count: int) -> int:
        """See ``Rhythm.fewer_until``."""
        self.catch_up()
        assert self.record is not None
        index = self.taken + count - len(self.record.rhythm.stored) - 1
        if index < self._visible():
            return int(self.times[max(index, 0)]) - self._moment.paused_us - 1
        return self._moment.known_until()

    def regular_until(self, shortest: float, longest: float) -> int:
        """See ``Rhythm.regular_until``."""
        import numpy as np

        self.catch_up()
        assert self.record is not None
        paused, taken, end = self._moment.paused_us, self.taken, self._visible()
        last = self.record.rhythm.stored[-1]
        if taken >= end:
            return self._moment.known_until()
        if not shortest <= int(self.times[taken]) - paused - last <= longest:
            return last
        steps = self._irregular.get((shortest, longest))
        if steps is None:
            all_steps = np.diff(self.times)
            steps = np.flatnonzero((all_steps < shortest) | (all_steps > longest)) + 1
            self._irregular[shortest, longest] = steps
        place = int(steps.searchsorted(taken, "right"))
        if place == len(steps) or steps[place] >= end:
            return self._moment.known_until()
        return int(self.times[int(steps[place]) - 1]) - paused

    def sparse_until(self, count: int, within: float) -> int:
        """See ``Rhythm.sparse_until``."""
        import numpy as np

        self.catch_up()
        assert self.record is not None
        stored, paused, taken, end = self.record.rhythm.stored, self._moment.paused_us, self.taken, self._visible()
        coming = self.times[taken : min(taken + count - 1, end)].tolist()
        head = [*list(stored)[-count:], *(time - paused for time in coming)]
        for before, (place, time) in zip(head, enumerate(head[count - 1 :], count - 1), strict=False):
            if time - before < within:
                return int(max(stored[-1], head[place - 1]))
        if taken + count - 1 >= end:
            return self._moment.known_until()
        dense = self._dense.get((count, within))
        if dense is None:
            steps = self.times[count - 1 :] - self.times[: 1 - count]
            dense = self._dense[count, within] = np.flatnonzero(steps < within) + count - 1
        place = int(dense.searchsorted(taken + count - 1))
        if place == len(dense) or dense[place] >= end:
            return self._moment.known_until()
        return int(self.times[int(dense[place]) - 1]) - paused

    def next_check(self, check: int) -> int:
        """See ``Rhythm.next_check``."""
        self.catch_up()
        assert self.record is not None
        paused = self._moment.paused_us
        if self._kept is None or self._kept[0] != paused:
            coming = self.times[self.taken :] - paused
            self._kept = paused, KeptRhythm(self.record.rhythm.stored, coming)
        return self._kept[1].next_check(check, self._moment.known_until())


class Choice(Protocol):
    """What chooses the frames of a topic that must be examined."""

    @property
    def version(self) -> int:
        """A number that changes when every choice must be made again."""

    def needs_each_change(self, record: TopicRecord) -> bool:
        """Return whether each frame with new data must be examined at present."""

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of which each change must be examined at present."""

    def with_changes_of(
        self, topic: TopicFrames, record: TopicRecord, fields: Sequence[FieldSpec], chosen: "NDArray[intp]"
    ) -> "NDArray[intp]":
        """Return the frames that are chosen, with those in which one of some fields changes."""

    def forget_rests(self) -> None:
        """Note that a value which was constant does not count any more."""

    def choose(self, topic: TopicFrames, record: TopicRecord) -> "NDArray[bool_]":
        """Return which of its changes must be examined where only their values count."""

    def count_undefined(self, frames: int) -> None:
        """Count frames of a message without a definition that were passed over."""

    def enter(self, topic: TopicFrames, changes: Sequence[PassedChange], entered: int, latest: int) -> None:
        """Enter the last changes that were passed over, those after ``entered`` up to ``latest``."""


def to_bytes(data: "uint64", length: "uint8") -> bytes:
    """Return the data bytes of a frame."""
    return int(data).to_bytes(8, "big")[: int(length)]


def joined_times(topics: "Sequence[TopicFrames]", start: int) -> "NDArray[int64]":
    """Return the times of all frames of some topics from ``start`` on, in order."""
    import numpy as np

    times = topics[0].times if len(topics) == 1 else np.sort(np.concatenate([topic.times for topic in topics]))
    return times[int(times.searchsorted(start)) :]


def joined_positions(topics: "Sequence[TopicFrames]") -> list[int]:
    """Return the positions of all frames of some topics, in order."""
    import numpy as np

    positions: list[int] = np.sort(np.concatenate([topic.positions for topic in topics])).tolist() if topics else []
    return positions


class _Identifier(NamedTuple):
    dgn: int
    source: int
    place: int


class _Runs(NamedTuple):
    """The frames of a block by topic, and the runs of equal ones among them."""

    order: "NDArray[intp]"
    """The position of each."""
    starts: "NDArray[intp]"
    """The first frame of each run; the frames after it have the same identifier and data."""
    ordered: Columns


class Topics:
    """The topics of one channel; their numbers are those of their first frames."""

    def __init__(self, decoder: Decoder, moment: Moment, choice: Choice) -> None:
        self._decoder = decoder
        self._moment = moment
        self._choice = choice
        self._numbers: dict[tuple[int, int, int], int] = {}
        self.topics: list[TopicFrames] = []
        self._identifiers: list[_Identifier] = []
        self._known: NDArray[uint32] | None = None
        """The known identifiers in order, and the number of each."""
        self._known_numbers: NDArray[intp] | None = None
        self._table: NDArray[intp] | None = None
        """The number of the topic, by the number of the identifier and the byte that tells topics apart."""
        self._shifts: NDArray[uint64] | None = None
        self._places: NDArray[uint8] | None = None
        self._runs: _Runs | None = None

    def split(
        self, frames: Columns, record_of: "Callable[[int, bytes], TopicRecord | None]", least: int = 0
    ) -> "list[TopicFrames] | None":
        """Give each topic its frames of a block and its record; return those that have frames.

        Returns None where a log has too many identifiers, or the block too few frames. The data are compared without
        the bits after the last byte.

        Args:
            frames: the frames of the block.
            record_of: returns the record of the topic of an identifier and data, None where it has none.
            least: how many frames a block must have for each identifier that is new.
        """
        import numpy as np

        identifiers, lengths = frames.identifiers, frames.lengths
        masks = np.array([0] + [(1 << 64) - (1 << 64 - 8 * length) for length in range(1, 9)], np.uint64)
        data = frames.data if (lengths == 8).all() else frames.data & masks[lengths]
        numbers = self._find(identifiers, least)
        if numbers is None:
            return None
        assert self._table is not None
        assert self._shifts is not None
        assert self._places is not None
        keys = (data >> self._shifts[numbers] & np.uint64(0xFF)).astype(np.intp)
        keys[self._places[numbers] >= lengths] = _NO_BYTE
        topics = self._table[numbers, keys]
        unknown = np.flatnonzero(topics < 0)
        if len(unknown):
            for position in unknown.tolist():
                number, key = int(numbers[position]), int(keys[position])
                if self._table[number, key] < 0:
                    self._table[number, key] = self._topic(self._identifiers[number], key)
            topics[unknown] = self._table[numbers[unknown], keys[unknown]]
        short = topics.astype(np.uint16) if len(self.topics) < 1 << 16 else topics
        order = np.argsort(short, kind="stable")
        ordered = short[order]
        data, lengths = data[order], lengths[order]
        changed = np.empty(len(order), np.bool_)
        changed[1:] = (data[1:] != data[:-1]) | (lengths[1:] != lengths[:-1])
        starts = np.flatnonzero(np.concatenate(([True], ordered[1:] != ordered[:-1])))
        times, identifiers = frames.times[order], identifiers[order]
        here = []
        for start, end in zip(starts.tolist(), [*starts[1:].tolist(), len(order)], strict=True):
            topic = self.topics[int(ordered[start])]
            first = Frame(int(times[start]), int(identifiers[start]), to_bytes(data[start], lengths[start]))
            record = record_of(first.identifier, first.data)
            topic.hold(record)
            changed[start] = record is None or record.stored_frame.data != first.data
            part = slice(start, end)
            topic.load(order[part], times[part], identifiers[part], data[part], lengths[part], changed[part])
            here.append(topic)
        starts_run = changed.copy()
        starts_run[starts] = True
        starts_run[1:] |= identifiers[1:] != identifiers[:-1]
        self._runs = _Runs(order, np.flatnonzero(starts_run), Columns(times, identifiers, data, lengths))
        present = set(here)
        for topic in self.topics:
            if topic not in present:
                topic.load(order[:0], times[:0], identifiers[:0], data[:0], lengths[:0], changed[:0])
                if topic.record is not None and topic.record.column is None:
                    topic.record.hold(topic)
        return here

    def bits(self) -> "NDArray[int64]":
        """Return the number of bits of each frame of the last block that was split, as ``frame_bits`` does."""
        import numpy as np

        assert self._runs is not None
        order, starts, ordered = self._runs
        bits = np.empty(len(order), np.int64)
        bits[order] = np.repeat(frame_bits(ordered.rows(starts)), np.diff(starts, append=len(order)))
        return bits

    def _find(self, identifiers: "NDArray[uint32]", least: int) -> "NDArray[intp] | None":
        """Return the number of each frame's identifier; None where there are too many, or too few frames of each."""
        import numpy as np

        places = None
        if self._known is not None:
            assert self._known_numbers is not None
            places = self._known.searchsorted(identifiers)
            places[places == len(self._known)] = 0
            missing = np.flatnonzero(self._known[places] != identifiers)
            if not len(missing):
                return self._known_numbers[places]
            unknown, first = np.unique(identifiers[missing], return_index=True)
            first = missing[first]
        else:
            unknown, first = np.unique(identifiers, return_index=True)
        if len(self._identifiers) + len(unknown) > MAX_IDENTIFIERS or least * len(unknown) > len(identifiers):
            return None
        for place in np.argsort(first).tolist():
            self._add(int(unknown[place]))
        everything = np.concatenate((self._known if self._known is not None else unknown[:0], unknown))
        numbers = np.empty(len(everything), np.intp)
        known = len(everything) - len(unknown)
        if known:
            assert self._known_numbers is not None
            numbers[:known] = self._known_numbers
        numbers[known + np.argsort(first)] = np.arange(known, len(everything))
        order = np.argsort(everything)
        self._known, self._known_numbers = everything[order], numbers[order]
        rows = np.full((len(self._identifiers), _NO_BYTE + 1), -1, np.intp)
        if self._table is not None:
            rows[: len(self._table)] = self._table
        self._table = rows
        place_of = [one.place for one in self._identifiers]
        self._places = np.array(place_of, np.uint8)
        self._shifts = np.array([0 if place == _NO_PLACE else 56 - 8 * place for place in place_of], np.uint64)
        return self._known_numbers[self._known.searchsorted(identifiers)]

    def _add(self, identifier: int) -> None:
        dgn = dgn_of(identifier)
        key = self._decoder.layout(dgn).key_slice
        self._identifiers.append(_Identifier(dgn, identifier & 0xFF, key.start if key.start < 8 else _NO_PLACE))

    def _topic(self, identifier: _Identifier, key: int) -> int:
        number = self._numbers.setdefault((identifier.dgn, identifier.source, key), len(self.topics))
        if number == len(self.topics):
            self.topics.append(TopicFrames(number, identifier.dgn, identifier.source, self._moment, self._choice))
        return number

    def __iter__(self) -> Iterator[TopicFrames]:
        return iter(self.topics)

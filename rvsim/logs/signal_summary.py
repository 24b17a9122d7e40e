"""What each field of each sender did in a log: lowest, highest and last value, changes, and since when it is unchanged.

Knows: how this is counted block by block, and how the summaries of two parts of a log become one. Does not know
devices, nor how it is shown. Only frames that differ from the one before are decoded, the others are counted.
"""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from rvsim.logs.columns import Columns
from rvsim.logs.decoded import ColumnDecoder, MessageColumns, SignalKey
from rvsim.logs.field_columns import FieldColumn, Payloads
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Reading, State

if TYPE_CHECKING:
    from numpy import bool_, int64, intp, uint64
    from numpy.typing import NDArray


class SignalSummary(NamedTuple):
    """One field of one sender in a part of a log; all times are in microseconds."""

    field: FieldSpec
    frames: int
    """The frames of the sender's message, at least one."""
    valid: int
    """Those of them whose field has the state ``value``."""
    lowest_raw: int | None
    """The raw integer of the lowest value; None where there is no value."""
    highest_raw: int | None
    first_raw: int | None
    """The first raw integer; None where the frame was too short."""
    last_raw: int | None
    changes: int
    """How often the raw integer differs from the one before, or comes to be missing or back."""
    unchanged_since: int
    """The time of the first of the equal raw integers at the end."""
    last_time: int
    """The time of the last frame."""

    @property
    def lowest(self) -> Reading | None:
        """The reading with the lowest value; None where there is no value."""
        return None if self.lowest_raw is None else self._reading(self.lowest_raw)

    @property
    def highest(self) -> Reading | None:
        """The reading with the highest value; None where there is no value."""
        return None if self.highest_raw is None else self._reading(self.highest_raw)

    @property
    def last(self) -> Reading:
        """The last reading."""
        return self._reading(self.last_raw)

    def _reading(self, raw: int | None) -> Reading:
        return Reading(self.field, raw, self.field.state(raw))

    def followed_by(self, later: "SignalSummary") -> "SignalSummary":
        """Return the summary of both parts, the other one being later on the same clock (`shifted`)."""
        joint = int(self.last_raw != later.first_raw)
        unchanged = self.unchanged_since if not joint and not later.changes else later.unchanged_since
        lows = [raw for raw in (self.lowest_raw, later.lowest_raw) if raw is not None]
        highs = [raw for raw in (self.highest_raw, later.highest_raw) if raw is not None]
        return SignalSummary(
            self.field,
            self.frames + later.frames,
            self.valid + later.valid,
            min(lows, default=None),
            max(highs, default=None),
            self.first_raw,
            later.last_raw,
            self.changes + later.changes + joint,
            unchanged,
            later.last_time,
        )

    def shifted(self, by: int) -> "SignalSummary":
        """Return the same with times that are ``by`` microseconds later."""
        return self._replace(unchanged_since=self.unchanged_since + by, last_time=self.last_time + by)


def merged(
    earlier: Mapping[SignalKey, SignalSummary], later: Mapping[SignalKey, SignalSummary]
) -> dict[SignalKey, SignalSummary]:
    """Return the summaries of two parts of a log, or of two logs on one clock, as one."""
    both = dict(earlier)
    for key, summary in later.items():
        before = both.get(key)
        both[key] = summary if before is None else before.followed_by(summary)
    return both


class _Topic:
    """What is known of one message from one source with one instance or DSA."""

    def __init__(self) -> None:
        self.word, self.length = 0, -1
        """The bytes of its last frame, as a number, and how many there are; no frame at first."""
        self._repeats = 0
        """Frames equal to the last one that are not yet counted in the summaries."""
        self._repeated_until = 0
        self._summaries: list[SignalSummary] = []

    def repeat(self, count: int, until: int) -> None:
        """Count frames that are equal to the last one."""
        self._repeats += count
        self._repeated_until = until

    def add(self, later: Sequence[SignalSummary], word: int, length: int) -> None:
        """Add the summaries of the fields in the next frames, the last of which is given by its bytes."""
        before = self.settled()
        self._repeats = 0
        self.word, self.length = word, length
        if before:
            later = [summary.followed_by(part) for summary, part in zip(before, later, strict=True)]
        self._summaries = list(later)

    def settled(self) -> list[SignalSummary]:
        """Return the summaries with the repeated frames counted."""
        if not self._repeats:
            return self._summaries
        return [
            summary._replace(
                frames=summary.frames + self._repeats,
                valid=summary.valid + (self._repeats if summary.last.state is State.VALUE else 0),
                last_time=self._repeated_until,
            )
            for summary in self._summaries
        ]


class SignalSummaries:
    """Summarizes one channel of a log, block by block. Messages that operate the network have no summaries."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._decoder = ColumnDecoder(catalogue)
        self._topics: dict[tuple[int, int, int | None, int | None], _Topic] = {}

    def add(self, frames: Columns) -> None:
        """Take in the next frames of the channel."""
        for message in self._decoder.decode(frames):
            if not message.spec.is_protocol and any(name != message.instance_field for name in message.fields):
                self._add_message(message)

    def _add_message(self, message: MessageColumns) -> None:
        import numpy as np

        topics = message.topics()
        order = np.concatenate([topic.places for topic in topics])
        ends = np.cumsum([len(topic.places) for topic in topics])
        starts = ends - [len(topic.places) for topic in topics]
        # Bits behind the data may differ: then frames count as different here, and their fields as equal below.
        words, lengths = message.payloads.data[order], message.payloads.lengths[order]
        differs = np.ones(len(order), np.bool_)
        differs[1:] = (words[1:] != words[:-1]) | (lengths[1:] != lengths[:-1])
        differs[starts] = True
        first = np.flatnonzero(differs)  # of each run of equal frames of one topic
        counts = np.diff(first, append=len(order))
        times = message.times[order]
        known = [
            self._topics.setdefault((message.dgn, topic.source, topic.instance, topic.dsa), _Topic())
            for topic in topics
        ]
        is_new = np.ones(len(first), np.bool_)
        for topic, start, place in zip(known, starts.tolist(), first.searchsorted(starts).tolist(), strict=True):
            if topic.word == int(words[start]) and topic.length == int(lengths[start]):
                topic.repeat(int(counts[place]), int(times[start + counts[place] - 1]))
                is_new[place] = False
        if not is_new.any():
            return
        first, counts = first[is_new], counts[is_new]
        inside = first.searchsorted(starts), first.searchsorted(ends)
        changed = [place for place in range(len(known)) if inside[0][place] < inside[1][place]]
        rows = _Runs(first, counts, times[first], inside[0][changed])
        payloads = Payloads(message.payloads.data[order[first]], message.payloads.lengths[order[first]])
        parts = [
            _parts(FieldColumn(column.decoder, payloads), rows, times[ends[changed] - 1])
            for name, column in message.fields.items()
            if name != message.instance_field
        ]
        for place, summaries in zip(changed, zip(*parts, strict=True), strict=True):
            end = int(ends[place]) - 1
            known[place].add(summaries, int(words[end]), int(lengths[end]))

    @property
    def summaries(self) -> dict[SignalKey, SignalSummary]:
        """The summaries so far, without the fields of instances; by DGN, source, instance and DSA."""
        ordered = sorted(self._topics.items(), key=lambda item: [-1 if part is None else part for part in item[0]])
        return {SignalKey(*key, summary.field.name): summary for key, topic in ordered for summary in topic.settled()}


class _Runs(NamedTuple):
    """Runs of equal frames of one message, each by its first frame; those of one topic stand together."""

    first: "NDArray[intp]"
    counts: "NDArray[intp]"
    times: "NDArray[int64]"
    starts: "NDArray[intp]"
    """The first run of each topic."""


def _parts(column: FieldColumn, runs: _Runs, last_times: "NDArray[int64]") -> list[SignalSummary]:
    """Return the summary of one field for each topic."""
    import numpy as np

    raws, missing, is_value = column.raws, column.missing, column.states == 0
    limits = np.iinfo(raws.dtype)
    starts = runs.starts
    ends = np.append(starts[1:], len(raws)) - 1
    changed = np.zeros(len(raws), np.bool_)
    changed[1:] = raws[1:] != raws[:-1]
    if missing is not None:
        changed[1:] |= missing[1:] != missing[:-1]
    changed[starts] = False
    since = np.where(changed, np.arange(len(raws)), 0)
    since[starts] = starts
    found = zip(
        np.add.reduceat(runs.counts, starts).tolist(),
        np.add.reduceat(np.where(is_value, runs.counts, 0), starts).tolist(),
        np.minimum.reduceat(np.where(is_value, raws, limits.max), starts).tolist(),
        np.maximum.reduceat(np.where(is_value, raws, limits.min), starts).tolist(),
        _raws_at(raws, missing, starts),
        _raws_at(raws, missing, ends),
        np.add.reduceat(changed, starts, dtype=np.int64).tolist(),
        runs.times[np.maximum.reduceat(since, starts)].tolist(),
        last_times.tolist(),
        strict=True,
    )
    return [
        SignalSummary(column.field, frames, valid, low if valid else None, high if valid else None, *rest)
        for frames, valid, low, high, *rest in found
    ]


def _raws_at(
    raws: "NDArray[int64 | uint64]", missing: "NDArray[bool_] | None", places: "NDArray[intp]"
) -> list[int | None]:
    """Return raw integers at some places, None where they are missing."""
    found: list[int | None] = raws[places].tolist()
    if missing is None:
        return found
    return [None if is_missing else raw for raw, is_missing in zip(found, missing[places].tolist(), strict=True)]

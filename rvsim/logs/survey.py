"""The survey of a captured log: its devices, their messages and how often they came, the bus load, the flags.

Knows: how the watch observes a log frame by frame, with the same transitions and rules as on a live bus. Does not know
formats of logs, nor how a survey is rendered.
"""

from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from rvsim.logs.blocks import Block, to_blocks
from rvsim.logs.column_watch import ColumnWatch, EventFollower
from rvsim.logs.columns import BLOCK_FRAMES, LogLoad, other_frame, to_columns
from rvsim.logs.decoded import SignalKey
from rvsim.logs.error_counts import ErrorCounts
from rvsim.logs.formats.time_units import MIN_GAPS, unit_factor
from rvsim.logs.presence import PresenceHistory, PresenceSpan
from rvsim.logs.signal_summary import SignalSummaries, SignalSummary
from rvsim.logs.topic_columns import TopicFrames, joined_times, to_bytes
from rvsim.logs.two_recordings import Heard, Identities, explained_causes, joined_recordings
from rvsim.watch.bus.worst_case import WorstCase
from rvsim.watch.cause import Cause
from rvsim.watch.decode import Decoder
from rvsim.watch.flag import Flag, FlagKind
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.watch import (
    Event,
    FlagCleared,
    FlagRaised,
    ListeningGap,
    MomentMarked,
    NodeDescribed,
    PresenceChanged,
    Watch,
)
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import NULL_ADDRESS, dgn_of
from rvsim.wire.line_events import JoinedMessage, LineEvent, ListeningResumed, LogEnded, TimesInUnit
from rvsim.wire.name import Name

if TYPE_CHECKING:
    from numpy import int64
    from numpy.typing import NDArray

    from rvsim.rig.model import Rig

SURVEYED_BLOCK_FRAMES = 1 << 17
"""The most frames of a block that is surveyed: in larger ones than usual the cost of each topic falls on more frames.
Measured: a tenth less time than with half of it; twice of it gains nothing."""
_MAX_WAITING = 1 << 16
"""The entries that come one by one and are kept before they are processed together. Our decision."""
_BURST_RATIO = 3
"""A message comes in bursts if its mean gap is more than this many times its median gap. Our decision."""
_MAX_KEPT_GAPS = 8192
"""Gaps of a message that are kept; with more, every second one is dropped, and the median is that of a sample."""


@dataclass
class MessageCounts:
    """One message of one source and instance; times in microseconds since the start of the log."""

    count: int = 0
    first: int = 0
    last: int = 0
    longest_gap: int = 0
    gaps: "array[int]" = field(default_factory=lambda: array("q"))
    _stride: int = 1

    def count_frame(self, time: int) -> None:
        """Count a frame."""
        if not self.count:
            self.first = time
        else:
            gap = time - self.last
            self.longest_gap = max(self.longest_gap, gap)
            if self.count % self._stride == 0:
                self.gaps.append(gap)
            if len(self.gaps) > _MAX_KEPT_GAPS:
                self.gaps, self._stride = self.gaps[::2], 2 * self._stride
        self.count, self.last = self.count + 1, time

    def count_column(self, times: "NDArray[int64]") -> None:
        """Count frames, given by a column of their times."""
        import numpy as np

        if not self.count:
            self.first = self.last = int(times[0])
            self.count, times = 1, times[1:]
        if not len(times):
            return
        gaps = np.diff(times, prepend=self.last)
        self.longest_gap = max(self.longest_gap, int(gaps.max()))
        numbers, end = self.count, self.count + len(gaps)
        while numbers < end:
            first = -numbers % self._stride  # the first kept gap is that of a frame whose number the stride divides
            kept = gaps[numbers - self.count + first :: self._stride][: _MAX_KEPT_GAPS + 1 - len(self.gaps)]
            if not len(kept):
                break
            self.gaps.frombytes(kept.astype(np.int64).tobytes())
            numbers += first + (len(kept) - 1) * self._stride + 1
            if len(self.gaps) > _MAX_KEPT_GAPS:
                self.gaps, self._stride = self.gaps[::2], 2 * self._stride
        self.count, self.last = end, int(times[-1])

    @property
    def median_gap(self) -> int | None:
        """The median gap, None for a message that came once."""
        import numpy as np

        middle = len(self.gaps) // 2
        return int(np.partition(np.array(self.gaps), middle)[middle]) if self.gaps else None

    @property
    def mean_gap(self) -> float | None:
        """The mean gap, None for a message that came once."""
        return (self.last - self.first) / (self.count - 1) if self.count > 1 else None

    @property
    def in_bursts(self) -> bool:
        """Whether several frames come close together with long pauses between: the mean gap is the better figure."""
        mean, median = self.mean_gap, self.median_gap
        return mean is not None and median is not None and _BURST_RATIO * median < mean


class SurveyedTime(NamedTuple):
    """The part of a log that is reported, in microseconds since its start; the watch observes what is before it too."""

    start: int = 0
    end: int | None = None

    def contains(self, time: int) -> bool:
        """Tell whether a time is in the part; its end is."""
        return self.start <= time and (self.end is None or time <= self.end)

    def overlaps(self, since: int, until: int | None) -> bool:
        """Tell whether a span of time has a time in common with the part; ``until`` None is a span without an end."""
        return (until is None or until >= self.start) and (self.end is None or since <= self.end)


WHOLE_LOG = SurveyedTime()
"""A whole log."""


class SurveyedMessage(NamedTuple):
    """A message of a source, as in ``Topic``: the DGN, the name if it has one, the instance, in a heartbeat the DSA."""

    dgn: int
    name: str | None
    instance: int | None
    dsa: int | None = None
    part: str = ""


@dataclass(frozen=True)
class SurveyedSource:
    """One source address of the log: its NAME if it was claimed, its devices, and its messages."""

    address: int
    name: Name | None
    devices: tuple[RollCallLine, ...]
    messages: Mapping[SurveyedMessage, MessageCounts]


@dataclass(frozen=True)
class Survey:
    """The result of a survey."""

    frames: int
    seconds: float
    load: LogLoad
    """The bus load, every stuff bit counted."""
    sources: tuple[SurveyedSource, ...]
    planned: int
    """How many devices the rig plans; 0 without a rig."""
    unseen_devices: tuple[str, ...]
    """Planned devices of which no frame was seen."""
    flags: tuple[Flag, ...]
    """Every flag by number; those not cleared have their figures of the end of the log, or of its part."""
    in_order: bool
    """Whether the log's times can be trusted; if not, its gaps and its bus load have no meaning."""
    causes: tuple[Cause, ...]
    """The causes behind flags, each with the flags that it explains."""
    accepted: Mapping[tuple[FlagKind, str], int]
    """How many flags of each kind and subject were not raised because the rig accepts that trouble."""
    worst_case: WorstCase | None
    """The worst case of bus load and delays by the rig's plan, None without a rig."""
    errors: ErrorCounts
    """Error frames and controller states."""
    end: int
    """The last time that was surveyed, in microseconds since the log's start."""
    start: int = 0
    """The first time that was surveyed."""
    presence: Mapping[str, tuple[PresenceSpan, ...]] = field(default_factory=dict)
    """The states of each device by its name, in the order of the roll call; empty where times cannot be trusted."""
    signals: Mapping[SignalKey, SignalSummary] | None = None
    """What each field of each sender did; None where that was not asked for."""
    listening_gaps: tuple[ListeningGap, ...] = ()
    """When the recorder did not listen."""
    markers: tuple[MomentMarked, ...] = ()
    """The moments that the person who recorded marked."""


def survey(
    contents: Iterable[Frame | LineEvent],
    catalogue: Catalogue,
    rig: "Rig | None" = None,
    part: SurveyedTime = WHOLE_LOG,
) -> Survey:
    """Survey one channel of a log, compared with a rig if one is given.

    ``contents`` are its frames, and as far as they are known other events on the wires and irregularities of its times.
    """
    surveyor = Surveyor(catalogue, rig, part)
    for entry in contents:
        surveyor.observe(entry)
    return surveyor.finish()


def survey_blocks(
    blocks: Iterable[tuple[str, Block]],
    catalogue: Catalogue,
    rig: "Rig | None" = None,
    part: SurveyedTime = WHOLE_LOG,
    *,
    signals: bool = False,
) -> dict[str, Survey]:
    """Survey each channel of a log as a separate bus; return the surveys by the name of the channel.

    With ``signals`` each survey also has what each field of each sender did.
    """
    surveyors: dict[str, Surveyor] = {}
    for channel, block in blocks:
        surveyor = surveyors.get(channel)
        if surveyor is None:
            surveyor = surveyors[channel] = Surveyor(catalogue, rig, part, signals=signals)
        surveyor.observe_block(block)
    return {channel: surveyor.finish() for channel, surveyor in surveyors.items()}


class Surveyor:
    """Observes one channel of a log, and returns its survey at the end.

    With ``frame_by_frame`` each frame is observed on its own: slower, with the same result. With ``signals`` every
    field is summarized.
    """

    def __init__(
        self,
        catalogue: Catalogue,
        rig: "Rig | None" = None,
        part: SurveyedTime = WHOLE_LOG,
        *,
        signals: bool = False,
        frame_by_frame: bool = False,
    ) -> None:
        self._watch, self._decoder = Watch(catalogue, rig, readings=False), Decoder(catalogue)
        self._catalogue, self._part = catalogue, part
        self._load = LogLoad()
        self._messages: dict[int, dict[SurveyedMessage, MessageCounts]] = {}
        """What was counted of each message, by source address."""
        self._names, self._products = Identities(), Identities()
        self._flags: dict[int, Flag] = {}
        self._presence = PresenceHistory()
        self._errors = ErrorCounts()
        self._signals = SignalSummaries(catalogue) if signals else None
        self._waiting: list[Frame | LineEvent] = []
        self._columns: ColumnWatch | None = None
        if not frame_by_frame:
            self._columns = ColumnWatch(self._watch, self._decoder, EventFollower(self._collect))
        self._count = 0
        self._first: int | None = None
        self._last = 0

    def observe(self, entry: Frame | LineEvent) -> None:
        """Observe a frame, or another event on the wires; entries are processed in blocks."""
        self._waiting.append(entry)
        if len(self._waiting) >= (BLOCK_FRAMES if self._columns is None else _MAX_WAITING):
            self._process()

    def observe_block(self, block: Block) -> None:
        """Observe the next entries of the channel, as a block."""
        if self._waiting:
            self._process()
        if self._columns is None:
            self._waiting.extend(block.entries())
            self._process()
        else:
            self._process_block(block, self._columns)

    def _process(self) -> None:
        waiting, self._waiting = self._waiting, []
        if self._columns is None:
            self._process_entries(waiting)
        else:
            for _, block in to_blocks(("", entry) for entry in waiting):
                self._process_block(block, self._columns)

    def _process_block(self, block: Block, columns: ColumnWatch) -> None:
        part, end, frames = self._part, self._part.end, block.frames
        events = [(before, event) for before, event in block.events]
        if end is not None:
            frames = frames.between(0, int(frames.times.searchsorted(end, "right")))
            kept = [pair for pair in events if pair[1].time <= end or isinstance(pair[1], LogEnded)]
            events = [(min(before, len(frames)), event._replace(time=min(event.time, end))) for before, event in kept]
        first = int(frames.times.searchsorted(part.start))
        inside = frames.between(first)
        reported = [event for _, event in events if part.start <= event.time]
        for event in reported:
            self._errors.count_event(event)
        times = [*frames.times[:1].tolist(), *frames.times[-1:].tolist(), *(event.time for _, event in events)]
        if times:
            self._first = min(times) if self._first is None else self._first
            self._last = max(self._last, *times)
        if self._signals is not None:
            self._signals.add(inside)
        by_frame = any(isinstance(event, JoinedMessage | ListeningResumed) for _, event in events)
        topics = None if by_frame else columns.split(frames)
        others = [other for event in reported if (other := other_frame(event)) is not None]
        self._load.add(inside, others, columns.bits()[first:] if topics else None)
        if topics is None:
            for entry in Block(frames, events).entries():
                if isinstance(entry, Frame | JoinedMessage) and entry.time >= part.start:
                    self._count_message(entry)
        else:
            self._count_topics(topics, part.start)
        self._count += len(inside)
        columns.observe(Block(frames, events), topics)

    def _count_topics(self, topics: Iterable[TopicFrames], start: int) -> None:
        """Count the frames of a block from ``start`` on."""
        found: dict[tuple[int, SurveyedMessage], list[TopicFrames]] = {}
        for topic in sorted(
            (topic for topic in topics if topic.times[-1] >= start), key=lambda topic: topic.first_from(start)
        ):
            message = SurveyedMessage(*self._decoder.layout(topic.dgn).topic(topic.source, topic.frame(0).data)[1:])
            found.setdefault((topic.source, message), []).append(topic)
        for (source, message), same in found.items():
            counts = self._messages.setdefault(source, {}).setdefault(message, MessageCounts())
            counts.count_column(joined_times(same, start))
            if message.dgn == ADDRESS_CLAIM:
                for topic in same:
                    self._note_names(topic, start)

    def _note_names(self, topic: TopicFrames, start: int) -> None:
        """Note the NAMEs that an address claims from ``start`` on."""
        import numpy as np

        places = np.flatnonzero((topic.times >= start) & (topic.lengths == 8))
        claimed, times = topic.data[places], topic.times[places]
        firsts = np.unique(claimed, return_index=True)[1]
        lasts = len(claimed) - 1 - np.unique(claimed[::-1], return_index=True)[1]
        for first, last in sorted(zip(firsts.tolist(), lasts.tolist(), strict=True)):
            name = to_bytes(claimed[first], topic.lengths[places[first]])
            self._names.observe(topic.source, name, Heard(int(times[first]), int(times[last])))

    def _count_message(self, entry: Frame | JoinedMessage) -> None:
        source = entry.identifier & 0xFF
        if dgn_of(entry.identifier) == ADDRESS_CLAIM and isinstance(entry, Frame) and len(entry.data) == 8:
            self._names.observe(source, entry.data, Heard(entry.time, entry.time))
        topic = self._decoder.layout(dgn_of(entry.identifier)).topic(source, entry.data)
        messages = self._messages.setdefault(source, {})
        messages.setdefault(SurveyedMessage(*topic[1:]), MessageCounts()).count_frame(entry.time)

    def _process_entries(self, waiting: list[Frame | LineEvent]) -> None:
        part, end = self._part, self._part.end
        self._load.add_contents(
            [entry for entry in waiting if part.contains(entry.time)] if part is not WHOLE_LOG else waiting
        )
        if self._signals is not None:
            self._signals.add(
                to_columns([one for one in waiting if isinstance(one, Frame) and part.contains(one.time)])
            )
        for entry in waiting:
            if end is not None and entry.time > end and not isinstance(entry, LogEnded):
                continue
            self._first = entry.time if self._first is None else self._first
            self._last = max(self._last, entry.time if end is None else min(entry.time, end))
            inside = part.start <= entry.time
            if not isinstance(entry, Frame):
                if inside:
                    self._errors.count_event(entry)
                    if isinstance(entry, JoinedMessage):
                        self._count_message(entry)
                event = entry if end is None else entry._replace(time=min(entry.time, end))
                self._collect(self._watch.observe_event(event))
                continue
            if inside:
                self._count += 1
                self._count_message(entry)
            self._collect(self._watch.observe(entry))

    def finish(self) -> Survey:
        """Return the survey of the channel."""
        self._process()
        watch, flags, part = self._watch, self._flags, self._part
        self._check_time_unit()
        self._collect(watch.advance(self._last))
        flags |= {flag.number: flag for flag in watch.all_flags}  # as they stand at the end
        flags |= {flag.number: flag for flag in watch.flags}
        start = max(self._first or 0, part.start)
        roll_call = watch.roll_call
        causes = tuple(cause for cause in watch.causes if part.overlaps(cause.since, cause.until))
        joined = self._joined_recordings(flags.values()) if watch.times_are_valid else None
        if joined is not None:
            causes = tuple(explained_causes(causes, joined))
        return Survey(
            frames=self._count,
            seconds=max(0, self._last - start) / SECOND_US,
            load=self._load,
            sources=tuple(_source(address, self._messages[address], roll_call) for address in sorted(self._messages)),
            planned=sum(line.planned for line in roll_call),
            unseen_devices=tuple(
                line.device
                for line in roll_call
                if line.planned and (line.last_heard is None or line.last_heard < part.start)
            ),
            flags=tuple(flag for flag in flags.values() if part.overlaps(flag.since, flag.until)),
            causes=causes,
            in_order=watch.times_are_valid,
            accepted=dict(watch.accepted),
            worst_case=watch.wire_problems.worst_case(),
            errors=self._errors,
            end=self._last,
            start=start,
            presence={
                line.device: self._presence.spans(line.device, start, self._last)
                for line in roll_call
                if watch.times_are_valid
            },
            signals=None if self._signals is None else self._signals.summaries,
            listening_gaps=tuple(gap for gap in watch.listening_gaps if part.overlaps(gap.since, gap.time)),
            markers=tuple(marked for marked in watch.markers if part.overlaps(marked.time, marked.time)),
        )

    def _joined_recordings(self, flags: Iterable[Flag]) -> Cause | None:
        """Return the cause of two vehicles in one log; None where there is one."""
        heard = {
            address: Heard(
                min(counts.first for counts in messages.values()), max(counts.last for counts in messages.values())
            )
            for address, messages in self._messages.items()
            if address < NULL_ADDRESS
        }
        return joined_recordings(heard, self._names, self._products, self._last, flags)

    def _collect(self, events: Iterable[Event]) -> None:
        """Collect the flags, and the states of devices, from events of the watch."""
        for event in events:
            if isinstance(event, FlagRaised | FlagCleared):
                self._flags[event.flag.number] = event.flag
            elif isinstance(event, PresenceChanged):
                self._presence.observe(event)
            elif isinstance(event, NodeDescribed) and event.product is not None and event.time >= self._part.start:
                self._products.observe(event.source, event.product, Heard(event.time, event.time))

    def _check_time_unit(self) -> None:
        """Report to the watch if the log's times seem to be in another unit than seconds."""
        if not self._watch.times_are_valid:
            return
        gaps = [
            (counts.median_gap, spec.gap_us)
            for messages in self._messages.values()
            for message, counts in messages.items()
            if counts.count > MIN_GAPS
            and counts.median_gap is not None
            and (spec := self._catalogue.by_dgn(message.dgn)) is not None
            and spec.gap_us
        ]
        factor = unit_factor(gaps)
        if factor is not None:
            self._collect(self._watch.observe_event(TimesInUnit(self._last, factor, len(gaps))))


def _source(
    address: int, messages: Mapping[SurveyedMessage, MessageCounts], roll_call: tuple[RollCallLine, ...]
) -> SurveyedSource:
    devices = tuple(line for line in roll_call if line.source == address)
    return SurveyedSource(address, next((line.name for line in devices if line.name), None), devices, messages)

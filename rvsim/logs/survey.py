"""A captured log surveyed: who was there, what they said and how often, how busy the pair was, what was wrong.

Knows: how a log is held against the watch, frame by frame, with the same transitions and rules as a live bus. Does not
know formats of logs, nor how a survey is shown.
"""

from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from rvsim.logs.columns import BLOCK, PairUse
from rvsim.logs.error_counts import ErrorCounts
from rvsim.logs.formats.time_units import MIN_GAPS, unit_factor
from rvsim.rig.model import Rig
from rvsim.watch.bus.worst_case import WorstCase
from rvsim.watch.causes import Cause
from rvsim.watch.decode import Decoder
from rvsim.watch.flag import Flag, FlagKind
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import LineEvent, LogEnded, TimesInUnit
from rvsim.wire.name import Name

_BURST = 3
"""A message whose gap in the middle is so many times shorter than its gap on average comes in bursts. Our decision."""
_GAPS = 8192
"""So many gaps of a message are kept whole; beyond, every second one goes and the median is that of a sample."""


@dataclass
class MessageCounts:
    """One message of one source and instance: times in microseconds."""

    count: int = 0
    first: int = 0
    last: int = 0
    worst: int = 0
    gaps: "array[int]" = field(default_factory=lambda: array("q"))
    _stride: int = 1

    def count_frame(self, time: int) -> None:
        """Count a frame."""
        if not self.count:
            self.first = time
        else:
            gap = time - self.last
            self.worst = max(self.worst, gap)
            if self.count % self._stride == 0:
                self.gaps.append(gap)
            if len(self.gaps) > _GAPS:
                self.gaps, self._stride = self.gaps[::2], 2 * self._stride
        self.count, self.last = self.count + 1, time

    @property
    def median(self) -> int | None:
        """The gap in the middle, None for a message that came once."""
        ordered = sorted(self.gaps)
        return ordered[len(ordered) // 2] if ordered else None

    @property
    def mean(self) -> float | None:
        """The usual time between two frames on average, in microseconds; None for a message that came once."""
        return (self.last - self.first) / (self.count - 1) if self.count > 1 else None

    @property
    def in_bursts(self) -> bool:
        """Tell whether it comes several times close together, then not for long: its average says more than its gap."""
        mean, median = self.mean, self.median
        return mean is not None and median is not None and _BURST * median < mean


class SurveyedTime(NamedTuple):
    """The part of a log that is told, in microseconds since its start; what lies before it is heard all the same."""

    start: int = 0
    end: int | None = None

    def holds(self, time: int) -> bool:
        """Tell whether a moment is in it."""
        return self.start <= time and (self.end is None or time <= self.end)

    def reaches(self, since: int, until: int | None) -> bool:
        """Tell whether something that lasted from one moment to another was in it, if only for a while."""
        return (until is None or until >= self.start) and (self.end is None or since <= self.end)


WHOLE = SurveyedTime()


class SurveyedMessage(NamedTuple):
    """Which message, as in ``Topic``: its DGN, its name where it has one, the instance, in a heartbeat the DSA."""

    dgn: int
    name: str | None
    instance: int | None
    dsa: int | None = None
    part: str = ""


@dataclass(frozen=True)
class SurveyedSource:
    """One source address of the log: its NAME if it was claimed, what it speaks for, and its messages."""

    address: int
    name: Name | None
    devices: tuple[RollCallLine, ...]
    messages: Mapping[SurveyedMessage, MessageCounts]


@dataclass(frozen=True)
class Survey:
    """What a log holds."""

    frames: int
    seconds: float
    use: PairUse
    """How busy the pair was, every stuff bit counted."""
    sources: tuple[SurveyedSource, ...]
    planned: int
    """How many devices a rig plans; 0 without one."""
    absent: tuple[str, ...]
    """Planned devices that were never heard."""
    flags: tuple[Flag, ...]
    """Every flag by number; those that stand, with their figures at the end of the log, or of its part."""
    in_order: bool
    """Whether the log's times can be believed; where not, its gaps and its load say nothing."""
    causes: tuple[Cause, ...]
    """The causes behind flags, with those that each explains."""
    accepted: Mapping[tuple[FlagKind, str], int]
    """How many flags of each kind and subject the rig's accepted trouble has kept back."""
    promise: WorstCase | None
    """What the rig promises of the pair, None without a rig."""
    errors: ErrorCounts
    """Error frames and controller states."""
    end: int
    """The last moment that was looked at, in microseconds since the log's start."""


def survey(
    contents: Iterable[Frame | LineEvent], catalogue: Catalogue, rig: Rig | None = None, part: SurveyedTime = WHOLE
) -> Survey:
    """Hold one channel of a log against the rules, and against a rig where one is given.

    ``contents`` are its frames, and where they are known also what else was on the pair and how its times run.
    """
    surveyor = Surveyor(catalogue, rig, part)
    for one in contents:
        surveyor.observe(one)
    return surveyor.finish()


def survey_channels(
    contents: Iterable[tuple[str, Frame | LineEvent]],
    catalogue: Catalogue,
    rig: Rig | None = None,
    part: SurveyedTime = WHOLE,
) -> dict[str, Survey]:
    """Hold each channel of a log against the rules, as a bus of its own; what was found by the name of the channel."""
    surveyors: dict[str, Surveyor] = {}
    for channel, one in contents:
        surveyor = surveyors.get(channel)
        if surveyor is None:
            surveyor = surveyors[channel] = Surveyor(catalogue, rig, part)
        surveyor.observe(one)
    return {channel: surveyor.finish() for channel, surveyor in surveyors.items()}


class Surveyor:
    """Takes in one channel of a log, and says at its end what it holds."""

    def __init__(self, catalogue: Catalogue, rig: Rig | None = None, part: SurveyedTime = WHOLE) -> None:
        self._watch, self._decoder = Watch(catalogue, rig, readings=False), Decoder(catalogue)
        self._catalogue, self._part = catalogue, part
        self._use = PairUse()
        self._heard: dict[int, dict[SurveyedMessage, MessageCounts]] = {}
        self._flags: dict[int, Flag] = {}
        self._errors = ErrorCounts()
        self._waiting: list[Frame | LineEvent] = []
        self._count = 0
        self._first: int | None = None
        self._last = 0

    def observe(self, one: Frame | LineEvent) -> None:
        """Take in a frame, or what happened beside frames; it is looked at with others, in blocks."""
        self._waiting.append(one)
        if len(self._waiting) >= BLOCK:
            self._work()

    def _work(self) -> None:
        waiting, self._waiting = self._waiting, []
        part, end = self._part, self._part.end
        self._use.add_contents([one for one in waiting if part.holds(one.time)] if part is not WHOLE else waiting)
        for one in waiting:
            if end is not None and one.time > end and not isinstance(one, LogEnded):
                continue
            self._first = one.time if self._first is None else self._first
            self._last = max(self._last, one.time if end is None else min(one.time, end))
            inside = part.start <= one.time
            if not isinstance(one, Frame):
                if inside:
                    self._errors.count_event(one)
                _collect(
                    self._watch.observe_event(one if end is None else one._replace(time=min(one.time, end))),
                    self._flags,
                )
                continue
            if inside:
                self._count += 1
                source = one.identifier & 0xFF
                topic = self._decoder.layout(dgn_of(one.identifier)).topic(source, one.data)
                self._heard.setdefault(source, {}).setdefault(SurveyedMessage(*topic[1:]), MessageCounts()).count_frame(
                    one.time
                )
            _collect(self._watch.observe(one), self._flags)

    def finish(self) -> Survey:
        """Return what the channel holds."""
        self._work()
        watch, flags, part = self._watch, self._flags, self._part
        self._doubt_unit()
        _collect(watch.advance(self._last), flags)
        flags |= {flag.number: flag for flag in watch.all_flags}  # as they stand at the end
        flags |= {flag.number: flag for flag in watch.flags}
        start = max(self._first or 0, part.start)
        roll_call = watch.roll_call
        return Survey(
            frames=self._count,
            seconds=max(0, self._last - start) / 1e6,
            use=self._use,
            sources=tuple(_source(address, self._heard[address], roll_call) for address in sorted(self._heard)),
            planned=sum(one.planned for one in roll_call),
            absent=tuple(
                one.device
                for one in roll_call
                if one.planned and (one.last_heard is None or one.last_heard < part.start)
            ),
            flags=tuple(flag for flag in flags.values() if part.reaches(flag.since, flag.until)),
            causes=tuple(cause for cause in watch.causes if part.reaches(cause.since, cause.until)),
            in_order=watch.times_are_valid,
            accepted=dict(watch.accepted),
            promise=watch.wire_problems.worst_case(),
            errors=self._errors,
            end=self._last,
        )

    def _doubt_unit(self) -> None:
        """Tell where the times look as if they were written in another unit than seconds."""
        if not self._watch.times_are_valid:
            return
        gaps = [
            (heard.median, spec.gap_us)
            for messages in self._heard.values()
            for message, heard in messages.items()
            if heard.count > MIN_GAPS
            and heard.median is not None
            and (spec := self._catalogue.by_dgn(message.dgn)) is not None
            and spec.gap_us
        ]
        factor = unit_factor(gaps)
        if factor is not None:
            _collect(self._watch.observe_event(TimesInUnit(self._last, factor, len(gaps))), self._flags)


def _collect(events: Iterable[object], flags: dict[int, Flag]) -> None:
    for event in events:
        if isinstance(event, FlagRaised | FlagCleared):
            flags[event.flag.number] = event.flag


def _source(
    address: int, messages: Mapping[SurveyedMessage, MessageCounts], roll_call: tuple[RollCallLine, ...]
) -> SurveyedSource:
    here = tuple(one for one in roll_call if one.source == address)
    return SurveyedSource(address, next((one.name for one in here if one.name), None), here, messages)

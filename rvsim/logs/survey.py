"""A captured log surveyed: who was there, what they said and how often, how busy the pair was, what was wrong.

Knows: how a log is held against the watch, frame by frame, with the same transitions and rules as a live bus. Does not
know formats of logs, nor how a survey is shown.
"""

from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from rvsim.rig.model import Rig
from rvsim.watch.attendance import Attendance
from rvsim.watch.flag import Flag
from rvsim.watch.load import PairLoad
from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.name import Name
from rvsim.wire.timing import BIT_RATE, least_bits

_GAPS = 8192
"""So many gaps of a message are kept whole; beyond, every second one goes and the median is that of a sample."""


@dataclass
class Heard:
    """One message of one source and instance: times in microseconds."""

    count: int = 0
    last: int = 0
    worst: int = 0
    gaps: "array[int]" = field(default_factory=lambda: array("q"))
    _stride: int = 1

    def note(self, time: int) -> None:
        """Count a frame."""
        if self.count:
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


class Message(NamedTuple):
    """Which message: its DGN, its name where it has one, and the instance it speaks of."""

    dgn: int
    name: str | None
    instance: int | None


@dataclass(frozen=True)
class Source:
    """One source address of the log: its NAME if it was claimed, what it speaks for, and its messages."""

    address: int
    name: Name | None
    devices: tuple[Attendance, ...]
    messages: Mapping[Message, Heard]


@dataclass(frozen=True)
class Survey:
    """What a log holds. ``average_percent`` and ``worst_percent`` are lower bounds, without stuff bits."""

    frames: int
    seconds: float
    average_percent: float
    worst_percent: float
    sources: tuple[Source, ...]
    absent: tuple[str, ...]
    """Planned devices that were never heard."""
    flags: tuple[Flag, ...]


def survey(frames: Iterable[Frame], catalogue: Catalogue, rig: Rig | None = None) -> Survey:
    """Hold a log against the rules, and against a rig where one is given."""
    watch, load = Watch(catalogue, rig), PairLoad()
    heard: dict[int, dict[Message, Heard]] = {}
    flags: dict[int, Flag] = {}
    count = bits = 0
    first, last = None, 0
    for frame in frames:
        first = frame.time if first is None else first
        last = max(last, frame.time)
        count, bits = count + 1, bits + least_bits(len(frame.data))
        load.add(frame)
        by_message = heard.setdefault(frame.identifier & 0xFF, {})
        by_message.setdefault(_message(frame, catalogue), Heard()).note(frame.time)
        _collect(watch.hear(frame), flags)
    _collect(watch.advance(last), flags)
    seconds = (last - (first or 0)) / 1e6
    roll_call = watch.roll_call
    sources = tuple(_source(address, heard[address], roll_call) for address in sorted(heard))
    absent = tuple(one.device for one in roll_call if one.planned and one.last_heard is None)
    average = 100 * bits / BIT_RATE / seconds if seconds else 0.0
    return Survey(count, seconds, average, load.percent()[1], sources, absent, tuple(flags.values()))


def _collect(events: Iterable[object], flags: dict[int, Flag]) -> None:
    for event in events:
        if isinstance(event, FlagRaised | FlagCleared):
            flags[event.flag.number] = event.flag


def _message(frame: Frame, catalogue: Catalogue) -> Message:
    dgn = dgn_of(frame.identifier)
    spec = catalogue.by_dgn(dgn)
    if spec is None:
        return Message(dgn, None, None)
    instanced = bool(spec.fields) and spec.fields[0].name.endswith("instance") and spec.fields[0].first == 0
    return Message(dgn, spec.name, spec.fields[0].raw_in(frame.data) if instanced else None)


def _source(address: int, messages: Mapping[Message, Heard], roll_call: tuple[Attendance, ...]) -> Source:
    here = tuple(one for one in roll_call if one.source == address)
    return Source(address, next((one.name for one in here if one.name), None), here, messages)

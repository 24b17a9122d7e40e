"""A captured log surveyed: who was there, what they said and how often, how busy the pair was, what was wrong.

Knows: how a log is held against the watch, frame by frame, with the same transitions and rules as a live bus. Does not
know formats of logs, nor how a survey is shown.
"""

from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from rvsim.logs.columns import PairUse
from rvsim.rig.model import Rig
from rvsim.watch.attendance import Attendance
from rvsim.watch.causes import Cause
from rvsim.watch.decode import Decoder
from rvsim.watch.flag import Flag, Kind
from rvsim.watch.promise import Promise
from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import LineEvent
from rvsim.wire.name import Name

_BURST = 3
"""A message whose gap in the middle is so many times shorter than its gap on average comes in bursts. Our decision."""
_GAPS = 8192
"""So many gaps of a message are kept whole; beyond, every second one goes and the median is that of a sample."""


@dataclass
class Heard:
    """One message of one source and instance: times in microseconds."""

    count: int = 0
    first: int = 0
    last: int = 0
    worst: int = 0
    gaps: "array[int]" = field(default_factory=lambda: array("q"))
    _stride: int = 1

    def note(self, time: int) -> None:
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


class Message(NamedTuple):
    """Which message, as in ``Topic``: its DGN, its name where it has one, the instance, in a heartbeat the DSA."""

    dgn: int
    name: str | None
    instance: int | None
    dsa: int | None = None
    part: str = ""


@dataclass(frozen=True)
class Source:
    """One source address of the log: its NAME if it was claimed, what it speaks for, and its messages."""

    address: int
    name: Name | None
    devices: tuple[Attendance, ...]
    messages: Mapping[Message, Heard]


@dataclass(frozen=True)
class Survey:
    """What a log holds."""

    frames: int
    seconds: float
    use: PairUse
    """How busy the pair was, every stuff bit counted."""
    sources: tuple[Source, ...]
    planned: int
    """How many devices a rig plans; 0 without one."""
    absent: tuple[str, ...]
    """Planned devices that were never heard."""
    flags: tuple[Flag, ...]
    in_order: bool
    """Whether the log's times can be believed; where not, its gaps and its load say nothing."""
    """Every flag by number; those that stand, with their figures at the end of the log."""
    causes: tuple[Cause, ...]
    """The causes behind flags, with those that each explains."""
    accepted: Mapping[tuple[Kind, str], int]
    """How many flags of each kind and subject the rig's accepted trouble has kept back."""
    promise: Promise | None
    """What the rig promises of the pair, None without a rig."""


def survey(contents: Iterable[Frame | LineEvent], catalogue: Catalogue, rig: Rig | None = None) -> Survey:
    """Hold a log against the rules, and against a rig where one is given.

    ``contents`` are its frames, and where they are known also what else was on the pair and how its times run.
    """
    watch, decoder = Watch(catalogue, rig, readings=False), Decoder(catalogue)
    use = PairUse()
    heard: dict[int, dict[Message, Heard]] = {}
    flags: dict[int, Flag] = {}
    count = 0
    first, last = None, 0
    for frame in use.through(contents):
        first = frame.time if first is None else first
        last = max(last, frame.time)
        if not isinstance(frame, Frame):
            _collect(watch.note(frame), flags)
            continue
        count += 1
        source = frame.identifier & 0xFF
        topic = decoder.layout(dgn_of(frame.identifier)).topic(source, frame.data)
        message = Message(*topic[1:])
        heard.setdefault(source, {}).setdefault(message, Heard()).note(frame.time)
        _collect(watch.hear(frame), flags)
    _collect(watch.advance(last), flags)
    flags |= {flag.number: flag for flag in watch.everything}  # as they stand at the end
    seconds = (last - (first or 0)) / 1e6
    roll_call = watch.roll_call
    return Survey(
        frames=count,
        seconds=seconds,
        use=use,
        sources=tuple(_source(address, heard[address], roll_call) for address in sorted(heard)),
        planned=sum(one.planned for one in roll_call),
        absent=tuple(one.device for one in roll_call if one.planned and one.last_heard is None),
        flags=tuple((flags | {flag.number: flag for flag in watch.flags}).values()),
        causes=watch.causes,
        in_order=watch.trusts_times,
        accepted=dict(watch.accepted),
        promise=watch.wires.promise(),
    )


def _collect(events: Iterable[object], flags: dict[int, Flag]) -> None:
    for event in events:
        if isinstance(event, FlagRaised | FlagCleared):
            flags[event.flag.number] = event.flag


def _source(address: int, messages: Mapping[Message, Heard], roll_call: tuple[Attendance, ...]) -> Source:
    here = tuple(one for one in roll_call if one.source == address)
    return Source(address, next((one.name for one in here if one.name), None), here, messages)

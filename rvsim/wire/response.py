"""The worst-case response time of a message: from the time it is due to the end of its frame on the bus.

Knows: the revised analysis of Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis:
Refuted, revisited and revised", Real-Time Systems 35(3), 2007. A frame on the bus is not interrupted, so a frame can be
blocked by the longest frame of a lower priority. All frames of a higher priority then go first, as often as they are
due. Within one busy period the second or a later frame of a message can wait for longer than the first. Does not know
which node sends a message.

The result is valid under these conditions:

- There are no errors on the bus, so no frame is sent twice, and every frame belongs to one of the streams.
- The frames of a stream are due no closer together than its gap. For a message sent on a change or a command the gap is
  the shortest time that its sender keeps between two frames; for a long message it is the time between two packets.
- A frame is ready to be sent at most the jitter after it is due.
- Every node sends, of the frames that it has ready, the one with the lowest identifier first, keeps a frame until it is
  sent, and takes part in every arbitration while it has one.
- No frame has more bits than its stream states.

Two streams with one identifier, such as the instances of one device, each count as waiting for the other.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from itertools import count
from typing import NamedTuple

from rvsim.wire.frame import SECOND_US
from rvsim.wire.timing import BIT_RATE

MAX_BUSY_US = 10 * SECOND_US
"""A bus that can be busy for so long without a pause counts as overloaded. Our decision."""


@dataclass(frozen=True)
class PeriodicMessage:
    """A periodic message: at most ``bits`` in a frame; ``gap`` and ``jitter`` in microseconds.

    Raises:
        ValueError: bits or gap are not above 0, or the jitter is below 0.
    """

    identifier: int
    bits: int
    gap: int
    jitter: int = 0

    def __post_init__(self) -> None:
        if self.bits <= 0 or self.gap <= 0 or self.jitter < 0:
            raise ValueError(f"{self}: bits and gap must be above 0, jitter must not be below 0")


def worst_responses(streams: Sequence[PeriodicMessage], bit_rate: int = BIT_RATE) -> list[int | None]:
    """Return the worst response time of each stream, in microseconds from the time a frame is due to its end.

    None where it can be longer than the stream's own gap, so that the next frame is due before the end, or where the
    bus can be busy for 10 s without a pause.
    """
    grouped = Counter(streams)  # equal ones, as the instances of one device, have one result
    found = {stream: _Level(grouped, stream, bit_rate).worst() for stream in grouped}
    return [found[stream] for stream in streams]


def are_in_time(streams: Sequence[PeriodicMessage], bit_rate: int = BIT_RATE) -> bool:
    """Return whether no stream can be due again before it is sent; all frames have as many bits.

    Of streams with one gap and one jitter only the one of the lowest priority is examined: it waits for all others.

    Raises:
        ValueError: frames differ in bits.
    """
    if len({stream.bits for stream in streams}) > 1:
        raise ValueError("frames of several lengths: use worst_responses")
    grouped, last = Counter(streams), {}
    for stream in sorted(grouped, key=lambda stream: stream.identifier):
        last[stream.gap, stream.jitter] = stream
    return all(_Level(grouped, stream, bit_rate).worst() is not None for stream in last.values())


class ResponseSteps(NamedTuple):
    """The waiting time of a stream's first frame in a busy period, step by step; times are in microseconds."""

    blocking_us: int
    """The longest frame of a lower priority, which may have just begun."""
    own_us: int
    waits: tuple[tuple[int, int], ...]
    """For each step how many frames of a higher or the same priority go first, and the wait that follows from them; the
    last step repeats the wait of the one before it, or is longer than the stream's gap."""


def response_steps(
    streams: Sequence[PeriodicMessage], stream: PeriodicMessage, bit_rate: int = BIT_RATE
) -> ResponseSteps:
    """Return how the response time of one of the streams is found, for its first frame in a busy period."""
    return _Level(Counter(streams), stream, bit_rate).steps()


def utilisation_percent(streams: Iterable[PeriodicMessage], bit_rate: int = BIT_RATE) -> float:
    """Return the bus load in percent if every frame has its maximum of bits and is sent as soon as it is allowed."""
    return float(sum(Fraction(100 * stream.bits * SECOND_US, bit_rate * stream.gap) for stream in streams))


class _Level:
    """The waiting times of one stream, in microseconds; the names in parentheses are those of the analysis."""

    def __init__(self, streams: Mapping[PeriodicMessage, int], stream: PeriodicMessage, bit_rate: int) -> None:
        def duration(bits: int) -> int:
            return -(-bits * SECOND_US // bit_rate)

        self._stream = stream
        others = {other: number - (other == stream) for other, number in streams.items()}
        self._higher_counts = {
            other: number for other, number in others.items() if number and other.identifier <= stream.identifier
        }
        self._higher = [(other, number * duration(other.bits)) for other, number in self._higher_counts.items()]
        self._blocking = max(
            (duration(other.bits) for other in others if other.identifier > stream.identifier), default=0
        )
        self._own, self._bit = duration(stream.bits), duration(1)

    def steps(self) -> ResponseSteps:
        """Return the steps of the first frame's wait."""
        waits, time = [], 0
        while True:
            frames = sum(
                number * -(-(time + self._bit + other.jitter) // other.gap)
                for other, number in self._higher_counts.items()
            )
            following = self._starts(0, time)
            waits.append((frames, following))
            if following == time or following > self._stream.gap:
                return ResponseSteps(self._blocking, self._own, tuple(waits))
            time = following

    def worst(self) -> int | None:
        """Return the worst response time over the stream's frames (q) in the busy period."""
        gap, jitter, own = self._stream.gap, self._stream.jitter, self._own
        worst, start, busy = 0, 0, own
        for number in count():
            following = (number + 1) * gap - jitter  # when the next frame is ready at the earliest
            latest = min(following - own, MAX_BUSY_US)
            start = _fixed_point(partial(self._starts, number), start, latest)
            if start > latest:
                return None
            worst = max(worst, jitter + start + own - number * gap)
            busy = _fixed_point(self._ends, busy, min(following, MAX_BUSY_US))
            if busy > MAX_BUSY_US:
                return None
            if busy <= following:
                break
        return worst

    def _starts(self, number: int, time: int) -> int:
        """Return the start of frame ``number`` if not by ``time`` (w): frames ready a bit later still go first."""
        return self._blocking + number * self._own + _work(self._higher, time + self._bit)

    def _ends(self, time: int) -> int:
        """Return the length of the busy period where it lasts until ``time`` (t)."""
        return self._blocking + _work([*self._higher, (self._stream, self._own)], time)


def _work(streams: Iterable[tuple[PeriodicMessage, int]], time: int) -> int:
    """Return the total duration of the frames that can be ready before ``time``."""
    return sum(-(-(time + stream.jitter) // stream.gap) * duration for stream, duration in streams)


def _fixed_point(step: Callable[[int], int], value: int, limit: int) -> int:
    """Repeat a step until the value does not change, or until it is above the limit."""
    while value <= limit and (following := step(value)) != value:
        value = following
    return value

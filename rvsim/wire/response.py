"""How long a message can take at worst from the moment it is due to the end of its frame on the pair.

Knows: the revised analysis of Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis:
Refuted, revisited and revised", Real-Time Systems 35(3), 2007: a frame on the pair is not interrupted, so the longest
one of a lower priority can be in front; then all of a higher priority go first, as often as they come; and the second
or a later frame of a message within one busy period can fare worse than the first. Does not know who sends what.

The result holds as long as all of this does:

- There are no errors on the pair, so no frame is sent twice, and every frame that is ever sent belongs to a stream.
- A stream's frames are due no closer together than its gap. For a message sent on a change or a command the gap is the
  least time that its sender keeps between two, for the frames of a long message that between two packets.
- A frame is ready to be sent at most the jitter after it is due.
- Every node sends the frame with the lowest identifier first of all that it has ready, keeps a frame until it is sent,
  and takes part in every arbitration while it has one.
- No frame has more bits than its stream says.

Two streams with one identifier, as instances of one device have, are taken each to wait for the other.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from itertools import count

from rvsim.wire.timing import BIT_RATE

SECOND = 1_000_000
LONGEST = 10 * SECOND
"""Microseconds: a pair that can be busy for so long without a pause counts as overloaded. Our decision."""


@dataclass(frozen=True)
class PeriodicMessage:
    """One message as it is sent again and again: ``bits`` at most in a frame, ``gap`` and ``jitter`` in microseconds.

    Raises:
        ValueError: bits or gap are not above 0, or the jitter is below 0.
    """

    identifier: int
    bits: int
    gap: int
    jitter: int = 0

    def __post_init__(self) -> None:
        if self.bits <= 0 or self.gap <= 0 or self.jitter < 0:
            raise ValueError(f"{self}: bits and gap have to be above 0, the jitter not below it")


def worst_responses(streams: Sequence[PeriodicMessage], bit_rate: int = BIT_RATE) -> list[int | None]:
    """Return the worst response of each stream, in microseconds from when a frame is due to its end.

    None where it can be longer than the stream's own gap, so that the next frame is due before it, or where the pair
    can be busy for 10 s without a pause.
    """
    return [_Level(streams, index, bit_rate).worst() for index in range(len(streams))]


def utilisation_percent(streams: Iterable[PeriodicMessage], bit_rate: int = BIT_RATE) -> float:
    """Return how busy the pair is if every frame has all its bits and comes as soon as it may."""
    return float(sum(Fraction(100 * stream.bits * SECOND, bit_rate * stream.gap) for stream in streams))


class _Level:
    """The pair as one stream meets it, in microseconds; the names in brackets are those of the analysis."""

    def __init__(self, streams: Sequence[PeriodicMessage], index: int, bit_rate: int) -> None:
        def took(bits: int) -> int:
            return -(-bits * SECOND // bit_rate)

        self._stream = stream = streams[index]
        others = [*streams[:index], *streams[index + 1 :]]
        self._first = [(one, took(one.bits)) for one in others if one.identifier <= stream.identifier]
        self._blocking = max((took(one.bits) for one in others if one.identifier > stream.identifier), default=0)
        self._own, self._bit = took(stream.bits), took(1)

    def worst(self) -> int | None:
        """Look at one frame of the stream after the other (q) until the busy period is over."""
        gap, jitter, own = self._stream.gap, self._stream.jitter, self._own
        worst, start, busy = 0, 0, own
        for number in count():
            following = (number + 1) * gap - jitter  # when the next frame is ready at the earliest
            latest = min(following - own, LONGEST)
            start = _settled(partial(self._starts, number), start, latest)
            if start > latest:
                return None
            worst = max(worst, jitter + start + own - number * gap)
            busy = _settled(self._ends, busy, min(following, LONGEST))
            if busy > LONGEST:
                return None
            if busy <= following:
                break
        return worst

    def _starts(self, number: int, time: int) -> int:
        """Return when frame ``number`` starts if it has not by ``time`` (w): what comes a bit later goes first."""
        return self._blocking + number * self._own + _work(self._first, time + self._bit)

    def _ends(self, time: int) -> int:
        """Return how long the busy period is if it goes on until ``time`` (t)."""
        return self._blocking + _work([*self._first, (self._stream, self._own)], time)


def _work(streams: Iterable[tuple[PeriodicMessage, int]], time: int) -> int:
    """Return how long the frames take that can be ready before ``time``."""
    return sum(-(-(time + stream.jitter) // stream.gap) * took for stream, took in streams)


def _settled(step: Callable[[int], int], value: int, limit: int) -> int:
    """Repeat a step until nothing changes, or until the value is above a limit."""
    while value <= limit and (following := step(value)) != value:
        value = following
    return value

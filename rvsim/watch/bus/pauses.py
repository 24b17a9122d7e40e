"""How a bus goes on after a pause: as if nothing had been, or with everybody starting anew.

Knows: that nodes which had no power claim their addresses again (SAE J1939-81), and that those which were only not
recorded keep their rhythm: the time across the pause is then a whole number of their gaps. Does not know what stopped
the bus. Needs the rhythm, and the claims.
"""

from collections.abc import Callable, Iterable
from typing import NamedTuple

from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import MIN_KNOWN_GAPS, DeadlineKind, Deadlines
from rvsim.wire.frame import SECOND_US

RESUMPTION_CHECK_US = 6 * SECOND_US
"""For so long a bus is looked at after a pause: heartbeats come at least every 5 s (rv-c.com/node/82)."""
MAX_GAPS_ACROSS = 50
"""Over more gaps than this a rhythm cannot be followed: the mean of 32 gaps with a jitter of some percent is known to a
third of a percent (arithmetic; the jitter is common practice, no source)."""
MAX_OFFSET_OF_GAP = 0.15
"""The part of a gap by which the first message after a pause may miss its place. Our decision."""
MAX_PAUSES = 1_000
"""Pauses that are remembered; the oldest go first."""


class Resumption(NamedTuple):
    """How the bus went on after it was quiet. Times in microseconds.

    ``claims`` are the addresses that were claimed anew, ``back`` how many sources spoke again, ``judged`` how many
    topics have a rhythm that can be followed across the pause, and ``in_rhythm`` how many of them kept it.
    """

    ended: int
    length: int
    claims: tuple[int, ...]
    back: int
    judged: int
    in_rhythm: int

    @property
    def is_unnoticed(self) -> bool:
        """Tell whether everybody went on as if there had been no pause."""
        return not self.claims and self.judged >= 3 and self.in_rhythm >= 0.8 * self.judged


class _Pause:
    """A pause that is over, while it is seen how the bus goes on."""

    def __init__(self, number: int, ended: int, length: int, bus_time: int) -> None:
        self.number = number
        self.ended = ended
        self.length = length
        self.bus_time = bus_time
        """The bus time at which it was: before and behind it."""
        self.claims: dict[int, None] = {}


class Pauses:
    """Every pause of one bus that counted as quiet."""

    def __init__(self, deadlines: Deadlines, parts: Callable[[], Iterable[TopicRecord]]) -> None:
        self.resumptions: dict[int, Resumption] = {}
        """How the bus went on, by the time at which each pause ended."""
        self._deadlines = deadlines
        self._parts = parts
        self._duty = DeadlineKind(5, self._due, self._judge)
        self._recent: _Pause | None = None
        self._count = 0

    def end(self, time: int, length: int, bus_time: int) -> None:
        """Note that a pause of ``length`` is over."""
        self._count += 1
        self._recent = _Pause(self._count, time, length, bus_time)
        self._deadlines.put(bus_time + RESUMPTION_CHECK_US, self._duty, self._count, self._recent)

    def claim(self, time: int, address: int) -> None:
        """Note an address claim."""
        if self._recent is not None and time - self._recent.ended <= RESUMPTION_CHECK_US:
            self._recent.claims[address] = None

    def _due(self, pause: _Pause, passed: int) -> int | None:
        return passed if pause is self._recent else None  # the next pause came before it could be seen

    def _judge(self, pause: _Pause, _time: int, _since: int) -> None:
        places = [_kept(part, pause) for part in self._parts()]
        judged = [place for place in places if place is not None]
        back = {part.topic.source for part in self._parts() if part.rhythm.times[-1] >= pause.bus_time}
        if len(self.resumptions) >= MAX_PAUSES:
            del self.resumptions[next(iter(self.resumptions))]
        self.resumptions[pause.ended] = Resumption(
            pause.ended, pause.length, tuple(pause.claims), len(back), len(judged), sum(judged)
        )


def _kept(part: TopicRecord, pause: _Pause) -> bool | None:
    """Tell whether a topic kept its rhythm across a pause; None where that cannot be told."""
    times = part.rhythm.times
    before = [time for time in times if time < pause.bus_time]
    after = next((time for time in times if time > pause.bus_time), None)
    at_its_edge = len(before) + sum(time > pause.bus_time for time in times) < len(times)
    if after is None or at_its_edge or len(before) <= MIN_KNOWN_GAPS:
        return None  # of a frame at the very edge it cannot be told on which side of the pause it stood
    gap = (before[-1] - before[0]) / (len(before) - 1)
    across = after - before[-1] + pause.length
    if not gap or across > MAX_GAPS_ACROSS * gap:
        return None
    return abs((across + gap / 2) % gap - gap / 2) <= MAX_OFFSET_OF_GAP * gap

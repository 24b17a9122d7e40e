"""How a bus resumes after a pause: unchanged, or with all devices restarting.

Knows: that nodes which had no power claim their addresses again (SAE J1939-81), and that nodes which were only not
recorded keep their rhythm: the time across the pause is then a whole number of their gaps. Does not know what caused
the pause. Needs the rhythm and the claims.
"""

from collections.abc import Callable, Iterable
from typing import NamedTuple

from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import MIN_KNOWN_GAPS, DeadlineKind, Deadlines
from rvsim.wire.frame import SECOND_US

RESUMPTION_CHECK_US = 6 * SECOND_US
"""How long a bus is examined after a pause: heartbeats come at least every 5 s (rv-c.com/node/82)."""
MAX_GAPS_ACROSS = 50
"""The largest number of gaps over which a rhythm can be followed: the mean of 32 gaps with a jitter of some percent is
known to a third of a percent (arithmetic; the jitter is common practice, no source)."""
MAX_OFFSET_OF_GAP = 0.15
"""The share of a gap by which the first message after a pause may be early or late. Our decision."""
MAX_PAUSES = 1_000
"""The largest number of pauses that are stored; the oldest are removed first."""


class Resumption(NamedTuple):
    """How the bus resumed after it was quiet. Times in microseconds.

    ``claims`` are the addresses that were claimed again, ``back`` is the number of sources that sent again, ``judged``
    the number of topics with a rhythm that can be followed across the pause, ``in_rhythm`` how many of them kept it.
    """

    ended: int
    length_us: int
    claims: tuple[int, ...]
    back: int
    judged: int
    in_rhythm: int

    @property
    def is_unnoticed(self) -> bool:
        """Whether all devices continued as if there had been no pause."""
        return not self.claims and self.judged >= 3 and self.in_rhythm >= 0.8 * self.judged


class _Pause:
    """A pause that has ended, while the resumption of the bus is examined."""

    def __init__(self, number: int, ended: int, length: int, bus_time: int) -> None:
        self.number = number
        self.ended = ended
        self.length = length
        self.bus_time = bus_time
        """The bus time of the pause: it stops during the pause."""
        self.claims: dict[int, None] = {}


class Pauses:
    """Every pause of one bus that counted as a quiet bus."""

    def __init__(self, deadlines: Deadlines, records: Callable[[], Iterable[TopicRecord]]) -> None:
        self.resumptions: dict[int, Resumption] = {}
        """How the bus resumed, by the time at which each pause ended."""
        self._deadlines = deadlines
        self._records = records
        self._duty = DeadlineKind(5, self._due, self._judge)
        self._recent: _Pause | None = None
        self._count = 0

    def end(self, time: int, length: int, bus_time: int) -> None:
        """Note the end of a pause of ``length`` microseconds."""
        self._count += 1
        self._recent = _Pause(self._count, time, length, bus_time)
        self._deadlines.schedule(bus_time + RESUMPTION_CHECK_US, self._duty, self._count, self._recent)

    def interrupt(self) -> None:
        """Note that nobody listened for a time: how the bus resumed after a recent pause cannot be known."""
        self._recent = None

    def observe_claim(self, time: int, address: int) -> None:
        """Note an address claim."""
        if self._recent is not None and time - self._recent.ended <= RESUMPTION_CHECK_US:
            self._recent.claims[address] = None

    def _due(self, pause: _Pause, passed: int) -> int | None:
        return passed if pause is self._recent else None  # the next pause came before it was examined

    def _judge(self, pause: _Pause, _time: int, _since: int) -> None:
        places = [_kept_rhythm(record, pause) for record in self._records()]
        judged = [place for place in places if place is not None]
        back = {record.topic.source for record in self._records() if record.rhythm.times[-1] >= pause.bus_time}
        if len(self.resumptions) >= MAX_PAUSES:
            del self.resumptions[next(iter(self.resumptions))]
        self.resumptions[pause.ended] = Resumption(
            pause.ended, pause.length, tuple(pause.claims), len(back), len(judged), sum(judged)
        )


def _kept_rhythm(record: TopicRecord, pause: _Pause) -> bool | None:
    """Return whether a topic kept its rhythm across a pause; None where that cannot be known."""
    times = record.rhythm.times
    before = [time for time in times if time < pause.bus_time]
    after = next((time for time in times if time > pause.bus_time), None)
    at_its_edge = len(before) + sum(time > pause.bus_time for time in times) < len(times)
    if after is None or at_its_edge or len(before) <= MIN_KNOWN_GAPS:
        return None  # a frame at the very edge may be from either side of the pause
    gap = (before[-1] - before[0]) / (len(before) - 1)
    across = after - before[-1] + pause.length
    if not gap or across > MAX_GAPS_ACROSS * gap:
        return None
    return abs((across + gap / 2) % gap - gap / 2) <= MAX_OFFSET_OF_GAP * gap

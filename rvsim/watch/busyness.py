"""When a busy pair is worth a word: which seconds are too full, and when that is over.

Knows: the limits. Does not know who a source address is: whoever asks does. The load is worked out exactly only for
seconds that can reach a limit.
"""

from collections.abc import Callable

from rvsim.watch.load import IDLE_TOLD, Busy, PairLoad
from rvsim.watch.transitions import BusBusy, Ended, Transition

BUSY_NOTICE, BUSY_WARNING = 40, 70
"""Percent of a second. 40: an engine maker's electrical installation guide, for design; 70 is our decision."""
CALM_SECONDS = IDLE_TOLD
"""So many seconds below the limit end it: three. Common practice, no source."""


class Busyness:
    """Watches the load of one pair, second by second."""

    def __init__(self, emit: Callable[[Transition], None], name_of: Callable[[int], str]) -> None:
        self.load = PairLoad()
        self._emit = emit
        self._name_of = name_of
        self._standing: BusBusy | None = None
        self._calm = 0

    def pass_seconds(self, time: int) -> None:
        """Judge the seconds that are over by ``time``."""
        for second in self.load.close(time):
            self._judge(second)

    def _judge(self, second: Busy) -> None:
        percent = second.percent if second.can_reach(BUSY_NOTICE) else 0.0
        above = BUSY_WARNING if percent > BUSY_WARNING else BUSY_NOTICE if percent > BUSY_NOTICE else 0
        standing = self._standing
        if standing is not None and above < standing.above:
            self._calm += 1
            if self._calm < CALM_SECONDS:
                return
        self._calm = 0
        if (standing.above if standing else 0) == above:
            return
        if standing is not None:
            self._emit(Ended(second.end, standing.cause))
        self._standing = self._busy(second, percent, above) if above else None
        if self._standing is not None:
            self._emit(self._standing)

    def _busy(self, second: Busy, percent: float, above: int) -> BusBusy:
        bits = second.by_source()
        (source, most), *_ = bits.most_common(1)
        share = 100 * most / bits.total()
        return BusBusy(second.end, second.start, percent, above, self._name_of(source), share, len(second.frames))

"""When a silence of the whole bus counts as a quiet bus.

Knows: the usual silence, and which sources should have sent. Does not know deadlines. Needs the rhythm.
"""

from collections.abc import Callable
from typing import NamedTuple

from rvsim.watch.awaited import AwaitedMessages
from rvsim.watch.traffic import MIN_MISSED_SOURCES, Silences, normal_silence
from rvsim.watch.transitions import BusFellQuiet, Emit, Ended
from rvsim.wire.frame import Frame


class QuietMoment(NamedTuple):
    """The moment at which the present silence counts as a quiet bus, with the figures (microseconds, sources)."""

    moment: int
    median_us: int
    missed: int


class QuietBus:
    """Reports once that the bus is quiet; not while the pause is normal by the rig."""

    def __init__(
        self, silences: Silences, longest_pause: int, emit: Emit, catch_up: Callable[[], None] = lambda: None
    ) -> None:
        self.awaited = AwaitedMessages(catch_up)
        """The messages by which a silence is recognised; the watch adds each one when it is first received."""
        self._silences = silences
        self._longest_pause = longest_pause
        self._emit = emit
        self._reported: BusFellQuiet | None = None
        self._decided: tuple[int, QuietMoment | None] = (-1, None)

    def since(self, frames: int, last: int, still: int) -> QuietMoment | None:
        """Return when the silence since the last frame counts as a quiet bus; None where that cannot be known.

        It is known once the usual silence is known, and as long as frames of two sources are still awaited.

        Args:
            frames: the number of frames so far: it is decided once for each.
            last: the time of the last frame.
            still: the sum of all pauses, by which bus time is behind (see ``traffic``).
        """
        if self._decided[0] != frames:
            self._decided = (frames, self._decide(last, still))
        return self._decided[1]

    def can_be_quiet(self, last: int, still: int) -> bool:
        """Return whether ``since`` would return a moment, without computing it."""
        return self._silences.are_known and self.awaited.has_sources(last - still, MIN_MISSED_SOURCES)

    def _decide(self, last: int, still: int) -> QuietMoment | None:
        median = self._silences.median()
        if median is None:
            return None
        awaited = self.awaited.missed_moments(last - still)
        if len(awaited) < MIN_MISSED_SOURCES:
            return None
        moment = max(last + normal_silence(median), awaited[MIN_MISSED_SOURCES - 1] + still)
        return QuietMoment(moment, median, sum(one + still <= moment for one in awaited))

    def fall(self, quiet: QuietMoment, time: int, last: int, frame: Frame | None) -> None:
        """Report a quiet bus, unless that was reported or the pause is normal by the rig."""
        moment = max(quiet.moment, last + self._longest_pause)
        if self._reported is not None or time <= moment or frame is None:
            return
        normal = max(normal_silence(quiet.median_us), self._longest_pause)
        self._reported = BusFellQuiet(moment, moment, moment - last, normal, quiet.median_us, quiet.missed, frame)
        self._emit(self._reported)

    def interrupt(self, time: int) -> None:
        """Note that nobody listened up to ``time``: the silence is counted anew, and a quiet bus is not known."""
        self._decided = (-1, None)
        self.end(time)

    def end(self, time: int) -> bool:
        """Note that a frame came; return whether the bus was reported as quiet."""
        if self._reported is None:
            return False
        self._emit(Ended(time, self._reported.problem_key))
        self._reported = None
        return True

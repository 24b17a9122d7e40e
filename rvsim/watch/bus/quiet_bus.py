"""When a silence of the whole bus becomes a quiet bus.

Knows: the usual silence, and who has something to miss. Does not know deadlines. Needs the rhythm.
"""

from typing import NamedTuple

from rvsim.watch.awaited import Awaited
from rvsim.watch.identity.roll_call import Emit
from rvsim.watch.traffic import MIN_MISSED_SOURCES, Silences, normal_silence
from rvsim.watch.transitions import BusFellQuiet, Ended
from rvsim.wire.frame import Frame


class Quiet(NamedTuple):
    """When the present silence becomes a quiet bus, and by which figures, in microseconds."""

    moment: int
    median: int
    missed: int


class QuietBus:
    """Tells once that the bus is quiet; not as long as the rig calls such a pause normal."""

    def __init__(self, silences: Silences, longest_pause: int, emit: Emit) -> None:
        self.awaited = Awaited()
        """Whose next frame a silence can be told by; whoever hears a message for the first time adds it."""
        self._silences = silences
        self._longest_pause = longest_pause
        self._emit = emit
        self._told: BusFellQuiet | None = None
        self._weighed: tuple[int, Quiet | None] = (-1, None)

    def since(self, frames: int, last: int, still: int) -> Quiet | None:
        """Return when the silence since the last frame becomes a quiet bus; None where that cannot be told.

        It can be told once the usual silence is known and as long as two sources still have something to miss.

        Args:
            frames: how many frames were heard: for each of these it is weighed once.
            last: the time of the last frame.
            still: by how much bus time is behind, as in ``traffic``.
        """
        if self._weighed[0] != frames:
            self._weighed = (frames, self._weigh(last, still))
        return self._weighed[1]

    def _weigh(self, last: int, still: int) -> Quiet | None:
        median = self._silences.median()
        if median is None:
            return None
        awaited = self.awaited.moments(last - still)
        if len(awaited) < MIN_MISSED_SOURCES:
            return None
        moment = max(last + normal_silence(median), awaited[MIN_MISSED_SOURCES - 1] + still)
        return Quiet(moment, median, sum(one + still <= moment for one in awaited))

    def fall(self, quiet: Quiet, time: int, last: int, frame: Frame | None) -> None:
        """Tell that the bus is quiet, by the last frame, unless it was told or the pause is a normal one."""
        moment = max(quiet.moment, last + self._longest_pause)
        if self._told is not None or time <= moment or frame is None:
            return
        normal = max(normal_silence(quiet.median), self._longest_pause)
        self._told = BusFellQuiet(moment, moment, moment - last, normal, quiet.median, quiet.missed, frame)
        self._emit(self._told)

    def end(self, time: int) -> bool:
        """Learn that a frame has come; return whether the bus was told to be quiet."""
        if self._told is None:
            return False
        self._emit(Ended(time, self._told.problem_key))
        self._told = None
        return True

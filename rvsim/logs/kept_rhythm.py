"""The checks whether a page that keeps a rhythm is late, for the frames of a log that are held as columns.

Knows: that each check which finds the page in time is followed by another one, a limit after the last frame, and that
the limit is measured by the latest steps (see ``Rhythm.kept_limit``). Does not know where the log ends: it is told how
far all frames are known. Times are bus time.
"""

from bisect import bisect_right
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rvsim.watch.traffic import MAX_GAPS, MIN_LATE_LIMIT_US, MISSED_IN_A_ROW

if TYPE_CHECKING:
    from numpy import int64
    from numpy.typing import NDArray


class KeptRhythm:
    """The frames of a topic, and the age at which it was late after each of them."""

    def __init__(self, stored: Sequence[int], coming: "NDArray[int64]") -> None:
        """Take the latest times that were received, and those of the frames to come."""
        import numpy as np

        times = np.concatenate((np.array(stored, np.int64), coming))
        self._times: list[int] = times.tolist()
        self._limits = [0] * min(MAX_GAPS, len(times))
        """The limit after each frame; 0 where it kept none, or where fewer steps are known than count."""
        if len(times) > MAX_GAPS:
            steps = np.lib.stride_tricks.sliding_window_view(np.diff(times), MAX_GAPS)
            usual = MAX_GAPS * 9 // 10
            limits = np.maximum(MISSED_IN_A_ROW * np.partition(steps, usual, axis=1)[:, usual], MIN_LATE_LIMIT_US)
            self._limits += np.where(steps.max(axis=1) <= limits, limits, 0).tolist()

    def next_check(self, check: int, known_until: int) -> int:
        """Return the first check, from a moment on, that does not find the page in time or that comes after
        ``known_until``.
        """
        while check <= known_until:
            place = bisect_right(self._times, check) - 1
            age = check - self._times[place]
            limit = self._limits[place] if age >= MIN_LATE_LIMIT_US else MIN_LATE_LIMIT_US
            if age >= limit:
                break
            check = self._times[place] + limit
        return check

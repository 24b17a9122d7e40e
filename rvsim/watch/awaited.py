"""Whose next frame is still awaited: what a silence of the whole bus can be told by.

Knows: which messages have a gap that can be relied on and were not missed yet. A message that is missed is looked at
again only when it has come, so that what is asked costs no more than the messages that are on the bus. Does not know
what follows from it. Times are in bus time.
"""

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from rvsim.watch.traffic import Times

if TYPE_CHECKING:
    from rvsim.watch.identity.records import TopicRecord


class Awaited:
    """The messages of one bus whose next frame may be awaited."""

    def __init__(self) -> None:
        self._parts: dict[TopicRecord, None] = {}

    def add(self, part: "TopicRecord") -> None:
        """Take in a message that was heard for the first time."""
        self._parts[part] = None

    def moments(self, now: int) -> list[int]:
        """Return, for each source, the moment from which it counts as having missed a message, in order.

        Only messages count that were not missed by ``now`` already: what stays away while others speak is no sign
        of a quiet bus. ``now`` never goes back.
        """
        moments: dict[int, int] = {}
        missed: list[TopicRecord] = []
        for part in self._parts:
            moment = part.rhythm.missed(now)
            if moment is None:
                missed.append(part)
            elif part.device.is_heard:
                source = part.topic.source
                if moment < moments.get(source, moment + 1):
                    moments[source] = moment
        for part in missed:
            del self._parts[part]
            part.rhythm.rest(_Resting(part.rhythm.times, part, self.add))
        return sorted(moments.values())


class _Resting(Times):
    """The times of a message that is not awaited, until it comes again."""

    def __init__(self, times: Iterable[int], part: "TopicRecord", wake: Callable[["TopicRecord"], None]) -> None:
        super().__init__(times)
        self._part, self._wake = part, wake

    def append(self, time: int) -> None:
        """Keep a time, and have the message awaited again."""
        super().append(time)
        self.wake()

    def wake(self) -> None:
        """Have the message awaited again."""
        self._part.rhythm.rest(Times(self))
        self._wake(self._part)

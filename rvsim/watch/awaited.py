"""The messages whose next frame is expected at a known time: if several are missed, the whole bus is quiet.

Knows: which messages have a reliable gap and were not missed yet. A message that was missed is not examined again until
it comes, so that the cost depends only on the messages that are being sent. Does not know what follows from it. Times
are in bus time.
"""

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from rvsim.watch.traffic import Times

if TYPE_CHECKING:
    from rvsim.watch.identity.records import TopicRecord


class AwaitedMessages:
    """The messages of one bus whose next frame is awaited."""

    def __init__(self, catch_up: Callable[[], None] = lambda: None) -> None:
        """Take what enters the frames that were passed over into all records (see ``traffic.TopicColumn``)."""
        self._catch_up = catch_up
        self._records: dict[TopicRecord, None] = {}

    def add(self, record: "TopicRecord") -> None:
        """Add a message that was received for the first time."""
        self._records[record] = None

    def has_sources(self, now: int, count: int) -> bool:
        """Return whether ``missed_moments`` would return as many moments as this."""
        sources: set[int] = set()
        for record in self._records:
            if record.device.is_heard and record.rhythm.missed_from(now) is not None:
                sources.add(record.topic.source)
                if len(sources) >= count:
                    return True
        return len(self.missed_moments(now)) >= count

    def missed_moments(self, now: int) -> list[int]:
        """Return, for each source, the moment from which it counts as having missed a message, in order.

        Messages that were already missed by ``now`` do not count: what is missing while other sources send is no sign
        of a quiet bus. ``now`` never goes back.
        """
        self._catch_up()
        missed_moments: dict[int, int] = {}
        missed: list[TopicRecord] = []
        for record in self._records:
            moment = record.rhythm.missed_from(now)
            if moment is None:
                missed.append(record)
            elif record.device.is_heard:
                source = record.topic.source
                if moment < missed_moments.get(source, moment + 1):
                    missed_moments[source] = moment
        for record in missed:
            del self._records[record]
            record.rhythm.replace_times(_SuspendedTimes(record.rhythm.times, record, self.add))
        return sorted(missed_moments.values())


class _SuspendedTimes(Times):
    """The times of a message that is not awaited until it comes again."""

    def __init__(self, times: Iterable[int], record: "TopicRecord", resume: Callable[["TopicRecord"], None]) -> None:
        super().__init__(times)
        self._record, self._resume = record, resume

    def append(self, time: int) -> None:
        """Add a time, and await the message again."""
        super().append(time)
        self.resume()

    def extend(self, times: Iterable[int]) -> None:
        """Add times, and await the message again."""
        super().extend(times)
        self.resume()

    def resume(self) -> None:
        """Await the message again."""
        self._record.rhythm.replace_times(Times(self))
        self._resume(self._record)

"""Several logs as one: their entries in the order of time, each log's clock corrected by an offset.

Knows: how the times of logs are put on one clock: by their dates, or by their own times where none has a date. Does not
know formats, nor what is done with the entries. Frames of a channel that several logs name belong to one bus; a frame
that two of them have recorded comes twice.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from heapq import merge
from itertools import chain
from operator import itemgetter
from types import TracebackType
from typing import Self

from rvsim.errors import InputError
from rvsim.logs.read import Log, LogStatistics
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent, ListeningResumed

_Entry = tuple[int, str, Frame | LineEvent]
"""A time on the common clock in microseconds, a channel, and the entry with that time."""


@dataclass(frozen=True)
class _Opened:
    """A log whose first entry was read: the moment of its time 0, by its date or its own clock, and its entries."""

    zero_us: int
    is_dated: bool
    entries: Iterator[tuple[str, Frame | LineEvent]]


class MergedLogs:
    """Logs as one; what `Log` has for reading entry by entry.

    Args:
        logs: the logs; they are closed with this.
        offsets_us: what is added to the times of each, in microseconds.
    """

    def __init__(self, logs: Sequence[Log], offsets_us: Sequence[int]) -> None:
        self.logs = logs
        self.name = " and ".join(log.name for log in logs)
        self._offsets_us = offsets_us
        self._zero_us: int | None = None
        self._is_dated = False

    def sort(self) -> None:
        """Have the entries of each log come in the order of its own times; see ``Log.sort``."""
        for log in self.logs:
            log.sort()

    def by_channel(self) -> Iterator[tuple[str, Frame | LineEvent]]:
        """Yield the entries of all logs in the order of time, each with the name of its channel.

        Times are microseconds since the first entry of all.

        Raises:
            InputError: some logs have a date and some have none.
        """
        opened = [
            (found, offset) for log, offset in zip(self.logs, self._offsets_us, strict=True) if (found := _opened(log))
        ]
        if not opened:
            return
        if len({found.is_dated for found, _ in opened}) > 1:
            raise self._on_two_clocks()
        self._is_dated = opened[0][0].is_dated
        zero = self._zero_us = min(found.zero_us + offset for found, offset in opened)
        timed = [_moved(found.entries, found.zero_us + offset - zero) for found, offset in opened]
        for _, channel, entry in merge(*timed, key=itemgetter(0)):  # equal times: in the order of the logs
            yield channel, entry

    def _on_two_clocks(self) -> InputError:
        dated = [log.name for log in self.logs if log.statistics.started is not None]
        others = [log.name for log in self.logs if log.name not in dated]
        return InputError(
            f"{', '.join(dated)} has a date and {', '.join(others)} has none: their times cannot be put on one clock; "
            "merge logs that all have a date, or none"
        )

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels so far of all logs."""
        return tuple(dict.fromkeys(channel for log in self.logs for channel in log.channels))

    @property
    def statistics(self) -> LogStatistics:
        """The counts of the first log, with the moment of the common time 0."""
        started = self._zero_us if self._is_dated else None
        return replace(self.logs[0].statistics, first=self._zero_us, started=started)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        for log in self.logs:
            log.close()


def _opened(log: Log) -> _Opened | None:
    """Read the first entry of a log; None where it has no time at all."""
    entries = log.by_channel()
    first = next(entries, None)
    statistics = log.statistics
    if first is None or statistics.first is None:
        return None
    zero = statistics.first if statistics.started is None else statistics.started
    return _Opened(zero, statistics.started is not None, chain((first,), entries))


def _moved(entries: Iterator[tuple[str, Frame | LineEvent]], by_us: int) -> Iterator[_Entry]:
    """Yield entries with later times."""
    for channel, entry in entries:
        moved = entry._replace(time=entry.time + by_us)
        if isinstance(moved, ListeningResumed):
            moved = moved._replace(since=moved.since + by_us)
        yield moved.time, channel, moved

"""Recognises logs whose times are steps from line to line, as `candump -td` writes them, and sums the steps.

Knows: how such times look in the first entries. Does not know formats.
"""

from collections.abc import Iterator
from itertools import chain, pairwise

from rvsim.logs.formats.entry import LogEntry, ReadEntry, SkippedEntry, UnreadableError
from rvsim.wire.frame import SECOND_US
from rvsim.wire.timing import BIT_RATE, min_bits

MAX_DETECTION_ENTRIES = 400
"""The first entries of a log, which are examined. Our decision."""
MIN_STEPS = 20
"""With fewer steps nothing is decided. Our decision."""
MIN_PERCENT_BACK = 20
"""The share of times that are smaller than the one before. Steps of equal length go back half the time; those of three
messages that are sent together, a third. Our decision."""
MAX_DELTA_US = 60 * SECOND_US
"""A longer time is not taken for a step, since an active bus is not silent for so long. Our decision."""

NumberedEntry = tuple[int, ReadEntry | UnreadableError]
"""A place in a log, and what was read there."""


def with_absolute_times(entries: Iterator[NumberedEntry]) -> tuple[bool, Iterator[NumberedEntry]]:
    """Return whether the times are steps from entry to entry, and the entries, with the times summed if so.

    A log whose first times are dates is not read ahead.
    """
    head: list[NumberedEntry] = []
    for numbered in entries:
        head.append(numbered)
        time = _time(numbered[1])
        if len(head) >= MAX_DETECTION_ENTRIES or (time is not None and time > MAX_DELTA_US):
            break
    is_delta = are_time_deltas([time for _, found in head if (time := _time(found)) is not None])
    everything = chain(head, entries)
    return is_delta, _summed(everything) if is_delta else everything


def are_time_deltas(times: list[int]) -> bool:
    """Tell whether times in microseconds are steps: they are small and often go back.

    Also, the first is 0, as candump writes it, or so many frames cannot have been sent in the largest of the times.
    """
    if len(times) <= MIN_STEPS or max(times) > MAX_DELTA_US or min(times) < 0:
        return False
    back = sum(later < earlier for earlier, later in pairwise(times))
    too_many = len(times) * min_bits(0) * SECOND_US > BIT_RATE * max(times)
    return 100 * back >= MIN_PERCENT_BACK * (len(times) - 1) and (times[0] == 0 or too_many)


def _time(found: ReadEntry | UnreadableError) -> int | None:
    return found.time if isinstance(found, LogEntry | SkippedEntry) else None


def _summed(entries: Iterator[NumberedEntry]) -> Iterator[NumberedEntry]:
    now = 0
    for where, found in entries:
        if isinstance(found, LogEntry | SkippedEntry) and found.time is not None:
            now += max(found.time, 0)
            yield where, found._replace(time=now)
        else:
            yield where, found

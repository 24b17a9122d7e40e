"""Times of a captured log that are steps from line to line, as `candump -td` writes them: recognised and summed.

Knows: how such times look among the first entries. Does not know formats.
"""

from collections.abc import Iterator
from itertools import chain, pairwise

from rvsim.logs.formats.entry import Found, LogEntry, Skip, UnreadableError
from rvsim.wire.timing import BIT_RATE, least_bits

MAX_LOOKED_AT = 400
"""So many entries are looked at. Our decision."""
MIN_STEPS = 20
"""With fewer nothing can be told. Our decision."""
MIN_PERCENT_BACK = 20
"""Percent of the times that are smaller than the one before. Steps of equal length go back half the time; of three
messages sent together a third. Our decision."""
MAX_DELTA = 60_000_000
"""Microseconds: a longer time is no step on a bus that lives. Our decision."""

Numbered = tuple[int, Found | UnreadableError]


def with_absolute_times(entries: Iterator[Numbered]) -> tuple[bool, Iterator[Numbered]]:
    """Return whether the times are steps from entry to entry, and the entries with the times summed where they are.

    A log whose first times are dates is not read ahead of.
    """
    head: list[Numbered] = []
    for one in entries:
        head.append(one)
        time = _time(one[1])
        if len(head) >= MAX_LOOKED_AT or (time is not None and time > MAX_DELTA):
            break
    is_delta = are_deltas([time for _, found in head if (time := _time(found)) is not None])
    everything = chain(head, entries)
    return is_delta, _summed(everything) if is_delta else everything


def are_deltas(times: list[int]) -> bool:
    """Tell whether times in microseconds are steps: small ones that go back all the time.

    The first is 0, as candump writes it; or else so many frames cannot have been sent within such times.
    """
    if len(times) <= MIN_STEPS or max(times) > MAX_DELTA or min(times) < 0:
        return False
    back = sum(later < earlier for earlier, later in pairwise(times))
    too_many = len(times) * least_bits(0) * 1_000_000 > BIT_RATE * max(times)
    return 100 * back >= MIN_PERCENT_BACK * (len(times) - 1) and (times[0] == 0 or too_many)


def _time(found: Found | UnreadableError) -> int | None:
    return found.time if isinstance(found, LogEntry | Skip) else None


def _summed(entries: Iterator[Numbered]) -> Iterator[Numbered]:
    now = 0
    for where, found in entries:
        if isinstance(found, LogEntry | Skip) and found.time is not None:
            now += max(found.time, 0)
            yield where, found._replace(time=now)
        else:
            yield where, found

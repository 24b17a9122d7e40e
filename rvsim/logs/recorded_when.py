"""How logs of one vehicle lie in time: recorded at the same time by two recorders, or one after the other.

Knows: when each log began and ended by its own clock, and which units were there. Does not know files, nor how that is
told. Two logs without a date can follow each other, but are never said to be of the same time: both may begin at zero.

The limits are our decision.
"""

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from rvsim.wire.frame import SECOND_US

MIN_COMMON_PERCENT = 50
"""How many of all addresses of two logs must be in both, for logs of one vehicle."""
MIN_SAME_TIME_US = 15 * SECOND_US
MIN_SAME_TIME_PERCENT = 50
"""For how long, and for how much of the shorter one, two logs of the same time must overlap."""
MAX_BREAK_US = 60 * SECOND_US
"""How long after the end of one file the next one of a recording begins at the latest."""
MAX_OVERLAP_US = SECOND_US
"""How long before the end of one file the next one may begin."""


class RecordedLog(NamedTuple):
    """One log: its name, when it began and how long it is in microseconds, whether it has a date, and its units.

    ``units`` are addresses with the number of their NAME, None where that is not known.
    """

    name: str
    begins: int
    length_us: int
    is_dated: bool
    units: frozenset[tuple[int, int | None]]

    @property
    def ends(self) -> int:
        """When it ended."""
        return self.begins + self.length_us


class Recording(NamedTuple):
    """One recording in several files, in the order of time; ``longest_break`` in microseconds."""

    names: tuple[str, ...]
    longest_break: int


def same_time(logs: Sequence[RecordedLog]) -> list[tuple[RecordedLog, ...]]:
    """Return the groups of logs that have one vehicle at the same time."""
    groups: list[list[RecordedLog]] = []
    for log in sorted((one for one in logs if one.is_dated), key=lambda one: one.begins):
        found = next((group for group in groups if any(_are_at_once(other, log) for other in group)), None)
        if found is None:
            groups.append([log])
        else:
            found.append(log)
    return [tuple(group) for group in groups if len(group) > 1]


def recordings(logs: Sequence[RecordedLog]) -> list[Recording]:
    """Return which logs are one recording in several files, by their clocks."""
    found: list[list[RecordedLog]] = []
    for log in sorted(logs, key=lambda one: (one.is_dated, one.begins)):
        before = found[-1][-1] if found else None
        if before is not None and _follows(before, log):
            found[-1].append(log)
        else:
            found.append([log])
    return [_recording(files) for files in found if len(files) > 1]


def doubled_us(groups: Iterable[Sequence[RecordedLog]]) -> int:
    """Return how much of the time of groups of logs is in more than one of them, in microseconds."""
    return sum(sum(log.length_us for log in group) - _covered(group) for group in groups)


def _recording(files: Sequence[RecordedLog]) -> Recording:
    breaks = [later.begins - earlier.ends for earlier, later in pairwise(files)]
    return Recording(tuple(log.name for log in files), max(0, *breaks))


def _covered(group: Iterable[RecordedLog]) -> int:
    covered, until = 0, None
    for log in sorted(group, key=lambda one: one.begins):
        begins = log.begins if until is None else max(log.begins, until)
        covered += max(0, log.ends - begins)
        until = log.ends if until is None else max(until, log.ends)
    return covered


def _are_at_once(one: RecordedLog, other: RecordedLog) -> bool:
    overlap = min(one.ends, other.ends) - max(one.begins, other.begins)
    shorter = min(one.length_us, other.length_us)
    is_long = overlap >= MIN_SAME_TIME_US and 100 * overlap >= MIN_SAME_TIME_PERCENT * shorter
    return is_long and _have_one_vehicle(one, other)


def _follows(earlier: RecordedLog, later: RecordedLog) -> bool:
    gap = later.begins - earlier.ends
    is_next = earlier.is_dated == later.is_dated and -MAX_OVERLAP_US <= gap <= MAX_BREAK_US
    return is_next and later.begins > earlier.begins and _have_one_vehicle(earlier, later)


def _have_one_vehicle(one: RecordedLog, other: RecordedLog) -> bool:
    """Return whether most addresses are in both logs, with the same NAMEs as far as both know them."""
    addresses = [{address for address, _ in log.units} for log in (one, other)]
    common = addresses[0] & addresses[1]
    if not common or 100 * len(common) < MIN_COMMON_PERCENT * len(addresses[0] | addresses[1]):
        return False
    return 2 * sum(_differ(address, one, other) for address in common) <= len(common)


def _differ(address: int, one: RecordedLog, other: RecordedLog) -> bool:
    before, after = ({name for at, name in log.units if at == address and name is not None} for log in (one, other))
    return bool(before and after) and not before & after

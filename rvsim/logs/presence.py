"""The states of devices over the time of a log.

Knows: how changes of a state become spans of time. Does not know how a state is found: the watch tells its changes.
"""

from collections.abc import Sequence
from typing import NamedTuple

from rvsim.watch.transitions import Presence, PresenceChanged

WORST_FIRST = (Presence.SILENT, Presence.LATE, Presence.UNPLANNED, Presence.ASLEEP, Presence.PRESENT)
"""The states, the one that matters most first: it is shown where several fall into one column."""


class PresenceSpan(NamedTuple):
    """A state of a device, and the two times between which it lasted, in microseconds since the log's start.

    A state begins when the watch finds it: a device is silent only after its limit has passed.
    """

    state: Presence
    since: int
    until: int


class PresenceHistory:
    """The changes of all devices, in the order of time."""

    def __init__(self) -> None:
        self._changes: dict[str, list[PresenceChanged]] = {}

    def observe(self, change: PresenceChanged) -> None:
        """Take in the next change."""
        self._changes.setdefault(change.device, []).append(change)

    def spans(self, device: str, start: int, end: int) -> tuple[PresenceSpan, ...]:
        """Return the states of a device between two times; none before its first state is known."""
        changes = self._changes.get(device, [])
        ends = [change.time for change in changes[1:]] + [end]
        spans: list[PresenceSpan] = []
        for change, until in zip(changes, ends, strict=False):
            since, until = max(change.time, start), min(until, end)
            if since > until or (since == until < end):
                continue
            if spans and spans[-1].state is change.state:
                spans[-1] = spans[-1]._replace(until=until)
            else:
                spans.append(PresenceSpan(change.state, since, until))
        return tuple(spans)


def worst_states(spans: Sequence[PresenceSpan], start: int, end: int, columns: int) -> list[Presence | None]:
    """Return the worst state in each of so many equal parts of a time; None where none is known."""
    length = max(1, end - start)
    found: list[Presence | None] = [None] * columns
    for span in spans:
        first = min(columns - 1, (span.since - start) * columns // length)
        last = -(-(span.until - start) * columns // length)
        for column in range(max(0, first), min(columns, last)):
            before = found[column]
            if before is None or WORST_FIRST.index(span.state) < WORST_FIRST.index(before):
                found[column] = span.state
    return found

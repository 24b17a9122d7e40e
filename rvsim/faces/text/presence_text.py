"""The presence of devices over the time of a log: one row a device, and as JSON.

Knows: the sign of each state. Does not know how a state is found.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rvsim.faces.text.clock import NO_CLOCK, Clock
from rvsim.logs.presence import PresenceSpan, worst_states
from rvsim.watch.transitions import Presence

COLUMNS = 60
"""Columns of a row: with a name it fits into a terminal of 80."""
SIGNS: Mapping[Presence | None, str] = {
    Presence.PRESENT: "═",
    Presence.LATE: "▒",
    Presence.SILENT: "·",
    Presence.ASLEEP: "z",
    Presence.UNPLANNED: "?",
    None: " ",
}
"""The sign of each state; those beyond ASCII are replaced by others of the same width (``signs``)."""
LEGEND = "═ present, ▒ late, · silent, z asleep, ? unplanned, blank: not known yet"
MAX_LABEL_LENGTH = 24
"""Longer names of devices are cut. Our choice."""


def presence_text(
    presence: Mapping[str, Sequence[PresenceSpan]], start: int, end: int, clock: Clock = NO_CLOCK
) -> Iterator[str]:
    """Yield a row for each device; the worst state of each column's time is shown."""
    width = min(MAX_LABEL_LENGTH, max(map(len, presence), default=0))
    for device, spans in presence.items():
        row = "".join(SIGNS[state] for state in worst_states(spans, start, end, COLUMNS))
        yield f"  {_cut(device, width):<{width}}  {row}".rstrip()
    times = f"{start / 1e6:.1f} s", f"{end / 1e6:.1f} s"
    yield f"  {'':<{width}}  {times[0]}{times[1]:>{COLUMNS - len(times[0])}}"
    first, last = clock.at(start), clock.at(end)
    if first is not None and last is not None:
        yield f"  {'':<{width}}  {first}{last + ' UTC':>{COLUMNS - len(first)}}"


def presence_json(presence: Mapping[str, Sequence[PresenceSpan]]) -> list[dict[str, Any]]:
    """Return the spans of each device, in seconds since the log's start."""
    return [
        {
            "device": device,
            "spans": [
                {"state": str(span.state), "since": span.since / 1e6, "until": span.until / 1e6} for span in spans
            ],
        }
        for device, spans in presence.items()
    ]


def _cut(name: str, width: int) -> str:
    return name if len(name) <= width else f"{name[: width - 2]}.."

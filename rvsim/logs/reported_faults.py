"""The faults that devices report of themselves in a log: each fault once, with its first and its last time.

Knows: which flags are about the same fault. Does not know messages: the watch read the reports, whether they were a
DM_RV, a DM1 or an alarming code of a status.
"""

from collections.abc import Iterable
from typing import NamedTuple

from rvsim.watch.flag import WORST_FIRST, Flag, FlagKind, Severity


class FaultSeen(NamedTuple):
    """One fault that a device reported.

    ``message`` and ``field`` say where: ``field`` is None for a fault with a number, and ``spn`` and ``fmi`` are None
    for an alarming code of a field, or a lamp without a number. Times in microseconds since the log's start; ``last``
    is the end of the last report, None where it was still reported at the end.
    """

    device: str
    text: str
    severity: Severity
    message: str | None
    field: str | None
    spn: int | None
    fmi: int | None
    times: int
    """How often it began."""
    first: int
    last: int | None


def reported_faults(flags: Iterable[Flag]) -> tuple[FaultSeen, ...]:
    """Return the faults that flags report, each once, in the order of their first report."""
    groups: dict[object, list[Flag]] = {}
    for flag in flags:
        if flag.kind is FlagKind.REPORTED_FAULT:
            fault = flag.fault and flag.fault[:2]
            where = None if fault else (flag.message, flag.field, flag.text)
            groups.setdefault((flag.subject, fault, where), []).append(flag)
    return tuple(sorted(map(_seen, groups.values()), key=lambda fault: fault.first))


def _seen(flags: list[Flag]) -> FaultSeen:
    latest = flags[-1]
    ends = [flag.until for flag in flags if flag.until is not None]
    return FaultSeen(
        latest.subject,
        latest.text,
        min((flag.severity for flag in flags), key=WORST_FIRST.index),
        latest.message,
        latest.field,
        latest.fault.spn if latest.fault else None,
        latest.fault.fmi if latest.fault else None,
        len(flags),
        min(flag.since for flag in flags),
        max(ends) if len(ends) == len(flags) else None,
    )

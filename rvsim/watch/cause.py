"""A cause: a problem, and the flags that it explains.

Knows: what a cause consists of, and the kinds of cause that are no flag. Does not know how one is found: `watch.causes`
does, and `watch.recording_causes` for those that lie in the recording.
"""

from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import NamedTuple

from rvsim.watch.flag import WORST_FIRST, Flag, FlagKind, Severity
from rvsim.wire.quantity_text import compose

MAX_NAMED_DEVICES = 8
"""How many devices a cause names; of more of them all but the first six are counted."""


class CauseKind(StrEnum):
    """The kinds of cause that are not a kind of flag."""

    SHARED_SUPPLY = "shared-supply"
    GONE_TOGETHER = "gone-together"
    NEVER_HEARD = "never-heard"
    """Planned devices of which nothing came since the start."""
    RESTARTED_TOGETHER = "restarted-together"
    SETTINGS_LOST = "settings-lost"
    """A device that sends with other instances since it restarted."""
    FLOODED = "flooded"
    """A device that filled the bus and stopped."""
    RECORDER_PAUSED = "recorder-paused"
    RECORDED_TWICE = "recorded-twice"
    """Each frame stands in the log twice, as two recorders make it."""
    FRAMES_LOST = "frames-lost"
    """Frames of most devices are missing, at different moments."""
    JOINED_RECORDINGS = "joined-recordings"
    """From some moment on the log has the devices of another vehicle."""
    EXCHANGED = "exchanged"
    """Two units, each of which sends as the other."""


class Cause(NamedTuple):
    """A problem, and the flags that it explains, its own first.

    ``kind`` is that of its own flag, or a ``CauseKind``. Times in microseconds; ``until`` is None while it lasts.
    """

    kind: FlagKind | CauseKind
    subject: str
    severity: Severity
    since: int
    until: int | None
    text: str
    advice: str
    evidence: tuple[str, ...]
    flags: tuple[Flag, ...]


RECORDING_KINDS = frozenset(
    {CauseKind.RECORDER_PAUSED, CauseKind.RECORDED_TWICE, CauseKind.FRAMES_LOST, CauseKind.JOINED_RECORDINGS}
)
"""The causes that may lie in the recording, not in the vehicle."""


def names_text(names: Sequence[str]) -> str:
    """Return the names of two devices or more for a sentence; of many the first ones and how many there are."""
    if len(names) <= MAX_NAMED_DEVICES:
        return f"{', '.join(names[:-1])} and {names[-1]}"
    shown = names[: MAX_NAMED_DEVICES - 2]
    return f"{len(names)} devices ({', '.join(shown)} and {len(names) - len(shown)} more)"


def cause_of(
    kind: FlagKind | CauseKind, subject: str, flags: Sequence[Flag], text: str, advice: str, evidence: tuple[str, ...]
) -> Cause:
    """Return the cause of some flags, from the first beginning to the last end, as severe as the worst of them."""
    severity = min((flag.severity for flag in flags), key=WORST_FIRST.index)
    ends = [flag.until for flag in flags if flag.until is not None]
    until = max(ends) if len(ends) == len(flags) else None
    since = min(flag.since for flag in flags)
    return Cause(kind, subject, severity, since, until, text, advice, evidence, tuple(flags))


def explained_evidence(flags: Iterable[Flag]) -> tuple[str, ...]:
    """Return one line of evidence for each flag that a cause explains."""
    return tuple(compose(f"explains {flag.tag} {flag.kind} {flag.subject}: ", flag.text) for flag in flags)

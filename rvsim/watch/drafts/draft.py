"""A flag before it has a number, and the phrases that several kinds of flag share.

Knows: how durations, gaps, counts and frames are written. Does not know any kind of problem.
"""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from rvsim.rig.quantity import time_text
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import Topic
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US, Frame


class FlagDraft(NamedTuple):
    """A flag without its number.

    ``topic`` and ``field`` are the message and the field that it concerns, None where it concerns none. ``heard`` is
    the time of the last frame (microseconds), set only where something is missing. ``absent`` is true for a device
    that was never heard. ``fault`` is what a node reports by its number.
    """

    kind: FlagKind
    subject: str
    severity: Severity
    text: str
    advice: str
    evidence: tuple[str, ...] = ()
    topic: Topic | None = None
    field: str | None = None
    heard: int | None = None
    absent: bool = False
    fault: ReportedFault | None = None


Drafts = Mapping[type, Callable[[Any], FlagDraft]]
"""Maps each class of problem to the function that writes its flag."""


def span(length: int) -> str:
    """Write a duration, given in microseconds, in seconds."""
    return f"{length / SECOND_US:.1f} s"


def due(length: int | None) -> str:
    """Write the gap of a message (microseconds), as the end of a sentence; nothing where it is not periodic."""
    return f", due every {length / SECOND_US:.3g} s" if length is not None else ""


def counted(count: int, noun: str) -> str:
    """Write a count with its noun: ``1 command``, ``2 commands``."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def frame_line(frame: Frame | None, which: str = "frame") -> tuple[str, ...]:
    """Return a frame as one line of evidence; no line where the frame is None."""
    return (f"{which} {frame} at {time_text(frame.time)}",) if frame is not None else ()

"""What a flag says before it has a number, and the phrases that several kinds share.

Knows: spans, gaps and frames in words. Does not know any kind of problem.
"""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from rvsim.rig.quantity import moment
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.traffic import SECOND
from rvsim.watch.transitions import Topic
from rvsim.wire.frame import Frame


class FlagDraft(NamedTuple):
    """A flag without its number.

    ``topic`` and ``field`` are what it is about, None where it is about no message or field. ``heard`` is, where
    something stays away, when it was heard last; ``absent`` tells that it was never heard at all.
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


Drafts = Mapping[type, Callable[[Any], FlagDraft]]
"""The function for each kind of problem."""


def span(length: int) -> str:
    """Write a length of time given in microseconds."""
    return f"{length / SECOND:.1f} s"


def due(length: int | None) -> str:
    """Say how often a message is due; nothing where it is not periodic."""
    return f", due every {length / SECOND:.3g} s" if length is not None else ""


def frame_line(frame: Frame | None, which: str = "frame") -> tuple[str, ...]:
    """Return a frame as a line of evidence, nothing where there is none."""
    return (f"{which} {frame} at {moment(frame.time)}",) if frame is not None else ()

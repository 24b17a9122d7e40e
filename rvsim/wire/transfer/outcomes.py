"""What becomes of long messages: one came in whole, one arrived, or something went wrong.

Knows: names for all that can go wrong. Does not know the protocol that finds it.
"""

from collections import Counter
from collections.abc import Iterable
from enum import Enum
from typing import NamedTuple


class ProblemKind(Enum):
    """What went wrong. The first group leaves sessions as they are; the second ends one or keeps one from beginning."""

    MALFORMED = "a frame that says nothing known"
    STRAY = "a frame that belongs to no session"
    UNASKED = "a packet that was not asked for"
    REPEATED = "a packet came again"
    LOST = "a packet is missing"
    RETRIED = "something was sent or asked for again"

    MISFIT = "size and number of packets do not fit each other"
    CHANGED = "a packet came again with other bytes"
    BROKEN = "a packet is missing, and nothing brings it back"
    RESTARTED = "the next message began before the end of this one"
    BUSY = "another message from this sender is not finished"
    CROWDED = "no room for another session"
    ABORTED = "the other side ended it"
    TIMEOUT = "the other side was silent for too long"
    GAVE_UP = "asked for the same packet too often"
    BAD_SEQUENCE = "the other side asked for a packet out of its turn"
    NO_ADDRESS = "this node has no address to send from"
    MOVED = "this node has another address now"


class LongMessage(NamedTuple):
    """A message that was put together from its packets; times in microseconds.

    ``destination`` is 255 for one to all. ``dgn`` counts the destination byte of an addressed DGN as 00.
    """

    source: int
    destination: int
    dgn: int
    data: bytes
    started: int
    ended: int


class Arrived(NamedTuple):
    """A message of this node was acknowledged, or went out to all."""

    time: int
    destination: int
    dgn: int


class TransferProblem(NamedTuple):
    """Something went wrong between a sender and its destination; ``reason`` is that of an abort."""

    kind: ProblemKind
    time: int
    source: int
    destination: int
    dgn: int | None = None
    reason: int | None = None


TransferEvent = LongMessage | Arrived | TransferProblem


class TransferOutcome(NamedTuple):
    """What a call brought: frames to send as (identifier, data), and what happened."""

    frames: list[tuple[int, bytes]]
    events: list[TransferEvent]

    def add(self, other: "TransferOutcome") -> None:
        """Take in what another call brought."""
        self.frames.extend(other.frames)
        self.events.extend(other.events)


def nothing() -> TransferOutcome:
    """Return an outcome to be filled."""
    return TransferOutcome([], [])


def count(events: Iterable[TransferEvent]) -> Counter[ProblemKind]:
    """Count the troubles by kind."""
    return Counter(event.kind for event in events if isinstance(event, TransferProblem))

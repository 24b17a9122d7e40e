"""The results of long messages: one was received, one was sent, or a problem occurred.

Knows: the kinds of problems. Does not know the protocol that detects them.
"""

from collections import Counter
from collections.abc import Iterable
from enum import Enum
from typing import NamedTuple


class ProblemKind(Enum):
    """The kinds of problems. Those of the first group leave a session open, the others end it or prevent it."""

    MALFORMED = "a frame with unknown content"
    UNEXPECTED = "a frame without a session"
    UNREQUESTED = "a packet that was not requested"
    REPEATED = "a packet was repeated"
    LOST = "a packet is missing"
    RETRIED = "a frame was sent or requested again"

    SIZE_MISMATCH = "size and number of packets do not match"
    CONTRADICTED = "a packet was repeated with other bytes"
    INCOMPLETE = "a packet is missing and will not be repeated"
    RESTARTED = "the next message started before the end of this one"
    BUSY = "another message from this sender is in progress"
    NO_SESSION_FREE = "the maximum of sessions is open"
    ABORTED = "the other node aborted it"
    TIMEOUT = "the other node did not answer in time"
    TOO_MANY_RETRIES = "the same packet was requested too often"
    BAD_SEQUENCE = "the other node requested a packet out of sequence"
    NO_ADDRESS = "this node has no address to send from"
    MOVED = "this node has another address now"


class LongMessage(NamedTuple):
    """A message that was reassembled from its packets; times in microseconds.

    ``destination`` is 255 for a message to all. ``dgn`` counts the destination byte of an addressed DGN as 00.
    """

    source: int
    destination: int
    dgn: int
    data: bytes
    started: int
    ended: int


class LongMessageSent(NamedTuple):
    """A message of this node was acknowledged, or was sent completely to all."""

    time: int
    destination: int
    dgn: int


class TransferProblem(NamedTuple):
    """A problem between a sender and its destination; ``reason`` is the code of an abort."""

    kind: ProblemKind
    time: int
    source: int
    destination: int
    dgn: int | None = None
    reason: int | None = None


TransferEvent = LongMessage | LongMessageSent | TransferProblem


class TransferOutcome(NamedTuple):
    """The result of a call: the frames to send as (identifier, data), and the events."""

    frames: list[tuple[int, bytes]]
    events: list[TransferEvent]

    def add(self, other: "TransferOutcome") -> None:
        """Append the result of another call."""
        self.frames.extend(other.frames)
        self.events.extend(other.events)


def empty_outcome() -> TransferOutcome:
    """Return an outcome without frames and events."""
    return TransferOutcome([], [])


def count_problems(events: Iterable[TransferEvent]) -> Counter[ProblemKind]:
    """Return the number of problems of each kind."""
    return Counter(event.kind for event in events if isinstance(event, TransferProblem))

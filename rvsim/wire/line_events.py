"""The events of a bus, or of its log, other than received frames; flags can be raised from them.

Knows: times in integer microseconds, and nodes by name. Does not know what follows from an event.
"""

from enum import StrEnum
from typing import NamedTuple, assert_never


class ErrorState(StrEnum):
    """The error state of a CAN controller (CAN Specification 2.0, 1991, part B, section 8)."""

    ACTIVE = "error active"
    PASSIVE = "error passive"
    BUS_OFF = "bus-off"


class StateChanged(NamedTuple):
    """A node's controller changed its error state; both error counters at that time, None where they are not known.

    In a log, and from an adapter, the controller is that of the recorder.
    """

    time: int
    node: str
    state: ErrorState
    transmit_errors: int | None
    receive_errors: int | None


class Collided(NamedTuple):
    """Nodes sent one identifier with different data at the same time; ``time`` is that of the first differing bit."""

    time: int
    identifier: int
    nodes: tuple[str, ...]


class NotAcknowledged(NamedTuple):
    """A frame was not acknowledged by any node.

    There is one event for each attempt that increases the transmit error counter. The endless attempts at a counter of
    128 have one event together, with ``endless``, whatever frames the node sends, until one of them gets through.
    """

    time: int
    node: str
    identifier: int
    endless: bool = False


class Disturbed(NamedTuple):
    """A frame was destroyed on the wires; ``by`` is the node that caused it, empty where no node did."""

    time: int
    identifier: int
    nodes: tuple[str, ...]
    by: str = ""


class Overflowed(NamedTuple):
    """A node dropped a frame because its send queue was full."""

    time: int
    node: str
    identifier: int


class Waited(NamedTuple):
    """A frame that was ready to be sent at ``since`` got through at ``time``; reported where it waited for longer than
    the longest frame takes."""

    time: int
    node: str
    identifier: int
    since: int


class OtherKind(StrEnum):
    """The kinds of frames on the bus that carry no message of this network."""

    STANDARD = "11-bit"
    """A data frame with an 11-bit identifier."""
    REMOTE = "remote"
    """A frame that requests data and contains none, with an identifier of 11 or 29 bits."""
    ERROR = "error"
    """An error frame."""


class OtherFrame(NamedTuple):
    """A frame of ``bits`` bits that is not a classic data frame with a 29-bit identifier."""

    time: int
    kind: OtherKind
    bits: int


class ErrorFrame(NamedTuple):
    """An error frame in a log or from an adapter; ``about`` describes the error, empty where nothing is known."""

    time: int
    about: str = ""


class JoinedMessage(NamedTuple):
    """A message of more than eight bytes that the writer of a log has put together from its packets.

    ``identifier`` is that of the message, not of its packets. ``time`` is that of the log's line; how long the packets
    took is not known.
    """

    time: int
    identifier: int
    data: bytes


class TimeWentBack(NamedTuple):
    """A log's own time went back by ``by`` microseconds from one entry to the next, at ``where``, such as ``line 12``.

    ``time`` does not go back: it is the time of the previous entry.
    """

    time: int
    by: int
    where: str


class TimesInUnit(NamedTuple):
    """A log's times are ``factor`` times too long, judged by ``messages`` messages with a defined broadcast gap.

    Reported at the end of the log.
    """

    time: int
    factor: int
    messages: int


class ListeningResumed(NamedTuple):
    """Whoever received the frames did not listen from ``since`` to ``time``: its interface was lost, and opened again.

    What happened on the bus meanwhile is not known. ``about`` says why, empty where that is not known.
    """

    time: int
    since: int
    about: str = ""


class Marked(NamedTuple):
    """The person who listened marked this moment; ``note`` says what was done, empty where nothing was written."""

    time: int
    note: str


class LogEnded(NamedTuple):
    """The log has ended: what depends on the whole log can be judged."""

    time: int


LineEvent = (
    StateChanged
    | Collided
    | NotAcknowledged
    | Disturbed
    | Overflowed
    | Waited
    | OtherFrame
    | ErrorFrame
    | JoinedMessage
    | TimeWentBack
    | TimesInUnit
    | ListeningResumed
    | Marked
    | LogEnded
)


def is_error_frame(event: LineEvent) -> bool:
    """Return whether an event put an error frame on the bus; endless retries have no event each."""
    match event:
        case OtherFrame() | Waited():  # the most frequent ones first
            return False
        case ErrorFrame() | Disturbed() | Collided():
            return True
        case NotAcknowledged():
            return not event.endless
        case StateChanged() | Overflowed() | JoinedMessage() | ListeningResumed() | Marked():
            return False
        case TimeWentBack() | TimesInUnit() | LogEnded():
            return False
    assert_never(event)

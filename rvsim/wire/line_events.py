"""What happens on the pair, or in a log of it, beside frames that arrive: the facts that flags can be raised from.

Knows: times in integer microseconds and nodes by name. Does not know what anyone makes of them.
"""

from enum import StrEnum
from typing import NamedTuple


class ErrorState(StrEnum):
    """How much a controller trusts itself (CAN Specification 2.0, 1991, part B, section 8)."""

    ACTIVE = "error active"
    PASSIVE = "error passive"
    BUS_OFF = "bus-off"


class StateChanged(NamedTuple):
    """A node's controller went over to another error state; both counters as they are then, None where untold.

    In a log, and from an adapter, it is the controller of whoever recorded.
    """

    time: int
    node: str
    state: ErrorState
    transmit_errors: int | None
    receive_errors: int | None


class Collided(NamedTuple):
    """Nodes sent one identifier with different data at once; time of the first bit that differs."""

    time: int
    identifier: int
    nodes: tuple[str, ...]


class NotAcknowledged(NamedTuple):
    """A frame reached its acknowledgement slot and nobody filled it.

    Told of each attempt that moves the transmit error counter. The endless ones at 128 are told of once, by
    ``endless``, whatever frames the node sends meanwhile, until one of them goes through.
    """

    time: int
    node: str
    identifier: int
    endless: bool = False


class Disturbed(NamedTuple):
    """A frame was spoilt by the wires; ``by`` names the node that did it, empty where it was no node."""

    time: int
    identifier: int
    nodes: tuple[str, ...]
    by: str = ""


class Overflowed(NamedTuple):
    """A node had no room for one more waiting frame, and that frame is lost."""

    time: int
    node: str
    identifier: int


class Waited(NamedTuple):
    """A frame went through at ``time`` that was ready ``since`` then; told if it
    had waited for longer than the longest frame takes."""

    time: int
    node: str
    identifier: int
    since: int


class OtherKind(StrEnum):
    """Frames that are on the pair and say nothing on this network."""

    STANDARD = "11-bit"
    """A data frame with an 11-bit identifier."""
    REMOTE = "remote"
    """A frame that asks for data and holds none, with an identifier of 11 or 29 bits."""
    ERROR = "error"
    """An error frame."""


class OtherFrame(NamedTuple):
    """A frame that takes ``bits`` of the pair, and is no classic data frame with a 29-bit identifier."""

    time: int
    kind: OtherKind
    bits: int


class ErrorFrame(NamedTuple):
    """An error frame, as a log or an adapter tells it; ``about`` is what it says of the error, empty for nothing."""

    time: int
    about: str = ""


class TimeWentBack(NamedTuple):
    """A log's own time went back by ``by`` from one entry to the next, at ``where``, such as ``line 12``.

    ``time`` is that of the watch, which goes on: the time of the entry before.
    """

    time: int
    by: int
    where: str


class TimesInUnit(NamedTuple):
    """A log's times are ``factor`` times too long, by ``messages`` messages whose gap is promised.

    Told at the end of the log.
    """

    time: int
    factor: int
    messages: int


class LogEnded(NamedTuple):
    """A log has come to its end: what depends on the whole of it can be judged."""

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
    | TimeWentBack
    | TimesInUnit
    | LogEnded
)


def is_error_frame(event: LineEvent) -> bool:
    """Tell whether an event left an error frame on the pair; of endless retries no single one is told."""
    return isinstance(event, ErrorFrame | Disturbed | Collided) or (
        isinstance(event, NotAcknowledged) and not event.endless
    )

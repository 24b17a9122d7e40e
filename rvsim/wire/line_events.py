"""What happens on the pair beside frames that arrive: the facts that flags can be raised from.

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
    """A node's controller went over to another error state; both counters as they are then."""

    time: int
    node: str
    state: ErrorState
    transmit_errors: int
    receive_errors: int


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


LineEvent = StateChanged | Collided | NotAcknowledged | Disturbed | Overflowed | Waited

"""What a controller reports of errors: that an error frame was seen, which error it was, its own state and counters.

Knows: the error messages of Linux, which candump writes and SocketCAN hands over (Linux,
include/uapi/linux/can/error.h).
Does not know logs, nor what anyone makes of it.
"""

from collections.abc import Iterator
from typing import NamedTuple

from rvsim.wire.line_events import ErrorFrame, ErrorState, StateChanged

_CONTROLLER, _PROTOCOL, _TRANSCEIVER, _NO_ACKNOWLEDGE = 0x04, 0x08, 0x10, 0x20
_BUS_OFF, _BUS_ERROR, _RESTARTED, _COUNTERS = 0x40, 0x80, 0x100, 0x200
"""Classes of an error message, each a bit of its identifier."""
_CLASSES = 0x3FF
_SEEN_ON_WIRES = _PROTOCOL | _TRANSCEIVER | _NO_ACKNOWLEDGE | _BUS_ERROR
"""Classes that tell of an error on the wires; the others tell of the controller only."""
_PASSIVE, _RECOVERED = 0x30, 0x4C
"""Bits of data[1]: one of the counters is above 127; both are below again, or at most at the level of warning."""
_TYPES = (
    (0x01, "bit error"),
    (0x02, "form error"),
    (0x04, "stuff error"),
    (0x08, "a dominant bit could not be sent"),
    (0x10, "a recessive bit could not be sent"),
    (0x20, "overload"),
)
"""What data[2] says of a protocol error."""


class ErrorReport(NamedTuple):
    """One report. ``on_wires`` tells whether it is of an error frame, or of the controller's state only."""

    on_wires: bool = True
    about: str = ""
    """What it says of the error, empty for nothing."""
    state: ErrorState | None = None
    transmit_errors: int | None = None
    receive_errors: int | None = None

    def events(self, time: int, node: str) -> Iterator[ErrorFrame | StateChanged]:
        """Return what has happened at ``time`` (microseconds), as the controller called ``node`` tells it."""
        if self.on_wires:
            yield ErrorFrame(time, self.about)
        if self.state is not None:
            yield StateChanged(time, node, self.state, self.transmit_errors, self.receive_errors)


def linux_report(identifier: int, data: bytes) -> ErrorReport:
    """Read an error message of Linux; one without any class is taken for an error frame of which no more is known."""
    classes = identifier & _CLASSES
    data = data.ljust(8, b"\0")
    counted = classes & _COUNTERS or (classes & _CONTROLLER and any(data[6:8]))
    return ErrorReport(
        not classes or bool(classes & _SEEN_ON_WIRES),
        _about(classes, data[2]),
        _state(classes, data[1]),
        data[6] if counted else None,
        data[7] if counted else None,
    )


def _about(classes: int, type_: int) -> str:
    told = [name for bit, name in _TYPES if classes & _PROTOCOL and type_ & bit]
    if classes & _NO_ACKNOWLEDGE:
        told.append("no acknowledgement")
    if classes & _TRANSCEIVER:
        told.append("the transceiver reports the wires")
    return ", ".join(told)


def _state(classes: int, controller: int) -> ErrorState | None:
    if classes & _BUS_OFF:
        return ErrorState.BUS_OFF
    if classes & _CONTROLLER and controller & _PASSIVE:
        return ErrorState.PASSIVE
    if classes & _RESTARTED or (classes & _CONTROLLER and controller & _RECOVERED):
        return ErrorState.ACTIVE
    return None

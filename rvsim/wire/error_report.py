"""What a controller reports of errors: that an error frame was seen, which error it was, its own state and counters.

Knows: the error messages of Linux, which candump writes and SocketCAN hands over (Linux,
include/uapi/linux/can/error.h).
Does not know logs, nor what anyone makes of it.
"""

from collections.abc import Iterator
from typing import NamedTuple

from rvsim.wire.line_events import (
    Collided,
    Disturbed,
    ErrorFrame,
    ErrorState,
    LineEvent,
    NotAcknowledged,
    StateChanged,
)

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
    node: str | None = None
    """Whose state it is, None for that of whoever tells it."""

    def events(self, time: int, node: str) -> Iterator[ErrorFrame | StateChanged]:
        """Return what has happened at ``time`` (microseconds), as the controller called ``node`` tells it."""
        if self.on_wires:
            yield ErrorFrame(time, self.about)
        if self.state is not None:
            yield StateChanged(time, self.node or node, self.state, self.transmit_errors, self.receive_errors)


NO_ACKNOWLEDGE = "no acknowledgement"
"""What is said of an error frame that followed a frame which nobody acknowledged."""


def report_of(event: LineEvent) -> ErrorReport | None:
    """Return what a recorder keeps of an event: error frames and states, None of all others.

    Of retries that nobody acknowledges and that are told once as endless no single one is kept.
    """
    match event:
        case ErrorFrame():
            return ErrorReport(about=event.about)
        case Disturbed():
            return ErrorReport()
        case Collided():
            return ErrorReport(about="bit error")
        case NotAcknowledged(endless=False):
            return ErrorReport(about=NO_ACKNOWLEDGE)
        case StateChanged():
            return ErrorReport(False, "", event.state, event.transmit_errors, event.receive_errors, event.node)
    return None


def linux_message(report: ErrorReport) -> tuple[int, bytes]:
    """Return the identifier, its error flag included, and the data of the error message of Linux that says the same.

    Whose state it is has no place there; of what is said of an error only the words that ``linux_report`` uses are
    kept.
    """
    classes, type_ = 0, 0
    if report.on_wires:
        classes |= _BUS_ERROR | (_NO_ACKNOWLEDGE if NO_ACKNOWLEDGE in report.about else _PROTOCOL)
        type_ = sum(bit for bit, name in _TYPES if name in report.about)
        classes |= _PROTOCOL if type_ else 0
    controller = 0
    if report.state is ErrorState.BUS_OFF:
        classes |= _BUS_OFF
    elif report.state is not None:
        classes |= _CONTROLLER
        controller = _RECOVERED & 0x40 if report.state is ErrorState.ACTIVE else _PASSIVE_BY[_transmits_badly(report)]
    counts = [report.transmit_errors, report.receive_errors]
    classes |= _COUNTERS if None not in counts else 0
    data = bytes([0, controller, type_, 0, 0, 0, *(min(count or 0, 0xFF) for count in counts)])
    return _ERROR_FLAG | classes, data


_ERROR_FLAG = 0x2000_0000
_PASSIVE_BY = {False: 0x10, True: 0x20}
"""Bits of data[1]: the receive or the transmit counter is above 127."""


def _transmits_badly(report: ErrorReport) -> bool:
    return (report.transmit_errors or 0) > 127 or report.receive_errors is None


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
        told.append(NO_ACKNOWLEDGE)
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

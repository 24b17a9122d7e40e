"""The error report of a controller: an error frame, the kind of error, the controller's own state and counters.

Knows: the error messages of Linux, which candump writes and SocketCAN returns (Linux, include/uapi/linux/can/error.h).
Does not know logs, nor what follows from a report.
"""

from collections.abc import Iterator
from typing import NamedTuple, assert_never

from rvsim.wire.line_events import (
    Collided,
    Disturbed,
    ErrorFrame,
    ErrorState,
    JoinedMessage,
    LineEvent,
    ListeningResumed,
    LogEnded,
    Marked,
    NotAcknowledged,
    OtherFrame,
    Overflowed,
    StateChanged,
    TimesInUnit,
    TimeWentBack,
    Waited,
)

_CONTROLLER, _PROTOCOL, _TRANSCEIVER, _NO_ACKNOWLEDGE = 0x04, 0x08, 0x10, 0x20
_BUS_OFF, _BUS_ERROR, _RESTARTED, _COUNTERS = 0x40, 0x80, 0x100, 0x200
"""The classes of an error message, each a bit of its identifier."""
_CLASSES = 0x3FF
_SEEN_ON_WIRES = _PROTOCOL | _TRANSCEIVER | _NO_ACKNOWLEDGE | _BUS_ERROR
"""The classes of an error on the wires; the others concern the controller only."""
_PASSIVE, _RECOVERED = 0x30, 0x4C
"""Bits of data[1]: a counter is above 127; both counters are below again, or at most at the warning level."""
_TYPES = (
    (0x01, "bit error"),
    (0x02, "form error"),
    (0x04, "stuff error"),
    (0x08, "a dominant bit could not be sent"),
    (0x10, "a recessive bit could not be sent"),
    (0x20, "overload"),
)
"""The bits of data[2]: the kinds of a protocol error."""


class ErrorReport(NamedTuple):
    """One report. ``on_wires`` is true for an error frame, false where only the controller's state is reported."""

    on_wires: bool = True
    about: str = ""
    """The description of the error, empty where there is none."""
    state: ErrorState | None = None
    transmit_errors: int | None = None
    receive_errors: int | None = None
    node: str | None = None
    """The node whose state it is, None for the reporting controller."""

    def events(self, time: int, node: str) -> Iterator[ErrorFrame | StateChanged]:
        """Yield the events of this report at ``time`` (microseconds); ``node`` names the reporting controller."""
        if self.on_wires:
            yield ErrorFrame(time, self.about)
        if self.state is not None:
            yield StateChanged(time, self.node or node, self.state, self.transmit_errors, self.receive_errors)


NO_ACKNOWLEDGE = "no acknowledgement"
"""The description of an error frame that follows a frame without an acknowledgement."""


def report_of(event: LineEvent) -> ErrorReport | None:
    """Return the report that a recorder keeps of an event: error frames and states; None for all other events.

    Unacknowledged retries that are reported once as endless have no reports of their own.
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
        case NotAcknowledged() | Overflowed() | Waited() | OtherFrame() | JoinedMessage():
            return None
        case TimeWentBack() | TimesInUnit() | ListeningResumed() | Marked() | LogEnded():
            return None
    assert_never(event)


def linux_message(report: ErrorReport) -> tuple[int, bytes]:
    """Return the equivalent Linux error message: the identifier with its error flag, and the data.

    The message has no place for ``node``; of the description only the words that ``linux_report`` uses are kept.
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
    """Return the report in a Linux error message; one without a class is an error frame without a description."""
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
    names = [name for bit, name in _TYPES if classes & _PROTOCOL and type_ & bit]
    if classes & _NO_ACKNOWLEDGE:
        names.append(NO_ACKNOWLEDGE)
    if classes & _TRANSCEIVER:
        names.append("the transceiver reports the wires")
    return ", ".join(names)


def _state(classes: int, controller: int) -> ErrorState | None:
    if classes & _BUS_OFF:
        return ErrorState.BUS_OFF
    if classes & _CONTROLLER and controller & _PASSIVE:
        return ErrorState.PASSIVE
    if classes & _RESTARTED or (classes & _CONTROLLER and controller & _RECOVERED):
        return ErrorState.ACTIVE
    return None

"""The error reports of a controller, by the names and numbers of Linux (include/uapi/linux/can/error.h)."""

import pytest

from rvsim.wire.error_report import ErrorReport, linux_message, linux_report, report_of
from rvsim.wire.line_events import (
    Collided,
    Disturbed,
    ErrorFrame,
    ErrorState,
    LogEnded,
    NotAcknowledged,
    OtherFrame,
    OtherKind,
    Overflowed,
    StateChanged,
    TimesInUnit,
    TimeWentBack,
    Waited,
    is_error_frame,
)

FLAG = 0x2000_0000


def data(**at):
    """Eight bytes with some set: ``b1=0x10``."""
    return bytes(at.get(f"b{place}", 0) for place in range(8))


@pytest.mark.parametrize(
    ("classes", "held", "report"),
    [
        (0x80, data(), ErrorReport()),
        (0x00, data(), ErrorReport()),
        (0x88, data(b2=0x04), ErrorReport(about="stuff error")),
        (0x88, data(b2=0x03), ErrorReport(about="bit error, form error")),
        (0x20, data(), ErrorReport(about="no acknowledgement")),
        (0x10, data(b4=0x44), ErrorReport(about="the transceiver reports the wires")),
        (0x04, data(b1=0x10, b7=129), ErrorReport(False, "", ErrorState.PASSIVE, 0, 129)),
        (0x04, data(b1=0x20), ErrorReport(False, "", ErrorState.PASSIVE)),
        (0x204, data(b1=0x08), ErrorReport(False, "", ErrorState.ACTIVE, 0, 0)),
        (0x04, data(b1=0x40), ErrorReport(False, "", ErrorState.ACTIVE)),
        (0x04, data(b1=0x01), ErrorReport(False)),
        (0x40, data(), ErrorReport(False, "", ErrorState.BUS_OFF)),
        (0x100, data(), ErrorReport(False, "", ErrorState.ACTIVE)),
        (0x288, data(b2=0x02, b6=8, b7=3), ErrorReport(True, "form error", None, 8, 3)),
        (0x02, data(), ErrorReport(False)),
        (0x08, b"", ErrorReport()),
    ],
)
def test_classes_and_bytes(classes, held, report):
    """Which tell of an error on the wires, and which of the controller only, with its state and counters."""
    assert linux_report(FLAG | classes, held) == report
    assert linux_report(classes, held) == report


def test_a_report_becomes_events():
    """An error frame, a change of state, both or none."""
    assert list(ErrorReport(about="form error").events(7, "adapter")) == [ErrorFrame(7, "form error")]
    passive = ErrorReport(True, "", ErrorState.PASSIVE, 128, None)
    changed = StateChanged(7, "adapter", ErrorState.PASSIVE, 128, None)
    assert list(passive.events(7, "adapter")) == [ErrorFrame(7), changed]
    assert list(ErrorReport(False).events(7, "adapter")) == []


@pytest.mark.parametrize(("transmit_errors", "bit"), [(127, 0x10), (128, 0x20)])
def test_the_counter_that_made_a_node_passive(transmit_errors, bit):
    """A counter above 127 makes a node error passive; data[1] states which of the two it is."""
    report = ErrorReport(False, "", ErrorState.PASSIVE, transmit_errors, 129)
    assert linux_message(report) == (FLAG | 0x204, data(b1=bit, b6=transmit_errors, b7=129))


@pytest.mark.parametrize(
    ("event", "is_error", "report"),
    [
        (ErrorFrame(1, "form error"), True, ErrorReport(about="form error")),
        (Disturbed(1, 7, ("a",)), True, ErrorReport()),
        (Collided(1, 7, ("a", "b")), True, ErrorReport(about="bit error")),
        (NotAcknowledged(1, "a", 7), True, ErrorReport(about="no acknowledgement")),
        (NotAcknowledged(1, "a", 7, endless=True), False, None),
        (StateChanged(1, "a", ErrorState.BUS_OFF, 256, 0), False,
         ErrorReport(False, "", ErrorState.BUS_OFF, 256, 0, "a")),
        (Overflowed(1, "a", 7), False, None),
        (Waited(9, "a", 7, 1), False, None),
        (OtherFrame(1, OtherKind.STANDARD, 50), False, None),
        (TimeWentBack(1, 5, "line 12"), False, None),
        (TimesInUnit(1, 1000, 3), False, None),
        (LogEnded(1), False, None),
    ],
)  # fmt: skip
def test_every_event_has_its_report(event, is_error, report):
    """Events with an error frame, a state, or neither; endless retries have no report each."""
    assert (is_error_frame(event), report_of(event)) == (is_error, report)

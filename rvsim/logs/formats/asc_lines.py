"""Renders the lines of a text log with a dated head (.asc): the head, frames, error frames and controller states.

Knows: the layout of python-can 4.6 (can/io/asc.py), and the chip status as `headed_text` reads it. Does not know files.
"""

import json
from datetime import datetime

from rvsim.wire.error_report import ErrorReport
from rvsim.wire.frame import SECOND_US, Frame

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_CHANNEL = 1
"""The number of the channel: this format numbers channels, and a recording has one."""


def head(start: str) -> str:
    """Return the header; its date, in local time, is that of ``start``, the first line of a JSON recording."""
    started = json.loads(start).get("started") if start else None
    date = "" if started is None else f"date {_date(datetime.fromisoformat(started).astimezone())}\n"
    return f"{date}base hex  timestamps absolute\nno internal events logged\n"


def _date(date: datetime) -> str:
    clock = f"{date:%H:%M:%S}.{date.microsecond // 1000:03d}"
    return f"{_DAYS[date.weekday()]} {_MONTHS[date.month - 1]} {date.day:02d} {clock} {date.year}"


def frame_line(frame: Frame, *, sent: bool) -> str:
    """Return the line of a frame."""
    data = "".join(f" {byte:02X}" for byte in frame.data)
    identifier = f"{frame.identifier:X}x"
    direction = "Tx" if sent else "Rx"
    return f"{_time(frame.time)} {_CHANNEL}  {identifier:<15} {direction}   d {len(frame.data):x}{data}\n"


def report_lines(time: int, report: ErrorReport) -> str:
    """Return the lines of an error frame and of a controller's state; the format has no place for the node."""
    lines = ""
    if report.on_wires:
        lines += f"{_time(time)} {_CHANNEL}  ErrorFrame{'  ' if report.about else ''}{report.about}\n"
    if report.state is not None:
        counters = (report.transmit_errors, report.receive_errors)
        counted = "" if None in counters else f" - TxErr: {counters[0]} RxErr: {counters[1]}"
        state = str(report.state).replace("-", " ")
        lines += f"{_time(time)} CAN {_CHANNEL} Status:chip status {state}{counted}\n"
    return lines


def _time(time: int) -> str:
    return f"{time // SECOND_US:2d}.{time % SECOND_US:06d}"

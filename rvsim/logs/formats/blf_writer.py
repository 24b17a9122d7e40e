"""The writer of logs in the binary format .blf: frames and error frames in containers that are compressed one by one.

Knows: the file's head, containers, frames and error frames. Does not know files, nor when to write. Layout: the writer
of python-can 4.6 (can/io/blf.py); the format has no published description. Numbers are little-endian. A controller's
state and a time in which nobody listened have no place in it.
"""

import struct
import zlib
from datetime import UTC, datetime, timedelta

from rvsim.wire.error_report import ErrorReport
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import ListeningResumed, Marked

MAX_CONTAINER_BYTES = 1 << 17
"""How many bytes of objects a container holds at most, about: as much as the containers of other writers."""

_FILE_HEADER = struct.Struct("<4sL8B2Q2L8H8H72x")
"""Mark, own size, program and versions, sizes of the file packed and unpacked, numbers of objects, start and end."""
_PROGRAM = (5, 0, 0, 0, 2, 6, 8, 1)
"""The number of the program and versions, as python-can has them: no number is registered for rvsim."""
_OBJECT = struct.Struct("<4sHHLL")
"""Mark, size of this header, version of the header, size of the object, type."""
_MARK = b"LOBJ"
_TIME = struct.Struct("<LHHQ")
"""Unit of the time, index, version, time."""
_NANOSECONDS = 2
_CONTAINER, _FRAME, _ERROR = 10, 1, 73
_PACKING = struct.Struct("<H6xL4x")
"""The compression, and the size of the content without it."""
_DEFLATED = 2
_CAN = struct.Struct("<HBBL8s")
"""Channel, flags, length, identifier, data."""
_ERROR_BODY = struct.Struct("<HHLBBBxLLH2x8s")
"""Channel, length, flags, code, position, length code, frame length, identifier, flags, data."""
_EXTENDED = 0x8000_0000
_SENT_FLAG = 0x01
_CHANNEL = 1
"""The number of the channel: this format numbers channels, and a recording has one."""


class BlfWriter:
    """Writes one log; ``started`` is the moment of time 0, None where it has no date."""

    keeps_gaps = False

    def __init__(self, started: datetime | None, *, sent: bool) -> None:
        self._started = started
        self._shift_us = 0 if started is None else started.microsecond % 1000
        """The head has the start in whole milliseconds."""
        self._sent = sent
        self._objects: list[bytes] = []
        self._count = 0
        self._last = 0
        self._packed = self._unpacked = _FILE_HEADER.size
        self.pending_size = 0
        """How many bytes wait for their container."""

    def head(self) -> bytes:
        """Return the head of a log whose end is not known."""
        return self._head(None)

    def final_head(self) -> bytes:
        """Return the head with the sizes, the number of objects and the end."""
        return self._head(self._last)

    def frame(self, frame: Frame) -> bytes:
        """Take a frame; return the container that it fills, if it does."""
        flags = _SENT_FLAG if self._sent else 0
        body = _CAN.pack(_CHANNEL, flags, len(frame.data), frame.identifier | _EXTENDED, frame.data)
        return self._add(frame.time, _FRAME, body)

    def report(self, time: int, report: ErrorReport) -> bytes:
        """Take an error frame; a controller's state has no place."""
        if not report.on_wires:
            return b""
        return self._add(time, _ERROR, _ERROR_BODY.pack(_CHANNEL, 0, 0, 0, 0, 0, 0, 0, 0, b""))

    def gap(self, gap: ListeningResumed) -> bytes:  # noqa: ARG002 - it has no place
        """Return nothing."""
        return b""

    def marker(self, marked: Marked) -> bytes:  # noqa: ARG002 - it has no place
        """Return nothing."""
        return b""

    def pending(self) -> bytes:
        """Return a container with what waits for one."""
        if not self._objects:
            return b""
        content = b"".join(self._objects)
        packed = zlib.compress(content)
        size = _OBJECT.size + _PACKING.size + len(packed)
        self._objects.clear()
        self.pending_size = 0
        padding = b"\0" * (size % 4)
        self._packed += size + len(padding)
        self._unpacked += _OBJECT.size + _PACKING.size + len(content)
        head = _OBJECT.pack(_MARK, _OBJECT.size, 1, size, _CONTAINER)
        return head + _PACKING.pack(_DEFLATED, len(content)) + packed + padding

    def _add(self, time: int, kind: int, body: bytes) -> bytes:
        size = _OBJECT.size + _TIME.size + len(body)
        head = _OBJECT.pack(_MARK, _OBJECT.size + _TIME.size, 1, size, kind)
        stamp = _TIME.pack(_NANOSECONDS, 0, 0, (time + self._shift_us) * 1000)
        self._objects.append(head + stamp + body + b"\0" * (size % 4))
        self._count += 1
        self._last = max(self._last, time)
        self.pending_size += len(self._objects[-1])
        return self.pending() if self.pending_size >= MAX_CONTAINER_BYTES else b""

    def _head(self, end: int | None) -> bytes:
        started = self._started
        ended = started + timedelta(microseconds=end) if started is not None and end is not None else None
        sizes = (self._packed, self._unpacked, self._count, 0)
        return _FILE_HEADER.pack(b"LOGG", _FILE_HEADER.size, *_PROGRAM, *sizes, *_date(started), *_date(ended))


def _date(moment: datetime | None) -> tuple[int, ...]:
    """Return a date as the head has it: UTC, the weekday from Sunday on; zeros for none."""
    if moment is None:
        return (0,) * 8
    at = moment.astimezone(UTC)
    day = (at.year, at.month, at.isoweekday() % 7, at.day)
    return (*day, at.hour, at.minute, at.second, at.microsecond // 1000)

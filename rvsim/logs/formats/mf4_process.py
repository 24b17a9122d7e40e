"""Run as a process of its own: writes the frames of a measurement file (.mf4) to stdout, as `mf4` reads them.

Knows: which channel groups contain CAN frames, and their fields (ASAM MDF Bus Logging; the names as the reader of
python-can 4.6 has them in can/io/mf4.py). It is a process of its own because the package asammdf crashes on some
damaged files (seen with 8.8.28), prints tracebacks, and takes 3 s to import.
"""

import heapq
import logging
import struct
import sys
from collections.abc import Iterator
from typing import Any, BinaryIO

RECORDS_AT_ONCE = 1 << 14
"""Frames that are read at once."""
RECORD = struct.Struct("<qLBBBB8s")
"""One frame: time in microseconds since the start, identifier, channel, kind, extended, length, data."""
NO_CHANNEL = 255
START, DATA, FD, ERROR, REMOTE, END = range(6)
"""The kinds of records. The first has the start as its time, in microseconds since the epoch; the last has no content.
"""
NO_FRAMES = "a measurement without CAN frames: log the bus, not only signals of it"
IMPOSSIBLE_TIME = 1 << 62
"""Stands for a time that is none."""
_MAX_SECONDS = 1e12
_GROUPS = {"CAN_DataFrame": DATA, "CAN_ErrorFrame": ERROR, "CAN_RemoteFrame": REMOTE}
_EXTENDED = 0x8000_0000


def write_frames(path: str, out: BinaryIO) -> None:
    """Write all frames of a file in the order of time.

    Raises:
        Exception: of any type, where the package cannot read it.
    """
    from asammdf import MDF

    logging.disable()
    measurement = MDF(path)
    out.write(RECORD.pack(round(measurement.header.start_time.timestamp() * 1_000_000), 0, 0, START, 0, 0, b""))
    groups = []
    for number, group in enumerate(measurement.groups):
        names = {channel.name for channel in group.channels}
        name = next((name for name in _GROUPS if name in names), None)
        if name is not None:
            groups.append(_group(measurement, number, group.channel_group.cycles_nr, name))
    if not groups:
        raise ValueError(NO_FRAMES)
    for _, record in heapq.merge(*groups, key=lambda timed: timed[0]):
        out.write(record)
    out.write(RECORD.pack(0, 0, 0, END, 0, 0, b""))


def _group(measurement: Any, number: int, count: int, name: str) -> Iterator[tuple[int, bytes]]:
    """Yield the records of one channel group, each with its time."""
    for start in range(0, count, RECORDS_AT_ONCE):
        part = measurement.get(name, number, record_offset=start, record_count=RECORDS_AT_ONCE, raw=True)
        rows = part.samples
        fields = {field.removeprefix(f"{name}."): rows[field] for field in rows.dtype.names}
        empty = [None] * len(rows)
        data = [bytes(row[:8]) for row in fields["DataBytes"]] if "DataBytes" in fields else [b""] * len(rows)
        lengths = fields.get("DataLength", fields.get("DLC"))
        columns = [
            empty if column is None else column.tolist()
            for column in (fields.get("BusChannel"), fields.get("ID"), fields.get("IDE"), lengths, fields.get("EDL"))
        ]
        for time, content, channel, identifier, extended, length, is_fd in zip(
            part.timestamps.tolist(), data, *columns, strict=True
        ):
            at = round(time * 1_000_000) if abs(time) < _MAX_SECONDS else IMPOSSIBLE_TIME
            raw = identifier or 0
            is_extended = bool(raw & _EXTENDED if extended is None else extended)
            kind = FD if is_fd else _GROUPS[name]
            bus = NO_CHANNEL if channel is None else min(channel, NO_CHANNEL - 1)
            size = min(length or 0, 255)
            yield at, RECORD.pack(at, raw & ~_EXTENDED, bus, kind, is_extended, size, content)


if __name__ == "__main__":
    sys.unraisablehook = lambda _: None  # a measurement that could not be opened complains when it is collected
    try:
        write_frames(sys.argv[1], sys.stdout.buffer)
    except Exception as error:  # of any type: the package reads the file as it is, damage included
        sys.stdout.buffer.flush()
        sys.exit(" ".join(str(error).split())[:80] or type(error).__name__)

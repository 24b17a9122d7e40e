"""Candump text in columns.

Knows: the usual lines of candump text. Does not know files. Only lines that ``CandumpReader`` reads as a data frame or
as an error message have a layout.
"""

import re
from collections.abc import Iterator
from functools import lru_cache

from rvsim.logs.columns_read.entry_columns import EntryTable
from rvsim.logs.columns_read.layouts import Fields, Layout, ReadLines
from rvsim.logs.columns_read.line_chunks import LineChunk
from rvsim.logs.columns_read.text_columns import enter_frames
from rvsim.logs.formats.entry import ERROR_FLAG, EntryKind, SkippedEntry
from rvsim.wire.error_report import linux_report

_COMPACT = re.compile(
    rb"\((?P<whole>\d{1,11})\.(?P<fraction>\d{1,24})\) (?P<channel>\S+) "
    rb"(?P<identifier>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?P<data>(?:[0-9A-Fa-f]{2}){0,8})(?P<suffix>(?: [RT])?\r?\n)"
)
_SCREEN = re.compile(
    rb"\s*(?:\((?P<whole>\d{1,11})\.(?P<fraction>\d{1,24})\)\s+)?(?P<channel>\S+)\s+(?:[RT]X\s+\S\s+\S\s+)?"
    rb"(?P<identifier>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})\s+\[(?P<length>[0-8])\]\s+"
    rb"(?P<data>(?:[0-9A-Fa-f]{2}(?: [0-9A-Fa-f]{2}){0,7})?)\s*\n"
)


class CandumpForm:
    """What the lines of candump text are made of."""

    def state(self) -> None:
        """No line says anything about later ones."""

    def fields(self, line: bytes) -> Fields | None:
        """Return where the fields of a data frame or an error message are."""
        found = _COMPACT.fullmatch(line)
        if not found:
            return _screen_fields(line)
        return Fields(
            whole=found.span("whole"),
            fraction=found.span("fraction"),
            identifier=found.span("identifier"),
            data=found.span("data"),
            length=0,
            channel=found["channel"],
            end=found.start("data"),
            is_standard=len(found["identifier"]) == 3,
            is_open=True,
            suffix=found["suffix"],
        )

    def leave(self, lines: Iterator[bytes]) -> None:
        """No line counts from another one."""

    def enter(self, chunk: LineChunk, layout: Layout, read: ReadLines, table: EntryTable) -> None:  # noqa: ARG002
        """Enter the data frames, and error messages, which have a flag in their identifiers."""
        rows, frames = read
        is_error = frames.identifiers & ERROR_FLAG != 0
        if is_error.any():
            _enter_errors(ReadLines(rows[is_error], frames.rows(is_error)), layout.fields.channel, table)
            rows, frames = rows[~is_error], frames.rows(~is_error)
        enter_frames(layout, ReadLines(rows, frames), table)


def _screen_fields(line: bytes) -> Fields | None:
    """Return where the fields of a line as on the screen are; it may have no time."""
    found = _SCREEN.fullmatch(line)
    if not found or len(found["data"].split()) != int(found["length"]):
        return None
    return Fields(
        whole=found.span("whole") if found["whole"] else (0, 0),
        fraction=found.span("fraction") if found["whole"] else (0, 0),
        identifier=found.span("identifier"),
        data=found.span("data"),
        length=int(found["length"]),
        channel=found["channel"],
        end=len(line),
        is_standard=len(found["identifier"]) == 3,
        step=3,
    )


def _enter_errors(read: ReadLines, channel: bytes | None, table: EntryTable) -> None:
    """Enter error messages; equal ones, which are many, are read once."""
    import numpy as np

    rows, frames = read
    messages = np.empty(len(rows), [("identifier", "<u4"), ("data", ">u8")])
    messages["identifier"], messages["data"] = frames.identifiers, frames.data
    keys = messages.view("V12").tolist()
    different = list(dict.fromkeys(keys))
    numbers = {key: number for number, key in enumerate(different)}
    codes = np.fromiter(map(numbers.__getitem__, keys), np.int64, len(keys))
    meaning = [_error(key) for key in different]
    table.set_others(rows, frames.times, table.names.number(channel), codes, meaning.__getitem__)


@lru_cache(maxsize=1 << 12)
def _error(message: bytes) -> SkippedEntry:
    """Return what an error message says: four bytes of its identifier, the lowest first, and its data."""
    report = linux_report(int.from_bytes(message[:4], "little"), message[4:])
    return SkippedEntry(None, EntryKind.ERROR, None, report=report)

"""Comma-separated values in columns.

Knows: the usual rows in python-can's seven columns. Does not know files. Only rows that ``CsvReader`` reads as a data
frame have a layout.
"""

import re
from collections.abc import Iterator

from rvsim.logs.columns_read.entry_columns import EntryTable
from rvsim.logs.columns_read.layouts import Fields, Layout, ReadLines, same_but_times
from rvsim.logs.columns_read.line_chunks import LineChunk
from rvsim.logs.columns_read.text_columns import enter_frames
from rvsim.logs.formats.entry import error_entry

_ROW = re.compile(
    rb"(?P<whole>\d{1,11})\.(?P<fraction>\d{1,24}),(?:0x)?(?P<identifier>[0-9A-Fa-f]{1,8}),(?P<extended>[01]),0,0,"
    rb"(?P<length>[0-8]),(?P<data>[0-9A-Za-z+/]*(?P<fill>={0,2}))\r?\n"
)
_ERROR = re.compile(rb"(\d{1,11})\.(\d{1,24}),(?:0x)?[0-9A-Fa-f]+,[01],[01],1,\d{1,2},[0-9A-Za-z+/]*={0,2}\r?\n")


class CsvForm:
    """What the rows are made of."""

    def state(self) -> None:
        """No row says anything about later ones."""

    def fields(self, line: bytes) -> Fields | None:
        """Return where the fields of a data frame are."""
        if error := _ERROR.fullmatch(line):
            return same_but_times(error.span(1), error.span(2), error_entry(None, None), len(line))
        found = _ROW.fullmatch(line)
        if not found:
            return None
        length = int(found["length"])
        if (len(found["data"]), len(found["fill"])) != (-(-length // 3) * 4, -length % 3):
            return None
        return Fields(
            whole=found.span("whole"),
            fraction=found.span("fraction"),
            identifier=found.span("identifier"),
            data=found.span("data"),
            length=length,
            channel=None,
            end=len(line),
            is_standard=found["extended"] == b"0",
            step=0,
        )

    def leave(self, lines: Iterator[bytes]) -> None:
        """No line counts from another one."""

    def enter(self, chunk: LineChunk, layout: Layout, read: ReadLines, table: EntryTable) -> None:  # noqa: ARG002
        """Enter the frames."""
        enter_frames(layout, read, table)

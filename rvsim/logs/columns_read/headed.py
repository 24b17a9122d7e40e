"""Text logs whose head describes their lines (.asc and .trc) in columns.

Knows: the usual lines of both formats. Does not know files. Only lines that the reader of the format reads as a data
frame have a layout.
"""

import re
from collections.abc import Hashable, Iterator

from rvsim.logs.columns_read.entry_columns import EntryTable
from rvsim.logs.columns_read.layouts import Fields, Layout, ReadLines, same_but_times
from rvsim.logs.columns_read.line_chunks import LineChunk
from rvsim.logs.columns_read.text_columns import enter_frames
from rvsim.logs.formats.entry import SkippedEntry
from rvsim.logs.formats.headed_text import AscReader, TrcReader

_STEP = 3
"""Characters from one data byte to the next."""
_BLANKS = b" \t\n\r\v\f"
_ASC_FRAME = re.compile(
    rb"\s*(?P<whole>\d{1,11})\.(?P<fraction>\d{1,9})\s+(?P<channel>\d+)\s+(?P<identifier>[0-9A-F]{1,8})(?P<mark>x?)\s+"
    rb"[rt]x\s+d\s+(?P<length>[0-8])(?P<data>(?: [0-9A-F]{2}){0,8})\s",
    re.I,
)
_ASC_ERROR = re.compile(rb"\s*(\d{1,11})\.(\d{1,9})\s+\d+\s+errorframe(?:\s.*)?", re.I | re.DOTALL)
_TRC_NUMBER = re.compile(rb"(\d+)\)?")
_TRC_TIME = re.compile(rb"(\d{1,11})(?:\.(\d{1,24}))?")
_HEXADECIMAL = re.compile(rb"[0-9A-Fa-f]{1,8}")
_PAIR = re.compile(rb"[0-9A-Fa-f]{2}")
_STANDARD_DIGITS = 4
"""An identifier of so many digits or fewer has 11 bits, in .trc."""


class AscForm:
    """What the lines of an .asc log are made of."""

    def __init__(self, reader: AscReader) -> None:
        self._reader = reader
        self._was_relative = False

    def state(self) -> Hashable:
        """Return the head so far."""
        return self._reader.head

    def fields(self, line: bytes) -> Fields | None:
        """Return where the fields of a data frame are; None where numbers are decimal or times are steps."""
        _, is_decimal, is_relative = self._reader.head
        if is_relative:
            return None
        if error := _ASC_ERROR.fullmatch(line):
            entry = AscReader().read(line)
            assert isinstance(entry, SkippedEntry)
            return same_but_times(error.span(1), error.span(2), entry, len(line))
        found = None if is_decimal else _ASC_FRAME.match(line)
        if not found or (found.end("data") - found.start("data")) // _STEP < int(found["length"]):
            return None
        length = int(found["length"])
        start = found.start("data") + (length > 0)  # behind the blank
        end = start + max(0, _STEP * length - 1)
        if line[end : end + 1] not in {*map(bytes, zip(_BLANKS))}:
            return None
        return Fields(
            whole=found.span("whole"),
            fraction=found.span("fraction"),
            identifier=found.span("identifier"),
            data=(start, end),
            length=length,
            channel=found["channel"],
            end=end,
            is_standard=not found["mark"],
            step=_STEP,
            is_whole=False,
            followed_by=_BLANKS,
        )

    def leave(self, lines: Iterator[bytes]) -> None:
        """Let the reader count from the last line with a time, in case the next lines do so."""
        if not self._was_relative:
            any(map(self._reader.continue_from, lines))
        self._was_relative = self._reader.head[2]

    def enter(self, chunk: LineChunk, layout: Layout, read: ReadLines, table: EntryTable) -> None:  # noqa: ARG002
        """Enter the frames."""
        enter_frames(layout, read, table)


class TrcForm:
    """What the lines of a .trc log are made of."""

    def __init__(self, reader: TrcReader) -> None:
        self._reader = reader

    def state(self) -> Hashable:
        """Return the origin, and the position of each column."""
        return self._reader.origin, tuple(self._reader.columns.items())

    def fields(self, line: bytes) -> Fields | None:
        """Return where the fields of a data frame are."""
        column, parts = self._reader.columns, list(re.finditer(rb"\S+", line))
        needed = max([self._reader.length_column, *(place for name, place in column.items() if name != "D")])
        if not column or line.startswith(b";") or len(parts) <= needed or not line.endswith(b"\n"):
            return None
        texts = [part[0] for part in parts]
        kind = texts[column["T"]] if "T" in column else texts[column["d"]] if "d" in column else b"DT"
        number, time = _TRC_NUMBER.fullmatch(texts[0]), _TRC_TIME.fullmatch(texts[column["O"]])
        identifier, length, data = texts[column["I"]], texts[self._reader.length_column], texts[column["D"] :]
        first, time_at = parts[0].start(), parts[column["O"]].start()
        if not (
            number
            and time
            and self._reader.is_data_type(kind)
            and _HEXADECIMAL.fullmatch(identifier)
            and length == b"%d" % len(data)
            and len(data) <= 8
            and all(map(_PAIR.fullmatch, data))
        ):
            return None
        places = [part.start() for part in parts[column["D"] :]]
        start = places[0] if places else len(line)
        if places != [start + _STEP * place for place in range(len(places))]:
            return None
        return Fields(
            whole=(time_at, time_at + time.end(1)),
            fraction=(time_at + time.start(2), time_at + time.end(2)) if time[2] else (0, 0),
            identifier=parts[column["I"]].span(),
            data=(start, start + _STEP * len(data) - 1) if data else (start, start),
            length=len(data),
            channel=texts[column["B"]] if "B" in column else None,
            end=len(line),
            is_standard=len(identifier) <= _STANDARD_DIGITS,
            power=3,
            step=_STEP,
            number=(first, first + number.end(1)),
        )

    def leave(self, lines: Iterator[bytes]) -> None:
        """No line counts from another one."""

    def enter(self, chunk: LineChunk, layout: Layout, read: ReadLines, table: EntryTable) -> None:  # noqa: ARG002
        """Enter the frames."""
        enter_frames(layout, read, table)

"""Captured logs as frames: what a log is, which format it has, and what in it could not be read.

Knows: how a format is recognised by its content, and how to count. Does not know what frames mean. Nothing in a log
stops the reading; what is no frame is counted, what could not be read is told by its place.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from rvsim.errors import InputError
from rvsim.logs.read_blf import KIND as BLF_KIND
from rvsim.logs.read_blf import MAGIC as BLF_MAGIC
from rvsim.logs.read_blf import Blf
from rvsim.logs.read_entry import Entry, Found, LineReader, Skip, UnreadableError
from rvsim.logs.read_headed import Asc, Trc
from rvsim.logs.read_source import LONGEST_LINE, Source, lines
from rvsim.logs.read_text import Candump, CommaSeparated, JsonLines
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent, LogEnded, OtherFrame, OtherKind, TimeWentBack

FORMATS: tuple[type[LineReader], ...] = (JsonLines, CommaSeparated, Candump, Trc, Asc)
"""The text formats, in the order in which they are tried."""
TOLD = 100
"""How many unreadable places are kept; all are counted."""
LOOKED_AT = 1 << 16
"""Bytes in which a log has to show its format."""
STEP = 1_000_000
"""Microseconds: a time that goes back by more is no late frame but a clock that was set (our choice, as in
`edge.port`)."""
RECORDER = "the recording adapter"
"""Whose state and counters a log tells."""
FIRST_DATE = 631_152_000 * 1_000_000
"""1990-01-01 in microseconds since the epoch: an earlier time is no date but counted from some start (python-can draws
the same line in can/io/blf.py)."""


@dataclass(frozen=True)
class Statistics:
    """What was found in a log so far."""

    frames: int
    """Frames given: classic data frames with 29-bit identifiers."""
    skipped: dict[str, int]
    """How many entries of other kinds: 11-bit, remote, error, FD, event."""
    steps_back: int
    """How often a time is up to a second earlier than the one before it; such frames got the time before."""
    clock_set_count: int
    """How often the clock was set back by more; from there on times go on from the one before."""
    clock_sets: tuple[tuple[int, int], ...]
    """The first places of these, as in ``unreadable``, and by how many microseconds each went back."""
    untimed: int
    """Frames without a time of their own; they were given that of the entry before."""
    unreadable: tuple[tuple[int, str], ...]
    """The first places that could not be read, and why: the line, in .blf the byte at which a container starts."""
    unreadable_count: int
    first: int | None
    """Time of the first frame as the log counts, in microseconds: what to add to get its own times back, as far as no
    time went back."""
    started: int | None
    """The same in microseconds since the epoch; None where the log has only relative times."""
    channels: tuple[str, ...]
    """Channels as the log names them, in the order in which they came up."""


class Log:
    """One captured log, read once from beginning to end; close it, or use it in a ``with`` block."""

    def __init__(
        self,
        name: str,
        kind: str,
        source: Source,
        reader: "LineReader | Blf | None",
        blocks: Iterator[bytes],
        file: BinaryIO | None,
    ) -> None:
        self.name = name
        self.kind = kind
        self._source, self._reader, self._blocks, self._file = source, reader, blocks, file
        self._frames = self._steps_back = self._untimed = self._unreadable_count = 0
        self._skipped: Counter[str] = Counter()
        self._unreadable: list[tuple[int, str]] = []
        self._clock_sets: list[tuple[int, int]] = []
        self._clock_set_count = 0
        self._first: int | None = None
        self._origin = 0
        self._shift = 0  # what to add to the log's own times
        self._before = 0  # the own time of the entry before
        self._last = 0
        self._channels: dict[bytes | None, None] = {}

    def frames(self) -> Iterator[Frame]:
        """Go through the frames alone, as ``contents`` gives them."""
        return (one for one in self.contents() if type(one) is Frame)

    def contents(self) -> Iterator[Frame | LineEvent]:
        """Go through frames, and what else is told of the wires and the times, in the order of the file.

        Times are microseconds since the log's first frame of any kind and never go back: where the log's own do so by
        up to a second, a frame gets the time before it; where they do by more, somebody has set a clock, and they go on
        from the time before. The second call gives nothing more.
        """
        where = 0
        for where, found in self._entries():
            if isinstance(found, Entry):
                time, identifier, data, channel = found
                self._frames += 1
                self._channels[channel] = None
                if time is None:
                    self._untimed += 1
                elif back := self._goes_on(where, time):
                    yield TimeWentBack(self._last, back, self._place(where))
                yield Frame(self._last, identifier, data)
            elif found:
                yield from self._pass_over(where, found)
        if self._source.broken:
            yield from self._pass_over(where + 1, UnreadableError(self._source.broken))
        if where:
            yield LogEnded(self._last)
        self.close()

    def _pass_over(self, where: int, found: Skip | UnreadableError) -> Iterator[LineEvent]:
        """Count what is no frame, keep its place where it could not be read, and return what it tells of the wires."""
        if isinstance(found, UnreadableError):
            self._unreadable_count += 1
            if len(self._unreadable) < TOLD:
                self._unreadable.append((where, str(found)))
            return
        self._skipped[found.kind] += 1
        self._channels[found.channel] = None
        if found.time is not None and (back := self._goes_on(where, found.time)):
            yield TimeWentBack(self._last, back, self._place(where))
        if found.bits:
            yield OtherFrame(self._last, OtherKind(found.kind), found.bits)
        if found.report is not None:
            yield from found.report.events(self._last, RECORDER)

    def _place(self, where: int) -> str:
        return f"byte {where}" if isinstance(self._reader, Blf) else f"line {where}"

    def _goes_on(self, where: int, time: int) -> int:
        """Take in the own time of an entry; return by how much it goes back, 0 as a rule."""
        if self._first is None:
            self._first = time
            self._shift = -time
            self._origin = self._reader.origin if self._reader else 0
        back = self._last - (time + self._shift)
        if back > STEP:
            self._shift += back
            self._clock_set_count += 1
            if len(self._clock_sets) < TOLD:
                self._clock_sets.append((where, back))
        elif time < self._before:
            self._steps_back += 1
            back = self._before - time
        else:
            back = 0
        self._before = time
        self._last = max(self._last, time + self._shift)
        return back

    def _entries(self) -> Iterator[tuple[int, Found | UnreadableError]]:
        if isinstance(self._reader, Blf):
            return _by_object(self._reader, self._blocks, self._source)
        return _by_line(self._reader, self._blocks, self._source) if self._reader else iter(())

    @property
    def statistics(self) -> Statistics:
        """What was found so far; all of it once the frames have come to their end."""
        started = None if self._first is None else self._origin + self._first
        return Statistics(
            frames=self._frames,
            skipped=dict(self._skipped),
            steps_back=self._steps_back,
            clock_set_count=self._clock_set_count,
            clock_sets=tuple(self._clock_sets),
            untimed=self._untimed,
            unreadable=tuple(self._unreadable),
            unreadable_count=self._unreadable_count,
            first=self._first,
            started=started if started is not None and started >= FIRST_DATE else None,
            channels=tuple(channel.decode("utf-8", "replace") for channel in self._channels if channel is not None),
        )

    def close(self) -> None:
        """Close the file, unless the caller opened it."""
        if self._file:
            self._file.close()

    def __enter__(self) -> "Log":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def open_log(path_or_file: Path | BinaryIO, name: str = "-") -> Log:
    """Open a captured log and recognise its format by its first bytes; ``name`` is for a file that is already open.

    An empty log is one without frames.

    Raises:
        InputError: it is missing, a folder, not readable, or no log of a known format.
    """
    opened: BinaryIO | None = None
    if isinstance(path_or_file, Path):
        name, opened = str(path_or_file), _opened(path_or_file)
        path_or_file = opened
    source = Source(path_or_file)
    head, kind, reader = _recognised(source.blocks())
    if reader is None and head.strip():
        if opened:
            opened.close()
        raise InputError(
            f"{name}: no log of a known format: give one of {', '.join(map(_format, FORMATS))}, {BLF_KIND}"
        )
    return Log(name, kind + source.packed, source, reader, chain([head], source.blocks()), opened)


def _opened(path: Path) -> BinaryIO:
    if path.is_dir():
        raise InputError(f"{path}: a folder: name a log in it")
    try:
        return path.open("rb")
    except FileNotFoundError:
        raise InputError(f"{path}: no such file: check the name") from None
    except (OSError, ValueError) as error:  # a ValueError: a sign that no name can have
        raise InputError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})") from None


def _format(reader: type[LineReader]) -> str:
    return reader.kind


def _recognised(blocks: Iterator[bytes]) -> tuple[bytes, str, "LineReader | Blf | None"]:
    """Return what had to be read to know the format, the format's name and a reader of it, None if it is unknown."""
    head = b""
    for block in blocks:
        head += block
        if head.startswith(BLF_MAGIC):
            return head, BLF_KIND, Blf()
        # A line that has no end yet may be a part of one, and then of any format.
        reader = _line_reader(head[: head.rfind(b"\n") + 1])
        if reader:
            return head, reader.kind, reader
        if len(head) >= LOOKED_AT:
            break
    reader = _line_reader(head)
    return head, reader.kind if reader else "empty", reader


def _line_reader(head: bytes) -> LineReader | None:
    """Return a reader of the first format that one of the lines shows."""
    for line in lines(iter([head])):
        for format_ in FORMATS:
            if format_.knows(line):
                return format_()
    return None


def _by_object(reader: Blf, blocks: Iterator[bytes], source: Source) -> Iterator[tuple[int, Found | UnreadableError]]:
    """Go through the objects of a binary log; what a cut has left of the last ones is no damage of its own."""
    for where, found in reader.entries(blocks):
        if not (source.broken and isinstance(found, UnreadableError)):
            yield where, found


def _by_line(
    reader: LineReader, blocks: Iterator[bytes], source: Source
) -> Iterator[tuple[int, Found | UnreadableError]]:
    """Go through the lines of a text log with their numbers, counted from 1; half a line at a cut is none."""
    read = reader.read
    for number, line in enumerate(lines(blocks), 1):
        if source.broken and not line.endswith(b"\n"):
            return
        try:
            if len(line) > LONGEST_LINE:
                raise UnreadableError(f"a line of more than {LONGEST_LINE} bytes")
            yield number, read(line)
        except UnreadableError as why:
            yield number, why

"""Reads captured logs: the format of a log, its frames, and what in it could not be read.

Knows: how a format is recognised by its content, and what is counted. Does not know what frames mean. Nothing in a log
stops the reading: entries that are not frames are counted, and places that could not be read are kept.
"""

import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, suppress
from copy import copy
from dataclasses import dataclass
from itertools import chain, islice
from operator import itemgetter
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, NamedTuple, Protocol

from rvsim.errors import InputError
from rvsim.logs.blocks import MAX_BLOCK_FRAMES, Block, to_blocks
from rvsim.logs.columns_read.choice import entry_columns
from rvsim.logs.columns_read.clocked import BlockBuilder, ClockedEntries, end_block
from rvsim.logs.columns_read.delta_columns import with_absolute_columns
from rvsim.logs.columns_read.entry_columns import EntryColumns
from rvsim.logs.formats.archive_logs import enter_log
from rvsim.logs.formats.blf import BlfReader
from rvsim.logs.formats.delta_times import with_absolute_times
from rvsim.logs.formats.entry import (
    BinaryReader,
    CutOffError,
    EntryKind,
    KnownLineReader,
    LineReader,
    LogEntry,
    ReadEntry,
    SkippedEntry,
    UnreadableError,
)
from rvsim.logs.formats.headed_text import AscReader, TrcReader
from rvsim.logs.formats.line_text import CandumpReader, CsvReader, JsonLinesReader
from rvsim.logs.formats.log_clock import MAX_PLACES, MIN_DATE_US, ChannelClock, LogClock
from rvsim.logs.formats.mf4 import Mf4Reader
from rvsim.logs.formats.packings import PACKINGS, UnpackError
from rvsim.logs.formats.pcap import PcapReader
from rvsim.logs.formats.pcapng import PcapngReader
from rvsim.logs.formats.slcan_text import SlcanReader
from rvsim.logs.formats.source import MAX_LINE_BYTES, ByteSource, lines, with_line_feeds
from rvsim.logs.formats.table_guess import MAX_GUESS_LINES, refusal
from rvsim.logs.formats.table_text import TableReader
from rvsim.logs.formats.zip_archive import ZIP_MARKS
from rvsim.rig.column_mapping import ColumnMapping
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent, LogEnded, TimeWentBack

FORMATS: tuple[type[KnownLineReader], ...] = (
    JsonLinesReader,
    CsvReader,
    CandumpReader,
    TrcReader,
    AscReader,
    SlcanReader,
)
"""The text formats, in the order in which they are tried."""
BINARY_FORMATS: tuple[type[BinaryReader], ...] = (BlfReader, PcapReader, PcapngReader, Mf4Reader)
"""The formats that are told by their first bytes."""
MAX_DETECTION_BYTES = 1 << 16
"""The first bytes of a log, in which its format has to be recognised."""
MAX_CHANNELS = 32
"""A log with more channels is refused, since each channel has its own watch. Our decision."""
MAX_SORTED_ENTRIES = 4_000_000
"""So many entries are held in memory where a log is sorted: some 1 GB (computed from the sizes of Python's objects)."""
CUT_OFF = "cut off"
"""The end of the reasons why a packed file ends early that are no damage in one that is still growing."""
RECORDING_ADAPTER = "the recording adapter"
"""The node whose state and counters a log has."""


@dataclass(frozen=True)
class LogStatistics:
    """What was counted in a log so far."""

    frames: int
    """Classic data frames with 29-bit identifiers."""
    skipped: dict[str, int]
    """Entries of other kinds: 11-bit, remote, error, FD, event."""
    joined: int
    """Long messages that the log has in one entry each."""
    steps_back: int
    """How often a time is up to a second earlier than the one before it; such frames were given the time before."""
    clock_set_count: int
    """How often the clock was set back by more than a second; later times continue from the time before."""
    clock_sets: tuple[tuple[int, int], ...]
    """The first of these: the place, as in ``unreadable``, and the step back in microseconds."""
    jump_count: int
    """How often a clock without a date was given one; the time across such a jump is not known, and later times
    continue from the time before."""
    jumps: tuple[tuple[int, int], ...]
    """The first of these: the place, and the step forward in microseconds."""
    before_zero: int
    """Entries with a time below zero after one that is not; they were given the time of the entry before."""
    untimed: int
    """Frames without a time; they were given the time of the entry before."""
    unreadable: tuple[tuple[int, str], ...]
    """The first places that could not be read, and why: the line, in .blf the byte at which a container starts."""
    unreadable_count: int
    first: int | None
    """The log's own time of its first frame, in microseconds. Added to the times of frames it gives the log's own times
    again, as long as no time went back."""
    started: int | None
    """The same in microseconds since the epoch; None where the log has only relative times."""
    channels: tuple[str, ...]
    """The channels as the log names them, in order of appearance."""


class ReadUpTo(NamedTuple):
    """The end of a log that was still growing."""

    time: int
    """The time of the last entry, in microseconds since the log's start."""
    byte: int
    """How many bytes of the file were read."""
    is_certain: bool
    """Whether it was seen to grow; otherwise it ends within an entry, and was written a moment ago."""


class Log:
    """One captured log, read once from beginning to end; close it, or use it in a ``with`` block.

    Each channel is a separate bus with its own clock and counts; channels are never merged.
    """

    def __init__(
        self,
        name: str,
        kind: str,
        source: ByteSource,
        reader: "LineReader | BinaryReader | None",
        blocks: Iterator[bytes],
        resources: ExitStack,
        *,
        reads_ahead: bool,
    ) -> None:
        self._reads_ahead = reads_ahead
        self.name = name
        self.kind = kind
        self._source, self._reader, self._blocks, self._resources = source, reader, blocks, resources
        self._unreadable: list[tuple[int, str]] = []
        self._unreadable_count = 0
        self._events: Counter[str] = Counter()
        self._origin: int | None = None
        self._clock = LogClock(self._origin_now)
        self._channels: dict[bytes | None, ChannelClock] = {}
        self.read_up_to: ReadUpTo | None = None
        """Up to where a log was read that was still growing; None for one that was not."""
        self.are_times_summed = False
        """Whether its times are steps from line to line, which were summed."""
        self._is_sorted = False

    def sort(self) -> None:
        """Have the entries come in the order of their own times; it is called before any of them is read.

        They are held in memory, at most ``MAX_SORTED_ENTRIES`` of them: a log with more cannot be read then.
        """
        self._is_sorted = True

    def frames(self) -> Iterator[Frame]:
        """Yield the frames of all channels in the order of the file."""
        return (entry for _, entry in self.by_channel() if type(entry) is Frame)

    def contents(self, channel: str | None = None) -> Iterator[Frame | LineEvent]:
        """Yield one channel: its frames and events of its wires and times, in the file's order.

        Raises:
            InputError: the channel is not there; or none is named and the log has several.
        """
        for name, entry in self.by_channel():
            if channel is not None and name != channel:
                continue
            if channel is None and len(self._channels) > 1:
                raise several_channels(self)
            yield entry
        if channel is not None and channel not in self.channels:
            raise no_channel(self, channel)

    def by_channel(self) -> Iterator[tuple[str, Frame | LineEvent]]:
        """Yield all channels: each frame or event with the name of its channel, empty where the log has none.

        Times are microseconds since the log's first frame of any kind, and never go back on one channel. Where the
        log's own times go back by up to a second, a frame is given the time before it; where they go back by more, a
        clock was set, and times continue from the time before. A second call yields nothing.
        """
        where = 0
        last_channel: bytes | None = b""  # no channel has this name
        clock, name = ChannelClock(self._clock), ""
        for where, found in self._entries():
            if isinstance(found, LogEntry):
                time, identifier, data, channel = found
                if channel != last_channel:
                    last_channel, clock, name = channel, self._clock_of(channel), _text(channel)
                clock.frames += 1
                if time is None:
                    clock.untimed += 1
                elif back := clock.advance(where, time):
                    yield name, TimeWentBack(clock.last, back, self._place(where))
                yield name, Frame(clock.last, identifier, data)
            elif isinstance(found, UnreadableError):
                self._count_unreadable(where, str(found))
            elif found:
                yield from self._skip(where, found)
        self._note_end(where)
        for channel, clock in self._channels.items():
            yield _text(channel), LogEnded(clock.last)
        self.close()

    def blocks(self, most: int = MAX_BLOCK_FRAMES) -> Iterator[tuple[str, Block]]:
        """Yield all channels in blocks of columns, each with the name of its channel; the same as ``by_channel``.

        A block has at most so many entries, and never more than usual where they are read one by one, since each of
        them takes much memory until it is in columns.
        """
        has_columns = self._reader is not None and not self._is_sorted
        batches = entry_columns(self._reader, self._blocks, self._source) if self._reader and has_columns else None
        if batches is None:
            return to_blocks(self.by_channel(), min(most, MAX_BLOCK_FRAMES))
        if self._may_have_deltas:
            self.are_times_summed, batches = with_absolute_columns(batches)
        return self._blocks_of(batches, BlockBuilder(most))

    def _blocks_of(self, batches: Iterator[EntryColumns], builder: BlockBuilder) -> Iterator[tuple[str, Block]]:
        """Yield the blocks of entries in columns, with the counts and the end that ``by_channel`` has."""
        clocked = ClockedEntries(self._channels, self._clock_of, self._place, RECORDING_ADAPTER)
        where = 0
        for entries in batches:
            where = entries.end
            self._origin = entries.origin
            self._unreadable += entries.unreadable[: MAX_PLACES - len(self._unreadable)]
            self._unreadable_count += entries.unreadable_count
            if entries.notes:
                self._events[EntryKind.EVENT] += entries.notes
            for channel, block in clocked.blocks(entries):
                yield from ((_text(channel), whole) for whole in builder.add(channel, block))
        self._note_end(where)
        for channel, clock in self._channels.items():
            yield from ((_text(channel), whole) for whole in builder.add(channel, end_block(clock.last)))
        yield from ((_text(channel), whole) for channel, whole in builder.rest())
        self.close()

    def _origin_now(self) -> int:
        """Return when the log's own time is zero; entries in columns have it with them, since they are read ahead."""
        if self._origin is not None:
            return self._origin
        return self._reader.origin if self._reader else 0

    def _clock_of(self, channel: bytes | None) -> ChannelClock:
        clock = self._channels.get(channel)
        if clock is None:
            if len(self._channels) >= MAX_CHANNELS:
                raise InputError(
                    f"{self.name}: more than {MAX_CHANNELS} channels: the log is damaged, or has another format"
                )
            clock = self._channels[channel] = ChannelClock(self._clock)
        return clock

    def _note_end(self, where: int) -> None:
        """Note up to where a log was read that is still growing, and why one ended early."""
        source = self._source
        if source.is_growing or source.ends_within_entry:
            last = max((clock.last for clock in self._channels.values()), default=0)
            self.read_up_to = ReadUpTo(last, source.read_bytes, is_certain=source.is_growing)
        if source.broken and not (source.is_growing and source.broken.endswith(CUT_OFF)):
            del self._unreadable[MAX_PLACES - 1 :]  # the reason of all is told in any case
            self._count_unreadable(where + 1, source.broken)
        if where and not self._channels:
            self._clock_of(None)

    def _count_unreadable(self, where: int, why: str) -> None:
        """Count a place that could not be read, and keep it if it is one of the first."""
        self._unreadable_count += 1
        if len(self._unreadable) < MAX_PLACES:
            self._unreadable.append((where, why))

    def _skip(self, where: int, found: SkippedEntry) -> Iterator[tuple[str, LineEvent]]:
        """Count an entry that is not a frame, and yield the events of the wires that it stands for."""
        if found.is_note:
            self._events[found.kind] += 1
            return
        clock, name = self._clock_of(found.channel), _text(found.channel)
        clock.count_other(found)
        if found.joined is not None:
            clock.untimed += found.time is None
        if found.time is not None and (back := clock.advance(where, found.time)):
            yield name, TimeWentBack(clock.last, back, self._place(where))
        for event in found.events(clock.last, RECORDING_ADAPTER):
            yield name, event

    def _place(self, where: int) -> str:
        return f"byte {where}" if isinstance(self._reader, BinaryReader) else f"line {where}"

    def _entries(self) -> Iterator[tuple[int, ReadEntry | UnreadableError]]:
        entries = self._entries_as_read()
        return self._in_order_of_time(entries) if self._is_sorted else entries

    def _in_order_of_time(
        self, entries: Iterator[tuple[int, ReadEntry | UnreadableError]]
    ) -> Iterator[tuple[int, ReadEntry | UnreadableError]]:
        """Yield all entries by their own times; one without a time stays behind the entry before it."""
        timed: list[tuple[int, int, ReadEntry | UnreadableError]] = []
        last = -sys.maxsize
        for where, found in entries:
            time = found.time if isinstance(found, LogEntry | SkippedEntry) else None
            last = last if time is None else time
            timed.append((last, where, found))
            if len(timed) > MAX_SORTED_ENTRIES:
                raise InputError(
                    f"{self.name}: more than {MAX_SORTED_ENTRIES} entries cannot be sorted, because all are held in "
                    "memory; cut the log into parts first"
                )
        timed.sort(key=itemgetter(0))
        return ((where, found) for _, where, found in timed)

    def _entries_as_read(self) -> Iterator[tuple[int, ReadEntry | UnreadableError]]:
        if isinstance(self._reader, BinaryReader):
            return _by_object(self._reader, self._blocks, self._source)
        if self._reader is None:
            return iter(())
        entries = _by_line(self._reader, self._blocks, self._source)
        if not self._may_have_deltas:
            return entries
        self.are_times_summed, entries = with_absolute_times(entries)
        return entries

    @property
    def _may_have_deltas(self) -> bool:
        return self._reads_ahead and isinstance(self._reader, CandumpReader | CsvReader | AscReader)

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels so far as the log names them, in order of appearance; an empty text for one without a name."""
        return tuple(_text(channel) for channel in self._channels)

    @property
    def statistics(self) -> LogStatistics:
        """What was counted so far on all channels; complete at the end of the frames."""
        return self._statistics(list(self._channels.values()))

    def statistics_of(self, channel: str) -> LogStatistics:
        """Return what was counted so far on one channel; unreadable places are those of the whole log."""
        return self._statistics([clock for name, clock in self._channels.items() if _text(name) == channel])

    def _statistics(self, clocks: Sequence[ChannelClock]) -> LogStatistics:
        first = self._clock.first
        started = None if first is None else self._clock.origin + first
        skipped = sum((clock.skipped for clock in clocks), self._events.copy())
        return LogStatistics(
            frames=sum(clock.frames for clock in clocks),
            skipped=dict(skipped),
            joined=sum(clock.joined for clock in clocks),
            steps_back=sum(clock.steps_back for clock in clocks),
            clock_set_count=sum(clock.clock_set_count for clock in clocks),
            clock_sets=tuple(place for clock in clocks for place in clock.clock_sets)[:MAX_PLACES],
            jump_count=sum(clock.jump_count for clock in clocks),
            jumps=tuple(place for clock in clocks for place in clock.jumps)[:MAX_PLACES],
            before_zero=sum(clock.before_zero for clock in clocks),
            untimed=sum(clock.untimed for clock in clocks),
            unreadable=tuple(self._unreadable),
            unreadable_count=self._unreadable_count,
            first=first,
            started=started if started is not None and started >= MIN_DATE_US else None,
            channels=tuple(_text(channel) for channel in self._channels if channel is not None),
        )

    def close(self) -> None:
        """Close the file, unless the caller opened it."""
        self._resources.close()

    def __enter__(self) -> "Log":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def _text(channel: bytes | None) -> str:
    return "" if channel is None else channel.decode("utf-8", "replace")


class HasChannels(Protocol):
    """A log, or several as one."""

    name: str

    @property
    def channels(self) -> tuple[str, ...]:
        """The names of its channels."""


def several_channels(log: HasChannels) -> InputError:
    """Return the error for a log with several channels where one has to be chosen."""
    return InputError(
        f"{log.name}: the log has the channels {', '.join(log.channels)}, each a separate bus: "
        f"choose one with --channel {log.channels[0]}"
    )


def no_channel(log: HasChannels, channel: str) -> InputError:
    """Return the error for a channel that is not in a log."""
    names = [name for name in log.channels if name]
    known = f"the log has {', '.join(names)}" if names else "the log names no channels; omit --channel"
    return InputError(f"--channel {channel}: not in {log.name}: {known}")


def open_log(
    path_or_file: Path | BinaryIO, name: str = "-", *, whole: bool = False, columns: ColumnMapping | None = None
) -> Log:
    """Open a captured log and recognise its format by its first bytes; ``name`` is for a file that is already open.

    An empty file is a log without frames. A pipe is read as it comes; only with ``whole`` are the first hundreds of its
    entries read ahead, to find whether its times are steps from line to line. In a zip archive the only file that is a
    log is read; another one is named as in ``archive.zip/file``. A table is read where ``columns`` fit its lines.

    Raises:
        InputError: it is missing, a folder, not readable, or not a log of a known format; or an archive with several.
    """
    resources = ExitStack()
    wanted = ""
    try:
        whole_name = name
        if isinstance(path_or_file, Path):
            name = str(path_or_file)
            path_or_file, whole_name, wanted = _opened(path_or_file)
            resources.callback(path_or_file.close)
        source = _source(path_or_file, whole_name)
        resources.callback(source.close)
        whole_name = enter_log(
            source, whole_name, wanted, lambda inner: _recognised(inner.blocks(), columns)[2] is not None
        )
        head, kind, reader = _recognised(source.blocks(), columns)
        if isinstance(reader, BinaryReader) and reader.needs:
            raise InputError(f"{whole_name}: {reader.needs}")
        if reader is None and head.strip():
            damage = f" ({source.broken})" if source.broken else ""
            unknown = f"not a log of a known format: give one of {_known_formats()}{damage}"
            said = refusal(list(islice(lines(with_line_feeds(iter([head]))), MAX_GUESS_LINES)), columns)
            raise InputError(*(f"{whole_name}: {text}" for text in (unknown, *said)))
    except BaseException:
        resources.close()
        raise
    blocks: Iterator[bytes] = chain([head], source.blocks())
    if not isinstance(reader, BinaryReader):
        text = reader
        blocks = source.whole_lines(with_line_feeds(blocks), lambda line: _is_entry(text, line))
    reads_ahead = whole or path_or_file.seekable()
    return Log(name, kind + source.encoding_suffix, source, reader, blocks, resources, reads_ahead=reads_ahead)


def _known_formats() -> str:
    known = ", ".join([*(text.kind for text in FORMATS), *(binary.kind for binary in BINARY_FORMATS)])
    packings = ", ".join(packing.name for packing in PACKINGS)
    return f"{known}, also packed as zip, {packings}; or a table with --columns"


def _is_entry(reader: LineReader | None, line: bytes) -> bool:
    """Tell whether a line can be read; the reader does not change."""
    try:
        if reader is not None:
            copy(reader).read(line)
    except UnreadableError:
        return False
    return True


def _source(file: BinaryIO, name: str) -> ByteSource:
    try:
        return ByteSource(file)
    except UnpackError as why:
        raise InputError(f"{name}: {why}") from None


def _opened(path: Path) -> tuple[BinaryIO, str, str]:
    """Open a file, or the zip archive that it is in; return it with its name and the name of the file in it."""
    if path.is_dir():
        raise InputError(f"{path}: a folder: name a log in it")
    try:
        return path.open("rb"), str(path), ""
    except (OSError, ValueError) as error:  # a ValueError: a character that no name can have
        if (archive := _archive_of(path)) is not None:
            return archive.open("rb"), str(archive), path.relative_to(archive).as_posix()
        if isinstance(error, FileNotFoundError):
            raise InputError(f"{path}: no such file: check the name") from None
        raise InputError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})") from None


def _archive_of(path: Path) -> Path | None:
    """Return the zip archive that a path leads into, None where it leads into none."""
    with suppress(OSError, ValueError):
        for parent in path.parents:
            if parent.is_file():
                with parent.open("rb") as file:
                    return parent if file.read(4) in ZIP_MARKS else None
    return None


def _recognised(
    blocks: Iterator[bytes], columns: ColumnMapping | None
) -> tuple[bytes, str, "LineReader | BinaryReader | None"]:
    """Return the bytes that were read, the name of the format, and a reader of it; None if the format is unknown."""
    head = b""
    for block in blocks:
        head += block
        for format_ in BINARY_FORMATS:
            if head.startswith(format_.marks):
                return head, format_.kind, format_()
        # A line without its end may be cut, and then it may be of any format.
        reader = _line_reader(head[: max(head.rfind(b"\n"), head.rfind(b"\r")) + 1], columns)
        if reader:
            return head, reader.kind, reader
        if len(head) >= MAX_DETECTION_BYTES:
            break
    reader = _line_reader(head, columns)
    return head, reader.kind if reader else "empty", reader


def _line_reader(head: bytes, columns: ColumnMapping | None) -> LineReader | None:
    """Return a reader of the first format that recognizes one of the lines; a table first, if its columns are known."""
    table = None if columns is None else TableReader(columns)
    for line in lines(with_line_feeds(iter([head]))):
        if table is not None and columns is not None and table.fits(line):
            return TableReader(columns)
        for format_ in FORMATS:
            if format_.recognizes(line):
                return format_()
    return None


def frame_in_line(text: str) -> Frame | None:
    """Return the frame in one line of a text log, with or without its line end; None where no format has such a line.

    The line stands alone: what a format says in the first lines of a log is not known, so its time may be wrong.
    """
    line = text.strip().encode("utf-8", "replace") + b"\n"
    for format_ in FORMATS:
        with suppress(UnreadableError):
            if format_.recognizes(line) and isinstance(entry := format_().read(line), LogEntry):
                return Frame(entry.time or 0, entry.identifier, entry.data)
    return None


def kind_in_line(text: str) -> EntryKind | None:
    """Return what one line of a text log has instead of a frame with 29 bits; None where no format has such a line."""
    line = text.strip().encode("utf-8", "replace") + b"\n"
    for format_ in FORMATS:
        with suppress(UnreadableError):
            entry = format_().read(line)
            if isinstance(entry, SkippedEntry) and entry.kind is not EntryKind.EVENT:
                return entry.kind
    return None


def _by_object(
    reader: BinaryReader, blocks: Iterator[bytes], source: ByteSource
) -> Iterator[tuple[int, ReadEntry | UnreadableError]]:
    """Yield the entries of a binary log; incomplete objects at the end of a cut file are not damage of their own."""
    for where, found in reader.entries(blocks):
        is_cut = isinstance(found, CutOffError) and source.excuses_end()
        if not is_cut and not (source.broken and isinstance(found, UnreadableError)):
            yield where, found


def _by_line(
    reader: LineReader, blocks: Iterator[bytes], source: ByteSource
) -> Iterator[tuple[int, ReadEntry | UnreadableError]]:
    """Yield the entries of a text log with their line numbers from 1; an incomplete line of a cut file is left out."""
    read = reader.read
    for number, line in enumerate(lines(blocks), 1):
        if source.broken and not line.endswith(b"\n"):
            return
        try:
            if len(line) > MAX_LINE_BYTES:
                raise UnreadableError(f"a line of more than {MAX_LINE_BYTES} bytes")
            yield number, read(line)
        except UnreadableError as why:
            yield number, why

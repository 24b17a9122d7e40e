"""Captured logs as frames: what a log is, which format it has, and what in it could not be read.

Knows: how a format is recognised by its content, and how to count. Does not know what frames mean. Nothing in a log
stops the reading; what is no frame is counted, what could not be read is told by its place.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from rvsim.errors import InputError
from rvsim.logs.formats.blf import KIND as BLF_KIND
from rvsim.logs.formats.blf import MAGIC as BLF_MAGIC
from rvsim.logs.formats.blf import Blf
from rvsim.logs.formats.delta_times import with_absolute_times
from rvsim.logs.formats.entry import EntryKind, Found, LineReader, LogEntry, Skip, UnreadableError
from rvsim.logs.formats.headed_text import Asc, Trc
from rvsim.logs.formats.line_text import Candump, CommaSeparated, JsonLinesReader
from rvsim.logs.formats.log_clock import FIRST_DATE, PLACES_TOLD, ChannelClock, LogClock
from rvsim.logs.formats.source import LONGEST_LINE, ByteSource, lines
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent, LogEnded, OtherFrame, OtherKind, TimeWentBack

FORMATS: tuple[type[LineReader], ...] = (JsonLinesReader, CommaSeparated, Candump, Trc, Asc)
"""The text formats, in the order in which they are tried."""
LOOKED_AT = 1 << 16
"""Bytes in which a log has to show its format."""
MAX_CHANNELS = 32
"""A log with more is no log of a known format: each has a watch of its own. Our decision."""
RECORDER = "the recording adapter"
"""Whose state and counters a log tells."""


@dataclass(frozen=True)
class LogStatistics:
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
    jump_count: int
    """How often a clock that had no date was given one: the time across it is not known, and times go on from before.
    """
    jumps: tuple[tuple[int, int], ...]
    """The first places of these, and by how many microseconds each went on."""
    before_zero: int
    """Entries with a time below zero, which no clock gives; they got the time of the entry before."""
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
    """One captured log, read once from beginning to end; close it, or use it in a ``with`` block.

    Its channels are buses of their own: each has its own clock and counts, and none is ever merged with another.
    """

    def __init__(
        self,
        name: str,
        kind: str,
        source: ByteSource,
        reader: "LineReader | Blf | None",
        blocks: Iterator[bytes],
        file: BinaryIO | None,
        looks_ahead: bool,
    ) -> None:
        self._looks_ahead = looks_ahead
        self.name = name
        self.kind = kind
        self._source, self._reader, self._blocks, self._file = source, reader, blocks, file
        self._unreadable: list[tuple[int, str]] = []
        self._unreadable_count = 0
        self._events: Counter[str] = Counter()
        self._clock = LogClock(lambda: reader.origin if reader else 0)
        self._channels: dict[bytes | None, ChannelClock] = {}
        self.are_times_summed = False
        """Whether its times were found to be steps from line to line, and were summed."""

    def frames(self) -> Iterator[Frame]:
        """Go through the frames alone, of all channels in the order of the file."""
        return (one for _, one in self.by_channel() if type(one) is Frame)

    def contents(self, channel: str | None = None) -> Iterator[Frame | LineEvent]:
        """Go through one channel: its frames, and what else is told of the wires and the times, in the file's order.

        Raises:
            InputError: the channel is not there; or none is asked for and there are several.
        """
        for name, one in self.by_channel():
            if channel is not None and name != channel:
                continue
            if channel is None and len(self._channels) > 1:
                raise several_channels(self)
            yield one
        if channel is not None and channel not in self.channels:
            raise no_channel(self, channel)

    def by_channel(self) -> Iterator[tuple[str, Frame | LineEvent]]:
        """Go through all channels: each frame or event with the name of its channel, empty where the log has none.

        Times are microseconds since the log's first frame of any kind and never go back on one channel: where the
        log's own do so by up to a second, a frame gets the time before it; where they do by more, somebody has set a
        clock, and they go on from the time before. The second call gives nothing more.
        """
        where = 0
        before: bytes | None = b""  # no channel has this name
        clock, name = ChannelClock(self._clock), ""
        for where, found in self._entries():
            if isinstance(found, LogEntry):
                time, identifier, data, channel = found
                if channel != before:
                    before, clock, name = channel, self._clock_of(channel), _text(channel)
                clock.frames += 1
                if time is None:
                    clock.untimed += 1
                elif back := clock.go_on(where, time):
                    yield name, TimeWentBack(clock.last, back, self._place(where))
                yield name, Frame(clock.last, identifier, data)
            elif isinstance(found, UnreadableError):
                self._count_unreadable(where, str(found))
            elif found:
                yield from self._pass_over(where, found)
        if self._source.broken:
            self._count_unreadable(where + 1, self._source.broken)
        if where and not self._channels:
            self._clock_of(None)
        for channel, clock in self._channels.items():
            yield _text(channel), LogEnded(clock.last)
        self.close()

    def _clock_of(self, channel: bytes | None) -> ChannelClock:
        clock = self._channels.get(channel)
        if clock is None:
            if len(self._channels) >= MAX_CHANNELS:
                raise InputError(
                    f"{self.name}: more than {MAX_CHANNELS} channels: the log is damaged, or of another format"
                )
            clock = self._channels[channel] = ChannelClock(self._clock)
        return clock

    def _count_unreadable(self, where: int, why: str) -> None:
        """Count what could not be read, and keep the first places."""
        self._unreadable_count += 1
        if len(self._unreadable) < PLACES_TOLD:
            self._unreadable.append((where, why))

    def _pass_over(self, where: int, found: Skip) -> Iterator[tuple[str, LineEvent]]:
        """Count what is no frame, and return what it tells of the wires."""
        if found.kind is EntryKind.EVENT and found.channel is None and found.report is None:
            self._events[found.kind] += 1  # what the logging program noted of no channel
            return
        clock, name = self._clock_of(found.channel), _text(found.channel)
        clock.skipped[found.kind] += 1
        if found.time is not None and (back := clock.go_on(where, found.time)):
            yield name, TimeWentBack(clock.last, back, self._place(where))
        if found.bits:
            yield name, OtherFrame(clock.last, OtherKind(found.kind), found.bits)
        if found.report is not None:
            for event in found.report.events(clock.last, RECORDER):
                yield name, event

    def _place(self, where: int) -> str:
        return f"byte {where}" if isinstance(self._reader, Blf) else f"line {where}"

    def _entries(self) -> Iterator[tuple[int, Found | UnreadableError]]:
        if isinstance(self._reader, Blf):
            return _by_object(self._reader, self._blocks, self._source)
        if self._reader is None:
            return iter(())
        entries = _by_line(self._reader, self._blocks, self._source)
        if not (self._looks_ahead and isinstance(self._reader, Candump | CommaSeparated)):
            return entries
        self.are_times_summed, entries = with_absolute_times(entries)
        return entries

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels so far as the log names them, in the order in which they came up; empty where it has no name."""
        return tuple(_text(channel) for channel in self._channels)

    @property
    def statistics(self) -> LogStatistics:
        """What was found so far on all channels; all of it once the frames have come to their end."""
        return self._statistics(list(self._channels.values()))

    def statistics_of(self, channel: str) -> LogStatistics:
        """Return what was found so far on one channel; what could not be read is that of the whole log."""
        return self._statistics([clock for name, clock in self._channels.items() if _text(name) == channel])

    def _statistics(self, clocks: Sequence[ChannelClock]) -> LogStatistics:
        first = self._clock.first
        started = None if first is None else self._clock.origin + first
        skipped = sum((clock.skipped for clock in clocks), self._events.copy())
        return LogStatistics(
            frames=sum(clock.frames for clock in clocks),
            skipped=dict(skipped),
            steps_back=sum(clock.steps_back for clock in clocks),
            clock_set_count=sum(clock.clock_set_count for clock in clocks),
            clock_sets=tuple(place for clock in clocks for place in clock.clock_sets)[:PLACES_TOLD],
            jump_count=sum(clock.jump_count for clock in clocks),
            jumps=tuple(place for clock in clocks for place in clock.jumps)[:PLACES_TOLD],
            before_zero=sum(clock.before_zero for clock in clocks),
            untimed=sum(clock.untimed for clock in clocks),
            unreadable=tuple(self._unreadable),
            unreadable_count=self._unreadable_count,
            first=first,
            started=started if started is not None and started >= FIRST_DATE else None,
            channels=tuple(_text(channel) for channel in self._channels if channel is not None),
        )

    def close(self) -> None:
        """Close the file, unless the caller opened it."""
        if self._file:
            self._file.close()

    def __enter__(self) -> "Log":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def _text(channel: bytes | None) -> str:
    return "" if channel is None else channel.decode("utf-8", "replace")


def several_channels(log: Log) -> InputError:
    """Return what is said where one channel has to be chosen."""
    return InputError(
        f"{log.name}: the log has the channels {', '.join(log.channels)}, each a bus of its own: "
        f"choose one by --channel {log.channels[0]}"
    )


def no_channel(log: Log, channel: str) -> InputError:
    """Return what is said of a channel that is not in a log."""
    named = [name for name in log.channels if name]
    there = f"the log has {', '.join(named)}" if named else "the log names no channels; leave --channel out"
    return InputError(f"--channel {channel}: not in {log.name}: {there}")


def open_log(path_or_file: Path | BinaryIO, name: str = "-", *, whole: bool = False) -> Log:
    """Open a captured log and recognise its format by its first bytes; ``name`` is for a file that is already open.

    An empty log is one without frames. A pipe is read as it comes: whether its times are steps from line to line is
    looked for only where it is read as a ``whole``, since that takes some hundred entries.

    Raises:
        InputError: it is missing, a folder, not readable, or no log of a known format.
    """
    opened: BinaryIO | None = None
    if isinstance(path_or_file, Path):
        name, opened = str(path_or_file), _opened(path_or_file)
        path_or_file = opened
    source = ByteSource(path_or_file)
    head, kind, reader = _recognised(source.blocks())
    if reader is None and head.strip():
        if opened:
            opened.close()
        raise InputError(
            f"{name}: no log of a known format: give one of {', '.join(map(_format, FORMATS))}, {BLF_KIND}"
        )
    ahead = whole or path_or_file.seekable()
    return Log(name, kind + source.packed, source, reader, chain([head], source.blocks()), opened, ahead)


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


def _by_object(
    reader: Blf, blocks: Iterator[bytes], source: ByteSource
) -> Iterator[tuple[int, Found | UnreadableError]]:
    """Go through the objects of a binary log; what a cut has left of the last ones is no damage of its own."""
    for where, found in reader.entries(blocks):
        if not (source.broken and isinstance(found, UnreadableError)):
            yield where, found


def _by_line(
    reader: LineReader, blocks: Iterator[bytes], source: ByteSource
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

"""A log to a log in another form, whole or a part of it.

Knows: how a log is read for that, and which part is written. Does not know forms, nor how a log is opened.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, TypeVar

from rvsim.errors import InputError
from rvsim.logs.block_filter import BlockFilter
from rvsim.logs.export.log_file import LOG_SUFFIXES, WITH_CHANNELS, LogFile
from rvsim.logs.export.new_file import NewFile, reworded
from rvsim.logs.merged import MergedLogs
from rvsim.logs.read import Log, several_channels
from rvsim.logs.redact import Redactor
from rvsim.runs.export import addresses
from rvsim.runs.progress import Progress, Say, counted
from rvsim.runs.selection import LogSelection, check_selected
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent


def check_log_name(path: Path) -> str:
    """Return the suffix of a log's name in lower case.

    Raises:
        InputError: it is not that of a form that can be written.
    """
    suffix = path.suffix.lower()
    if suffix not in LOG_SUFFIXES:
        known = ", ".join(LOG_SUFFIXES)
        raise InputError(f"--output {path}: the name decides the form of the log: end it in one of {known}")
    return suffix


class _SecondChannelError(Exception):
    """A log that is read in blocks has a second channel: blocks would not keep the order of their entries."""


@dataclass(frozen=True, kw_only=True)
class ConvertRequest:
    """What is written: a part of the log, the chosen devices and messages, one channel or all.

    ``devices`` has the names of devices by their addresses, by channel.
    """

    selected: LogSelection = field(default_factory=LogSelection)
    channel: str | None = None
    devices: Mapping[str, Mapping[int, str]] = field(default_factory=dict)
    redactor: Redactor | None = None
    """Makes it anonymous; None to leave it as it is."""
    in_order_of_time: bool = False
    """Whether entries come by their times, whatever their order in the log."""

    def of_channel(self, channel: str) -> BlockFilter:
        """Return what is chosen of a channel."""
        selected = self.selected
        sources = addresses(selected.devices, self.devices.get(channel, {})) if selected.devices else None
        dgns = {dgn for dgn, _ in selected.messages} or None
        return BlockFilter(selected.part.start, selected.part.end, sources, dgns)


ReadLog = TypeVar("ReadLog", Log, MergedLogs)


def convert(
    open_again: Callable[[], ReadLog],
    path: Path,
    request: ConvertRequest,
    catalogue: Catalogue,
    say: Say,
    *,
    overwrite: bool,
) -> tuple[int, ReadLog]:
    """Write the chosen entries of a log to a file; return how many frames there are, and the log as it was read.

    A log that turns out to have several channels is read once more. Several logs that are one are read entry by entry.

    Raises:
        InputError: the log has not the channel or the part, or several channels where the form has one; or the file
            cannot be written.
    """
    suffix = check_log_name(path)
    place = NewFile(path, overwrite=overwrite)
    try:
        with reworded(path):
            try:
                count, log = _write(open_again, place.temporary, suffix, request, catalogue, say, may_use_blocks=True)
            except _SecondChannelError:
                count, log = _write(open_again, place.temporary, suffix, request, catalogue, say, may_use_blocks=False)
        place.finish()
    finally:
        place.discard()
    return count, log


def _write(
    open_again: Callable[[], ReadLog],
    path: Path,
    suffix: str,
    request: ConvertRequest,
    catalogue: Catalogue,
    say: Say,
    *,
    may_use_blocks: bool,
) -> tuple[int, ReadLog]:
    with open_again() as log, path.open("wb") as file:
        written: LogFile | None = None
        chosen = _Chosen(log, request)
        if may_use_blocks and isinstance(log, Log) and not request.in_order_of_time:
            entries = chosen.by_block(log)
        else:
            if request.in_order_of_time:
                log.sort()
            entries = chosen.by_entry()
        if request.redactor is not None:
            entries = _redacted(entries, request.redactor)
        for channel, entry in counted(entries, f"frames of {log.name} written", Progress(say)):
            if written is None:
                written = _log_file(file, suffix, catalogue, log, request)
            written.write(channel, entry)
            if suffix not in WITH_CHANNELS and request.channel is None and len(log.channels) > 1:
                raise several_channels(log)
        check_selected(log, request.channel, request.selected.part, chosen.last)
        written = written or _log_file(file, suffix, catalogue, log, request)
        written.close()
    if written.lost_marks:
        moments = "1 marked moment" if written.lost_marks == 1 else f"{written.lost_marks} marked moments"
        say(f"left out with their notes: {moments}; {suffix} has no place for them, .jsonl has")
    return written.frames, log


def _redacted(
    entries: Iterator[tuple[str, Frame | LineEvent]], redactor: Redactor
) -> Iterator[tuple[str, Frame | LineEvent]]:
    for channel, entry in entries:
        yield redactor.name("bus", channel), redactor.entry(entry, channel)


def _log_file(
    file: BinaryIO, suffix: str, catalogue: Catalogue, log: Log | MergedLogs, request: ConvertRequest
) -> LogFile:
    statistics, name = log.statistics, log.name
    if request.redactor is not None:
        name = request.redactor.name("log", name)
    return LogFile(file, suffix, catalogue, name=name, started=statistics.started, first=statistics.first or 0)


class _Chosen:
    """The chosen entries of a log, each with its channel; ``last`` is the time of the last entry that was read."""

    def __init__(self, log: Log | MergedLogs, request: ConvertRequest) -> None:
        self._log, self._request = log, request
        self.last = 0

    def by_block(self, log: Log) -> Iterator[tuple[str, Frame | LineEvent]]:
        """Yield those of a log with one channel, or of the requested one."""
        request = self._request
        only: str | None = None
        for channel, block in log.blocks():
            if request.channel is not None and channel != request.channel:
                continue
            if only is not None and channel != only:
                raise _SecondChannelError
            only = channel
            self.last = max(self.last, *block.frames.times[-1:].tolist(), *(event.time for _, event in block.events))
            for entry in request.of_channel(channel).of(block).entries():
                yield channel, entry

    def by_entry(self) -> Iterator[tuple[str, Frame | LineEvent]]:
        """Yield those of all channels in the order of the log."""
        filters: dict[str, BlockFilter] = {}
        for channel, entry in self._log.by_channel():
            self.last = max(self.last, entry.time)
            chosen = filters.get(channel)
            if chosen is None:
                chosen = filters[channel] = self._request.of_channel(channel)
            if chosen.has(entry):
                yield channel, entry

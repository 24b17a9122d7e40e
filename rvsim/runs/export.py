"""Logs to tables: each log is read, decoded, and written table by table in blocks.

Knows: which tables there are, what each needs (names of devices and flags come from a survey, which reads a log once
more), and how the rows of messages are gathered. Does not know forms of files, nor how logs are opened. Memory does not
grow with a log.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from operator import itemgetter

from rvsim.logs.block_filter import BlockFilter
from rvsim.logs.blocks import MAX_BLOCK_FRAMES, Block
from rvsim.logs.decoded import ColumnDecoder, MessageColumns
from rvsim.logs.export.destination import Destination
from rvsim.logs.export.log_tables import FramesTable, LogPart, MessageTable
from rvsim.logs.export.long_message_table import LongMessageReader, LongMessageTable
from rvsim.logs.export.readings_table import ReadingsTable
from rvsim.logs.export.survey_tables import device_rows, devices_table, flag_rows, flags_table
from rvsim.logs.export.table import joined
from rvsim.logs.read import Log
from rvsim.logs.survey import Survey, SurveyedTime, survey_blocks
from rvsim.rig.model import Rig
from rvsim.runs.progress import Progress, Say, counted_blocks
from rvsim.runs.selection import LogSelection, check_selected
from rvsim.wire.catalogue import Catalogue

READINGS, MESSAGES, LONG_MESSAGES, FRAMES, FLAGS, DEVICES = TABLES = (
    "readings",
    "messages",
    "long_messages",
    "frames",
    "flags",
    "devices",
)
"""The tables; ``messages`` is a folder with one table for each message."""
SURVEYED = (FLAGS, DEVICES)
MAX_WAITING_FRAMES = 1 << 15
"""Frames of one message that are gathered before they are written. With four times as many, files are 30 % smaller and
take as much time of the processors, but shorter logs are written only when all is read. Our decision."""
MAX_ALL_WAITING_FRAMES = 1 << 20
"""Frames of all messages that are gathered; above it those of the most frequent one are written. Our decision."""
MAX_READINGS_FRAMES = 3 * MAX_BLOCK_FRAMES
"""Frames of a block whose readings are written by their entries: each field has a fixed cost, whatever its rows. With a
third as many, the thread that reads took 1.5 times as long, in three quarters of the memory. Our decision."""
_ADDRESS = "address "


@dataclass(frozen=True, kw_only=True)
class ExportRequest:
    """What is exported: tables by their names, the part of the logs, and one channel or all."""

    tables: Sequence[str]
    selected: LogSelection = field(default_factory=LogSelection)
    channel: str | None = None

    @property
    def needs_survey(self) -> bool:
        """Whether a table needs a survey, whatever the rig."""
        return any(table in SURVEYED for table in self.tables)


class Export:
    """Writes tables of logs to one destination."""

    def __init__(
        self, request: ExportRequest, catalogue: Catalogue, rig: Rig | None, destination: Destination, *, logs: int
    ) -> None:
        self._request, self._catalogue, self._rig, self._destination = request, catalogue, rig, destination
        with_log = logs > 1
        self._with_log = with_log
        tables = request.tables
        self._readings = ReadingsTable(catalogue, with_log=with_log) if READINGS in tables else None
        self._frames = FramesTable(catalogue, with_log=with_log) if FRAMES in tables else None
        self._most = MAX_READINGS_FRAMES if self._readings and destination.keeps_entries else MAX_BLOCK_FRAMES
        self._long = LongMessageTable(catalogue, with_log=with_log) if LONG_MESSAGES in tables else None
        self._messages = _Messages(destination, with_log=with_log) if MESSAGES in tables else None
        self._flags = flags_table(with_log=with_log) if FLAGS in tables else None
        self._devices = devices_table(with_log=with_log) if DEVICES in tables else None
        dgns = {dgn for dgn, _ in request.selected.messages} or None
        self._dgns = dgns
        self._decoder = ColumnDecoder(catalogue, dgns) if self._readings or self._messages else None
        begun = [made.table for made in (self._readings, self._long, self._frames) if made]
        for table in (*begun, self._flags, self._devices):
            if table is not None:
                destination.start(table)

    @property
    def reads_twice(self) -> bool:
        """Whether each log is read twice: a survey comes first where devices are named or flags are written."""
        return self._rig is not None or self._request.needs_survey

    def add(self, open_again: Callable[[], Log], say: Say) -> Log:
        """Export one log, and return it as it was read.

        Raises:
            InputError: the log cannot be read, has not the channel or the part, or the destination cannot be written.
        """
        surveys = self._surveys(open_again, say) if self.reads_twice else {}
        progress, request = Progress(say), self._request
        frames = last = 0
        started_at: dict[str, int | None] = {}
        readers: dict[str, LongMessageReader] = {}
        with open_again() as log:
            name = log.name if self._with_log else None
            for channel, block in log.blocks(self._most):
                if request.channel is not None and channel != request.channel:
                    continue
                started_at[channel] = log.statistics.started
                devices = planned_devices(surveys.get(channel))
                reader = readers.setdefault(channel, LongMessageReader())
                self._add_block(block, LogPart(name, channel, log.statistics.started, devices), reader)
                frames += len(block.frames)
                last = max(last, int(block.frames.times[-1]) if len(block.frames) else 0)
                progress.update(lambda: f"{frames} frames of {log.name} exported")  # noqa: B023 - called at once
        check_selected(log, request.channel, request.selected.part, last)
        for channel, found in surveys.items():
            self._add_survey(request.selected.of(found), name, channel, started_at.get(channel))
        return log

    def finish(self) -> None:
        """Write the rows that are still gathered."""
        if self._messages:
            self._messages.write_all()

    def _surveys(self, open_again: Callable[[], Log], say: Say) -> Mapping[str, Survey]:
        request = self._request
        return surveyed(open_again, self._catalogue, self._rig, request.selected.part, request.channel, say)

    def _add_survey(self, found: Survey, log: str | None, channel: str, started: int | None) -> None:
        if self._flags is not None:
            self._destination.write(self._flags, flag_rows(found, log, channel, started))
        if self._devices is not None:
            self._destination.write(self._devices, device_rows(found, log, channel, started))

    def _add_block(self, block: Block, part: LogPart, reader: LongMessageReader) -> None:
        selected = self._request.selected
        sources = addresses(selected.devices, part.devices) if selected.devices else None
        chosen = BlockFilter(selected.part.start, selected.part.end, sources, self._dgns)
        if self._long:
            found = [message for message in reader.of(block) if chosen.has(message.as_frame)]
            if found:
                self._destination.write(self._long.table, self._long.rows(found, part))
        frames = chosen.of(Block(block.frames)).frames
        if not len(frames):
            return
        if self._frames:
            self._destination.write(self._frames.table, self._frames.rows(frames, part))
        messages = list(self._decoder.decode(frames)) if self._decoder else []
        if self._readings:
            self._destination.write(self._readings.table, self._readings.rows(messages, part))
        if self._messages:
            for message in messages:
                self._messages.add(message, part)


class _Messages:
    """Gathers the frames of each message, so that its file has few and large pieces."""

    def __init__(self, destination: Destination, *, with_log: bool) -> None:
        self._destination, self._with_log = destination, with_log
        self._tables: dict[int, MessageTable] = {}
        self._waiting: dict[int, list[tuple[LogPart, MessageColumns]]] = {}
        self._lengths: dict[int, int] = {}

    def add(self, message: MessageColumns, part: LogPart) -> None:
        """Add the frames of a message; one that is known by name only has no table."""
        if not message.decoders:
            return
        dgn = message.dgn
        self._waiting.setdefault(dgn, []).append((part, message))
        self._lengths[dgn] = self._lengths.get(dgn, 0) + len(message)
        if self._lengths[dgn] >= MAX_WAITING_FRAMES:
            self._write(dgn)
        elif sum(self._lengths.values()) >= MAX_ALL_WAITING_FRAMES:
            self._write(max(self._lengths, key=self._lengths.__getitem__))

    def write_all(self) -> None:
        """Write all that waits."""
        for dgn in list(self._waiting):
            self._write(dgn)

    def _write(self, dgn: int) -> None:
        del self._lengths[dgn]
        waiting = self._waiting.pop(dgn)
        if dgn not in self._tables:
            first = waiting[0][1]
            self._tables[dgn] = MessageTable(first.spec, instance_field=first.instance_field, with_log=self._with_log)
        table = self._tables[dgn]
        pieces = []
        for part, same_part in groupby(waiting, key=itemgetter(0)):
            first, *later = (message for _, message in same_part)
            pieces.append(table.rows(first.followed_by(later), part))
        self._destination.write(table.table, joined(pieces), MESSAGES)


def surveyed(
    open_again: Callable[[], Log],
    catalogue: Catalogue,
    rig: Rig | None,
    part: SurveyedTime,
    channel: str | None,
    say: Say,
) -> Mapping[str, Survey]:
    """Return the surveys of a log's channels, or of one of them."""
    progress = Progress(say)
    with open_again() as log:
        blocks = (entry for entry in log.blocks() if channel is None or entry[0] == channel)
        return survey_blocks(counted_blocks(blocks, f"frames of {log.name} surveyed", progress), catalogue, rig, part)


def planned_devices(found: Survey | None) -> dict[int, str]:
    """Return the names of planned devices by address; an address from which several were heard has no name."""
    heard: dict[int, set[str]] = {}
    for source in found.sources if found else ():
        for line in source.devices:
            if line.planned:
                heard.setdefault(source.address, set()).add(line.device)
    return {address: next(iter(names)) for address, names in heard.items() if len(names) == 1}


def addresses(wanted: Sequence[str], devices: Mapping[int, str]) -> set[int]:
    """Return the addresses of devices, which are planned names or ``address 9C hex``."""
    named = {address for address, name in devices.items() if name in wanted}
    return named | {int(text.split()[1], 16) for text in wanted if text.startswith(_ADDRESS)}

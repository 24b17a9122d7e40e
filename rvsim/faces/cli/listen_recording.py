"""What `listen` records, put together from its options: files, disk space, and what is made anonymous.

Knows: the options of a recording, and the lines about it. Does not know a bus, nor how a file is written.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rvsim.faces.cli.exits import say
from rvsim.logs.around_flags import AroundFlags
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.long_recording import LongRecording
from rvsim.logs.record import Recorder
from rvsim.logs.redact import RedactingWriter, Redactor
from rvsim.runs.pipeline import FrameWriter
from rvsim.wire.catalogue import Catalogue


@dataclass(frozen=True, kw_only=True)
class RecordingOptions:
    """How a bus is recorded."""

    every_us: int | None = None
    """The time after which a new file begins; None for no limit."""
    max_bytes: int | None = None
    """The size that no file exceeds; None for no limit."""
    redact: bool = False
    """Whether it is made anonymous."""
    around_us: int | None = None
    """How long is kept before and after each flag; None for everything."""
    keep_unknown: bool = False
    """Whether the data of unknown messages stay nevertheless."""


def lost_gap_lines(path: Path, *, keeps_gaps: bool) -> Iterator[str]:
    """Yield a line where a recording around flags has no place for what is left out."""
    if not keeps_gaps:
        yield (
            f"--record-around-flags: {path.suffix} has no place for what is left out, so that a survey of "
            "the recording finds a quiet bus there; .jsonl keeps it"
        )


AS_IT_IS = RecordingOptions()
"""One file without a limit, with everything that comes."""


class ListenRecording:
    """What is recorded of a bus.

    Args:
        path: where it is recorded.
        catalogue: the message definitions.
        started: the moment of time 0.
        options: in which files, and whether it is made anonymous.
        bus: the name of the bus in the first line of the files.
        name: the name of its channel.
        waits: whether the interface is waited for, so that there may be gaps.

    Raises:
        InputError: a file cannot be written, or too little of the disk is free.
    """

    def __init__(
        self,
        path: Path,
        catalogue: Catalogue,
        started: datetime,
        options: RecordingOptions,
        *,
        bus: str,
        name: str,
        waits: bool,
    ) -> None:
        self._path, self._options, self._waits = path, options, waits
        self.say: Callable[..., None] = say
        """Takes the line that tells that the recording stopped."""
        self._redactor = Redactor(catalogue, keep_unknown=options.keep_unknown) if options.redact else None
        if self._redactor is not None:
            bus, name = self._redactor.name("bus", bus), self._redactor.name("bus", bus)
        start = start_line("listen", bus=bus, scenario=None, seed=None, started=started.isoformat())

        def make(path: Path, *, new: bool) -> Recorder:
            return Recorder(path, catalogue, start=start, channel=name, sent=False, dated=True, new=new, syncs=True)

        self.files = LongRecording(
            path,
            make,
            started=started,
            say=lambda line: self.say(line),
            every_us=options.every_us,
            max_bytes=options.max_bytes,
        )
        self.around = None if options.around_us is None else AroundFlags(self.files, options.around_us)
        """Keeps what is around flags, None where everything is kept."""
        kept = self.files if self.around is None else self.around
        self.writer: FrameWriter = kept if self._redactor is None else RedactingWriter(kept, self._redactor)

    def opening_lines(self) -> Iterator[str]:
        """Yield what to know of the recording before it begins."""
        if self.around is not None:
            yield from lost_gap_lines(self._path, keeps_gaps=self.files.keeps_gaps)
        if self._waits and not self.files.keeps_gaps:
            yield (
                f"--record {self._path}: this format has no place for a gap of the listening, so that a "
                "survey of it finds a quiet bus there; .jsonl keeps the gaps"
            )

    def closing_lines(self) -> Iterator[str]:
        """Yield where it was recorded and what was made anonymous."""
        if self.around is not None:
            yield self.around.closing_line
        paths = self.files.paths
        if len(paths) > 1:
            yield f"recorded in {len(paths)} files, from {paths[0]} to {paths[-1].name}"
        elif self._options.every_us is not None or self._options.max_bytes is not None:
            yield f"recorded in {paths[0]}"
        if self._redactor is not None:
            yield from self._redactor.closing_lines()
        if self.files.has_stopped:
            yield "the recording stopped before the end: too little of its disk is free"

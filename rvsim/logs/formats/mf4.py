"""The reader of measurement files with bus logging (.mf4, ASAM MDF 4).

Knows: how the frames come from `mf4_process`, which reads the file with the package asammdf: an extra, 150 to 220 MB
with what it needs (measured). Does not know the file's layout. The file is copied, since asammdf goes back and forth in
it.
"""

import subprocess
import sys
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import ClassVar

from rvsim.logs.formats import mf4_process
from rvsim.logs.formats.entry import (
    BinaryReader,
    EntryKind,
    LogEntry,
    ReadEntry,
    SkippedEntry,
    UnreadableError,
    checked_identifier,
    checked_time,
    error_entry,
    other_frame,
)
from rvsim.logs.formats.mf4_process import END, ERROR, FD, NO_CHANNEL, NO_FRAMES, RECORD, REMOTE, START

READ_BYTES = RECORD.size << 12


class Mf4Reader(BinaryReader):
    """Reads one measurement; ``origin`` is its start in microseconds since the epoch."""

    kind: ClassVar[str] = "measurement with bus logging (.mf4)"
    marks: ClassVar[tuple[bytes, ...]] = (b"MDF     4.", b"UnFinMF 4.")

    def __init__(self) -> None:
        self.origin = 0
        if find_spec("asammdf") is None:
            self.needs = f"a {self.kind}: asammdf is missing, which reads such files: pip install asammdf"

    def entries(self, blocks: Iterator[bytes]) -> Iterator[tuple[int, ReadEntry | UnreadableError]]:
        """Yield each entry with its number from 1, and what of the file could not be read."""
        with TemporaryDirectory(prefix="rvsim") as folder:
            copy, said = Path(folder, "log.mf4"), Path(folder, "said.txt")
            with copy.open("wb") as file:
                file.writelines(blocks)
            command = [sys.executable, "-P", mf4_process.__file__, str(copy)]
            with said.open("wb") as errors, subprocess.Popen(command, stdout=subprocess.PIPE, stderr=errors) as process:
                number, is_whole = 0, False
                try:
                    for record in _records(process):
                        number += 1
                        if record[3] == END:
                            is_whole = True
                        elif record[3] == START:
                            self.origin = record[0]
                        else:
                            yield number - 1, _entry(*record)
                finally:
                    process.kill()
            if not is_whole:
                yield max(number, 1), _damage(said)


def _records(process: "subprocess.Popen[bytes]") -> Iterator[tuple[int, int, int, int, int, int, bytes]]:
    assert process.stdout is not None
    held = b""
    while block := process.stdout.read1(READ_BYTES):  # type: ignore[attr-defined]  # it is buffered
        held += block
        whole = len(held) // RECORD.size * RECORD.size
        yield from RECORD.iter_unpack(held[:whole])
        held = held[whole:]


def _damage(said: Path) -> UnreadableError:
    """Return why the file was not read to its end: what the process said last."""
    lines = said.read_text(encoding="utf-8", errors="replace").split("\n")
    last = next((line.strip() for line in reversed(lines) if line.strip()), "it ended the reading program")
    if last == NO_FRAMES:
        return UnreadableError(NO_FRAMES)
    return UnreadableError(f"the file is damaged, or of an unknown form ({last})")


def _entry(
    time: int, identifier: int, bus: int, kind: int, extended: int, length: int, data: bytes
) -> ReadEntry | UnreadableError:
    channel = None if bus == NO_CHANNEL else b"%d" % bus
    try:
        at = checked_time(time)
        if kind == ERROR:
            return error_entry(at, channel)
        if kind == FD:
            return SkippedEntry(at, EntryKind.FD, channel)
        if kind == REMOTE:
            return other_frame(at, channel, identifier, bool(extended), length)
        data = data[: min(length, len(data))]
        if extended:
            return LogEntry(at, checked_identifier(identifier), data, channel)
        return other_frame(at, channel, identifier, False, data)
    except UnreadableError as why:
        return why

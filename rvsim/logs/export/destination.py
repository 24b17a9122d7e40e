"""Where tables are written: one file, or a folder with a file for each table. What is not complete is not there.

Knows: which suffix stands for which form, and what may be replaced. Does not know what a table is about. A file is
written under a temporary name beside its own, and gets its own when it is complete, and so is a folder; after an error,
or Ctrl-C, only what was there before is left.
"""

import os
import shutil
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from functools import partial
from io import RawIOBase
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, cast

from rvsim.errors import InputError
from rvsim.logs.export.arrow_tables import ArrowWriter, ParquetWriter, check_pyarrow
from rvsim.logs.export.new_file import NewFile, check_name, check_parent, hidden, reworded
from rvsim.logs.export.placed import PlacedRows, TableWriter
from rvsim.logs.export.placed_parquet import PlacedParquetWriter
from rvsim.logs.export.table import Table, TableRows
from rvsim.logs.export.text_file import CsvWriter, JsonLinesWriter
from rvsim.processors import usable_processors
from rvsim.thread_turns import short_turns


def _parquet_writer(table: Table, file: BinaryIO) -> ParquetWriter | PlacedParquetWriter:
    return (PlacedParquetWriter if table.is_placed else ParquetWriter)(table, file)


TABLE_FORMS: dict[str, Callable[[Table, BinaryIO], Any]] = {
    "parquet": _parquet_writer,
    "csv": CsvWriter,
    "jsonl": JsonLinesWriter,
    "arrow": ArrowWriter,
}
"""The writer of each form, by the suffix without its dot."""
_WITH_PYARROW = ("parquet", "arrow")
_MAX_WRITTEN_AT_ONCE = 2
"""The tables that are written at the same time, if more processors are there: packing takes longer than all else, and
other threads go on. With two processors it is one, so that the thread that reads, which takes longer still, has one of
its own. Our decision."""
_MAX_PENDING = 4
"""The tables of which a piece of rows is held, because it is being written or waits for that; so the thread that reads
waits less at the end, when a piece of every table comes. Our decision."""
_SWITCH_S = 0.0002
"""How long a thread that writes waits at most for the one that reads, because only one of them can run Python at a
time. Python's usual 5 ms are longer than most pieces take to be packed. Our decision."""
_MAX_HELD_BYTES = 1 << 20
"""Bytes of a table that are held back: pyarrow writes a file in many small parts. Our decision."""


class Destination:
    """A file or a folder that is being written; use it in a ``with`` block, which leaves it complete or as it was.

    Args:
        path: the file, or the folder where ``is_folder``.
        form: one of `TABLE_FORMS`.
        overwrite: replace files that are there.

    Raises:
        InputError: something is there, the place cannot be written, or pyarrow is missing.
    """

    def __init__(self, path: Path, form: str, *, is_folder: bool, overwrite: bool) -> None:
        if form in _WITH_PYARROW:
            check_pyarrow(f".{form}")
        self.path, self.is_folder = path, is_folder
        self._form, self._overwrite = form, overwrite
        self._tables: dict[str, _OpenTable] = {}
        self._threads = ThreadPoolExecutor(max(1, min(_MAX_WRITTEN_AT_ONCE, usable_processors() - 1)))
        """They write rows while the next ones are read."""
        self._turns = ExitStack()
        self._pending: dict[str, Future[None]] = {}
        """What is being written, by the name of its table."""
        self._file = None if is_folder else NewFile(path, overwrite=overwrite)
        if self._file is None:
            check_name(path)
            with reworded(path):
                self._check_folder()
                check_parent(path)
                self._target = path.resolve()
                self._temporary = hidden(self._target)
                self._temporary.mkdir()

    def _check_folder(self) -> None:
        """Refuse what must not be replaced."""
        path = self.path
        if path.exists() and not path.is_dir():
            raise InputError(f"--output {path}: a file: name a folder, or a file with a suffix")
        if path.exists() and any(path.iterdir()) and not self._overwrite:
            raise InputError(f"--output {path}: the folder is not empty: name another one, or add --overwrite")

    @property
    def keeps_entries(self) -> bool:
        """Whether placed rows are written by their entries, so that many rows take hardly more memory than few."""
        return self._form == "parquet"

    def write(self, table: Table, rows: TableRows | PlacedRows, folder: str = "") -> None:
        """Write rows of a table, which must not change any more.

        In a folder the table's file is named as the table, and may stand in a folder of its own.

        Raises:
            InputError: the disk is full, or the place cannot be written; also for rows that were handed over before.
        """
        name = _name_of(table, folder)
        with reworded(self.path):
            write = self._open(table, folder).prepare(rows)
            self._wait(name)
            while len(self._pending) >= _MAX_PENDING:
                self._wait(next(iter(self._pending)))
            self._pending[name] = self._threads.submit(write)

    def _wait(self, name: str) -> None:
        """Wait until what was handed over of a table is written."""
        pending = self._pending.pop(name, None)
        if pending is not None:
            pending.result()

    def start(self, table: Table) -> None:
        """Begin a table, so that it is there even if it has no rows."""
        with reworded(self.path):
            self._open(table, "")

    def _open(self, table: Table, folder: str) -> "_OpenTable":
        name = _name_of(table, folder)
        if name not in self._tables:
            path = self._file.temporary if self._file else self._temporary / f"{name}.{self._form}"
            path.parent.mkdir(exist_ok=True)
            self._tables[name] = _OpenTable(TABLE_FORMS[self._form], table, path)
        return self._tables[name]

    @property
    def written(self) -> dict[str, int]:
        """The number of rows of each table, by its name with its folder."""
        return {name: table.rows for name, table in self._tables.items()}

    def __enter__(self) -> "Destination":
        self._turns.enter_context(short_turns(_SWITCH_S))
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        try:
            if kind is None:
                with reworded(self.path):
                    for name in list(self._pending):
                        self._wait(name)
                    for table in self._tables.values():
                        table.close()
                    self._move()
        finally:
            self._threads.shutdown()
            self._turns.close()
            for table in self._tables.values():
                table.discard()
            if self._file:
                self._file.discard()
            else:
                shutil.rmtree(self._temporary, ignore_errors=True)

    def _move(self) -> None:
        """Give everything its own name."""
        if self._file:
            self._file.finish()
            return
        self._check_folder()
        self._target.mkdir(exist_ok=True)
        for name in self._tables:
            place = self._target / f"{name}.{self._form}"
            place.parent.mkdir(exist_ok=True)
            os.replace(self._temporary / f"{name}.{self._form}", place)


def _name_of(table: Table, folder: str) -> str:
    return f"{folder}/{table.name}" if folder else table.name


class _OpenTable:
    """One table that is being written, and how many rows it has."""

    def __init__(self, writer: Callable[[Table, BinaryIO], Any], table: Table, path: Path) -> None:
        path.open("xb").close()
        self._file = _AppendedFile(path)
        self._writer: TableWriter = writer(table, cast(BinaryIO, self._file))
        self.rows = 0

    def prepare(self, rows: TableRows | PlacedRows) -> Callable[[], None]:
        return partial(self._write, self._writer.prepare(rows), rows.length)

    def _write(self, write: Callable[[], None], length: int) -> None:
        if length:
            write()
            self._file.flush()
            self.rows += length

    def close(self) -> None:
        self._writer.close()
        self._file.flush()

    def discard(self) -> None:
        self._file.discard()


class _AppendedFile(RawIOBase):
    """A file that is open only while something is written to it: there may be more tables than files can be open.

    Bytes are held back until there are many of them, or until ``flush``.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._held = bytearray()
        self._is_discarded = False

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        if not self._is_discarded:
            self._held += data
            if len(self._held) >= _MAX_HELD_BYTES:
                self.flush()
        return len(data)

    def flush(self) -> None:
        """Write what was held back."""
        if self._held:
            held, self._held = self._held, bytearray()
            with self._path.open("ab") as file:
                file.write(held)

    def discard(self) -> None:
        """Write nothing any more: a library may write the end of its file when its writer is freed."""
        self._is_discarded = True
        self._held.clear()

"""Chooses the reader in columns for a log.

Knows: which formats have one. Does not know what is in a log.
"""

from collections.abc import Callable, Iterator
from functools import cache
from typing import Any

from rvsim.logs.columns_read.blf_columns import BlfColumns
from rvsim.logs.columns_read.candump import CandumpForm
from rvsim.logs.columns_read.csv_rows import CsvForm
from rvsim.logs.columns_read.entry_columns import EntryColumns
from rvsim.logs.columns_read.headed import AscForm, TrcForm
from rvsim.logs.columns_read.json_lines import JsonForm
from rvsim.logs.columns_read.line_chunks import text_parts
from rvsim.logs.columns_read.text_columns import LineForm, TextColumns
from rvsim.logs.formats.blf import BlfReader
from rvsim.logs.formats.entry import BinaryReader, LineReader
from rvsim.logs.formats.headed_text import AscReader, TrcReader
from rvsim.logs.formats.line_text import CandumpReader, CsvReader, JsonLinesReader
from rvsim.logs.formats.source import ByteSource

_FORMS: dict[type[LineReader], Callable[[Any], LineForm]] = {
    CandumpReader: lambda _: CandumpForm(),
    CsvReader: lambda _: CsvForm(),
    JsonLinesReader: JsonForm,
    AscReader: AscForm,
    TrcReader: TrcForm,
}
"""What the lines of each text format are made of, by its reader."""
_KEPT_BYTES = 1 << 24
"""Memory that is freed while a log is read, and kept for the next arrays; twice as much at most. Our decision."""


def entry_columns(
    reader: LineReader | BinaryReader, blocks: Iterator[bytes], source: ByteSource
) -> Iterator[EntryColumns] | None:
    """Return the entries of a log in columns; None for a format that is only read entry by entry."""
    _keep_freed_memory()
    if isinstance(reader, BlfReader):
        return BlfColumns(reader, blocks, source).batches()
    if isinstance(reader, BinaryReader) or type(reader) not in _FORMS:
        return None
    form = _FORMS[type(reader)](reader)
    return TextColumns(reader, form, text_parts(blocks, source)).batches()


@cache
def _keep_freed_memory() -> None:
    """Let the C library keep memory that is freed, as far as it is glibc; others take no notice.

    glibc returns a freed array of this size to the system, and from then on keeps all that is smaller (mallopt(3):
    M_MMAP_THRESHOLD). Without this the arrays of each chunk are new memory, which the system has to clear page by page:
    a fifth of the time of reading. The array itself is never filled, so it takes no memory.
    """
    import numpy as np

    np.empty(_KEPT_BYTES, np.uint8)

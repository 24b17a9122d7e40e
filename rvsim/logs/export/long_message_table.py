"""The table of long messages: one row for each message of more than eight bytes, whole.

Knows: how packets become a message (`LongMessageListener`), and messages that the writer of a log put together. Does
not know files, nor who is a device: names are handed in. A message has the time of its last packet.
"""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

from rvsim.logs.blocks import Block
from rvsim.logs.export.log_tables import LogPart, shared_columns
from rvsim.logs.export.table import (
    ColumnKind,
    Integers,
    Table,
    TableColumn,
    TableRows,
    Texts,
    integer_list,
    number_list,
    text_list,
)
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import DGN_LIMIT, GLOBAL_ADDRESS, split_identifier
from rvsim.wire.line_events import JoinedMessage
from rvsim.wire.texts import PRODUCT_IDENTIFICATION, SOFTWARE_IDENTIFICATION, text_fields
from rvsim.wire.transfer.listener import LongMessageListener
from rvsim.wire.transfer.outcomes import LongMessage
from rvsim.wire.transfer.packets import CONNECTION_MANAGEMENT, DATA_TRANSFER

if TYPE_CHECKING:
    from numpy import intp
    from numpy.typing import NDArray

_TEXTS = (PRODUCT_IDENTIFICATION, SOFTWARE_IDENTIFICATION)
_GROUP_BITS = 0x3FF00
"""The bits of a DGN without its low byte."""


class WholeMessage(NamedTuple):
    """One long message. ``destination`` is None for one to all; ``taken`` are the microseconds from its request or its
    announcement to its last packet, None where the log has it in one line."""

    time: int
    dgn: int
    source: int
    destination: int | None
    data: bytes
    taken: int | None

    @property
    def as_frame(self) -> Frame:
        """A frame with what a filter asks of one: time, source and DGN."""
        return Frame(self.time, self.dgn % DGN_LIMIT << 8 | self.source, b"")


class LongMessageReader:
    """Finds the long messages of one channel, block by block."""

    def __init__(self) -> None:
        self._listener = LongMessageListener()

    def of(self, block: Block) -> Iterator[WholeMessage]:
        """Yield the messages that are complete in a block, in order of time."""
        events = ((before, event) for before, event in block.events if isinstance(event, JoinedMessage))
        event = next(events, None)
        packets = self._packets(block)
        for place, frame in zip(packets.tolist(), block.frames.rows(packets).frames(), strict=True):
            while event is not None and event[0] <= place:
                yield _of_line(event[1])
                event = next(events, None)
            for found in self._listener.receive(*frame):
                if isinstance(found, LongMessage):
                    yield _of_packets(found)
        while event is not None:
            yield _of_line(event[1])
            event = next(events, None)

    def _packets(self, block: Block) -> "NDArray[intp]":
        """Return the places of the frames that long messages travel in."""
        import numpy as np

        groups = block.frames.identifiers >> np.uint32(8) & np.uint32(_GROUP_BITS)
        return np.flatnonzero((groups == CONNECTION_MANAGEMENT) | (groups == DATA_TRANSFER))


def _of_packets(message: LongMessage) -> WholeMessage:
    source, destination, dgn, data, started, ended = message
    return WholeMessage(
        ended, dgn, source, None if destination == GLOBAL_ADDRESS else destination, data, ended - started
    )


def _of_line(event: JoinedMessage) -> WholeMessage:
    parts = split_identifier(event.identifier)
    destination = None if parts.destination == GLOBAL_ADDRESS else parts.destination
    return WholeMessage(event.time, parts.dgn, parts.source, destination, event.data, None)


class LongMessageTable:
    """The table of long messages, with their bytes, and the text of those that are texts."""

    def __init__(self, catalogue: Catalogue, *, with_log: bool) -> None:
        self._catalogue = catalogue
        text, integer = ColumnKind.TEXT, ColumnKind.INTEGER
        self.table = Table(
            "long_messages",
            (
                *shared_columns(with_log=with_log),
                TableColumn("dgn", text),
                TableColumn("message", text),
                TableColumn("destination", integer),
                TableColumn("duration", ColumnKind.NUMBER),
                TableColumn("length", integer),
                TableColumn("bytes", text),
                TableColumn("text", text),
            ),
        )

    def rows(self, messages: Sequence[WholeMessage], part: LogPart) -> TableRows:
        """Return the rows of messages of one channel."""
        import numpy as np

        times = np.array([message.time for message in messages], np.int64)
        sources = np.array([message.source for message in messages], np.uint8)
        taken = [None if message.taken is None else message.taken / SECOND_US for message in messages]
        return TableRows(
            len(messages),
            {
                **part.shared(times, sources),
                "dgn": text_list([f"{message.dgn:05X}" for message in messages]),
                "message": self._names(messages),
                "destination": integer_list([message.destination for message in messages]),
                "duration": number_list(taken),
                "length": Integers(np.array([len(message.data) for message in messages], np.int64)),
                "bytes": text_list([message.data.hex().upper() for message in messages]),
                "text": text_list([_text(message) for message in messages]),
            },
        )

    def _names(self, messages: Sequence[WholeMessage]) -> Texts:
        specs = (self._catalogue.by_dgn(message.dgn) for message in messages)
        return text_list([spec.name if spec else None for spec in specs])


def _text(message: WholeMessage) -> str | None:
    """Return the fields of a message that is a text, None of any other."""
    if message.dgn not in _TEXTS:
        return None
    return "*".join(text_fields(message.data)) or None

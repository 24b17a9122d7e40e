"""Decodes blocks of a log: the frames of each message together, and each of its fields as arrays.

Knows: how frames are grouped by their DGN, and where source, destination, instance and DSA are. Does not know formats
of logs, devices, nor rules. Equal to `MessageSpec.decode` and `Layout.topic` for each frame.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple
from weakref import WeakKeyDictionary

from rvsim.logs.blocks import Block
from rvsim.logs.columns import Columns
from rvsim.logs.distinct_readings import distinct_readings
from rvsim.logs.field_columns import FieldColumn, FieldDecoder, Payloads
from rvsim.rig.functions import MAX_INSTANCE
from rvsim.watch.decode import Decoder, Layout
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.ident import DGN_LIMIT, is_addressed
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from numpy import float64, int16, int64, intp, uint8, uint16, uint32
    from numpy.typing import NDArray

NONE = -1
"""In arrays of instances and DSAs: the frame has none."""


class SignalKey(NamedTuple):
    """One field of one sender; ``instance`` and ``dsa`` are None where the message has none, or no valid one."""

    dgn: int
    source: int
    instance: int | None
    dsa: int | None
    field: str


class TopicRows(NamedTuple):
    """The frames of one message from one source with one instance or DSA."""

    source: int
    instance: int | None
    dsa: int | None
    places: "NDArray[intp]"
    """Their places in the arrays of the `MessageColumns`, in order."""


@dataclass(frozen=True, eq=False)
class MessageColumns:
    """The frames of one message in a block, from all sources. All arrays have one entry for each frame, in order."""

    spec: MessageSpec
    rows: "NDArray[intp]"
    """The places of the frames in the block."""
    payloads: Payloads
    _frames: "Columns | _InOrder"
    """The frames that ``_places`` selects from."""
    _places: slice
    _layout: Layout
    _decoders: Mapping[str, FieldDecoder]
    _columns: dict[str, FieldColumn] = field(default_factory=dict, init=False)

    def __len__(self) -> int:
        return len(self.rows)

    @cached_property
    def times(self) -> "NDArray[int64]":
        """In microseconds."""
        return self._frames.times[self._places]

    @cached_property
    def identifiers(self) -> "NDArray[uint32]":
        """The identifiers."""
        return self._frames.identifiers[self._places]

    @property
    def dgn(self) -> int:
        """The DGN of the message."""
        return self.spec.dgn

    @cached_property
    def fields(self) -> Mapping[str, FieldColumn]:
        """The fields by their names, in the order of the definition; empty where a message is known by name only."""
        return {name: self.column(name) for name in self._decoders}

    @property
    def decoders(self) -> Mapping[str, FieldDecoder]:
        """The decoder of each field by its name, in the order of the definition."""
        return self._decoders

    def column(self, name: str) -> FieldColumn:
        """Return one of the fields; of a message with many fields this takes less time than all of them."""
        found = self._columns.get(name)
        if found is None:
            found = self._columns[name] = FieldColumn(self._decoders[name], self.payloads)
        return found

    @cached_property
    def sources(self) -> "NDArray[uint8]":
        """The source addresses."""
        import numpy as np

        return self.identifiers.astype(np.uint8)

    @cached_property
    def destinations(self) -> "NDArray[uint8] | None":
        """The destination addresses; None for a message to all."""
        import numpy as np

        return (self.identifiers >> np.uint32(8)).astype(np.uint8) if is_addressed(self.dgn) else None

    @cached_property
    def distinct_instances(self) -> "tuple[NDArray[int16], NDArray[intp] | None]":
        """Each instance of at least one frame, and the place of each frame's among them; None where all have the one.

        They are as ``instances``; one may be there more than once.
        """
        import numpy as np

        field = self._layout.instance
        if field is None:
            return np.full(1, NONE, np.int16), None
        readings, places = distinct_readings(self.column(field.name))
        is_valid = (readings.states == 0) & (readings.raws <= MAX_INSTANCE) & (readings.raws >= 0)
        return np.where(is_valid, readings.raws, NONE).astype(np.int16), places

    @cached_property
    def instances(self) -> "NDArray[int16]":
        """The instances; -1 where the message has none, or the frame no valid one."""
        import numpy as np

        instances, places = self.distinct_instances
        return np.repeat(instances, len(self)) if places is None else instances.take(places)

    @cached_property
    def dsas(self) -> "NDArray[int16]":
        """The default source addresses of heartbeats; -1 in other messages and in frames that are too short."""
        import numpy as np

        place = self._layout.key_slice.start
        if self._layout.instance is not None or place >= 8:
            return np.full(len(self), NONE, np.int16)
        dsas = self.payloads.ordered[:, place].astype(np.int16)
        dsas[self.payloads.lengths <= place] = NONE
        return dsas

    @property
    def instance_field(self) -> str | None:
        """The name of the field of the instance, which is no reading; None where the message has none."""
        return self._layout.instance.name if self._layout.instance else None

    def followed_by(self, later: "Sequence[MessageColumns]") -> "MessageColumns":
        """Return the frames of this message in several blocks as one; ``rows`` are still those in each block."""
        import numpy as np

        if not later:
            return self
        parts = [self, *later]
        frames = Columns(
            np.concatenate([part.times for part in parts]),
            np.concatenate([part.identifiers for part in parts]),
            np.concatenate([part.payloads.data for part in parts]),
            np.concatenate([part.payloads.lengths for part in parts]),
        )
        rows = np.concatenate([part.rows for part in parts])
        payloads = Payloads(frames.data, frames.lengths)
        return MessageColumns(self.spec, rows, payloads, frames, slice(None), self._layout, self._decoders)

    def topics(self) -> list[TopicRows]:
        """Divide the frames by source, and by instance or DSA, in the order of these."""
        import numpy as np

        key: NDArray[int64 | uint16]
        has_dsa = self._layout.instance is None and self._layout.key_slice.start < 8
        apart = self.dsas if has_dsa else self.instances
        if has_dsa:
            key = self.sources.astype(np.int64) << 9 | apart + 1
        else:  # instances end at 250, so 255 is free for none; numbers of 16 bits are sorted fastest
            key = self.sources.astype(np.uint16) << 8 | apart.astype(np.uint8)
        if not len(key):
            return []
        if (key == key[0]).all():
            pieces = [np.arange(len(key))]
        else:
            order = key.argsort(kind="stable")
            pieces = np.split(order, np.flatnonzero(np.diff(key[order])) + 1)
        topics = []
        for piece in pieces:
            first = int(piece[0])
            value = int(apart[first])
            known = None if value == NONE else value
            topics.append(
                TopicRows(int(self.sources[first]), None if has_dsa else known, known if has_dsa else None, piece)
            )
        return topics


class _InOrder:
    """Frames in another order; what nobody asks for is not put in order."""

    def __init__(self, frames: Columns, order: "NDArray[intp]") -> None:
        self._frames, self._order = frames, order

    @cached_property
    def times(self) -> "NDArray[int64]":
        return self._frames.times.take(self._order)

    @cached_property
    def identifiers(self) -> "NDArray[uint32]":
        return self._frames.identifiers.take(self._order)


_KNOWN: "WeakKeyDictionary[Catalogue, dict[int, tuple[Layout, Mapping[str, FieldDecoder]]]]" = WeakKeyDictionary()
"""The layouts and decoders of messages, by their DGN: their tables take longer than a log of some thousand frames."""


class ColumnDecoder:
    """Decodes blocks of frames. What it needs of each message is kept as long as the catalogue.

    Args:
        catalogue: the message definitions.
        dgns: decode these messages only; all that are defined if None.
    """

    def __init__(self, catalogue: Catalogue, dgns: Collection[int] | None = None) -> None:
        import numpy as np

        self._decoder = Decoder(catalogue)
        self._dgns = [dgn for dgn in catalogue.dgns if dgns is None or dgn in dgns]
        # The fewer bits a number has, the faster it is sorted.
        self._numbers = np.zeros(DGN_LIMIT, np.min_scalar_type(len(self._dgns)))
        self._numbers[self._dgns] = np.arange(1, len(self._dgns) + 1)
        for dgn in filter(is_addressed, self._dgns):
            self._numbers[dgn : dgn + 0x100] = self._numbers[dgn]
        self._known = _KNOWN.setdefault(catalogue, {})

    def decode(self, frames: Columns) -> Iterator[MessageColumns]:
        """Yield the messages of a block that have a definition, by their place in the catalogue."""
        import numpy as np

        if not len(frames):
            return
        numbers = self._numbers.take(frames.identifiers >> 8 & 0x3FFFF)
        counts = np.bincount(numbers, minlength=1)
        order = numbers.argsort(kind="stable")[int(counts[0]) :]
        data = frames.data.take(order)
        # Nearly all frames have eight bytes; any part of such lengths is the same.
        lengths = frames.lengths if frames.lengths.min() == 8 else frames.lengths.take(order)
        in_order = _InOrder(frames, order)
        end = 0
        for number in (np.flatnonzero(counts[1:]) + 1).tolist():
            start, end = end, end + int(counts[number])
            part = slice(start, end)
            payloads = Payloads(data[part], lengths[part])
            layout, decoders = self._message(self._dgns[number - 1])
            assert layout.spec is not None
            yield MessageColumns(layout.spec, order[part], payloads, in_order, part, layout, decoders)

    def _message(self, dgn: int) -> tuple[Layout, Mapping[str, FieldDecoder]]:
        known = self._known.get(dgn)
        if known is None:
            layout = self._decoder.layout(dgn)
            fields = layout.spec.fields if layout.spec else ()
            known = self._known[dgn] = layout, {field.name: FieldDecoder(field) for field in fields}
        return known


def decode_block(frames: Columns, catalogue: Catalogue) -> Iterator[MessageColumns]:
    """Yield the messages of one block; for the blocks of a log use one `ColumnDecoder`."""
    return ColumnDecoder(catalogue).decode(frames)


@dataclass(frozen=True, eq=False)
class Series:
    """One field of one sender over time; arrays of one length."""

    times: "NDArray[int64]"
    """In microseconds; on one channel they never go back."""
    values: "NDArray[float64]"
    """In the unit of the field; not a number where the state is another than ``value``."""
    states: "NDArray[uint8]"
    """Places in `STATES`."""


def series_parts(
    blocks: Iterable[tuple[str, Block]], catalogue: Catalogue, keys: Collection[SignalKey], channel: str | None = None
) -> Iterator[tuple[SignalKey, Series]]:
    """Yield fields of senders over time, block by block; from one channel of the log, or from all if None."""
    wanted: dict[tuple[int, int, int | None, int | None], list[SignalKey]] = {}
    for key in keys:
        wanted.setdefault(key[:4], []).append(key)
    decoder = ColumnDecoder(catalogue, {key.dgn for key in keys})
    for name, block in blocks:
        if channel is not None and name != channel:
            continue
        for message in decoder.decode(block.frames):
            for source, instance, dsa, places in message.topics():
                for key in wanted.get((message.dgn, source, instance, dsa), ()):
                    column = message.fields[key.field]
                    yield key, Series(message.times[places], column.values[places], column.states[places])


def series(
    blocks: Iterable[tuple[str, Block]], catalogue: Catalogue, keys: Collection[SignalKey], channel: str | None = None
) -> dict[SignalKey, Series]:
    """Return fields of senders over a whole log; a key that does not occur has empty arrays.

    `series_parts` gives the same in bounded memory.
    """
    import numpy as np

    parts: dict[SignalKey, list[Series]] = {
        key: [Series(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8))] for key in keys
    }
    for key, part in series_parts(blocks, catalogue, keys, channel):
        parts[key].append(part)
    return {
        key: Series(
            np.concatenate([part.times for part in found]),
            np.concatenate([part.values for part in found]),
            np.concatenate([part.states for part in found]),
        )
        for key, found in parts.items()
    }

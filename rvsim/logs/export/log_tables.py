"""The tables of a log's frames: one row a frame of one message, or one row a frame.

Knows: the columns of these tables, and how blocks become their rows. Does not know files, nor who is a device: the
names of devices by their addresses are handed in.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rvsim.logs.columns import Columns
from rvsim.logs.decoded import NONE, MessageColumns
from rvsim.logs.distinct_readings import only_reading
from rvsim.logs.export.table import (
    ColumnData,
    ColumnKind,
    Integers,
    Numbers,
    Table,
    TableColumn,
    TableRows,
    Texts,
    Times,
    same_text,
)
from rvsim.logs.field_columns import STATES, FieldColumn, FieldDecoder, FieldReadings, Payloads
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import is_addressed
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from numpy import int16, int64, uint8
    from numpy.typing import NDArray

_ADDRESSES = 256
_MAX_RAW = (1 << 63) - 1
"""The highest raw integer in a table; a field of 64 bits without a sign can have higher ones."""
_STATE_NAMES = tuple(map(str, STATES))


@dataclass(frozen=True)
class LogPart:
    """What all rows of a block have in common.

    ``log`` is the name of the log, None where only one is exported. ``started`` is the time of its first frame in
    microseconds since the epoch, None where it has no date.
    """

    log: str | None
    channel: str
    started: int | None
    devices: Mapping[int, str]
    """The names of devices by their addresses."""

    def shared(self, times: "NDArray[int64]", sources: "NDArray[uint8]") -> dict[str, ColumnData]:
        """Return the columns that the tables have in common."""
        import numpy as np

        names = tuple(dict.fromkeys(self.devices.values()))
        codes = np.full(_ADDRESSES, -1, np.int16)
        for address, name in self.devices.items():
            codes[address] = names.index(name)
        devices = Texts(codes.take(sources), names) if names else same_text("", len(times))
        return {
            **({} if self.log is None else {"log": same_text(self.log, len(times))}),
            **self.moments(times),
            "channel": same_text(self.channel, len(times)),
            "source": Integers(sources),
            "device": devices,
        }

    def moments(self, times: "NDArray[int64]") -> dict[str, ColumnData]:
        """Return the columns of times."""
        return {
            "time": Times(None if self.started is None else times + self.started),
            "seconds": Numbers(times / SECOND_US),
        }


def shared_columns(*, with_log: bool) -> tuple[TableColumn, ...]:
    """Return the columns at the start of each table: log, time, seconds, channel, source, device."""
    return (
        *([TableColumn("log", ColumnKind.TEXT)] if with_log else []),
        TableColumn("time", ColumnKind.TIME),
        TableColumn("seconds", ColumnKind.NUMBER, is_required=True),
        TableColumn("channel", ColumnKind.TEXT),
        TableColumn("source", ColumnKind.INTEGER, is_required=True),
        TableColumn("device", ColumnKind.TEXT),
    )


def _instances(instances: "NDArray[int16]") -> Integers:
    missing = instances == NONE
    return Integers(instances, missing if missing.any() else None)


class MessageTable:
    """The table of one message: one row for each frame, with the value of each field in a column of its name.

    A field with special codes also has a column for its state, a field with named codes one for its label.
    """

    def __init__(self, spec: MessageSpec, *, instance_field: str | None, with_log: bool) -> None:
        self._has_instance = has_instance = instance_field is not None
        columns = list(shared_columns(with_log=with_log))
        if is_addressed(spec.dgn):
            columns.append(TableColumn("destination", ColumnKind.INTEGER, is_required=True))
        if has_instance:
            columns.append(TableColumn("instance", ColumnKind.INTEGER))
        taken = {column.name for column in columns} | {field.name for field in spec.fields}
        self._value_names: dict[str, str] = {}
        self._integers: set[str] = set()
        self._state_names: dict[str, str] = {}
        self._label_names: dict[str, str] = {}
        for field in spec.fields:
            if field.name == instance_field:
                continue
            name = field.name if field.name not in {column.name for column in columns} else f"{field.name}_value"
            self._value_names[field.name] = name
            if _is_integer(field):
                self._integers.add(field.name)
            columns.append(TableColumn(name, ColumnKind.INTEGER if field.name in self._integers else ColumnKind.NUMBER))
            if field.states:
                self._state_names[field.name] = state = _free(f"{name}_state", taken)
                columns.append(TableColumn(state, ColumnKind.TEXT, _STATE_NAMES, is_required=True))
            labels = FieldDecoder(field).label_names
            if labels:
                self._label_names[field.name] = label = _free(f"{name}_label", taken)
                columns.append(TableColumn(label, ColumnKind.TEXT, labels))
        self.table = Table(spec.name, tuple(columns))

    def rows(self, message: MessageColumns, part: LogPart) -> TableRows:
        """Return the frames of the message in a block."""
        columns = part.shared(message.times, message.sources)
        if message.destinations is not None:
            columns["destination"] = Integers(message.destinations)
        if self._has_instance:
            columns["instance"] = _instances(message.instances)
        for field, name in self._value_names.items():
            column = message.column(field)
            found = _arrays(column, len(message))
            if field in self._integers:
                columns[name] = _integers(column.field, found)
            else:
                columns[name] = Numbers(found.values)
            if field in self._state_names:
                columns[self._state_names[field]] = Texts(found.states, _STATE_NAMES)
            if field in self._label_names:
                columns[self._label_names[field]] = Texts(found.labels, column.label_names)
        return TableRows(len(message), columns)


def _free(name: str, taken: set[str]) -> str:
    """Return a name for a column that no other has."""
    while name in taken:
        name += "_"
    taken.add(name)
    return name


def _is_integer(field: FieldSpec) -> bool:
    """Whether all values of a field are integers that a column of integers can hold."""
    highest = (1 << field.length) * field.scale + abs(field.offset)
    return field.decimals == 0 and highest <= _MAX_RAW


def _arrays(column: FieldColumn, count: int) -> FieldColumn | FieldReadings:
    """Return the readings of a field in so many frames; of most fields it is one, which takes far less time."""
    import numpy as np

    only = only_reading(column)
    if only is None:
        return column
    raws, values, states, labels = only
    return FieldReadings(
        np.full(count, raws[0], raws.dtype),
        np.full(count, values[0]),
        np.full(count, states[0], states.dtype),
        np.full(count, labels[0], labels.dtype),
    )


def _integers(field: FieldSpec, found: FieldColumn | FieldReadings) -> Integers:
    values = found.raws
    if (field.scale, field.offset) != (1, 0):
        values = values * field.scale + field.offset
    is_missing = found.states != 0
    return Integers(values, is_missing if is_missing.any() else None)


class FramesTable:
    """The table of frames: one row for each data frame with a 29-bit identifier, those without a definition too."""

    def __init__(self, catalogue: Catalogue, *, with_log: bool) -> None:
        self._message_names = tuple(catalogue.names)
        self._dgns = {dgn: place for place, dgn in enumerate(catalogue.dgns)}
        text, integer = ColumnKind.TEXT, ColumnKind.INTEGER
        self.table = Table(
            "frames",
            (
                *shared_columns(with_log=with_log),
                TableColumn("identifier", text, is_required=True),
                TableColumn("priority", integer, is_required=True),
                TableColumn("dgn", text, is_required=True),
                TableColumn("message", text, self._message_names),
                TableColumn("destination", integer),
                TableColumn("bytes", text, is_required=True),
            ),
        )

    def rows(self, frames: Columns, part: LogPart) -> TableRows:
        """Return the frames of a block."""
        import numpy as np

        identifiers = frames.identifiers
        known, places = np.unique(identifiers, return_inverse=True)
        dgns = known >> np.uint32(8) & np.uint32(0x3FFFF)
        addressed = (known & np.uint32(0xFF0000)) < 0xF00000
        dgns = np.where(addressed, dgns & np.uint32(0x3FF00), dgns)
        dgn_names = [f"{dgn:05X}" for dgn in dgns.tolist()]
        messages = np.array([self._dgns.get(dgn, -1) for dgn in dgns.tolist()], np.int32)
        numbered = {name: place for place, name in enumerate(dict.fromkeys(dgn_names))}
        dgn_codes = np.array([numbered[name] for name in dgn_names], np.int32)
        return TableRows(
            len(frames),
            {
                **part.shared(frames.times, identifiers.astype(np.uint8)),
                "identifier": Texts(places.astype(np.int32), [f"{identifier:08X}" for identifier in known.tolist()]),
                "priority": Integers((identifiers >> np.uint32(26)).astype(np.int64)),
                "dgn": Texts(dgn_codes[places], tuple(numbered)),
                "message": Texts(messages[places], self._message_names),
                "destination": Integers(identifiers >> np.uint32(8) & np.uint32(0xFF), ~addressed[places]),
                "bytes": _hex(Payloads(frames.data, frames.lengths)),
            },
        )


def _hex(payloads: Payloads) -> Texts:
    """Return the bytes of frames in hex."""
    import numpy as np

    kept = np.array([(1 << 64) - (1 << 8 * (8 - length)) for length in range(9)], np.uint64)
    words, places = np.unique(payloads.data & kept[payloads.lengths], return_inverse=True)
    # A frame of fewer bytes is told from a longer one that ends in zeros.
    known, places = np.unique(places * 9 + payloads.lengths, return_inverse=True)
    pairs = zip(words[known // 9].tolist(), (known % 9).tolist(), strict=True)
    return Texts(places, [f"{word:016X}"[: 2 * length] for word, length in pairs])

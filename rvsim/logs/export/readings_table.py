"""The long table of readings: one row for each field of each frame.

Knows: its columns, and how blocks become its rows. Does not know files, nor who is a device. The rows of a block stand
message by message and field by field; those of one field are in order of time. A row has what its frame has in common
with the other readings of that frame, and one of the distinct readings of its field.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple
from weakref import WeakKeyDictionary

from rvsim.logs.decoded import NONE, MessageColumns
from rvsim.logs.distinct_readings import distinct_readings
from rvsim.logs.export.log_tables import LogPart, shared_columns
from rvsim.logs.export.placed import Placed, PlacedPart, PlacedRows
from rvsim.logs.export.table import ColumnData, ColumnKind, Integers, Numbers, Table, TableColumn, Texts
from rvsim.logs.field_columns import MISSING, STATES, FieldDecoder, FieldReadings, payload_bits
from rvsim.wire.catalogue import Catalogue

if TYPE_CHECKING:
    from numpy import int16, int32, integer, intp
    from numpy.typing import NDArray


_MAX_STEADY = 64
"""Contents of one message, as far as it does not change within a block, whose readings are kept. Our decision."""


class _FieldCodes(NamedTuple):
    """What stands for the texts of one field in the columns of this table; -1 for no text."""

    message: int
    field: int
    unit: int
    labels: "NDArray[int32] | None"
    """For each label of the field, and for none at the end; None where it has no labels."""


class _MessageFields:
    """The fields of one message that are readings.

    A field that does not change within a block has one reading there, and most fields do not change from block to block
    either: the readings of all that stand beside one another are kept together, so that each takes no time of its own.
    """

    def __init__(self, decoders: Mapping[str, FieldDecoder], codes: Sequence[_FieldCodes]) -> None:
        import numpy as np

        self._names = tuple(decoders)
        self._bits = [payload_bits(one.field) for one in decoders.values()]
        self._labels = [code.labels for code in codes]
        self.codes = np.array([code[:3] for code in codes], np.int32).reshape(-1, 3)
        """What stands for message, field and unit: one row for each field."""
        self._steady: dict[tuple[int, int], list[FieldReadings | int]] = {}

    def __len__(self) -> int:
        return len(self._names)

    def readings(self, message: MessageColumns) -> "Iterator[tuple[FieldReadings, NDArray[intp] | None]]":
        """Yield the distinct readings of each field, and which frame has which; the labels by their codes here.

        Where no places are given each reading is that of one field, in all frames; they may be several.
        """
        for piece in self._pieces(message):
            yield self._of_field(message, piece) if isinstance(piece, int) else (piece, None)

    def _of_field(self, message: MessageColumns, number: int) -> "tuple[FieldReadings, NDArray[intp] | None]":
        readings, places = distinct_readings(message.column(self._names[number]))
        labels = self._labels[number]
        return readings if labels is None else readings._replace(labels=labels.take(readings.labels)), places

    def _pieces(self, message: MessageColumns) -> "Sequence[FieldReadings | int]":
        """Return the fields in their order: single ones by their numbers, or the readings of several."""
        payloads = message.payloads
        if payloads.shortest < 8:  # a frame may be too short for a field
            return range(len(self))
        changing = int.from_bytes(payloads.changing)
        key = changing, int.from_bytes(payloads.first) & ~changing
        found = self._steady.get(key)
        if found is None:
            if len(self._steady) >= _MAX_STEADY:
                self._steady.clear()
            found = self._steady[key] = self._divided(message, changing)
        return found

    def _divided(self, message: MessageColumns, changing: int) -> "list[FieldReadings | int]":
        import numpy as np

        found: list[FieldReadings | int] = []
        for is_steady, fields in groupby(range(len(self)), lambda number: not self._bits[number] & changing):
            if is_steady:
                together = zip(*(self._of_field(message, number)[0] for number in fields), strict=True)
                found.append(FieldReadings(*map(np.concatenate, together)))
            else:
                found += fields
        return found


_NAMES: "WeakKeyDictionary[Catalogue, Mapping[str, tuple[str, ...]]]" = WeakKeyDictionary()
"""The texts of each column: finding them takes as long as decoding 100,000 frames."""


def _names_of(catalogue: Catalogue) -> Mapping[str, tuple[str, ...]]:
    """Return the texts that can stand in each column; they are kept as long as the catalogue."""
    names = _NAMES.get(catalogue)
    if names is None:
        fields = [field for spec in catalogue for field in spec.fields]
        labels = (label for field in fields if field.labels for label in FieldDecoder(field).label_names)
        names = _NAMES[catalogue] = {
            "message": tuple(catalogue.names),
            "field": tuple(dict.fromkeys(field.name for field in fields)),
            "unit": tuple(dict.fromkeys(field.printed_unit for field in fields if field.printed_unit)),
            "state": tuple(map(str, STATES)),
            "label": tuple(dict.fromkeys(labels)),
        }
    return names


class ReadingsTable:
    """The long table: one row for each field of each frame, without the fields of instances."""

    def __init__(self, catalogue: Catalogue, *, with_log: bool) -> None:
        self._names = _names_of(catalogue)
        self._places = {
            column: {name: place for place, name in enumerate(names)} for column, names in self._names.items()
        }
        self._fields: dict[int, _MessageFields] = {}
        kinds = {"instance": ColumnKind.INTEGER, "raw": ColumnKind.INTEGER, "value": ColumnKind.NUMBER}
        order = ("message", "instance", "field", "raw", "value", "unit", "state", "label")
        required = ("message", "field", "state")
        own = (
            TableColumn(name, kinds.get(name, ColumnKind.TEXT), self._names.get(name), name in required)
            for name in order
        )
        self.table = Table("readings", (*shared_columns(with_log=with_log), *own), is_placed=True)

    def rows(self, messages: Iterable[MessageColumns], part: LogPart) -> PlacedRows:
        """Return the readings of the messages of a block."""
        import numpy as np

        of_frames: list[PlacedPart] = []
        of_fields: list[PlacedPart] = []
        of_instances: list[PlacedPart] = []
        decoded: list[MessageColumns] = []
        found: list[FieldReadings] = []
        codes: list[NDArray[int32]] = []
        unsigned: list[slice] = []
        instances: list[NDArray[int16]] = []
        frames = entries = heard = length = 0
        for message in messages:
            fields = self._fields_of(message)
            if not len(fields):
                continue
            count = len(message)
            decoded.append(message)
            codes.append(fields.codes)
            of_frames.append(PlacedPart(frames, frames + count, None, len(fields)))
            frames += count
            length += count * len(fields)
            known, places = message.distinct_instances
            start, heard = heard, heard + len(known)
            instances.append(known)
            repeats = len(fields) if places is not None else len(fields) * count
            of_instances.append(PlacedPart(start, heard, places, repeats))
            for readings, places in fields.readings(message):
                start, entries = entries, entries + len(readings.raws)
                found.append(readings)
                if places is not None:
                    of_fields.append(PlacedPart(start, entries, places))
                else:
                    of_fields += [PlacedPart(at, at + 1, None, count) for at in range(start, entries)]
                if readings.raws.dtype.kind == "u":
                    unsigned.append(slice(start, entries))
        states = np.concatenate([np.empty(0, np.uint8), *(readings.states for readings in found)])
        missing = states == MISSING
        raws = np.concatenate([np.empty(0, np.int64), *(readings.raws.view(np.int64) for readings in found)])
        for at in unsigned:
            missing[at] |= raws[at] < 0  # above all that a column can hold
        labels = np.concatenate([np.empty(0, np.int32), *(readings.labels for readings in found)])
        sizes = [part.stop - part.start for part in of_fields]
        texts = np.repeat(np.concatenate([np.empty((0, 3), np.int32), *codes]), sizes, axis=0)
        columns: dict[str, ColumnData] = {
            "message": self._texts("message", texts[:, 0]),
            "field": self._texts("field", texts[:, 1]),
            "raw": Integers(raws, missing if missing.any() else None),
            "value": Numbers(np.concatenate([np.empty(0), *(readings.values for readings in found)])),
            "unit": self._texts("unit", texts[:, 2]),
            "state": self._texts("state", states),
            "label": self._texts("label", labels),
        }
        times = np.concatenate([np.empty(0, np.int64), *(message.times for message in decoded)])
        sources = np.concatenate([np.empty(0, np.uint8), *(message.sources for message in decoded)])
        numbers = np.concatenate([np.empty(0, np.int16), *instances])
        is_none = numbers == NONE
        return PlacedRows(
            length,
            {name: Placed(data, of_frames) for name, data in part.shared(times, sources).items()}
            | {"instance": Placed(Integers(numbers, is_none if is_none.any() else None), of_instances)}
            | {name: Placed(data, of_fields) for name, data in columns.items()},
        )

    def _texts(self, column: str, codes: "NDArray[integer]") -> Texts:
        """Return the texts of a column by the narrowest numbers that can stand for them."""
        import numpy as np

        names = self._names[column]
        return Texts(codes.astype(np.min_scalar_type(-1 - len(names))), names)

    def _fields_of(self, message: MessageColumns) -> _MessageFields:
        fields = self._fields.get(message.dgn)
        if fields is None:
            decoders = {name: decoder for name, decoder in message.decoders.items() if name != message.instance_field}
            codes = [self._codes_of(message.spec.name, decoder) for decoder in decoders.values()]
            fields = self._fields[message.dgn] = _MessageFields(decoders, codes)
        return fields

    def _codes_of(self, message: str, decoder: FieldDecoder) -> _FieldCodes:
        import numpy as np

        places, labels = self._places, decoder.label_names
        return _FieldCodes(
            places["message"][message],
            places["field"][decoder.field.name],
            places["unit"].get(decoder.field.printed_unit, -1),
            np.array([*(places["label"][label] for label in labels), -1], np.int32) if labels else None,
        )

"""The long table of readings: one row for each field of each frame.

Knows: its columns, and how blocks become its rows. Does not know files, nor who is a device. The rows of a block stand
message by message and field by field; those of one field are in order of time. A row has what its frame has in common
with the other readings of that frame, and one of the distinct readings of its field.
"""

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from rvsim.logs.decoded import NONE, MessageColumns
from rvsim.logs.distinct_readings import distinct_readings
from rvsim.logs.export.log_tables import LogPart, shared_columns
from rvsim.logs.export.placed import Placed, PlacedPart, PlacedRows
from rvsim.logs.export.table import ColumnData, ColumnKind, Integers, Numbers, Table, TableColumn, Texts
from rvsim.logs.field_columns import MISSING, STATES, FieldColumn, FieldDecoder, FieldReadings
from rvsim.wire.catalogue import Catalogue

if TYPE_CHECKING:
    from numpy import int32, integer
    from numpy.typing import NDArray


class _FieldCodes(NamedTuple):
    """What stands for the texts of one field in the columns of this table; -1 for no text."""

    message: int
    field: int
    unit: int
    labels: "NDArray[int32] | None"
    """For each label of the field, and for none at the end; None where it has no labels."""


class ReadingsTable:
    """The long table: one row for each field of each frame, without the fields of instances."""

    def __init__(self, catalogue: Catalogue, *, with_log: bool) -> None:
        fields = [field for spec in catalogue for field in spec.fields]
        labels = (label for field in fields for label in FieldDecoder(field).label_names)
        self._names = {
            "message": tuple(catalogue.names),
            "field": tuple(dict.fromkeys(field.name for field in fields)),
            "unit": tuple(dict.fromkeys(field.printed_unit for field in fields if field.printed_unit)),
            "state": tuple(map(str, STATES)),
            "label": tuple(dict.fromkeys(labels)),
        }
        self._places = {
            column: {name: place for place, name in enumerate(names)} for column, names in self._names.items()
        }
        self._codes: dict[tuple[int, str], _FieldCodes] = {}
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
        decoded: list[MessageColumns] = []
        found: list[FieldReadings] = []
        codes: list[_FieldCodes] = []
        labels: list[NDArray[int32]] = []
        frames = entries = length = 0
        for message in messages:
            fields = [column for name, column in message.fields.items() if name != message.instance_field]
            if not fields:
                continue
            count = len(message)
            decoded.append(message)
            of_frames.append(PlacedPart(frames, frames + count, None, len(fields)))
            frames += count
            length += count * len(fields)
            for column in fields:
                readings, places = distinct_readings(column)
                start, entries = entries, entries + len(readings.raws)
                of_fields.append(PlacedPart(start, entries, places, 1 if places is not None else count))
                code = self._codes_of(message, column)
                found.append(readings)
                codes.append(code)
                labels.append(readings.labels if code.labels is None else code.labels.take(readings.labels))
        states = np.concatenate([np.empty(0, np.uint8), *(readings.states for readings in found)])
        missing = states == MISSING
        raws = np.concatenate([np.empty(0, np.int64), *(readings.raws.view(np.int64) for readings in found)])
        for at, readings in zip(of_fields, found, strict=True):
            if readings.raws.dtype.kind == "u":
                missing[at.start : at.stop] |= raws[at.start : at.stop] < 0  # above all that a column can hold
        sizes = [len(readings.raws) for readings in found]
        texts = np.repeat(np.array([code[:3] for code in codes], np.int32).reshape(-1, 3), sizes, axis=0)
        columns: dict[str, ColumnData] = {
            "message": self._texts("message", texts[:, 0]),
            "field": self._texts("field", texts[:, 1]),
            "raw": Integers(raws, missing if missing.any() else None),
            "value": Numbers(np.concatenate([np.empty(0), *(readings.values for readings in found)])),
            "unit": self._texts("unit", texts[:, 2]),
            "state": self._texts("state", states),
            "label": self._texts("label", np.concatenate([np.empty(0, np.int32), *labels])),
        }
        times = np.concatenate([np.empty(0, np.int64), *(message.times for message in decoded)])
        sources = np.concatenate([np.empty(0, np.uint8), *(message.sources for message in decoded)])
        instances = np.concatenate([np.empty(0, np.int16), *(message.instances for message in decoded)])
        is_none = instances == NONE
        shared = part.shared(times, sources) | {"instance": Integers(instances, is_none if is_none.any() else None)}
        return PlacedRows(
            length,
            {name: Placed(data, of_frames) for name, data in shared.items()}
            | {name: Placed(data, of_fields) for name, data in columns.items()},
        )

    def _texts(self, column: str, codes: "NDArray[integer]") -> Texts:
        """Return the texts of a column by the narrowest numbers that can stand for them."""
        import numpy as np

        names = self._names[column]
        return Texts(codes.astype(np.min_scalar_type(-1 - len(names))), names)

    def _codes_of(self, message: MessageColumns, column: FieldColumn) -> _FieldCodes:
        import numpy as np

        key = message.dgn, column.field.name
        codes = self._codes.get(key)
        if codes is None:
            places, labels = self._places, column.label_names
            codes = self._codes[key] = _FieldCodes(
                places["message"][message.spec.name],
                places["field"][column.field.name],
                places["unit"].get(column.field.printed_unit, -1),
                np.array([*(places["label"][label] for label in labels), -1], np.int32) if labels else None,
            )
        return codes

"""One field of many frames as arrays: raw integers, states, values and labels, each equal to that of its reading.

Knows: how the bits of a field are taken from eight bytes, and how `FieldSpec` scales and classifies them. Does not know
messages, sources, nor logs. Values come from integers by one division of whole numbers that are exact as floats, or
from `FieldSpec.value` itself where the numbers are too large for that; so each equals `float(reading.value)`.
"""

from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

from rvsim.wire.fields import FieldSpec, Reading, State

if TYPE_CHECKING:
    from numpy import bool_, float64, int32, int64, intp, uint8, uint64
    from numpy.typing import NDArray

STATES = tuple(State)
"""The states by their numbers in arrays; 0 is an ordinary value."""
STATE_NUMBERS = {state: number for number, state in enumerate(STATES)}
MISSING = STATE_NUMBERS[State.MISSING]
NO_LABEL = -1
"""The label code of a reading without a label."""
MAX_EXACT = 1 << 53
"""Whole numbers up to this one are exact as floats."""
_MAX_POWER = 22
"""Powers of ten up to this one are exact as floats."""
_BYTE_VALUES = 256
_MAX_SINGLE = 256
"""Readings of one field that are kept by their raw integers. Our decision."""


class Payloads:
    """The data of many frames, as the fields of one message need them."""

    def __init__(self, data: "NDArray[uint64]", lengths: "NDArray[uint8]") -> None:
        self.data, self.lengths = data, lengths
        self.shortest = int(lengths.min()) if len(lengths) else 8
        """The length of the shortest frame."""
        self._bytes: dict[int, NDArray[intp]] = {}
        self._distinct_bytes: dict[int, tuple[NDArray[intp], NDArray[intp]]] = {}

    def byte(self, place: int) -> "NDArray[intp]":
        """Return one byte of each frame, as places in a table."""
        import numpy as np

        column = self._bytes.get(place)
        if column is None:
            column = self._bytes[place] = self.ordered[:, place].astype(np.intp)
        return column

    def distinct_byte(self, place: int) -> "tuple[NDArray[intp], NDArray[intp]]":
        """Return the contents that one byte has in at least one frame, and the place of each frame's among them."""
        import numpy as np

        found = self._distinct_bytes.get(place)
        if found is None:
            column = self.byte(place)
            contents = np.bincount(column).nonzero()[0]
            places = np.zeros(_BYTE_VALUES, np.intp)
            places[contents] = np.arange(len(contents))
            found = self._distinct_bytes[place] = contents, places.take(column)
        return found

    @cached_property
    def first(self) -> bytes:
        """The eight bytes of the first frame, of which there must be one."""
        return int(self.data[0]).to_bytes(8)

    @cached_property
    def changing(self) -> bytes:
        """The bits that not all frames have alike, of which there must be one; also those after the last byte."""
        import numpy as np

        return int(np.bitwise_or.reduce(self.data) ^ np.bitwise_and.reduce(self.data)).to_bytes(8)

    @cached_property
    def ordered(self) -> "NDArray[uint8]":
        """The bytes of each frame: shape (frames, 8)."""
        import numpy as np

        return self.data.astype(">u8").view(np.uint8).reshape(-1, 8)

    @cached_property
    def little(self) -> "NDArray[uint64]":
        """The bytes of each frame as one number, the first byte lowest."""
        return self.ordered.view("<u8").reshape(-1)


def raw_integers(field: FieldSpec, words: "NDArray[uint64]") -> "NDArray[int64 | uint64]":
    """Return the raw integers of a field in eight bytes each; unsigned only for 64 bits without sign.

    ``words`` are the bytes as numbers, the first byte highest for a big-endian field and lowest for any other.
    """
    import numpy as np

    shift = 8 * (7 - field.last_byte) + field.low_bit if field.big_endian else field.first
    raws = words >> np.uint64(shift) & np.uint64(field.all_ones)
    return raws if _is_unsigned_64(field) else _signed(field, raws.view(np.int64))


def _signed(field: FieldSpec, raws: "NDArray[int64]") -> "NDArray[int64]":
    """Return raw integers with their sign, where the field has one."""
    if not field.signed or field.length == 64:
        return raws
    sign = 1 << (field.length - 1)
    return (raws ^ sign) - sign


def _is_unsigned_64(field: FieldSpec) -> bool:
    return field.length == 64 and not field.signed


def payload_bits(field: FieldSpec) -> int:
    """Return the bits of a field in eight bytes that stand as one number, the first byte highest."""
    if field.big_endian:
        return field.all_ones << 8 * (7 - field.last_byte) + field.low_bit
    return int.from_bytes((field.all_ones << field.first).to_bytes(8, "little"))


class FieldReadings(NamedTuple):
    """Readings of one field, as arrays of one length: as those of a `FieldColumn`, but not one for each frame."""

    raws: "NDArray[int64 | uint64]"
    values: "NDArray[float64]"
    states: "NDArray[uint8]"
    labels: "NDArray[int32]"

    def take(self, places: "NDArray[intp]") -> "FieldReadings":
        """Return some of the readings."""
        return FieldReadings(
            self.raws.take(places), self.values.take(places), self.states.take(places), self.labels.take(places)
        )


class FieldDecoder:
    """Decodes one field; it keeps the tables of the field, which are built when they are first needed."""

    def __init__(self, field: FieldSpec) -> None:
        self.field = field
        self._first_byte, self._last_byte = field.first_byte, field.last_byte
        self._in_byte = self._first_byte == self._last_byte
        self._single: dict[int, FieldReadings] = {}

    @cached_property
    def label_names(self) -> tuple[str, ...]:
        """The labels by their codes."""
        return tuple(dict.fromkeys(self._shown_labels.values()))

    @cached_property
    def _shown_labels(self) -> dict[int, str]:
        """The label of each raw integer that has one."""
        (low, high), field = self._limits, self.field
        # An ordinary value shows its label; to ask each reading takes long where there are thousands.
        shown = (
            (raw, self._reading(raw).shown_label if raw in field.states or label == State.VALUE else label)
            for raw, label in field.labels.items()
            if low <= raw <= high
        )
        return {raw: label for raw, label in shown if label is not None}

    @cached_property
    def byte_readings(self) -> FieldReadings | None:
        """The reading for each content of the byte that contains the field; None where it is in several bytes."""
        if not self._in_byte:
            return None
        return FieldReadings(self._byte_raws, self._byte_values, self._byte_states, self._byte_labels)

    def readings(self, raws: "NDArray[int64 | uint64]") -> FieldReadings:
        """Return the readings of raw integers."""
        return FieldReadings(raws, self._values(raws), self._states(raws), self._labels(raws))

    def reading(self, raw: int) -> FieldReadings:
        """Return the one reading of a raw integer; some of them are kept."""
        import numpy as np

        found = self._single.get(raw)
        if found is None:
            if len(self._single) >= _MAX_SINGLE:
                self._single.clear()
            kind = np.uint64 if _is_unsigned_64(self.field) else np.int64
            found = self._single[raw] = self.readings(np.array([raw], kind))
        return found

    @property
    def _limits(self) -> tuple[int, int]:
        """The lowest and the highest raw integer that the bits can have."""
        if self.field.signed:
            return -(1 << self.field.length - 1), (1 << self.field.length - 1) - 1
        return 0, self.field.all_ones

    def _reading(self, raw: int) -> Reading:
        return Reading(self.field, raw, self.field.state(raw))

    @cached_property
    def _byte_raws(self) -> "NDArray[int64]":
        """The raw integer for each content of the byte that contains the field."""
        import numpy as np

        raws = np.arange(_BYTE_VALUES) >> self.field.low_bit & self.field.all_ones
        return _signed(self.field, raws)

    @cached_property
    def _byte_values(self) -> "NDArray[float64]":
        return self._values(self._byte_raws)

    @cached_property
    def _byte_states(self) -> "NDArray[uint8]":
        return self._states(self._byte_raws)

    @cached_property
    def _byte_labels(self) -> "NDArray[int32]":
        return self._labels(self._byte_raws)

    @cached_property
    def _labelled(self) -> "tuple[NDArray[int64 | uint64], NDArray[int32]]":
        """The raw integers that have a label, in order, and the code of each label."""
        import numpy as np

        raws = sorted(self._shown_labels)
        codes = {label: code for code, label in enumerate(self.label_names)}
        kind = np.uint64 if _is_unsigned_64(self.field) else np.int64
        return np.array(raws, kind), np.array([codes[self._shown_labels[raw]] for raw in raws], np.int32)

    @cached_property
    def _is_exact(self) -> bool:
        """Whether all steps from raw integer to value are exact as floats, but for the last division."""
        field = self.field
        largest = max(map(abs, self._limits)) * abs(field.scale) + abs(field.offset)
        return largest <= MAX_EXACT and field.decimals <= _MAX_POWER

    def missing(self, payloads: Payloads) -> "NDArray[bool_] | None":
        """Return which frames are too short to hold the field; None where none is."""
        return None if payloads.shortest > self._last_byte else payloads.lengths <= self._last_byte

    def raws(self, payloads: Payloads) -> "NDArray[int64 | uint64]":
        """Return the raw integers, any number where the frame is too short; unsigned only for 64 bits without sign."""
        return raw_integers(self.field, payloads.data if self.field.big_endian else payloads.little)

    def states(self, payloads: Payloads, column: "FieldColumn") -> "NDArray[uint8]":
        """Return the numbers of the states."""
        states = self._byte_states.take(payloads.byte(self._first_byte)) if self._in_byte else self._states(column.bits)
        if payloads.shortest <= self._last_byte:
            states[column.missing] = MISSING
        return states

    def _states(self, raws: "NDArray[int64 | uint64]") -> "NDArray[uint8]":
        import numpy as np

        states = np.zeros(len(raws), np.uint8)
        for place, raw in self._special(raws):
            states[place] = STATE_NUMBERS[self.field.state(raw)]
        return states

    def _special(self, raws: "NDArray[int64 | uint64]") -> "list[tuple[NDArray[intp], int]]":
        """Return the places of each raw integer that is a special code."""
        import numpy as np

        special = self._special_raws
        if not self._has_special(raws):
            return []
        high = np.flatnonzero(raws >= special[0])
        found = raws[high]
        return [(high[found == raw], raw) for raw in special]

    @cached_property
    def _special_raws(self) -> list[int]:
        return sorted(self.field.states)

    @cached_property
    def _are_highest_special(self) -> bool:
        """Whether all raw integers from the lowest special code on are special codes."""
        return not self.field.signed and self._special_raws == [*range(self._special_raws[0], self._limits[1] + 1)]

    def _has_special(self, raws: "NDArray[int64 | uint64]") -> bool:
        """Return whether raw integers can be special codes."""
        return bool(self._special_raws) and bool(len(raws)) and int(raws.max()) >= self._special_raws[0]

    def values(self, payloads: Payloads, column: "FieldColumn") -> "NDArray[float64]":
        """Return the values, not a number where the state is another than ``value``."""
        import numpy as np

        values = self._byte_values.take(payloads.byte(self._first_byte)) if self._in_byte else self._values(column.bits)
        if payloads.shortest <= self._last_byte:
            values[column.missing] = np.nan
        return values

    def _values(self, raws: "NDArray[int64 | uint64]") -> "NDArray[float64]":
        import numpy as np

        field = self.field
        if self._is_exact:
            values = raws.astype(np.float64)
            if field.scale != 1:
                values *= field.scale
            if field.offset:
                values += field.offset
            if field.decimals:
                values /= field.unit_steps
        else:
            distinct, places = np.unique(raws, return_inverse=True)
            values = np.array([float(field.value(raw)) for raw in distinct.tolist()], np.float64)[places]
        if self._has_special(raws):
            if self._are_highest_special:
                values[raws >= self._special_raws[0]] = np.nan
            else:
                for place, _ in self._special(raws):
                    values[place] = np.nan
        return values

    def labels(self, payloads: Payloads, column: "FieldColumn") -> "NDArray[int32]":
        """Return the codes of the labels."""
        codes = self._byte_labels.take(payloads.byte(self._first_byte)) if self._in_byte else self._labels(column.bits)
        if payloads.shortest <= self._last_byte:
            codes[column.missing] = NO_LABEL
        return codes

    def _labels(self, raws: "NDArray[int64 | uint64]") -> "NDArray[int32]":
        import numpy as np

        known, codes = self._labelled
        if not len(known):
            return np.full(len(raws), NO_LABEL, np.int32)
        places = known.searchsorted(raws).clip(0, len(known) - 1)
        return np.where(known[places] == raws, codes[places], np.int32(NO_LABEL))


class FieldColumn:
    """One field of many frames. Its arrays have one entry for each frame, and are computed when they are first used."""

    def __init__(self, decoder: FieldDecoder, payloads: Payloads) -> None:
        self.field = decoder.field
        self.decoder, self.payloads = decoder, payloads

    @property
    def label_names(self) -> tuple[str, ...]:
        """The labels by their codes."""
        return self.decoder.label_names

    @cached_property
    def bits(self) -> "NDArray[int64 | uint64]":
        """As ``raws``, with any number where the frame is too short."""
        return self.decoder.raws(self.payloads)

    @cached_property
    def missing(self) -> "NDArray[bool_] | None":
        """Which frames are too short to hold the field; None where none is."""
        return self.decoder.missing(self.payloads)

    @cached_property
    def raws(self) -> "NDArray[int64 | uint64]":
        """The raw integers, 0 where the state is ``missing``; unsigned for fields of 64 bits without a sign only."""
        import numpy as np

        return self.bits if self.missing is None else np.where(self.missing, self.bits.dtype.type(0), self.bits)

    @cached_property
    def states(self) -> "NDArray[uint8]":
        """The states as places in `STATES`."""
        return self.decoder.states(self.payloads, self)

    @cached_property
    def values(self) -> "NDArray[float64]":
        """The values in the field's unit, as `Reading.value`; not a number where the state is not ``value``."""
        return self.decoder.values(self.payloads, self)

    @cached_property
    def labels(self) -> "NDArray[int32]":
        """The labels as places in ``label_names``, as `Reading.shown_label`; -1 where there is none."""
        return self.decoder.labels(self.payloads, self)

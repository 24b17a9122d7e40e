"""One field of many frames: its raw integers, and the classes of values that a watch tells apart.

Knows: where a field is in the data of a frame, and that a watch tells special codes, alarm codes and the sides of
limits apart, and no other values. Every result is that of `FieldSpec` for each frame. Does not know messages.
"""

from bisect import bisect_right
from collections.abc import Iterable
from functools import cached_property
from typing import TYPE_CHECKING, Any

from rvsim.logs.field_columns import raw_integers
from rvsim.watch.transitions import Limits
from rvsim.wire.fields import FieldSpec

if TYPE_CHECKING:
    from numpy import bool_, float64, integer, uint8, uint64
    from numpy.typing import NDArray

_BITS = 64


class FieldClasses:
    """One field, for the frames of columns; ``limits`` are all that may ever apply to it."""

    def __init__(self, field: FieldSpec, limits: Iterable[Limits] = ()) -> None:
        self.field = field
        self.fits = field.last_byte < 8 and field.length < _BITS
        """Whether it can be read here: it is within eight bytes."""
        ones = field.all_ones << (_BITS - field.first - field.length) if field.big_endian else field.all_ones
        self._mask = ones if field.big_endian else _swapped(field.all_ones << field.first & (1 << _BITS) - 1)
        self._breaks = self._find_breaks(limits) if self.fits else []

    @property
    def has_classes(self) -> bool:
        """Whether its values fall into more than one class."""
        return bool(self._breaks)

    def differs(self, changed_bits: int) -> bool:
        """Return whether its bits are among those that changed, given as in the data of columns."""
        return bool(self._mask & changed_bits)

    def raws(self, data: "NDArray[uint64]") -> "NDArray[integer[Any]]":
        """Return the raw integers; those of frames that are too short have no meaning."""
        return raw_integers(self.field, data if self.field.big_endian else data.byteswap())

    def missing(self, lengths: "NDArray[uint8]") -> "NDArray[bool_]":
        """Return which frames are too short for the field."""
        return lengths <= self.field.last_byte

    def classes(self, data: "NDArray[uint64]") -> "NDArray[integer[Any]]":
        """Return the class of the value in each frame."""
        return self._break_column.searchsorted(self.raws(data), "right")

    def class_in(self, data: bytes) -> int:
        """Return the class of the value in one frame; -1 where it is too short for the field."""
        raw = self.field.raw_in(data)
        return -1 if raw is None else bisect_right(self._breaks, raw)

    def is_value(self, raws: "NDArray[integer[Any]]") -> "NDArray[bool_]":
        """Return which raw integers are values."""
        import numpy as np

        found = np.ones(len(raws), np.bool_)
        for special in self.field.states:
            found &= raws != special
        return found

    def values(self, raws: "NDArray[integer[Any]]") -> "NDArray[float64]":
        """Return the values of raw integers, to the precision of a float."""
        import numpy as np

        return (raws.astype(np.float64) * self.field.scale + self.field.offset) / self.field.unit_steps

    @cached_property
    def _break_column(self) -> "NDArray[integer[Any]]":
        import numpy as np

        return np.array(self._breaks, np.int64)

    def _find_breaks(self, limits: Iterable[Limits]) -> list[int]:
        """Return the raw integers at which another class begins."""
        field, breaks = self.field, set()
        for special in (*field.states, *field.alarms):
            breaks |= {special, special + 1}
        for limit in limits:
            breaks |= {_first(field, lambda value, low=limit.low: value >= low, rising=field.scale > 0)}
            breaks |= {_first(field, lambda value, high=limit.high: value > high, rising=field.scale > 0)}
        low, high = (-(1 << field.length - 1), 1 << field.length - 1) if field.signed else (0, 1 << field.length)
        return sorted(place for place in breaks if low < place < high)


def _first(field: FieldSpec, holds: Any, *, rising: bool) -> int:
    """Return the first raw integer from which a condition on the value holds, or ceases to hold where values fall."""
    low, high = (-(1 << field.length - 1), 1 << field.length - 1) if field.signed else (0, 1 << field.length)
    while low < high:
        middle = (low + high) // 2
        if holds(field.value(middle)) is rising:
            high = middle
        else:
            low = middle + 1
    return low


def _swapped(bits: int) -> int:
    return int.from_bytes(bits.to_bytes(8, "little"), "big")

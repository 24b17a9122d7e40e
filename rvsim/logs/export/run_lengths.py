"""Small whole numbers of many rows as Parquet writes them: a number and how often it comes, or all of them in bits.

Knows: the hybrid of run lengths and packed bits of the published format
(https://github.com/apache/parquet-format/blob/master/Encodings.md). Does not know what the numbers stand for.
"""

from typing import TYPE_CHECKING

from rvsim.logs.export.parquet_metadata import varint

if TYPE_CHECKING:
    from numpy import bool_, integer, uint8
    from numpy.typing import NDArray

_MIN_RUN = 64
"""Shorter runs are packed with what is beside them; at least 8, since packed numbers are filled up to eights from the
run after them. Our decision."""


class RunLengths:
    """Puts numbers together, run by run and array by array.

    Args:
        bits: of each number: 1, 8, 16, 24 or 32.
    """

    def __init__(self, bits: int) -> None:
        self._bits = bits
        self._parts: list[tuple[int, int] | list[NDArray[integer | bool_]]] = []
        self._value = self._count = 0
        """The run that comes next."""

    def add_run(self, value: int, count: int) -> None:
        """Add a number so many times."""
        if value != self._value:
            self._end_run()
            self._value = value
        self._count += count

    def add(self, values: "NDArray[integer | bool_]", repeats: int = 1) -> None:
        """Add numbers, all of them so many times."""
        if len(values):
            self._end_run()
            self._pack([values] * repeats)

    def _end_run(self) -> None:
        import numpy as np

        value, count, self._count = self._value, self._count, 0
        if count >= _MIN_RUN:
            self._parts.append((value, count))
        elif count:
            self._pack([np.full(count, value, np.uint32)])

    def _pack(self, arrays: "list[NDArray[integer | bool_]]") -> None:
        if self._parts and isinstance(self._parts[-1], list):
            self._parts[-1] += arrays
        else:
            self._parts.append(arrays)

    def encoded(self) -> bytes:
        """Return all that was added, encoded."""
        import numpy as np

        self._end_run()
        found: list[bytes] = []
        taken = 0
        for place, part in enumerate(self._parts):
            if isinstance(part, tuple):
                value, count = part
                found += [varint(count - taken << 1), value.to_bytes(-(-self._bits // 8), "little")]
                taken = 0
                continue
            count = sum(map(len, part))
            taken = -count % 8
            if taken:
                after = self._parts[place + 1] if place + 1 < len(self._parts) else (0, 0)
                assert isinstance(after, tuple)
                part = [*part, np.full(taken, after[0], np.uint32)]
            found += [varint(count + taken >> 3 << 1 | 1), self._packed(part).tobytes()]
        return b"".join(found)

    def _packed(self, arrays: "list[NDArray[integer | bool_]]") -> "NDArray[uint8]":
        import numpy as np

        if self._bits == 1:
            return np.packbits(
                np.concatenate([array.astype(np.uint8, copy=False) for array in arrays]), bitorder="little"
            )
        width = self._bits // 8
        kind = np.dtype(f"<u{width if width != 3 else 4}")
        joined = np.concatenate([array.astype(kind, copy=False) for array in arrays]).view(np.uint8)
        return joined if width != 3 else np.ascontiguousarray(joined.reshape(-1, 4)[:, :3])

"""Small whole numbers of many rows as Parquet writes them: a number and how often it comes, or all of them in bits.

Knows: the hybrid of run lengths and packed bits of the published format
(https://github.com/apache/parquet-format/blob/master/Encodings.md). Does not know what the numbers stand for.
"""

from typing import TYPE_CHECKING

from rvsim.logs.export.parquet_metadata import varint

if TYPE_CHECKING:
    from numpy import bool_, integer
    from numpy.typing import NDArray

Pieces = list[bytes | memoryview]
"""Bytes that follow one another; what is repeated is there once, and several times in the list."""
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
        self._width = -(-bits // 8)
        self._runs: list[tuple[int, int] | tuple[None, int]] = []
        """A number and how often it comes, or None and how many numbers are packed."""
        self._packed: list[Pieces] = []
        """The numbers of each None in ``_runs``."""
        self._value = self._count = 0
        """The run that comes next."""

    def add_run(self, value: int, count: int) -> None:
        """Add a number so many times."""
        if value == self._value:
            self._count += count
            return
        if self._count:
            self._end_run()
        self._value, self._count = value, count

    def add(self, values: "NDArray[integer | bool_]", repeats: int = 1) -> None:
        """Add numbers, all of them so many times."""
        if len(values):
            if self._count:
                self._end_run()
            self._pack(self._bytes(values), repeats, len(values) * repeats)

    def _end_run(self) -> None:
        value, count, self._count = self._value, self._count, 0
        if count >= _MIN_RUN:
            self._runs.append((value, count))
        else:
            self._pack(value.to_bytes(self._width, "little") * count, 1, count)

    def _pack(self, piece: bytes | memoryview, repeats: int, count: int) -> None:
        if self._runs and self._runs[-1][0] is None:
            self._runs[-1] = None, self._runs[-1][1] + count
        else:
            self._runs.append((None, count))
            self._packed.append([])
        self._packed[-1] += [piece] * repeats

    def _bytes(self, values: "NDArray[integer | bool_]") -> memoryview:
        """Return numbers as their bytes; those of one bit, which are packed with others, as one byte each."""
        import numpy as np

        if self._width == 1:
            return values.astype(np.uint8, copy=False).data
        if self._width == 3:
            return np.ascontiguousarray(values.astype("<u4", copy=False).view(np.uint8).reshape(-1, 4)[:, :3]).data
        return values.astype(f"<u{self._width}", copy=False).data

    def pieces(self) -> Pieces:
        """Return all that was added, encoded, in pieces that follow one another."""
        if self._count:
            self._end_run()
        found: Pieces = []
        packed = iter(self._packed)
        taken = 0
        for place, (value, count) in enumerate(self._runs):
            if value is not None:
                found.append(varint(count - taken << 1) + value.to_bytes(self._width, "little"))
                taken = 0
                continue
            numbers = next(packed)
            taken = -count % 8
            if taken:  # filled up from the run after them
                after = self._runs[place + 1][0] if place + 1 < len(self._runs) else 0
                assert after is not None
                numbers = [*numbers, after.to_bytes(self._width, "little") * taken]
            found.append(varint(count + taken >> 3 << 1 | 1))
            found += numbers if self._bits > 1 else [_in_bits(numbers)]
        return found

    def encoded(self) -> bytes:
        """Return all that was added, encoded."""
        return b"".join(self.pieces())


def _in_bits(pieces: Pieces) -> bytes:
    """Return numbers of one byte each, 0 or 1, as one bit each."""
    import numpy as np

    return np.packbits(np.frombuffer(b"".join(pieces), np.uint8), bitorder="little").tobytes()

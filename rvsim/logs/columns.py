"""Frames in columns: how many bits each one took, and how busy the pair was by second and by source.

Knows: how frames become arrays, and how the tables of `wire.timing` run over many frames at once: one step for each
byte of a frame, for all frames of a block together. Every figure is that of `exact_bits`, frame by frame. Does not know
formats of logs, nor what frames mean. Works in blocks, so the memory it takes does not grow with the log, but for a
number for each second in which something was sent.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import islice, pairwise
from typing import TYPE_CHECKING, Any

from rvsim.wire.frame import Frame
from rvsim.wire.timing import BIT_RATE, CRC_BEFORE, crc_table, least_bits, most_bits, opening, stuff_table

if TYPE_CHECKING:
    from numpy import int64, integer, intp, uint8, uint32, uint64
    from numpy.typing import NDArray

SECOND = 1_000_000
BLOCK = 1 << 14
"""Frames that are worked on together: their arrays stay within a processor's cache."""


@dataclass(frozen=True, eq=False)
class Columns:
    """Frames as arrays of one length."""

    times: "NDArray[int64]"
    """Microseconds; they never go back."""
    identifiers: "NDArray[uint32]"
    data: "NDArray[uint64]"
    """The bytes as they follow each other, the first one highest; what is behind the last one says nothing."""
    lengths: "NDArray[uint8]"
    """How many bytes each frame has, 0 to 8."""

    def __len__(self) -> int:
        return len(self.times)


def columns(frames: Sequence[Frame]) -> Columns:
    """Return frames in columns.

    Raises:
        ValueError: a frame has more than eight bytes.
    """
    import numpy as np

    times, identifiers, data = zip(*frames, strict=True) if frames else ((), (), ())
    lengths = np.frombuffer(bytes(map(len, data)), np.uint8)
    if len(lengths) and lengths.max() > 8:
        raise ValueError(f"{lengths.max()} bytes do not fit in one frame, which has at most 8")
    filled = b"".join([each.ljust(8, b"\0") for each in data])
    return Columns(
        np.array(times, np.int64),
        np.array(identifiers, np.uint32),
        np.frombuffer(filled, ">u8").astype(np.uint64),
        lengths,
    )


def bits_in(frames: Columns) -> "NDArray[int64]":
    """Return for each frame how many bits it took, stuff bits and the 3 bits between frames included.

    Raises:
        ValueError: an identifier does not fit in 29 bits, or a length is above eight.
    """
    import numpy as np

    if len(frames) and (frames.identifiers.max() >> 29 or frames.lengths.max() > 8):
        raise ValueError("identifiers have 29 bits, and a frame has at most 8 bytes")
    bits = np.empty(len(frames), np.int64)
    for start in range(0, len(frames), BLOCK):
        block = slice(start, start + BLOCK)
        lengths = frames.lengths[block]
        for length in np.flatnonzero(np.bincount(lengths)).tolist():
            here = np.flatnonzero(lengths == length)
            bits[start + here] = _bits(frames.identifiers[block][here], frames.data[block][here], length)
    return bits


@cache
def _tables() -> "tuple[NDArray[intp], NDArray[intp]]":
    import numpy as np

    return np.array(stuff_table(), np.intp), np.array(crc_table(), np.intp)


def _bits(identifiers: "NDArray[uint32]", data: "NDArray[uint64]", length: int) -> "NDArray[intp]":
    """Return the bits of frames that all have the same length."""
    import numpy as np

    stuff, crc = _tables()
    # No index can be outside its table: "clip" only spares the check.
    wide = identifiers.astype(np.uint64)
    start = wide >> 18 << 27 | (wide & 0x3FFFF) << 7 | opening(0, length)
    rows = np.empty((5 + length, len(data)), np.uint8)
    rows[:5] = _bytes(start)[3:]
    rows[5:] = _bytes(data)[:length]
    register = np.full(len(data), CRC_BEFORE, np.intp)
    for row in rows:
        register = (register << 8 & 0x7FFF) ^ crc.take(register >> 7 ^ row, mode="clip")
    end = register << 1 | ~register & 1
    step = np.zeros(len(data), np.intp)
    bits = np.full(len(data), least_bits(length), np.intp)
    for row in (*rows, end >> 8, end & 0xFF):
        step = stuff.take(step & 0x700 | row, mode="clip")
        bits += step & 0xFF
    return bits


def _bytes(numbers: "NDArray[integer[Any]]") -> "NDArray[uint8]":
    """Return the eight bytes of each number, the highest first: one row for each place."""
    import numpy as np

    return numbers.astype(">u8").view(np.uint8).reshape(-1, 8).T


@dataclass(frozen=True)
class Second:
    """One second of the log: when it began, in microseconds, and the bits of its frames, by source address too."""

    start: int
    bits: int
    by_source: Mapping[int, int]


class PairUse:
    """How busy the pair was, exactly; a frame counts whole in the second of its time.

    Seconds are counted from time 0, as in `watch.load`. Of a log of very few frames the average says more than is true:
    the first frame counts, the time that it took does not.
    """

    def __init__(self, bit_rate: int = BIT_RATE) -> None:
        self.bit_rate = bit_rate
        self.frames = 0
        self.bits = 0
        """All bits."""
        self.by_second: dict[int, int] = {}
        """Bits of each second in which there was a frame, by its number."""
        self.by_source: Counter[int] = Counter()
        """Bits by source address."""
        self.worst: Second | None = None
        """The second with the most bits, the first of equals; None without frames."""
        self._in_last: Counter[int] = Counter()
        """Bits by source address of the second that the last frame is in."""
        self._first: int | None = None
        self._last = 0

    def through(self, frames: Iterable[Frame], size: int = BLOCK) -> Iterator[Frame]:
        """Give frames on as they are, counted: ``size`` of them are taken at a time."""
        coming = iter(frames)
        while batch := list(islice(coming, size)):
            self.add(columns(batch))
            yield from batch

    def add(self, frames: Columns) -> None:
        """Count frames that follow those before.

        Raises:
            ValueError: a time goes back, or a frame cannot be one.
        """
        import numpy as np

        if not len(frames):
            return
        times, bits = frames.times, bits_in(frames)
        if (self._first is not None and times[0] < self._last) or (np.diff(times) < 0).any():
            raise ValueError("the time of a frame goes back")
        seconds, sources = times // SECOND, frames.identifiers & 0xFF
        edges = [0, *(np.flatnonzero(np.diff(seconds)) + 1).tolist(), len(times)]
        for start, end in pairwise(edges):
            used = np.bincount(sources[start:end], bits[start:end]).astype(np.int64)
            sent = np.flatnonzero(used)
            self._add(int(seconds[start]), dict(zip(sent.tolist(), used[sent].tolist(), strict=True)))
        self.frames += len(frames)
        self._first = int(times[0]) if self._first is None else self._first
        self._last = int(times[-1])

    def _add(self, second: int, used: Mapping[int, int]) -> None:
        """Count bits by source in the second of the last frame, or in a new one."""
        if second not in self.by_second:
            self._in_last = Counter()
        self._in_last.update(used)
        self.by_source.update(used)
        self.bits += sum(used.values())
        bits = self.by_second[second] = self._in_last.total()
        if self.worst is None or bits > self.worst.bits:
            self.worst = Second(second * SECOND, bits, dict(self._in_last))

    @property
    def average_percent(self) -> float:
        """Load from the first frame to the last, 0 where no time passed."""
        return self.percent(self.bits)

    def percent(self, bits: int) -> float:
        """Return what part so many bits are of those that fit between the first frame and the last."""
        passed = self._last - (self._first or 0)
        return 100 * bits * SECOND / (self.bit_rate * passed) if passed else 0.0

    @property
    def worst_percent(self) -> float:
        """Load of the worst second, 0 without frames."""
        return 100 * (self.bit_rate - self._room) / self.bit_rate

    @property
    def room_percent(self) -> float:
        """What the worst second left free."""
        return 100 * max(0, self._room) / self.bit_rate

    @property
    def room_frames(self) -> int:
        """How many more full frames fit into the worst second, whatever is in them."""
        return max(0, self._room) // most_bits(8)

    @property
    def _room(self) -> int:
        """Bits that the worst second left free; a frame that began before it can make them less than 0."""
        return self.bit_rate - (self.worst.bits if self.worst else 0)

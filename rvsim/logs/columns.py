"""Frames as columns of arrays: how many bits each frame took, and the bus load of a log, by second and by source.

Knows: how frames become arrays, and how the tables of `wire.timing` are applied to many frames at once: one step for
each byte of a frame, for all frames of a block together. Every figure equals that of `exact_bits` for each frame. Does
not know formats of logs, nor what frames mean. Works in blocks, so its memory does not grow with the log.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from rvsim.logs.packed_frames import PackedFrames, pack
from rvsim.watch.bus.bus_load import MAX_POSSIBLE_PERCENT
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import LineEvent, OtherFrame, OtherKind, is_error_frame
from rvsim.wire.timing import (
    BIT_RATE,
    CRC_PRESET,
    ERROR_FRAME_BITS,
    STANDARD_EMPTY_BITS,
    STANDARD_PREFIX,
    crc_table,
    frame_header,
    max_bits,
    min_bits,
    stuff_table,
)

if TYPE_CHECKING:
    from numpy import bool_, int64, integer, intp, uint8, uint32, uint64
    from numpy.typing import NDArray

BLOCK_FRAMES = 1 << 14
"""Frames that are processed together: their arrays stay within a processor's cache."""


@dataclass(frozen=True, eq=False)
class Columns:
    """Frames as arrays of one length."""

    times: "NDArray[int64]"
    """In microseconds; none is earlier than the one before."""
    identifiers: "NDArray[uint32]"
    data: "NDArray[uint64]"
    """The data bytes in their order, the first one highest; the bits after the last byte have no meaning."""
    lengths: "NDArray[uint8]"
    """The number of data bytes of each frame, 0 to 8."""

    def __len__(self) -> int:
        return len(self.times)

    def rows(self, rows: "NDArray[intp] | NDArray[bool_] | slice") -> "Columns":
        """Return some of the frames: those at some positions, or those that are chosen."""
        import numpy as np

        if not isinstance(rows, slice) and rows.dtype == np.bool_:
            rows = np.flatnonzero(rows)  # four times faster than four choices
        return Columns(self.times[rows], self.identifiers[rows], self.data[rows], self.lengths[rows])

    def between(self, first: int, end: int | None = None) -> "Columns":
        """Return the frames from ``first`` up to ``end``, which is not included; None is the last frame."""
        part = slice(first, end)
        return Columns(self.times[part], self.identifiers[part], self.data[part], self.lengths[part])

    def frames(self) -> Iterator[Frame]:
        """Yield the frames one by one."""
        filled = self.data.astype(">u8").tobytes()
        lengths = self.lengths.tolist()
        for place, (time, identifier) in enumerate(zip(self.times.tolist(), self.identifiers.tolist(), strict=True)):
            yield Frame(time, identifier, filled[8 * place : 8 * place + lengths[place]])


def to_columns(frames: Sequence[Frame]) -> Columns:
    """Return frames as columns.

    Raises:
        ValueError: a frame has more than eight bytes.
    """
    import numpy as np

    packed = frames.packed if isinstance(frames, PackedFrames) else pack(frames)
    return Columns(
        np.frombuffer(packed.times, np.int64),
        np.frombuffer(packed.identifiers, np.uint32),
        np.frombuffer(packed.data, ">u8").astype(np.uint64),
        np.frombuffer(packed.lengths, np.uint8),
    )


def frame_bits(frames: Columns) -> "NDArray[int64]":
    """Return the number of bits of each frame, stuff bits and the 3 bits between frames included.

    Raises:
        ValueError: an identifier does not fit in 29 bits, or a length is above eight.
    """
    return _by_length(frames, _bits, 29)


def standard_frame_bits(frames: Columns) -> "NDArray[int64]":
    """Return the number of bits of each frame, as ``frame_bits`` does, where the identifiers have 11 bits.

    Raises:
        ValueError: an identifier does not fit in 11 bits, or a length is above eight.
    """
    return _by_length(frames, _standard_bits, 11)


def _by_length(
    frames: Columns, bits_of: "Callable[[NDArray[uint32], NDArray[uint64], int], NDArray[intp]]", identifier_bits: int
) -> "NDArray[int64]":
    """Return the number of bits of each frame, by a function for frames that all have one length."""
    import numpy as np

    if len(frames) and (frames.identifiers.max() >> identifier_bits or frames.lengths.max() > 8):
        raise ValueError(f"identifiers have {identifier_bits} bits, and a frame has at most 8 bytes")
    bits = np.empty(len(frames), np.int64)
    for start in range(0, len(frames), BLOCK_FRAMES):
        block = slice(start, start + BLOCK_FRAMES)
        lengths = frames.lengths[block]
        for length in np.flatnonzero(np.bincount(lengths)).tolist():
            here = np.flatnonzero(lengths == length)
            bits[start + here] = bits_of(frames.identifiers[block][here], frames.data[block][here], length)
    return bits


@cache
def _tables() -> "tuple[NDArray[intp], NDArray[intp]]":
    import numpy as np

    return np.array(stuff_table(), np.intp), np.array(crc_table(), np.intp)


def _bits(identifiers: "NDArray[uint32]", data: "NDArray[uint64]", length: int) -> "NDArray[intp]":
    """Return the bits of frames that all have the same length."""
    import numpy as np

    wide = identifiers.astype(np.uint64)
    start = wide >> 18 << 27 | (wide & 0x3FFFF) << 7 | frame_header(0, length)
    rows = [*_bytes(start)[3:], *_bytes(data)[:length]]
    return min_bits(length) + _stuff_bits(rows, _crc(rows, CRC_PRESET))


def _standard_bits(identifiers: "NDArray[uint32]", data: "NDArray[uint64]", length: int) -> "NDArray[intp]":
    """Return the bits of frames with 11-bit identifiers that all have the same length."""
    import numpy as np

    start = identifiers.astype(np.uint64) << 7 | length
    content = [*_bytes(data)[:length]]
    crc = _crc([*_bytes(start)[5:], *content], 0)
    return STANDARD_EMPTY_BITS + 8 * length + _stuff_bits([*_bytes(start | STANDARD_PREFIX)[5:], *content], crc)


# In both tables no index can be outside: "clip" only spares the check.


def _crc(rows: "Sequence[NDArray[uint8]]", preset: int) -> "NDArray[intp]":
    """Return the CRC register of many frames after some bytes: one row for each position."""
    import numpy as np

    table = _tables()[1]
    register = np.full(len(rows[0]), preset, np.intp)
    for row in rows:
        register = (register << 8 & 0x7FFF) ^ table.take(register >> 7 ^ row, mode="clip")
    return register


def _stuff_bits(rows: "Sequence[NDArray[uint8]]", crc: "NDArray[intp]") -> "NDArray[intp]":
    """Return the stuff bits of many frames in some bytes, one row for each position, and in the CRC behind them."""
    import numpy as np

    table = _tables()[0]
    step, bits = np.zeros(len(crc), np.intp), np.zeros(len(crc), np.intp)
    end = crc << 1 | ~crc & 1
    for row in (*rows, end >> 8, end & 0xFF):
        step = table.take(step & 0x700 | row, mode="clip")
        bits += step & 0xFF
    return bits


def _bytes(numbers: "NDArray[integer[Any]]") -> "NDArray[uint8]":
    """Return the eight bytes of each number, the highest first: one row for each position."""
    import numpy as np

    return numbers.astype(">u8").view(np.uint8).reshape(-1, 8).T


_KIND_NUMBERS = {kind: 0x100 + number for number, kind in enumerate(OtherKind)}
_KIND_NAMES = {number: str(kind) for kind, number in _KIND_NUMBERS.items()}
"""Numbers above the source addresses, for frames that have no source address."""
_TOLERATED_BITS = round((MAX_POSSIBLE_PERCENT / 100 - 1) * BIT_RATE)
"""Bits by which a log may exceed its time before its times count as impossible."""
BusUser = int | str
"""Who used the bus: a source address, or the kind of a frame that has none."""


@dataclass(frozen=True)
class BusySecond:
    """One second of the log, up to its ``end`` in microseconds, and the bits of its frames, by user too."""

    end: int
    bits: int
    by_user: Mapping[BusUser, int]

    @property
    def start(self) -> int:
        """The start of the second, in microseconds; not before the start of the log."""
        return max(0, self.end - SECOND_US)


class LogLoad:
    """The exact bus load of a log; a frame counts in full in the second of its time.

    The peak is the busiest second, wherever it starts. The average is that of the log's whole seconds, counted from the
    start of its first frame, and therefore never above the peak; frames after the last whole second do not count in the
    average. A log that is shorter than a second has an average and no peak.
    """

    def __init__(self, bit_rate: int = BIT_RATE) -> None:
        self.bit_rate = bit_rate
        self.frames = 0
        """Frames with 29-bit identifiers; all others count in bits only."""
        self.bits = 0
        """The bits of all frames."""
        self.by_user: Counter[BusUser] = Counter()
        """Bits by source address, or by the kind of frame."""
        self._peak = BusySecond(0, 0, {})
        self._whole_seconds = self._whole_bits = 0
        self._began: int | None = None
        self._first = self._last = 0
        self._recent: tuple[NDArray[int64], NDArray[int64], NDArray[int64]] | None = None
        """Times, bits and users of the frames of the last second."""

    def add_contents(self, contents: Sequence[Frame | LineEvent]) -> None:
        """Count the next frames of a log, and the other events on its wires."""
        frames = [entry for entry in contents if isinstance(entry, Frame)]
        others: list[OtherFrame] = []
        if len(frames) != len(contents):
            others = [other for entry in contents if (other := other_frame(entry)) is not None]
        self.add(to_columns(frames), others)

    def add(self, frames: Columns, others: Sequence[OtherFrame] = (), bits: "NDArray[int64] | None" = None) -> None:
        """Count the next frames of a log, and the other frames between them; ``bits`` are those of the frames.

        Raises:
            ValueError: a time goes back, or an identifier or a length is impossible.
        """
        import numpy as np

        times, users = frames.times, (frames.identifiers & 0xFF).astype(np.int64)
        bits = frame_bits(frames) if bits is None else bits
        if others:
            added = np.array([(other.time, other.bits, _KIND_NUMBERS[other.kind]) for other in others], np.int64).T
            times, bits, users = (np.concatenate(pair) for pair in zip((times, bits, users), added, strict=True))
            order = np.argsort(times, kind="stable")
            times, bits, users = times[order], bits[order], users[order]
        if not len(times):
            return
        if (self._began is not None and times[0] < self._last) or (np.diff(times) < 0).any():
            raise ValueError("the time of a frame goes back")
        if self._began is None:
            self._first = int(times[0])
            self._began = self._first - int(bits[0]) * SECOND_US // self.bit_rate
        self._add_average(times, bits, self._began)
        self._add_peak(times, bits, users)
        self.by_user.update(_by_user(users, bits))
        self.bits += int(bits.sum())
        self.frames += len(frames)
        self._last = int(times[-1])

    def _add_average(self, times: "NDArray[int64]", bits: "NDArray[int64]", began: int) -> None:
        """Count the bits of the whole seconds up to now."""
        whole = (int(times[-1]) - began) // SECOND_US
        if whole > self._whole_seconds:
            within = int(times.searchsorted(began + whole * SECOND_US, "right"))
            self._whole_seconds, self._whole_bits = whole, self.bits + int(bits[:within].sum())

    def _add_peak(self, times: "NDArray[int64]", bits: "NDArray[int64]", users: "NDArray[int64]") -> None:
        """Find the busiest of the seconds that end with one of these frames."""
        import numpy as np

        before = 0
        if self._recent is not None:
            before = len(self._recent[0])
            times, bits, users = (np.concatenate(pair) for pair in zip(self._recent, (times, bits, users), strict=True))
        if _most_in_two_seconds(times, bits) <= self._peak.bits:
            kept = int(times.searchsorted(times[-1] - SECOND_US, "right"))
            self._recent = times[kept:], bits[kept:], users[kept:]
            return
        sums = np.concatenate(([0], np.cumsum(bits)))
        first = times.searchsorted(times[before:] - SECOND_US, "right")
        held = sums[before + 1 :] - sums[first]
        most = int(held.argmax())
        if held[most] > self._peak.bits:
            inside = slice(int(first[most]), before + most + 1)
            self._peak = BusySecond(int(times[before + most]), int(held[most]), _by_user(users[inside], bits[inside]))
        kept = int(first[-1])
        self._recent = times[kept:], bits[kept:], users[kept:]

    @property
    def peak(self) -> BusySecond | None:
        """The second with the most bits, wherever it starts, the first of equals; None in a log without a second."""
        return self._peak if self._whole_seconds else None

    @property
    def average_percent(self) -> float:
        """The load over the whole seconds of the log; over all of a shorter log; 0 where no time passed."""
        if self._whole_seconds:
            return 100 * self._whole_bits / (self.bit_rate * self._whole_seconds)
        passed = self._last - (self._began or 0)
        return 100 * self.bits * SECOND_US / (self.bit_rate * passed) if self._last > self._first else 0.0

    @property
    def is_impossible(self) -> bool:
        """Whether a second, or all of a shorter log, has more bits than fit: times or bit rate are wrong."""
        if self._whole_seconds:
            return self.peak_percent > MAX_POSSIBLE_PERCENT
        passed = self._last - (self._began or 0)
        return self.bits > self.bit_rate * passed / SECOND_US + _TOLERATED_BITS

    @property
    def peak_percent(self) -> float:
        """The load of the busiest second, 0 without one."""
        return 100 * (self.bit_rate - self._room) / self.bit_rate

    @property
    def room_percent(self) -> float:
        """The share of the busiest second that is free, in percent."""
        return 100 * max(0, self._room) / self.bit_rate

    @property
    def room_frames(self) -> int:
        """How many more frames of 8 bytes fit into the busiest second, whatever their content."""
        return max(0, self._room) // max_bits(8)

    @property
    def _room(self) -> int:
        """The free bits of the busiest second; below 0 if a frame started before it."""
        return self.bit_rate - (self.peak.bits if self.peak else 0)


def _most_in_two_seconds(times: "NDArray[int64]", bits: "NDArray[int64]") -> int:
    """Return the most bits of two whole seconds in a row: no second has more, wherever it starts."""
    import numpy as np

    seconds = times // SECOND_US
    starts = np.flatnonzero(np.concatenate(([True], seconds[1:] != seconds[:-1])))
    sums = np.add.reduceat(bits, starts)
    follows = np.diff(seconds[starts]) == 1
    return int(max(sums.max(), (sums[1:] + sums[:-1])[follows].max(initial=0)))


def _by_user(users: "NDArray[int64]", bits: "NDArray[int64]") -> dict[BusUser, int]:
    """Return the bits of each user."""
    import numpy as np

    used = np.bincount(users, bits).astype(np.int64)
    sent = np.flatnonzero(used)
    named = (_KIND_NAMES.get(number, number) for number in sent.tolist())
    return dict(zip(named, used[sent].tolist(), strict=True))


def other_frame(entry: Frame | LineEvent) -> OtherFrame | None:
    """Return the frame of another kind that an entry of a log stands for, None where it stands for none."""
    if isinstance(entry, OtherFrame):
        return entry
    is_error = not isinstance(entry, Frame) and is_error_frame(entry)
    return OtherFrame(entry.time, OtherKind.ERROR, ERROR_FRAME_BITS) if is_error else None

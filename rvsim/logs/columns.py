"""Frames in columns: how many bits each one took, and how busy the pair was over any second and by source.

Knows: how frames become arrays, and how the tables of `wire.timing` run over many frames at once: one step for each
byte of a frame, for all frames of a block together. Every figure is that of `exact_bits`, frame by frame. Does not know
formats of logs, nor what frames mean. Works in blocks, so the memory it takes does not grow with the log.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from rvsim.watch.bus.bus_load import MAX_POSSIBLE_PERCENT
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import LineEvent, OtherFrame, OtherKind, is_error_frame
from rvsim.wire.timing import (
    BIT_RATE,
    CRC_PRESET,
    ERROR_FRAME_BITS,
    crc_table,
    frame_header,
    max_bits,
    min_bits,
    stuff_table,
)

if TYPE_CHECKING:
    from numpy import int64, integer, intp, uint8, uint32, uint64
    from numpy.typing import NDArray

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
    start = wide >> 18 << 27 | (wide & 0x3FFFF) << 7 | frame_header(0, length)
    rows = np.empty((5 + length, len(data)), np.uint8)
    rows[:5] = _bytes(start)[3:]
    rows[5:] = _bytes(data)[:length]
    register = np.full(len(data), CRC_PRESET, np.intp)
    for row in rows:
        register = (register << 8 & 0x7FFF) ^ crc.take(register >> 7 ^ row, mode="clip")
    end = register << 1 | ~register & 1
    step = np.zeros(len(data), np.intp)
    bits = np.full(len(data), min_bits(length), np.intp)
    for row in (*rows, end >> 8, end & 0xFF):
        step = stuff.take(step & 0x700 | row, mode="clip")
        bits += step & 0xFF
    return bits


def _bytes(numbers: "NDArray[integer[Any]]") -> "NDArray[uint8]":
    """Return the eight bytes of each number, the highest first: one row for each place."""
    import numpy as np

    return numbers.astype(">u8").view(np.uint8).reshape(-1, 8).T


_KINDS = {kind: 0x100 + number for number, kind in enumerate(OtherKind)}
_NAMES = {number: str(kind) for kind, number in _KINDS.items()}
"""Numbers behind the source addresses, for frames that have none."""
_UNPROVEN_BITS = round((MAX_POSSIBLE_PERCENT / 100 - 1) * BIT_RATE)
"""So many bits more than fit into a time prove nothing."""
FrameSource = int | str
"""Who used the pair: a source address, or the kind of a frame that has none."""


@dataclass(frozen=True)
class Second:
    """One second of the log, up to its ``end`` in microseconds, and the bits of its frames, by user too."""

    end: int
    bits: int
    by_user: Mapping[FrameSource, int]

    @property
    def start(self) -> int:
        """When it began; not before the log did."""
        return max(0, self.end - SECOND_US)


class PairUse:
    """How busy the pair was, exactly; a frame counts whole in the second of its time.

    The worst second is one wherever it begins. The average is that of the log's whole seconds, counted from the start
    of its first frame, and therefore never above the worst; what comes behind the last of them counts to neither that
    nor to any second of its own. A log that is shorter than a second has an average and no worst second.
    """

    def __init__(self, bit_rate: int = BIT_RATE) -> None:
        self.bit_rate = bit_rate
        self.frames = 0
        """Frames of this network; all others count in bits only."""
        self.bits = 0
        """All bits."""
        self.by_user: Counter[FrameSource] = Counter()
        """Bits by source address, or by the kind of frame."""
        self._worst = Second(0, 0, {})
        self._whole_seconds = self._whole_bits = 0
        self._began: int | None = None
        self._first = self._last = 0
        self._recent: tuple[NDArray[int64], NDArray[int64], NDArray[int64]] | None = None
        """Times, bits and users of the last second."""

    def add_contents(self, contents: Sequence[Frame | LineEvent]) -> None:
        """Count frames, and what else is told, that follow those before."""
        frames = [one for one in contents if isinstance(one, Frame)]
        others = (
            [] if len(frames) == len(contents) else [other for one in contents if (other := _other(one)) is not None]
        )
        self.add(columns(frames), others)

    def add(self, frames: Columns, others: Sequence[OtherFrame] = ()) -> None:
        """Count frames, and what else took the pair, that follow those before.

        Raises:
            ValueError: a time goes back, or a frame cannot be one.
        """
        import numpy as np

        times, bits, users = frames.times, bits_in(frames), (frames.identifiers & 0xFF).astype(np.int64)
        if others:
            told = np.array([(other.time, other.bits, _KINDS[other.kind]) for other in others], np.int64).T
            times, bits, users = (np.concatenate(pair) for pair in zip((times, bits, users), told, strict=True))
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
        self._add_worst(times, bits, users)
        self.by_user.update(_by_user(users, bits))
        self.bits += int(bits.sum())
        self.frames += len(frames)
        self._last = int(times[-1])

    def _add_average(self, times: "NDArray[int64]", bits: "NDArray[int64]", began: int) -> None:
        """Count the bits of the seconds that are whole by now."""
        whole = (int(times[-1]) - began) // SECOND_US
        if whole > self._whole_seconds:
            within = int(times.searchsorted(began + whole * SECOND_US, "right"))
            self._whole_seconds, self._whole_bits = whole, self.bits + int(bits[:within].sum())

    def _add_worst(self, times: "NDArray[int64]", bits: "NDArray[int64]", users: "NDArray[int64]") -> None:
        """Find the worst of the seconds that end with one of these frames."""
        import numpy as np

        before = 0
        if self._recent is not None:
            before = len(self._recent[0])
            times, bits, users = (np.concatenate(pair) for pair in zip(self._recent, (times, bits, users), strict=True))
        sums = np.concatenate(([0], np.cumsum(bits)))
        first = times.searchsorted(times[before:] - SECOND_US, "right")
        held = sums[before + 1 :] - sums[first]
        most = int(held.argmax())
        if held[most] > self._worst.bits:
            inside = slice(int(first[most]), before + most + 1)
            self._worst = Second(int(times[before + most]), int(held[most]), _by_user(users[inside], bits[inside]))
        kept = int(first[-1])
        self._recent = times[kept:], bits[kept:], users[kept:]

    @property
    def worst(self) -> Second | None:
        """The second with the most bits, wherever it begins, the first of equals; None in a log that has no second."""
        return self._worst if self._whole_seconds else None

    @property
    def average_percent(self) -> float:
        """Load over the whole seconds of the log; over all of it where it is shorter; 0 where no time passed."""
        if self._whole_seconds:
            return 100 * self._whole_bits / (self.bit_rate * self._whole_seconds)
        passed = self._last - (self._began or 0)
        return 100 * self.bits * SECOND_US / (self.bit_rate * passed) if self._last > self._first else 0.0

    @property
    def is_impossible(self) -> bool:
        """Whether more bits stand in a second, or in all of a shorter log, than fit: times or bit rate are wrong."""
        if self._whole_seconds:
            return self.worst_percent > MAX_POSSIBLE_PERCENT
        passed = self._last - (self._began or 0)
        return self.bits > self.bit_rate * passed / SECOND_US + _UNPROVEN_BITS

    @property
    def worst_percent(self) -> float:
        """Load of the worst second, 0 without one."""
        return 100 * (self.bit_rate - self._room) / self.bit_rate

    @property
    def room_percent(self) -> float:
        """What the worst second left free."""
        return 100 * max(0, self._room) / self.bit_rate

    @property
    def room_frames(self) -> int:
        """How many more full frames fit into the worst second, whatever is in them."""
        return max(0, self._room) // max_bits(8)

    @property
    def _room(self) -> int:
        """Bits that the worst second left free; a frame that began before it can make them less than 0."""
        return self.bit_rate - (self.worst.bits if self.worst else 0)


def _by_user(users: "NDArray[int64]", bits: "NDArray[int64]") -> dict[FrameSource, int]:
    """Return the bits of each user."""
    import numpy as np

    used = np.bincount(users, bits).astype(np.int64)
    sent = np.flatnonzero(used)
    named = (_NAMES.get(number, number) for number in sent.tolist())
    return dict(zip(named, used[sent].tolist(), strict=True))


def _other(told: Frame | LineEvent) -> OtherFrame | None:
    """Return what took the pair beside our frames."""
    if isinstance(told, OtherFrame):
        return told
    is_error = not isinstance(told, Frame) and is_error_frame(told)
    return OtherFrame(told.time, OtherKind.ERROR, ERROR_FRAME_BITS) if is_error else None

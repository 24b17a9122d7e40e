"""Frames as four strings of bytes: a fifth of the room of frames, quickly passed to another process, quickly columns.

Knows: how times, identifiers, data and lengths lie in memory, by the widths of the columns. Does not know columns
(`columns`), formats of logs, processes, nor what frames mean.
"""

from array import array
from collections.abc import Iterator, Sequence
from typing import NamedTuple, overload

from rvsim.wire.frame import Frame, PlainFrame, as_frames

_MOST = 8
"""Data bytes of a frame."""


class Packed(NamedTuple):
    """Frames as bytes, one column after the other, in the order of bytes of this machine."""

    times: bytes = b""
    """In microseconds, 8 bytes each."""
    identifiers: bytes = b""
    """4 bytes each."""
    data: bytes = b""
    """8 bytes each, the unused ones zero."""
    lengths: bytes = b""
    """The number of data bytes, one byte each."""


def pack(frames: Sequence[PlainFrame]) -> Packed:
    """Return frames as bytes.

    Raises:
        ValueError: a frame has more than eight bytes.
    """
    if not frames:
        return Packed()
    times, identifiers, data = zip(*frames, strict=True)
    lengths = bytes(map(len, data))
    if lengths.count(_MOST) < len(lengths):
        if max(lengths) > _MOST:
            raise ValueError(f"{max(lengths)} bytes do not fit in one frame, which has at most 8")
        data = tuple([payload.ljust(_MOST, b"\0") for payload in data])
    return Packed(array("q", times).tobytes(), array("I", identifiers).tobytes(), b"".join(data), lengths)


def join(parts: Sequence[Packed]) -> Packed:
    """Return the frames of several parts, one part after the other."""
    return parts[0] if len(parts) == 1 else Packed(*map(b"".join, zip(*parts, strict=True)))


class PackedFrames(Sequence[Frame]):
    """Packed frames as a sequence: a frame is made only when somebody asks for it."""

    def __init__(self, packed: Packed) -> None:
        self.packed = packed
        self._times = memoryview(packed.times).cast("q")
        self._identifiers = memoryview(packed.identifiers).cast("I")

    def __len__(self) -> int:
        return len(self.packed.lengths)

    def between(self, first: int, end: int) -> Packed:
        """Return the frames from ``first`` up to ``end``, which is not included, packed."""
        times, identifiers, data, lengths = self.packed
        return Packed(
            times[8 * first : 8 * end], identifiers[4 * first : 4 * end], data[8 * first : 8 * end], lengths[first:end]
        )

    @overload
    def __getitem__(self, place: int) -> Frame: ...
    @overload
    def __getitem__(self, place: slice) -> list[Frame]: ...
    def __getitem__(self, place: int | slice) -> Frame | list[Frame]:
        places = range(len(self))[place]
        if isinstance(places, int):
            return self._frame(places)
        return [self._frame(one) for one in places] if places.step != 1 else self._frames(places.start, places.stop)

    def __iter__(self) -> Iterator[Frame]:
        return iter(self._frames(0, len(self)))

    def _frame(self, place: int) -> Frame:
        start = 8 * place
        data = self.packed.data[start : start + self.packed.lengths[place]]
        return Frame(self._times[place], self._identifiers[place], data)

    def _frames(self, first: int, end: int) -> list[Frame]:
        data = self.packed.data
        payloads = [
            data[start : start + length]
            for start, length in zip(range(8 * first, 8 * end, 8), self.packed.lengths[first:end], strict=True)
        ]
        times, identifiers = self._times[first:end].tolist(), self._identifiers[first:end].tolist()
        return as_frames(zip(times, identifiers, payloads, strict=True))

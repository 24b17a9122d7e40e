"""One frame as it was on the bus.

Knows: a time, a 29-bit identifier, up to eight bytes. Does not know what they mean, nor the message class of any
library.
"""

from collections.abc import Iterable
from itertools import repeat
from typing import NamedTuple

SECOND_US = 1_000_000
"""Microseconds in a second."""
PlainFrame = tuple[int, int, bytes]
"""Time, identifier and data of a frame. A simulation makes these, since a ``Frame`` takes several times as long."""
_new = tuple.__new__
"""Makes a frame in half the time of its constructor."""


class Frame(NamedTuple):
    """One classic CAN data frame with a 29-bit identifier; immutable.

    ``time`` is in integer microseconds since the start of the run or log.
    """

    time: int
    identifier: int
    data: bytes

    def __str__(self) -> str:
        return f"{self.identifier:08X} {self.data.hex(' ').upper()}".rstrip()


def as_frame(plain: PlainFrame) -> Frame:
    """Return a plain frame as a frame."""
    return _new(Frame, plain)


def as_frames(plain: Iterable[PlainFrame]) -> list[Frame]:
    """Return plain frames as frames."""
    return list(map(_new, repeat(Frame), plain))

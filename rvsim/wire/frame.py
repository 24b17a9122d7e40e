"""One frame as it was on the pair of wires.

Knows: a time, a 29-bit identifier, up to eight bytes. Does not know what they mean, nor any library's
message class.
"""

from typing import NamedTuple

SECOND_US = 1_000_000
"""Microseconds in a second."""


class Frame(NamedTuple):
    """One classic CAN data frame with a 29-bit identifier; immutable.

    ``time`` is in integer microseconds since the start of the run or log.
    """

    time: int
    identifier: int
    data: bytes

    def __str__(self) -> str:
        return f"{self.identifier:08X} {self.data.hex(' ').upper()}".rstrip()

"""The reader of network captures in the older format, .pcap, with CAN frames.

Knows: both byte orders, microseconds and nanoseconds. Does not know the content of packets: `socketcan` does. Layout:
the draft "PCAP Capture File Format" of the IETF, from memory, with no copy at hand.
"""

import re
import struct
from collections.abc import Iterator
from itertools import chain
from typing import ClassVar

from rvsim.logs.formats.entry import BinaryReader, CutOffError, ReadEntry, UnreadableError
from rvsim.logs.formats.packet_records import MAX_RECORD_BYTES, RecordFinder
from rvsim.logs.formats.socketcan import SocketcanPackets
from rvsim.wire.frame import SECOND_US

_MICROSECONDS, _NANOSECONDS = 0xA1B2C3D4, 0xA1B23C4D
_HEAD_BYTES = 24
_HEADER_BYTES = 16
_MIN_PACKET_BYTES = 8
"""A packet with a CAN frame has its identifier and its length at least."""
_LINK_TYPE_BITS = 0x0FFF_FFFF
"""The bits of the link type; the others tell of checksums."""
_SIZES = {">": re.compile(rb"(\0\0\0[\x08-\x60])\1"), "<": re.compile(rb"([\x08-\x60]\0\0\0)\1")}
"""The two equal sizes of a packet with a CAN frame: 8 to 96 bytes, whatever is around the frame."""
_SIZES_OFFSET = 8


class PcapReader(BinaryReader):
    """Reads one capture; its times count from the epoch."""

    kind: ClassVar[str] = "network capture (.pcap)"
    marks: ClassVar[tuple[bytes, ...]] = tuple(
        struct.pack(f"{order}L", number) for number in (_MICROSECONDS, _NANOSECONDS) for order in "<>"
    )

    def __init__(self) -> None:
        self._packets = SocketcanPackets()
        self._header = struct.Struct(">LLLL")
        self._link_type = 0
        self._fractions = SECOND_US

    def entries(self, blocks: Iterator[bytes]) -> Iterator[tuple[int, ReadEntry | UnreadableError]]:
        """Yield each entry and each damaged part of the capture with its position in bytes."""
        held = b""
        while len(held) < _HEAD_BYTES and (block := next(blocks, None)) is not None:
            held += block
        if len(held) < _HEAD_BYTES:
            yield 0, CutOffError("cut off in the first bytes")
            return
        order = ">" if held[0] == 0xA1 else "<"
        number, self._link_type = struct.unpack_from(f"{order}L16xL", held)
        self._header = struct.Struct(f"{order}LLLL")
        self._fractions = SECOND_US if number == _MICROSECONDS else 1000 * SECOND_US
        finder = RecordFinder(_HEAD_BYTES, self._size_at, _SIZES[order], _SIZES_OFFSET)
        for block in chain([held[_HEAD_BYTES:]], blocks, [None]):
            for position, found in finder.feed(block):
                yield position, found if isinstance(found, UnreadableError) else self._read(found)

    def _size_at(self, held: bytes, place: int) -> int:
        _, fraction, size, length = self._header.unpack_from(held, place)
        is_packet = fraction < self._fractions and _MIN_PACKET_BYTES <= size <= length <= MAX_RECORD_BYTES
        return _HEADER_BYTES + int(size) if is_packet else 0

    def _read(self, record: bytes) -> ReadEntry | UnreadableError:
        second, fraction, _, _ = self._header.unpack_from(record)
        time = second * SECOND_US + (fraction * SECOND_US + self._fractions // 2) // self._fractions
        try:
            return self._packets.read(self._link_type & _LINK_TYPE_BITS, record[_HEADER_BYTES:], time, None)
        except UnreadableError as why:
            return why

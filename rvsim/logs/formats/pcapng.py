"""The reader of network captures in the newer format, .pcapng, with CAN frames.

Knows: sections in both byte orders, several interfaces, each a channel with a unit of time of its own. Does not know
the content of packets: `socketcan` does. Layout: the draft "PCAP Next Generation" of the IETF, from memory, with no
copy at hand.
"""

import re
import struct
from collections.abc import Iterator
from itertools import chain
from typing import ClassVar, NamedTuple

from rvsim.logs.formats.entry import BinaryReader, ReadEntry, UnreadableError, checked_time
from rvsim.logs.formats.packet_records import MAX_RECORD_BYTES, RecordFinder
from rvsim.logs.formats.socketcan import SocketcanPackets
from rvsim.wire.frame import SECOND_US

_SECTION, _INTERFACE, _OLD_PACKET, _SIMPLE_PACKET, _PACKET = 0x0A0D0D0A, 1, 2, 3, 6
"""The types of blocks that are read; that of a section is the same in both byte orders."""
_BYTE_ORDERS = {b"\x1a\x2b\x3c\x4d": ">", b"\x4d\x3c\x2b\x1a": "<"}
_MIN_BLOCK_BYTES = 12
_NAME, _UNIT, _OFFSET = 2, 9, 14
"""Options of an interface: its name, its unit of time, the seconds that are added to its times."""
_PACKET_START = {">": re.compile(rb"\0\0\0\x06\0[\0-\3]"), "<": re.compile(rb"\x06\0\0\0.[\0-\3]\0\0", re.DOTALL)}
"""The type and the size of a block with a packet."""


class _Interface(NamedTuple):
    """One interface; ``ticks`` is how many units of its times are in a second, ``offset`` in seconds."""

    link_type: int
    name: bytes
    ticks: int = SECOND_US
    offset: int = 0


class PcapngReader(BinaryReader):
    """Reads one capture; its times count from the epoch."""

    kind: ClassVar[str] = "network capture (.pcapng)"
    marks: ClassVar[tuple[bytes, ...]] = (struct.pack(">L", _SECTION),)

    def __init__(self) -> None:
        self._packets = SocketcanPackets()
        self._order = "<"
        self._interfaces: list[_Interface] = []

    def entries(self, blocks: Iterator[bytes]) -> Iterator[tuple[int, ReadEntry | UnreadableError]]:
        """Yield each entry and each damaged part of the capture with its position in bytes."""
        start = b""
        while len(start) < _MIN_BLOCK_BYTES and (block := next(blocks, None)) is not None:
            start += block
        self._order = _BYTE_ORDERS.get(start[8:12], "<")
        finder = RecordFinder(0, self._size_at, _PACKET_START[self._order], 0)
        for block in chain([start], blocks, [None]):
            for position, found in finder.feed(block):
                entry = found if isinstance(found, UnreadableError) else self._read(found)
                if entry is not None:
                    yield position, entry

    def _size_at(self, held: bytes, place: int) -> int:
        order = self._order
        if held.startswith(self.marks, place):
            order = _BYTE_ORDERS.get(held[place + 8 : place + 12], "")
            if not order:
                return 0
        size = int(struct.unpack_from(f"{order}L", held, place + 4)[0])
        if size % 4 or not _MIN_BLOCK_BYTES <= size <= MAX_RECORD_BYTES:
            return 0
        end = held[place + size - 4 : place + size]
        return size if len(end) < 4 or end == held[place + 4 : place + 8] else 0

    def _read(self, block: bytes) -> ReadEntry | UnreadableError:
        try:
            return self._entry(block)
        except struct.error:
            return UnreadableError("a block that is cut off")
        except UnreadableError as why:
            return why

    def _entry(self, block: bytes) -> ReadEntry:
        order = self._order
        (type_,) = struct.unpack_from(f"{order}L", block)
        body = block[8:-4]
        if type_ == _SECTION:
            self._order, self._interfaces = _BYTE_ORDERS[block[8:12]], []
        elif type_ == _INTERFACE:
            self._interfaces.append(self._interface(body))
        elif type_ == _PACKET:
            number, high, low, size = struct.unpack_from(f"{order}LLLL4x", body)
            return self._packet(number, high << 32 | low, body[20 : 20 + size])
        elif type_ == _OLD_PACKET:
            number, high, low, size = struct.unpack_from(f"{order}H2xLLL4x", body)
            return self._packet(number, high << 32 | low, body[20 : 20 + size])
        elif type_ == _SIMPLE_PACKET:
            (size,) = struct.unpack_from(f"{order}L", body)
            return self._packet(0, None, body[4 : 4 + size])
        return None

    def _packet(self, number: int, ticks: int | None, packet: bytes) -> ReadEntry:
        if number >= len(self._interfaces):
            raise UnreadableError(f"a packet of interface {number}, which is not described")
        interface = self._interfaces[number]
        time = None
        if ticks is not None:
            time = checked_time(
                (ticks * SECOND_US + interface.ticks // 2) // interface.ticks + interface.offset * SECOND_US
            )
        return self._packets.read(interface.link_type, packet, time, interface.name)

    def _interface(self, body: bytes) -> _Interface:
        (link_type,) = struct.unpack_from(f"{self._order}H", body)
        name, ticks, offset = b"%d" % len(self._interfaces), SECOND_US, 0
        for option, value in self._options(body[8:]):
            if option == _NAME:
                name = value.rstrip(b"\0") or name
            elif option == _UNIT and value:
                ticks = 2 ** (value[0] & 0x7F) if value[0] & 0x80 else 10 ** value[0]
            elif option == _OFFSET and len(value) == 8:
                offset = int(struct.unpack(f"{self._order}q", value)[0])
        return _Interface(link_type, name, ticks, offset)

    def _options(self, body: bytes) -> Iterator[tuple[int, bytes]]:
        place = 0
        while len(body) - place >= 4:
            option, size = struct.unpack_from(f"{self._order}HH", body, place)
            if not option:
                return
            yield option, body[place + 4 : place + 4 + size]
            place += 4 + (size + 3) // 4 * 4

"""CAN frames in packets of a network capture, as Linux gives them.

Knows: the link types of captures that contain CAN frames. Does not know capture files. Layouts: LINKTYPE_CAN_SOCKETCAN,
LINKTYPE_LINUX_SLL and LINKTYPE_LINUX_SLL2 (tcpdump.org/linktypes.html), and include/uapi/linux/can.h of Linux; from
memory, with no copy at hand.
"""

import struct

from rvsim.logs.formats.entry import (
    ERROR_FLAG,
    MAX_DATA_BYTES,
    EntryKind,
    LogEntry,
    ReadEntry,
    SkippedEntry,
    UnreadableError,
    other_frame,
)
from rvsim.wire.error_report import linux_report

SOCKETCAN, COOKED, COOKED_2 = 227, 113, 276
"""Link types: CAN frames; packets of any kind, in two versions."""
_CAN = struct.Struct(">LBB2x")
"""Identifier with flags, number of data bytes, FD flags; the data follows."""
_COOKED, _COOKED_2 = struct.Struct(">14xH"), struct.Struct(">H2xL12x")
"""What is before the frame in a packet of any kind: the protocol; in the second version also the interface."""
_CAN_PROTOCOL, _FD_PROTOCOLS = 0x000C, (0x000D, 0x000E)
"""Protocols (Linux, include/uapi/linux/if_ether.h): CAN; CAN with flexible data rate, and CAN XL."""
_EXTENDED, _REMOTE = 0x8000_0000, 0x4000_0000
_IDENTIFIER, _STANDARD = 0x1FFF_FFFF, 0x7FF
_FD_FLAG, _XL_FLAG = 0x04, 0x80
"""The flag of a frame with flexible data rate; that of CAN XL, in the place of the length."""


class SocketcanPackets:
    """Reads the packets of one capture."""

    def __init__(self) -> None:
        self._is_reversed = False
        """Whether identifiers are little-endian, as some kernels leave them in packets of any kind."""

    def read(self, link_type: int, packet: bytes, time: int | None, channel: bytes | None) -> ReadEntry:
        """Return the frame in a packet.

        Raises:
            UnreadableError: the packet is cut off, or of another link type.
        """
        try:
            if link_type == SOCKETCAN:
                return self._frame(packet, time, channel)
            if link_type == COOKED:
                (protocol,), body = _COOKED.unpack_from(packet), packet[_COOKED.size :]
            elif link_type == COOKED_2:
                (protocol, interface), body = _COOKED_2.unpack_from(packet), packet[_COOKED_2.size :]
                channel = b"%d" % interface
            else:
                raise UnreadableError(f"a packet of link type {link_type}, which is not CAN")
            if protocol in _FD_PROTOCOLS:
                return SkippedEntry(time, EntryKind.FD, channel)
            if protocol != _CAN_PROTOCOL:
                return SkippedEntry(None, EntryKind.EVENT, None)
            return self._frame(packet=self._in_network_order(body), time=time, channel=channel)
        except struct.error:
            raise UnreadableError("a packet that is cut off") from None

    def _in_network_order(self, body: bytes) -> bytes:
        """Return a frame with its identifier in network order."""
        if not self._is_reversed and len(body) >= _CAN.size:
            flagged = int.from_bytes(body[:4])
            self._is_reversed = not flagged & (_EXTENDED | ERROR_FLAG) and (flagged & _IDENTIFIER) > _STANDARD
        return body[3::-1] + body[4:] if self._is_reversed else body

    def _frame(self, packet: bytes, time: int | None, channel: bytes | None) -> ReadEntry:
        flagged, length, flags = _CAN.unpack_from(packet)
        if length & _XL_FLAG or length > MAX_DATA_BYTES or flags & _FD_FLAG:
            return SkippedEntry(time, EntryKind.FD, channel)
        number, extended = flagged & _IDENTIFIER, bool(flagged & _EXTENDED)
        data = packet[_CAN.size : _CAN.size + length]
        if flagged & _REMOTE and not flagged & ERROR_FLAG:
            return other_frame(time, channel, number if extended else number & _STANDARD, extended, length)
        if len(data) < length:
            raise UnreadableError(f"a packet with {len(data)} data bytes where the length is {length}")
        if flagged & ERROR_FLAG:
            return SkippedEntry(time, EntryKind.ERROR, channel, report=linux_report(flagged, data))
        if not extended:
            return other_frame(time, channel, number & _STANDARD, False, data)
        return LogEntry(time, number, data, channel)

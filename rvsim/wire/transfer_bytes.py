"""Long messages as frames: what announces, steers and carries them (SAE J1939-21; RV-C 3.2.7 has the same 1785 bytes).

Knows: the bytes of the five connection frames and of the data packets, the timers, and which sizes and packet counts
go together. Does not know sessions. The byte layout is from memory but for the announce (can-j1939 2.0.12
test_ecu.py); the timers are those of can-j1939 2.0.12 j1939_21.py, which names SAE J1939-21 as their source.
"""

from collections.abc import Mapping
from enum import IntEnum
from typing import NamedTuple

from rvsim.wire import ident
from rvsim.wire.fields import Origin

CONNECTION = 0x0EC00
"""RV-C: INITIAL_PACKET; J1939: transport protocol, connection management."""
PACKET = 0x0EB00
"""RV-C: DATA_PACKET; J1939: transport protocol, data transfer."""
PRIORITY = 7
"""The usual priority of both (from memory)."""

BETWEEN_PACKETS_US = (50_000, 200_000)
"""How far the packets of an announced message are apart (SAE J1939-21 5.12.3, cited in Linux commit 0ae18a82686f)."""
RESPONSE_US = 200_000
"""Tr: so soon an answer has to come. Ours come at once."""
HOLD_US = 500_000
"""Th: so often a receiver says that the sender has to wait."""
T1_US = 750_000
"""A receiver waits so long for the next packet."""
T2_US = 1_250_000
"""A receiver waits so long for the first packet that it has cleared."""
T3_US = 1_250_000
"""A sender waits so long for an answer."""
T4_US = 1_050_000
"""A sender waits so long after it was told to wait."""

PAYLOAD = 7
SHORTEST, LONGEST = 9, 1785
"""Fewer bytes fit in one frame; 255 packets of 7 carry no more (SAE J1939-21; RV-C 3.2.7)."""
NO_LIMIT = 0xFF
_FILL = b"\xff"


class Reason(IntEnum):
    """Why a session is aborted: 1 to 3 as can-j1939 2.0.12 has them, the others from memory."""

    BUSY = 1
    RESOURCES = 2
    TIMEOUT = 3
    TOO_MANY_TRIES = 5
    BAD_SEQUENCE = 7
    OTHER = 250


ABORT_REASONS: Mapping[int, tuple[str, Origin]] = {
    1: ("already in one or more connection managed sessions, cannot support another", Origin.PUBLISHED),
    2: ("system resources were needed for another task, so the session was ended", Origin.PUBLISHED),
    3: ("a timeout occurred", Origin.PUBLISHED),
    4: ("clear to send received while data were being sent", Origin.PUBLISHED),
    5: ("limit of requests to send again was reached", Origin.MEMORY),
    6: ("unexpected data packet", Origin.MEMORY),
    7: ("bad sequence number, and the software cannot recover", Origin.MEMORY),
    8: ("duplicate sequence number, and the software cannot recover", Origin.MEMORY),
    9: ("message is longer than 1785 bytes", Origin.UNSURE),
    250: ("another reason, which is not in the list", Origin.MEMORY),
}
"""What the reasons of SAE J1939-21 mean, with the origin of each: can-j1939 2.0.12 j1939_21.py, or memory."""


class Announce(NamedTuple):
    """A message to all begins (BAM)."""

    size: int
    packets: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_ANNOUNCE, self.size, self.packets, NO_LIMIT, self.dgn)


class Request(NamedTuple):
    """A sender asks whether it may send (RTS); ``limit`` is how many packets it wants to be asked for at once."""

    size: int
    packets: int
    limit: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_REQUEST, self.size, self.packets, self.limit, self.dgn)


class Clear(NamedTuple):
    """A receiver asks for ``packets`` packets from number ``first`` on (CTS); for none: wait."""

    packets: int
    first: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_CLEAR, self.packets | self.first << 8, 0xFF, 0xFF, self.dgn)


class Acknowledge(NamedTuple):
    """A receiver has everything (end of message)."""

    size: int
    packets: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_ACKNOWLEDGE, self.size, self.packets, 0xFF, self.dgn)


class Abort(NamedTuple):
    """Either side ends the session."""

    reason: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_ABORT, self.reason | 0xFF00, 0xFF, 0xFF, self.dgn)


Control = Announce | Request | Clear | Acknowledge | Abort
_REQUEST, _CLEAR, _ACKNOWLEDGE, _ANNOUNCE, _ABORT = 16, 17, 19, 32, 255


def _packed(control: int, word: int, third: int, fourth: int, dgn: int) -> bytes:
    return bytes((control, word & 0xFF, word >> 8, third, fourth)) + dgn.to_bytes(3, "little")


def read_control(data: bytes) -> Control | None:
    """Read a connection frame; None where it has not eight bytes, or says nothing that is known."""
    if len(data) != 8:
        return None
    word, third, fourth, dgn = int.from_bytes(data[1:3], "little"), data[3], data[4], int.from_bytes(data[5:], "little")
    if dgn >= ident.DGN_LIMIT:
        return None
    match data[0]:
        case 16:
            return Request(word, third, fourth, dgn)
        case 17:
            return Clear(data[1], data[2], dgn)
        case 19:
            return Acknowledge(word, third, dgn)
        case 32:
            return Announce(word, third, dgn)
        case 255:
            return Abort(data[1], dgn)
    return None


def packets_for(size: int) -> int:
    """Return how many packets a message of so many bytes has."""
    return -(-size // PAYLOAD)


def fits(offer: Announce | Request) -> bool:
    """Tell whether a message of this size is a long one and has this many packets."""
    return SHORTEST <= offer.size <= LONGEST and offer.packets == packets_for(offer.size)


def control_frame(control: Control, source: int, destination: int) -> tuple[int, bytes]:
    """Return a connection frame as (identifier, data)."""
    return ident.join(PRIORITY, CONNECTION, source, destination), control.to_bytes()


def packet_frame(data: bytes, number: int, source: int, destination: int) -> tuple[int, bytes]:
    """Return packet ``number``, counted from 1, of a message as (identifier, data); what is left over is all ones."""
    piece = data[(number - 1) * PAYLOAD : number * PAYLOAD]
    return ident.join(PRIORITY, PACKET, source, destination), bytes((number,)) + piece.ljust(PAYLOAD, _FILL)


def is_packet(parts: ident.Identifier, data: bytes) -> bool:
    """Tell whether a frame is a data packet of a node that can have sent one: eight bytes, numbered from 1."""
    return parts.dgn == PACKET and len(data) == 8 and data[0] > 0 and parts.source < ident.NULL_ADDRESS

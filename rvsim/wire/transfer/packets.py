"""Long messages as frames: what announces, steers and carries them (SAE J1939-21; RV-C 3.2.7 has the same 1785 bytes).

Knows: the bytes of the five connection frames and of the data packets, the timers, and which sizes and packet counts
go together. Does not know sessions. The byte layout is from memory but for the announce (can-j1939 2.0.12
test_ecu.py); the timers are those of can-j1939 2.0.12 j1939_21.py, which names SAE J1939-21 as their source.
"""

from enum import IntEnum
from typing import NamedTuple

from rvsim.wire import ident

CONNECTION_MANAGEMENT = 0x0EC00
"""RV-C: INITIAL_PACKET; J1939: transport protocol, connection management."""
DATA_TRANSFER = 0x0EB00
"""RV-C: DATA_PACKET; J1939: transport protocol, data transfer."""
TRANSFER_PRIORITY = 7
"""The usual priority of both (from memory)."""

PACKET_GAP_LIMITS_US = (50_000, 200_000)
"""How far the packets of an announced message are apart (SAE J1939-21 5.12.3, cited in Linux commit 0ae18a82686f)."""
RESPONSE_US = 200_000
"""Tr: so soon an answer has to come. Ours come at once."""
HOLD_US = 500_000
"""Th: so often a receiver says that the sender has to wait."""
T1_US = 750_000
"""A receiver waits so long for the next packet."""
T2_US = 1_250_000
"""A receiver waits so long for the first packet that it has cleared. See ``T3_US`` for what that is worth."""
T3_US = 1_250_000
"""A sender waits so long for an answer.

The weakness of these timers: T2 is as long as T3 and begins later, when the last packet of a turn has arrived. A clear
to send that is lost after a turn is therefore never asked for again: the sender, which has been answered once, aborts
(reason 3) before the receiver would repeat it, and the message is lost with all that has arrived. A lost
acknowledgement ends alike, although the receiver has everything. Only the first clear to send is made good: a sender
of ours that was never answered repeats its request after T3, three in all (our decision). Whoever needs the message
has to ask for it anew."""
T4_US = 1_050_000
"""A sender waits so long after it was told to wait."""

PACKET_PAYLOAD = 7
MIN_MESSAGE_BYTES, MAX_MESSAGE_BYTES = 9, 1785
"""Fewer bytes fit in one frame; 255 packets of 7 carry no more (SAE J1939-21; RV-C 3.2.7)."""
NO_PACKET_LIMIT = 0xFF
_FILL = b"\xff"


class AbortReason(IntEnum):
    """Why a session is aborted (SAE J1939-21): 1 to 4 as can-j1939 2.0.12 has them, the others from memory."""

    BUSY = 1
    RESOURCES = 2
    TIMEOUT = 3
    CLEARED_WHILE_SENDING = 4
    TOO_MANY_TRIES = 5
    UNEXPECTED_PACKET = 6
    BAD_SEQUENCE = 7
    DUPLICATE_SEQUENCE = 8
    TOO_LONG = 9
    OTHER = 250


_REASONS: dict[int, str] = {
    AbortReason.BUSY: "it is busy with another session and cannot take one more",
    AbortReason.RESOURCES: "it needs its resources for another task",
    AbortReason.TIMEOUT: "it waited for too long",
    AbortReason.CLEARED_WHILE_SENDING: "it was cleared to send while it was sending",
    AbortReason.TOO_MANY_TRIES: "the same packet was asked for too often",
    AbortReason.UNEXPECTED_PACKET: "a packet came that it did not expect",
    AbortReason.BAD_SEQUENCE: "a packet was out of its order",
    AbortReason.DUPLICATE_SEQUENCE: "a packet number came twice",
    AbortReason.TOO_LONG: "the message is longer than 1785 bytes",
    AbortReason.OTHER: "one that the standard does not list",
}


def reason_text(reason: int) -> str:
    """Say in words why whoever aborts a session does so."""
    return _REASONS.get(reason, "one that the standard reserves")


class BroadcastAnnounce(NamedTuple):
    """A message to all begins (BAM)."""

    size: int
    packets: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_ANNOUNCE, self.size, self.packets, NO_PACKET_LIMIT, self.dgn)


class RequestToSend(NamedTuple):
    """A sender asks whether it may send (RTS); ``limit`` is how many packets it wants to be asked for at once."""

    size: int
    packets: int
    limit: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_REQUEST, self.size, self.packets, self.limit, self.dgn)


class ClearToSend(NamedTuple):
    """A receiver asks for ``packets`` packets from number ``first`` on (CTS); for none: wait."""

    packets: int
    first: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_CLEAR, self.packets | self.first << 8, 0xFF, 0xFF, self.dgn)


class EndOfMessage(NamedTuple):
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


Control = BroadcastAnnounce | RequestToSend | ClearToSend | EndOfMessage | Abort
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
            return RequestToSend(word, third, fourth, dgn)
        case 17:
            return ClearToSend(data[1], data[2], dgn)
        case 19:
            return EndOfMessage(word, third, dgn)
        case 32:
            return BroadcastAnnounce(word, third, dgn)
        case 255:
            return Abort(data[1], dgn)
    return None


def packets_for(size: int) -> int:
    """Return how many packets a message of so many bytes has."""
    return -(-size // PACKET_PAYLOAD)


def is_valid_size(offer: BroadcastAnnounce | RequestToSend) -> bool:
    """Tell whether a message of this size is a long one and has this many packets."""
    return MIN_MESSAGE_BYTES <= offer.size <= MAX_MESSAGE_BYTES and offer.packets == packets_for(offer.size)


def control_frame(control: Control, source: int, destination: int) -> tuple[int, bytes]:
    """Return a connection frame as (identifier, data)."""
    return ident.join_identifier(TRANSFER_PRIORITY, CONNECTION_MANAGEMENT, source, destination), control.to_bytes()


def packet_frame(data: bytes, number: int, source: int, destination: int) -> tuple[int, bytes]:
    """Return packet ``number``, counted from 1, of a message as (identifier, data); what is left over is all ones."""
    piece = data[(number - 1) * PACKET_PAYLOAD : number * PACKET_PAYLOAD]
    return ident.join_identifier(TRANSFER_PRIORITY, DATA_TRANSFER, source, destination), bytes((number,)) + piece.ljust(
        PACKET_PAYLOAD, _FILL
    )


def is_packet(parts: ident.Identifier, data: bytes) -> bool:
    """Tell whether a frame is a data packet of a node that can have sent one: eight bytes, numbered from 1."""
    return parts.dgn == DATA_TRANSFER and len(data) == 8 and data[0] > 0 and parts.source < ident.NULL_ADDRESS

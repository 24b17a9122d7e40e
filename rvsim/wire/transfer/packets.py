"""The frames of long messages: connection management and data packets (SAE J1939-21; 1785 bytes also by RV-C 3.2.7).

Knows: the bytes of the five connection management frames and of the data packets, the timers, and which packet count
belongs to which size. Does not know sessions. The byte layout is from memory, except for the announce (can-j1939 2.0.12
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
"""The shortest and longest time between packets of a message to all (SAE J1939-21 5.12.3, cited in Linux commit
0ae18a82686f)."""
RESPONSE_US = 200_000
"""Tr: an answer must be sent within this time. rvsim answers at once."""
HOLD_US = 500_000
"""Th: a receiver that makes the sender wait repeats this at this interval."""
T1_US = 750_000
"""How long a receiver waits for the next packet."""
T2_US = 1_250_000
"""How long a receiver waits for the first packet after its clear to send. See ``T3_US`` for a weakness."""
T3_US = 1_250_000
"""How long a sender waits for an answer.

A weakness of these timers: T2 is as long as T3 and starts later, when the last packet of a window has been received. A
clear to send that is lost after a window is therefore never repeated: the sender, which has received an answer before,
aborts (reason 3) before the receiver would repeat it, and the whole message is lost. A lost acknowledgement has the
same result, although the receiver has the whole message. Only the first clear to send is recovered: a sender of rvsim
that never received an answer repeats its request after T3, three requests in all (our decision). A node that needs
the message must request it again."""
T4_US = 1_050_000
"""How long a sender waits after a clear to send for no packets."""

PACKET_PAYLOAD = 7
"""Data bytes of a packet, after its number."""
MIN_MESSAGE_BYTES, MAX_MESSAGE_BYTES = 9, 1785
"""Fewer bytes fit in one frame; more do not fit in 255 packets of 7 bytes (SAE J1939-21; RV-C 3.2.7)."""
NO_PACKET_LIMIT = 0xFF
"""The limit of a request to send without a limit (from memory)."""
_FILL = b"\xff"


class AbortReason(IntEnum):
    """The reason of an abort (SAE J1939-21): 1 to 4 as in can-j1939 2.0.12, the others from memory."""

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
    AbortReason.TOO_MANY_TRIES: "the same packet was requested too often",
    AbortReason.UNEXPECTED_PACKET: "a packet came that it did not expect",
    AbortReason.BAD_SEQUENCE: "a packet was out of its order",
    AbortReason.DUPLICATE_SEQUENCE: "a packet number came twice",
    AbortReason.TOO_LONG: "the message is longer than 1785 bytes",
    AbortReason.OTHER: "not listed in the standard",
}


def reason_text(reason: int) -> str:
    """Return the reason of an abort as text."""
    return _REASONS.get(reason, "reserved by the standard")


class _ControlByte(IntEnum):
    """The first byte of a connection management frame (from memory; 32 as in can-j1939 2.0.12 test_ecu.py)."""

    REQUEST_TO_SEND = 16
    CLEAR_TO_SEND = 17
    END_OF_MESSAGE = 19
    BROADCAST_ANNOUNCE = 32
    ABORT = 255


class BroadcastAnnounce(NamedTuple):
    """The start of a message to all (BAM)."""

    size: int
    packets: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_ControlByte.BROADCAST_ANNOUNCE, self.size, self.packets, NO_PACKET_LIMIT, self.dgn)


class RequestToSend(NamedTuple):
    """A sender's request to send (RTS); ``limit`` is the maximum number of packets for one clear to send."""

    size: int
    packets: int
    limit: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_ControlByte.REQUEST_TO_SEND, self.size, self.packets, self.limit, self.dgn)


class ClearToSend(NamedTuple):
    """A receiver's clear to send (CTS) for ``packets`` packets from number ``first`` on; 0 packets mean wait."""

    packets: int
    first: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_ControlByte.CLEAR_TO_SEND, self.packets | self.first << 8, 0xFF, 0xFF, self.dgn)


class EndOfMessage(NamedTuple):
    """A receiver's acknowledgement that it has the whole message (EndOfMsgACK)."""

    size: int
    packets: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_ControlByte.END_OF_MESSAGE, self.size, self.packets, 0xFF, self.dgn)


class Abort(NamedTuple):
    """The end of a session by either node (Abort)."""

    reason: int
    dgn: int

    def to_bytes(self) -> bytes:
        """Return the eight bytes."""
        return _packed(_ControlByte.ABORT, self.reason | 0xFF00, 0xFF, 0xFF, self.dgn)


Control = BroadcastAnnounce | RequestToSend | ClearToSend | EndOfMessage | Abort


def _packed(control: int, word: int, third: int, fourth: int, dgn: int) -> bytes:
    return bytes((control, word & 0xFF, word >> 8, third, fourth)) + dgn.to_bytes(3, "little")


def read_control(data: bytes) -> Control | None:
    """Return a connection management frame, None where it has not eight bytes or is of an unknown kind."""
    if len(data) != 8:
        return None
    word, third, fourth, dgn = int.from_bytes(data[1:3], "little"), data[3], data[4], int.from_bytes(data[5:], "little")
    if dgn >= ident.DGN_LIMIT:
        return None
    match data[0]:
        case _ControlByte.REQUEST_TO_SEND:
            return RequestToSend(word, third, fourth, dgn)
        case _ControlByte.CLEAR_TO_SEND:
            return ClearToSend(data[1], data[2], dgn)
        case _ControlByte.END_OF_MESSAGE:
            return EndOfMessage(word, third, dgn)
        case _ControlByte.BROADCAST_ANNOUNCE:
            return BroadcastAnnounce(word, third, dgn)
        case _ControlByte.ABORT:
            return Abort(data[1], dgn)
    return None


def packets_for(size: int) -> int:
    """Return the number of packets of a message of ``size`` bytes."""
    return -(-size // PACKET_PAYLOAD)


def is_valid_size(offer: BroadcastAnnounce | RequestToSend) -> bool:
    """Return whether the size is that of a long message and the number of packets matches it."""
    return MIN_MESSAGE_BYTES <= offer.size <= MAX_MESSAGE_BYTES and offer.packets == packets_for(offer.size)


def control_frame(control: Control, source: int, destination: int) -> tuple[int, bytes]:
    """Return a connection management frame as (identifier, data)."""
    return ident.join_identifier(TRANSFER_PRIORITY, CONNECTION_MANAGEMENT, source, destination), control.to_bytes()


def packet_frame(data: bytes, number: int, source: int, destination: int) -> tuple[int, bytes]:
    """Return packet ``number``, from 1, of a message as (identifier, data); unused bytes are all ones."""
    payload = data[(number - 1) * PACKET_PAYLOAD : number * PACKET_PAYLOAD]
    identifier = ident.join_identifier(TRANSFER_PRIORITY, DATA_TRANSFER, source, destination)
    return identifier, bytes((number,)) + payload.ljust(PACKET_PAYLOAD, _FILL)


def is_packet(parts: ident.Identifier, data: bytes) -> bool:
    """Return whether a frame is a valid data packet: eight bytes, a number from 1 on, a source address of a node."""
    return parts.dgn == DATA_TRANSFER and len(data) == 8 and data[0] > 0 and parts.source < ident.NULL_ADDRESS

"""The request for a DGN, and the acknowledgement that answers it where the message itself does not (SAE J1939-21).

Knows: the bytes of both, with RV-C's instance, and the four codes. Does not know which nodes send them, nor when.

The layout is that of dbc/general.dbc. Acknowledgement: the code in byte 0, the instance in byte 1 (in SAE J1939-21 the
group function value, FF hex for none), the requester's address in byte 4, the DGN in bytes 5 to 7. Request: the DGN in
bytes 0 to 2, then the instance.
"""

from enum import IntEnum
from typing import NamedTuple

from rvsim.wire.ident import DGN_LIMIT

ACKNOWLEDGMENT = 0x0E800
_MAX_INSTANCE = 250
"""A higher number means no instance (rv-c.com/book/export/html/81)."""


class AcknowledgmentCode(IntEnum):
    """The answers of an acknowledgement (SAE J1939-21)."""

    DONE = 0
    UNKNOWN = 1
    DENIED = 2
    BUSY = 3


class DgnRequest(NamedTuple):
    """A request for the message ``dgn``; ``instance`` is None where the request names none."""

    dgn: int
    instance: int | None


class Acknowledgment(NamedTuple):
    """The answer to a request or command; ``requester`` is the address that sent it, 255 where that is not stated."""

    code: AcknowledgmentCode
    instance: int | None
    requester: int
    dgn: int


def read_request(data: bytes) -> DgnRequest | None:
    """Return a request, None where it has fewer than three bytes or no valid DGN."""
    dgn = int.from_bytes(data[:3], "little")
    if len(data) < 3 or dgn >= DGN_LIMIT:
        return None
    return DgnRequest(dgn, _instance(data[3]) if len(data) > 3 else None)


def read_acknowledgment(data: bytes) -> Acknowledgment | None:
    """Return an acknowledgement, None where it has not eight bytes, or its code or DGN is reserved."""
    dgn = int.from_bytes(data[5:8], "little")
    if len(data) != 8 or dgn >= DGN_LIMIT or data[0] > AcknowledgmentCode.BUSY:
        return None
    return Acknowledgment(AcknowledgmentCode(data[0]), _instance(data[1]), data[4], dgn)


def _instance(raw: int) -> int | None:
    return raw if raw <= _MAX_INSTANCE else None

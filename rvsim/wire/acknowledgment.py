"""Requests for a message and the acknowledgements that answer them when the message itself does not (SAE J1939-21).

Knows: the bytes of both, with RV-C's instance, and the four codes. Does not know who asks whom, nor when.

The layout is that of dbc/general.dbc: the code in byte 0, the instance in byte 1 (SAE J1939-21 has a group function
value there, FF for none), who asked in byte 4, the DGN in the last three. In a request the instance follows the DGN.
"""

from enum import IntEnum
from typing import NamedTuple

from rvsim.wire.ident import DGN_LIMIT

ACKNOWLEDGMENT = 0x0E800
_MAX_INSTANCE = 250
"""What is above says that no instance is meant (rv-c.com/book/export/html/81)."""


class AcknowledgmentCode(IntEnum):
    """What an acknowledgement says (SAE J1939-21)."""

    DONE = 0
    UNKNOWN = 1
    DENIED = 2
    BUSY = 3


class DgnRequest(NamedTuple):
    """Which message is asked for; ``instance`` is None where none is named."""

    dgn: int
    instance: int | None


class Acknowledgment(NamedTuple):
    """How a request or a command fared; ``asker`` is the address that it came from, 255 where that is not said."""

    code: AcknowledgmentCode
    instance: int | None
    requester: int
    dgn: int


def read_request(data: bytes) -> DgnRequest | None:
    """Read a request; None where its three bytes of DGN are not there or are none."""
    dgn = int.from_bytes(data[:3], "little")
    if len(data) < 3 or dgn >= DGN_LIMIT:
        return None
    return DgnRequest(dgn, _instance(data[3]) if len(data) > 3 else None)


def read_acknowledgment(data: bytes) -> Acknowledgment | None:
    """Read an acknowledgement; None where it has not eight bytes, or a code or DGN that is reserved."""
    dgn = int.from_bytes(data[5:8], "little")
    if len(data) != 8 or dgn >= DGN_LIMIT or data[0] > AcknowledgmentCode.BUSY:
        return None
    return Acknowledgment(AcknowledgmentCode(data[0]), _instance(data[1]), data[4], dgn)


def _instance(raw: int) -> int | None:
    return raw if raw <= _MAX_INSTANCE else None

"""What a hub and its clients write to each other: messages of ``socketcand`` as python-can uses them, and ours.

Knows: the handshake and the frames of that protocol as python-can's client has them (can/interfaces/socketcand), and
one question of ours, by which a program finds out that a server is a hub of rvsim and has no real bus behind it. Does
not know connections.

The protocol has no word for "refused" that python-can's client would not take for a frame: what this network does not
use is counted and nothing is said. Its client sends a remote frame without bytes, and an error frame, as if they were
data frames: those cannot be told apart.
"""

import re
from importlib.metadata import version
from typing import NamedTuple

from rvsim.errors import InputError
from rvsim.wire.frame import Frame

PORT = 29536
"""The port that the protocol is registered with (IANA)."""
LONGEST = 256
"""Bytes without an end that are taken for a message; a frame has 46 at most, an FD frame 215."""
GREETING, ACCEPTED, ALIVE = b"< hi >", b"< ok >", b"< echo >"
ASKED = "which-server"
QUESTION = f"< {ASKED} >".encode()
"""Asked on a connection of its own, and on no other; a server of another kind calls it an error, or closes."""
ANSWER = f"< rvsim-hub {version('rvsim-bench')} >".encode()
LOOPBACK = ("127.0.0.1", "localhost")
_SEND = re.compile(r"send ([0-9A-Fa-f]{8}) ([0-8])((?: [0-9A-Fa-f]{1,2}){0,8})")
_OTHER = re.compile(r"send [0-9A-Fa-f]{1,8} [0-9A-Fa-f]{1,2}(?: [0-9A-Fa-f]{1,2}){0,64}")
"""A frame of some kind: 11-bit, remote or FD."""
_ANSWER = re.compile(rb"< rvsim-hub [0-9][0-9A-Za-z.+]{0,40} >")


class ClientFrame(NamedTuple):
    """A frame as a client has written it."""

    identifier: int
    data: bytes


def frame_text(frame: Frame) -> bytes:
    """Write a frame for a client, its time in seconds."""
    return f"< frame {frame.identifier:08X} {frame.time / 1e6:.6f} {frame.data.hex()} >".encode()


def inner(message: bytes) -> str | None:
    """Return what stands within the signs < and >, of which the last is cut off already; None if it is no message."""
    text = message.decode("ascii", "replace").strip()
    return text[1:].strip() if text.startswith("<") else None


def is_frame(text: str) -> bool:
    """Tell whether a client sends a frame by this text, one of this network or not."""
    return _OTHER.fullmatch(text) is not None


def read_frame(text: str) -> ClientFrame | None:
    """Return the frame that a client sends; None for one that this network does not use: 11-bit, remote, FD."""
    sent = _SEND.fullmatch(text)
    data = b"" if sent is None else bytes(int(byte, 16) for byte in sent[3].split())
    if sent is None or int(sent[1], 16) >= 1 << 29 or len(data) != int(sent[2]):
        return None
    return ClientFrame(int(sent[1], 16), data)


def is_our_answer(received: bytes) -> bool:
    """Tell whether a server has answered the question as a hub of rvsim does, of whatever version."""
    return _ANSWER.fullmatch(received) is not None


def address_of(text: str) -> tuple[str, int]:
    """Read ``PORT`` or ``HOST:PORT``; nothing is the port of the protocol.

    Raises:
        InputError: the host is not this machine's loopback, or the port is none.
    """
    host, _, port = (text or str(PORT)).rpartition(":")
    if (host or LOOPBACK[0]) not in LOOPBACK:
        raise InputError(f"--serve {text}: only this machine is served; write a port, or 127.0.0.1:{PORT}")
    if not re.fullmatch("[0-9]{1,5}", port) or int(port) > 65535:
        raise InputError(f"--serve {text}: write a port from 0 (any that is free) to 65535, like {PORT}")
    return LOOPBACK[0], int(port)

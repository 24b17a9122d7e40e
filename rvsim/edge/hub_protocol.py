"""The messages between a hub and its clients: those of ``socketcand`` as python-can uses them, and one of ours.

Knows: the handshake and the frames of that protocol as python-can's client has them (can/interfaces/socketcand), and
a question of ours, by which a program finds out that a server is a hub of rvsim and has no real bus behind it. Does not
know connections.

Any message for "refused" would be read as a frame by python-can's client: frames that this network does not use are
counted and not answered. The client sends a remote frame without bytes, and an error frame, in the form of a data
frame: the hub cannot distinguish them.
"""

import re
from importlib.metadata import version
from typing import NamedTuple

from rvsim.errors import InputError
from rvsim.wire.frame import Frame

DEFAULT_PORT = 29536
"""The port that is registered for the protocol (IANA)."""
MAX_MESSAGE_BYTES = 256
"""The longest message, in bytes before its ``>``; a frame has 46 at most, an FD frame 215."""
GREETING, ACCEPTED, ECHO = b"< hi >", b"< ok >", b"< echo >"
QUESTION_TEXT = "which-server"
QUESTION = f"< {QUESTION_TEXT} >".encode()
"""Sent on a separate connection only; another server answers with an error, or closes the connection."""
ANSWER = f"< rvsim-hub {version('rvsim-bench')} >".encode()
LOOPBACK = ("127.0.0.1", "localhost")
_SEND = re.compile(r"send ([0-9A-Fa-f]{8}) ([0-8])((?: [0-9A-Fa-f]{1,2}){0,8})")
_OTHER = re.compile(r"send [0-9A-Fa-f]{1,8} [0-9A-Fa-f]{1,2}(?: [0-9A-Fa-f]{1,2}){0,64}")
"""A frame of any kind, 11-bit, remote and FD frames included."""
_ANSWER = re.compile(rb"< rvsim-hub [0-9][0-9A-Za-z.+]{0,40} >")


class ClientFrame(NamedTuple):
    """A frame that a client sends."""

    identifier: int
    data: bytes


def frame_text(frame: Frame) -> bytes:
    """Return the message with a frame for a client, its time in seconds."""
    return f"< frame {frame.identifier:08X} {frame.time / 1e6:.6f} {frame.data.hex()} >".encode()


def message_text(message: bytes) -> str | None:
    """Return the text between < and > of a message whose > is cut off already; None if it does not begin with <."""
    text = message.decode("ascii", "replace").strip()
    return text[1:].strip() if text.startswith("<") else None


def is_frame(text: str) -> bool:
    """Return whether a text is a frame, of this network or not."""
    return _OTHER.fullmatch(text) is not None


def read_frame(text: str) -> ClientFrame | None:
    """Return the frame that a client sends; None for one that this network does not use: 11-bit, remote, FD."""
    sent = _SEND.fullmatch(text)
    data = b"" if sent is None else bytes(int(byte, 16) for byte in sent[3].split())
    if sent is None or int(sent[1], 16) >= 1 << 29 or len(data) != int(sent[2]):
        return None
    return ClientFrame(int(sent[1], 16), data)


def is_hub_answer(received: bytes) -> bool:
    """Return whether this is the answer of a hub of rvsim, of any version."""
    return _ANSWER.fullmatch(received) is not None


def parse_serve_address(text: str) -> tuple[str, int]:
    """Return host and port of ``PORT`` or ``HOST:PORT``; an empty text means the port of the protocol.

    Raises:
        InputError: the host is not the loopback of this machine, or the port is not a port.
    """
    host, _, port = (text or str(DEFAULT_PORT)).rpartition(":")
    if (host or LOOPBACK[0]) not in LOOPBACK:
        raise InputError(
            f"--serve {text}: the bench is served on this machine only; write a port, or 127.0.0.1:{DEFAULT_PORT}"
        )
    if not re.fullmatch("[0-9]{1,5}", port) or int(port) > 65535:
        raise InputError(f"--serve {text}: write a port from 0 (any free port) to 65535, such as {DEFAULT_PORT}")
    return LOOPBACK[0], int(port)

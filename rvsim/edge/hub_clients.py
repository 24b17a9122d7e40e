"""What a hub keeps of its clients: a record for each connection, and all their frames under way to the wires.

Knows: that of equal frames of several clients the oldest is the one on the wires, as the node that sends them keeps
the order of equal frames. Does not know the protocol, nor sockets beyond keeping them.
"""

import socket
import threading
from collections import deque
from typing import NamedTuple

from rvsim.edge.hub_protocol import GREETING
from rvsim.wire.frame import Frame


class Client:
    """One connection.

    Args:
        connection: its socket.
        now: when it came, in seconds of the hub's clock.
        waiting: so many frames are kept for it if it does not fetch them; then the oldest are dropped.
    """

    def __init__(self, connection: socket.socket, now: float, waiting: int) -> None:
        self.socket = connection
        self.came = now
        self.has_begun = False
        """Whether its first byte has come, and was that of a message."""
        self.events = 0
        """What the selector waits for."""
        self.received = b""
        self.frames: deque[bytes] = deque(maxlen=waiting)
        self.unsent = GREETING
        self.free_from: float | None = None
        """When frames may go to it; None before its handshake is over."""
        self.held = False
        """Whether it is not read."""
        self.sent_at = now
        """When it sent its last frame: of those who are held, the one that has waited longest is read first."""
        self.garbage = 0


class Sent(NamedTuple):
    """A frame that a client sent, and when, in seconds of the hub's clock."""

    client: Client
    identifier: int
    data: bytes
    at: float


class UnderWay:
    """What clients sent and what was not on the wires yet, oldest first; both threads use it.

    Clients that have gone stay in it with their frames, or a frame of theirs would be taken for an equal one of
    somebody else.
    """

    def __init__(self) -> None:
        self._frames: deque[Sent] = deque()
        self._lock = threading.Lock()
        self.lost = 0
        """Frames that never were on the wires."""

    def __len__(self) -> int:
        return len(self._frames)

    def add(self, sent: Sent) -> None:
        """Note a frame."""
        with self._lock:
            self._frames.append(sent)

    def credit(self, frame: Frame, before: float) -> Client | None:
        """Return the client whose frame is on the wires now: of equal ones the oldest, and only that one is through.

        Frames that were sent before a time are lost by now.
        """
        with self._lock:
            self._forget(before)
            for sent in self._frames:
                if sent.data == frame.data and sent.identifier == frame.identifier:
                    self._frames.remove(sent)
                    return sent.client
        return None

    def forget(self, before: float) -> None:
        """Count frames that were sent before a time as lost, and wait no more for them."""
        with self._lock:
            self._forget(before)

    def _forget(self, before: float) -> None:
        while self._frames and self._frames[0].at <= before:
            self._frames.popleft()
            self.lost += 1

    def senders(self) -> list[Client]:
        """Return who sent each of them."""
        with self._lock:
            return [sent.client for sent in self._frames]

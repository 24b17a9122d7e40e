"""A hub's records of its clients: one for each connection, and one for all frames under way to the line.

Knows: of equal frames of several clients the oldest is sent first, because the node that sends them keeps the order of
equal frames. Does not know the protocol; it keeps sockets and does not use them.
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
        now: the time of the connection, in seconds of the hub's clock.
        max_frames: how many frames wait for the client; beyond that the oldest are dropped.
    """

    def __init__(self, connection: socket.socket, now: float, max_frames: int) -> None:
        self.socket = connection
        self.connected_at = now
        self.has_begun = False
        """Whether its first byte was received and is that of a message."""
        self.events = 0
        """The events that the selector waits for."""
        self.received = b""
        self.frames: deque[bytes] = deque(maxlen=max_frames)
        self.unsent = GREETING
        self.frames_from: float | None = None
        """From when on frames are sent to it; None before its handshake is finished."""
        self.is_held = False
        """Whether the hub does not read it for now."""
        self.sent_at = now
        """When it sent its last frame: of the held clients, the one that has waited longest is read first."""
        self.invalid_messages = 0


class SentFrame(NamedTuple):
    """A frame that a client sent, and the time, in seconds of the hub's clock."""

    client: Client
    identifier: int
    data: bytes
    at: float


class FramesUnderWay:
    """The frames of clients that were not on the line yet, oldest first; both threads use it.

    The frames of a client that has disconnected stay in it: otherwise such a frame would be taken for an equal one of
    another client.
    """

    def __init__(self) -> None:
        self._frames: deque[SentFrame] = deque()
        self._lock = threading.Lock()
        self.lost = 0
        """Frames that were never on the line."""

    def __len__(self) -> int:
        return len(self._frames)

    def add(self, sent: SentFrame) -> None:
        """Add a frame."""
        with self._lock:
            self._frames.append(sent)

    def confirm(self, frame: Frame, before: float) -> Client | None:
        """Remove a frame that is on the line now, of equal ones the oldest, and return its client; None if it has none.

        Frames that were sent before a time count as lost.
        """
        with self._lock:
            self._drop_lost(before)
            for sent in self._frames:
                if sent.data == frame.data and sent.identifier == frame.identifier:
                    self._frames.remove(sent)
                    return sent.client
        return None

    def drop_lost(self, before: float) -> None:
        """Remove frames that were sent before a time, and count them as lost."""
        with self._lock:
            self._drop_lost(before)

    def _drop_lost(self, before: float) -> None:
        while self._frames and self._frames[0].at <= before:
            self._frames.popleft()
            self.lost += 1

    def senders(self) -> list[Client]:
        """Return the client of each frame."""
        with self._lock:
            return [sent.client for sent in self._frames]

"""The bench for other processes of this machine: a server that python-can's ``socketcand`` client opens as a bus.

``can.Bus(interface="socketcand", host="127.0.0.1", port=29536, channel="rvsim")``. Knows: the handshake and the frames
of that protocol as python-can's client has them (can/interfaces/socketcand), and that nobody may hold the bench up:
what a slow client does not fetch is dropped for it, oldest first, a hasty one is not read until its frames have been on
the wires, and whoever sends what is no frame is let go. Does not know what frames mean, nor simulated devices. It
listens on loopback and nowhere else.

The protocol has no word for "refused" that python-can's client would not take for a frame: what this network does not
use is counted and nothing is said. Its client sends a remote frame without bytes, and an error frame, as if they were
data frames: those cannot be told apart.
"""

import re
import selectors
import socket
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

from rvsim.errors import BusError, InputError
from rvsim.wire.frame import Frame

PORT = 29536
"""The port that the protocol is registered with (IANA)."""
HELD_S = 0.05
"""Frames for a new client wait so long, or until it sends: python-can compares one whole receive with the answer that
it expects, and a frame behind that answer would break its handshake."""
WAITING = 20_000
"""Frames kept for one client that does not fetch them; ten seconds of a full pair. Our decision."""
UNDER_WAY = 32
"""Frames between here and the wires of a client alone, then it is not read: half of what a simulated node holds ready.
Several who send share these; together they are one node on the wires."""
LOST_S = 5.0
"""A client's frame that was not on the wires by then is taken for lost: they are broken, or full. Our decision."""
CLIENTS = 64
"""Connections at a time; one more is closed at once. Our decision."""
_LONGEST = 256
"""Bytes without an end that are taken for a message; a frame has 46 at most, an FD frame 215."""
_GARBAGE = 20
"""So many messages that are none, and a client is let go."""
_CHUNK = 1 << 16
_READ = 1 << 12
"""Bytes read of one client in one go: some 0.3 ms of work, so that the bench gets the processor in between."""
_LOOPBACK = ("127.0.0.1", "localhost")
_SEND = re.compile(r"send ([0-9A-Fa-f]{8}) ([0-8])((?: [0-9A-Fa-f]{1,2}){0,8})")
_OTHER = re.compile(r"send [0-9A-Fa-f]{1,8} [0-9A-Fa-f]{1,2}(?: [0-9A-Fa-f]{1,2}){0,64}")
"""A frame of some kind: 11-bit, remote or FD."""


class HubStatistics(NamedTuple):
    """What has passed through a hub so far."""

    clients: int
    """Connections now."""
    taken: int
    """Frames taken from clients."""
    dropped: int
    """Frames that a slow client did not fetch."""
    let_go: int
    """Clients let go for garbage."""
    refused: int
    """Frames of clients that this network does not use: 11-bit, remote and FD frames."""
    turned_away: int
    """Clients that came when there were too many."""


class _Sent(NamedTuple):
    """A frame that a client sent, and when, in seconds of the hub's clock."""

    identifier: int
    data: bytes
    at: float


class _Client:
    """One connection."""

    def __init__(self, connection: socket.socket) -> None:
        self.socket = connection
        self.events = 0
        """What the selector waits for."""
        self.received = b""
        self.frames: deque[bytes] = deque(maxlen=WAITING)
        self.unsent = b"< hi >"
        self.free_from: float | None = None
        """When frames may go to it; None before its handshake is over."""
        self.own: deque[_Sent] = deque()
        """What it sent and what was not on the wires yet; added to by the hub's thread, taken from by the bench's."""
        self.held = False
        """Whether it is not read."""
        self.garbage = 0

    def is_own(self, frame: Frame, now: float) -> bool:
        """Tell whether a frame on the wires is the client's own; each of its frames counts once."""
        for sent in tuple(self.own):
            if sent.data == frame.data and sent.identifier == frame.identifier:
                self.forget(sent)
                return now - sent.at < LOST_S
        return False

    def forget(self, sent: _Sent) -> None:
        """Wait for a frame no more; both threads may do so at once."""
        with suppress(ValueError):
            self.own.remove(sent)


def address_of(text: str) -> tuple[str, int]:
    """Read ``PORT`` or ``HOST:PORT``; nothing is the port of the protocol.

    Raises:
        InputError: the host is not this machine's loopback, or the port is none.
    """
    host, _, port = (text or str(PORT)).rpartition(":")
    if (host or _LOOPBACK[0]) not in _LOOPBACK:
        raise InputError(f"--serve {text}: only this machine is served; write a port, or 127.0.0.1:{PORT}")
    if not re.fullmatch("[0-9]{1,5}", port) or int(port) > 65535:
        raise InputError(f"--serve {text}: write a port from 0 (any that is free) to 65535, like {PORT}")
    return _LOOPBACK[0], int(port)


class Hub:
    """Serves one bench; close it, or use it in a ``with`` block.

    Args:
        where: host and port; port 0 is any that is free.
        take: is told of each frame that a client sends (identifier, bytes), in the hub's own thread.
        clock: monotonic seconds.

    Raises:
        BusError: the port cannot be had.
    """

    def __init__(
        self,
        where: tuple[str, int],
        take: Callable[[int, bytes], None],
        clock: Callable[[], float],
    ) -> None:
        self._take, self._clock = take, clock
        self._clients: list[_Client] = []
        self._taken = self._dropped = self._let_go = self._refused = self._turned_away = 0
        self._closing = False
        try:
            self._server = socket.create_server(where, backlog=128)
        except OSError as error:
            raise BusError(
                f"{where[0]}:{where[1]} cannot be served on ({error.strerror}); choose another port"
            ) from None
        self._server.setblocking(False)
        self.port: int = self._server.getsockname()[1]
        self._wake, self._woken = socket.socketpair()
        self._wake.setblocking(False)
        self._woken.setblocking(False)
        self._asleep = threading.Event()
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._server, selectors.EVENT_READ)
        self._selector.register(self._woken, selectors.EVENT_READ)
        self._thread = threading.Thread(target=self._serve, name=f"hub {self.port}", daemon=True)
        self._thread.start()

    @property
    def statistics(self) -> HubStatistics:
        """Return the counts so far."""
        return HubStatistics(
            len(self._clients), self._taken, self._dropped, self._let_go, self._refused, self._turned_away
        )

    def publish(self, frame: Frame) -> None:
        """Hand a frame of the wires to every client but the one that sent it; returns at once."""
        if not self._clients:
            return
        text = f"< frame {frame.identifier:08X} {frame.time / 1e6:.6f} {frame.data.hex()} >".encode()
        for client in tuple(self._clients):
            if client.free_from is None or (client.own and client.is_own(frame, self._clock())):
                continue
            self._dropped += len(client.frames) == client.frames.maxlen
            client.frames.append(text)
        if self._asleep.is_set():
            self._asleep.clear()
            self._rouse()

    def _rouse(self) -> None:
        try:
            self._wake.send(b"x")
        except OSError:  # it is awake already
            return

    def close(self) -> None:
        """Let everybody go and free the port; may be called twice."""
        self._closing = True
        self._rouse()
        self._thread.join(5)

    def __enter__(self) -> "Hub":
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    # The hub's own thread.

    def _serve(self) -> None:
        try:
            while not self._closing:
                self._asleep.set()
                for key, events in self._selector.select(self._flush()):
                    if key.fileobj is self._server:
                        self._accept()
                    elif key.fileobj is self._woken:
                        self._woken.recv(4096)
                    elif isinstance(key.data, _Client):
                        self._attend(key.data, events)
        finally:
            for client in tuple(self._clients):
                self._leave(client)
            for one in (self._server, self._wake, self._woken):
                one.close()
            self._selector.close()

    def _accept(self) -> None:
        try:
            connection, _ = self._server.accept()
        except OSError:  # it has gone already
            return
        if len(self._clients) >= CLIENTS:
            self._turned_away += 1
            connection.close()
            return
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client = _Client(connection)
        self._clients.append(client)
        self._send(client)

    def _attend(self, client: _Client, events: int) -> None:
        if events & selectors.EVENT_READ and not self._hear(client):
            self._leave(client)
        elif events & selectors.EVENT_WRITE:
            self._send(client)

    def _leave(self, client: _Client) -> None:
        if client in self._clients:
            self._clients.remove(client)
            self._wait_for(client, 0)
            client.socket.close()

    def _wait_for(self, client: _Client, events: int) -> None:
        """Have the selector tell of these events of a client, and of no others."""
        before, client.events = client.events, events
        if not before and events:
            self._selector.register(client.socket, events, client)
        elif before and not events:
            self._selector.unregister(client.socket)
        elif before != events:
            self._selector.modify(client.socket, events, client)

    def _flush(self) -> float | None:
        """Send what is due, go on with who was held; return after how many seconds to look again, None for never."""
        now, waits = self._clock(), []
        for client in tuple(self._clients):
            if client.held:
                self._resume(client, now)
                waits += [LOST_S] * client.held
            if client.frames and client.free_from is not None and not client.unsent:
                if client.free_from <= now:
                    self._send(client)
                else:
                    waits.append(client.free_from - now)
        return min(waits, default=None)

    def _resume(self, client: _Client, now: float) -> None:
        """Read a client again if enough of its frames have been on the wires, or are lost."""
        for sent in tuple(client.own):
            if now - sent.at >= LOST_S:
                client.forget(sent)
        if self._may_send(client):
            client.held = False
            if self._work_off(client):
                self._send(client)
            else:
                self._leave(client)

    def _send(self, client: _Client) -> None:
        if client not in self._clients:
            return
        free = client.free_from is not None and client.free_from <= self._clock()
        if free and len(client.unsent) < _CHUNK:
            parts = [client.unsent]
            room = _CHUNK - len(client.unsent)
            while client.frames and room > 0:
                parts.append(client.frames.popleft())
                room -= len(parts[-1])
            client.unsent = b"".join(parts)
        try:
            client.unsent = client.unsent[client.socket.send(client.unsent) :] if client.unsent else b""
        except BlockingIOError:
            pass
        except OSError:
            self._leave(client)
            return
        more = selectors.EVENT_WRITE if client.unsent or (free and client.frames) else 0
        self._wait_for(client, more if client.held else selectors.EVENT_READ | more)

    def _hear(self, client: _Client) -> bool:
        """Take what a client sent; tell whether it may stay."""
        try:
            received = client.socket.recv(_READ)
        except BlockingIOError:
            return True
        except OSError:
            return False
        client.received += received
        if not received or not self._work_off(client):
            return False
        if client.held:
            self._send(client)  # which waits for nothing of it any more
        return True

    def _work_off(self, client: _Client) -> bool:
        """Do what a client asked for, as long as it is not held; tell whether it may stay."""
        *messages, rest = client.received.split(b">")
        for done, message in enumerate(messages):
            if not self._may_send(client):
                client.held = True
                client.received = b">".join([*messages[done:], rest])
                return True
            if len(message) > _LONGEST or not self._message(client, message):
                client.garbage += 1
                if client.garbage >= _GARBAGE or len(message) > _LONGEST:
                    self._let_go += 1
                    return False
        client.received = rest
        self._let_go += len(rest) > _LONGEST
        return len(rest) <= _LONGEST

    def _may_send(self, client: _Client) -> bool:
        """Tell whether there is room for one more frame of a client between here and the wires."""
        sending = 1 + sum(one is not client and bool(one.own or one.held) for one in self._clients)
        return len(client.own) < max(1, UNDER_WAY // sending)

    def _message(self, client: _Client, message: bytes) -> bool:
        """Do what one message asks for; tell whether it was one."""
        text = message.decode("ascii", "replace").strip()
        if not text.startswith("<"):
            return False
        text = text[1:].strip()
        if text.startswith("open ") and client.free_from is None:
            return self._answer(client, b"< ok >")
        if text == "rawmode":
            client.free_from = self._clock() + HELD_S
            return self._answer(client, b"< ok >")
        if text == "echo":
            return self._answer(client, b"< echo >")
        return self._frame(client, text)

    def _answer(self, client: _Client, answer: bytes) -> bool:
        """Answer; a client that asks and asks and fetches no answer talks garbage."""
        if len(client.unsent) > 2 * _CHUNK:
            return False
        client.unsent += answer
        self._send(client)
        return True

    def _frame(self, client: _Client, text: str) -> bool:
        if client.free_from is None or not _OTHER.fullmatch(text):
            return False
        sent = _SEND.fullmatch(text)
        data = b"" if sent is None else bytes(int(byte, 16) for byte in sent[3].split())
        client.free_from = min(client.free_from, self._clock())
        if sent is None or int(sent[1], 16) >= 1 << 29 or len(data) != int(sent[2]):
            self._refused += 1
            return True
        identifier = int(sent[1], 16)
        client.own.append(_Sent(identifier, data, self._clock()))
        self._taken += 1
        self._take(identifier, data)
        return True

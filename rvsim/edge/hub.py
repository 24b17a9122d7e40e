"""The bench for other processes of this machine: a server that python-can's ``socketcand`` client opens as a bus.

``can.Bus(interface="socketcand", host="127.0.0.1", port=29536, channel="rvsim")``. Knows: connections, and that no
client may delay the bench: frames that a slow client does not read are dropped for it, oldest first; a client that
sends too fast is not read until its frames have been on the line; a client that sends invalid messages, or does not
finish its handshake, is disconnected. Does not know what frames mean, nor simulated devices. It listens on loopback
only. `hub_protocol` has the form of the messages.

Another protocol never gets a frame onto the line: a connection whose first byte is not ``<`` is closed before any of it
is read as a message, so that a web page cannot send here by HTTP.
"""

import selectors
import socket
import threading
from collections.abc import Callable
from typing import NamedTuple

from rvsim.edge.hub_clients import Client, FramesUnderWay, SentFrame
from rvsim.edge.hub_protocol import (
    ACCEPTED,
    ANSWER,
    ECHO,
    MAX_MESSAGE_BYTES,
    QUESTION_TEXT,
    frame_text,
    is_frame,
    message_text,
    read_frame,
)
from rvsim.errors import BusError
from rvsim.wire.frame import Frame

FIRST_FRAME_DELAY_S = 0.05
"""Wait before the first frame to a new client, or until it sends: python-can compares one whole receive with the answer
that it expects, and a frame directly behind that answer would break its handshake."""
MAX_HANDSHAKE_S = 5.0
"""A client that has not finished its handshake after this time is disconnected. Our decision; DEVELOPERS.md names
it."""
MAX_WAITING_FRAMES = 20_000
"""Frames that wait for one client that does not read them; ten seconds of a fully loaded bus. Our decision."""
UNDER_WAY_QUOTA = 32
"""Frames of one client between the hub and the line, then it is not read: half of the queue of a simulated node.
Several clients that send share the quota; together they are one node on the line."""
MAX_UNDER_WAY = 56
"""Frames of all clients together between the hub and the line; the rest of the node's queue is left to other senders,
such as the person at the bench."""
LOST_AFTER_S = 5.0
"""A client's frame that was not on the line after this time counts as lost: the wires are broken, or the bus is full.
Our decision."""
MAX_CLIENTS = 64
"""Connections at a time; a further one is closed at once. Our decision."""
_MAX_INVALID_MESSAGES = 20
"""A client is disconnected after this number of invalid messages. Our choice."""
_MAX_SEND_BYTES = 1 << 16
_MAX_READ_BYTES = 1 << 12
"""Bytes that are read from one client at a time: some 0.3 ms of work, so that the bench gets the processor between."""


class HubStatistics(NamedTuple):
    """The counts of a hub so far."""

    clients: int
    """Connections now."""
    received: int
    """Frames received from clients."""
    dropped: int
    """Frames that slow clients did not read."""
    invalid_clients: int
    """Clients disconnected for invalid messages."""
    refused: int
    """Frames of clients that this network does not use: 11-bit, remote and FD frames."""
    excess_clients: int
    """Clients disconnected because there were too many."""
    late_handshakes: int
    """Clients disconnected because their handshake was not finished in time."""
    lost: int
    """Frames received from clients that were never on the line."""
    under_way: int
    """Frames received from clients that are not on the line yet, and may still be sent."""


class Hub:
    """Serves one bench; close it, or use it in a ``with`` block.

    Args:
        where: host and port; port 0 is any free port.
        on_client_frame: called with each frame of a client (identifier, data), in the hub's own thread.
        clock: monotonic seconds.
        on_client_count: called with the number of clients that have finished their handshake, whenever it changes, in
            the hub's own thread.

    Raises:
        BusError: the port cannot be opened.
    """

    def __init__(
        self,
        where: tuple[str, int],
        on_client_frame: Callable[[int, bytes], None],
        clock: Callable[[], float],
        on_client_count: Callable[[int], None] | None = None,
    ) -> None:
        self._on_client_frame, self._clock = on_client_frame, clock
        self._on_client_count = on_client_count or (lambda _: None)
        self._clients: list[Client] = []
        self._under_way = FramesUnderWay()
        self._received = self._dropped = self._refused = 0
        self._invalid_clients = self._excess_clients = self._late_handshakes = 0
        self._closing = False
        try:
            self._server = socket.create_server(where, backlog=128)
        except OSError as error:
            raise BusError(
                f"{where[0]}:{where[1]}: the port cannot be opened ({error.strerror}); choose another port"
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
        self._under_way.drop_lost(self._clock() - LOST_AFTER_S)
        return HubStatistics(
            len(self._clients),
            self._received,
            self._dropped,
            self._invalid_clients,
            self._refused,
            self._excess_clients,
            self._late_handshakes,
            self._under_way.lost,
            len(self._under_way),
        )

    def publish(self, frame: Frame) -> None:
        """Send a frame of the line to every client except the one that sent it; returns at once."""
        sender = self._under_way.confirm(frame, self._clock() - LOST_AFTER_S) if self._under_way else None
        if not self._clients:
            return
        text = frame_text(frame)
        for client in tuple(self._clients):
            if client.frames_from is None or client is sender:
                continue
            self._dropped += len(client.frames) == client.frames.maxlen
            client.frames.append(text)
        if self._asleep.is_set():
            self._asleep.clear()
            self._wake_up()

    def _wake_up(self) -> None:
        try:
            self._wake.send(b"x")
        except OSError:  # the thread is awake already
            return

    def close(self) -> None:
        """Disconnect all clients and free the port; may be called twice."""
        self._closing = True
        self._wake_up()
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
                    elif isinstance(key.data, Client):
                        self._handle_events(key.data, events)
            self._flush()  # the last published frames still go to clients that read
        finally:
            for client in tuple(self._clients):
                self._disconnect(client)
            for open_socket in (self._server, self._wake, self._woken):
                open_socket.close()
            self._selector.close()

    def _accept(self) -> None:
        try:
            connection, _ = self._server.accept()
        except OSError:  # the client has disconnected already
            return
        if len(self._clients) >= MAX_CLIENTS:
            self._excess_clients += 1
            connection.close()
            return
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client = Client(connection, self._clock(), MAX_WAITING_FRAMES)
        self._clients.append(client)
        self._send(client)

    def _handle_events(self, client: Client, events: int) -> None:
        if events & selectors.EVENT_READ and not self._receive(client):
            self._disconnect(client)
        elif events & selectors.EVENT_WRITE:
            self._send(client)

    def _disconnect(self, client: Client) -> None:
        if client in self._clients:
            self._clients.remove(client)
            self._select(client, 0)
            client.socket.close()
            if client.frames_from is not None and not self._closing:
                self._report_client_count()

    def _report_client_count(self) -> None:
        self._on_client_count(sum(client.frames_from is not None for client in self._clients))

    def _select(self, client: Client, events: int) -> None:
        """Have the selector wait for these events of a client."""
        before, client.events = client.events, events
        if not before and events:
            self._selector.register(client.socket, events, client)
        elif before and not events:
            self._selector.unregister(client.socket)
        elif before != events:
            self._selector.modify(client.socket, events, client)

    def _flush(self) -> float | None:
        """Send what is due and resume held clients; return the seconds until the next call, None for no limit."""
        now, waits = self._clock(), []
        self._under_way.drop_lost(now - LOST_AFTER_S)
        line_is_full = False
        for client in sorted(self._clients, key=lambda client: client.sent_at):
            if client.is_held:
                if not line_is_full:
                    self._resume(client)
                    # Room that comes only now is for the one that has waited longer, in the next call.
                    line_is_full = client.is_held and not self._has_used_its_share(client)
                waits += [LOST_AFTER_S] * client.is_held
            if client.frames_from is None:
                left = client.connected_at + MAX_HANDSHAKE_S - now
                if left <= 0:
                    self._late_handshakes += 1
                    self._disconnect(client)
                else:
                    waits.append(left)
            elif client.frames and not client.unsent:
                if client.frames_from <= now:
                    self._send(client)
                else:
                    waits.append(client.frames_from - now)
        return min(waits, default=None)

    def _resume(self, client: Client) -> None:
        """Read a client again if enough of its frames have been on the line, or are lost."""
        if self._has_room(client):
            client.is_held = False
            if self._handle_messages(client):
                self._send(client)
            else:
                self._disconnect(client)

    def _send(self, client: Client) -> None:
        if client not in self._clients:
            return
        free = client.frames_from is not None and client.frames_from <= self._clock()
        if free and len(client.unsent) < _MAX_SEND_BYTES:
            parts = [client.unsent]
            room = _MAX_SEND_BYTES - len(client.unsent)
            while client.frames and room > 0:
                parts.append(client.frames.popleft())
                room -= len(parts[-1])
            client.unsent = b"".join(parts)
        try:
            client.unsent = client.unsent[client.socket.send(client.unsent) :] if client.unsent else b""
        except BlockingIOError:
            pass
        except OSError:
            self._disconnect(client)
            return
        more = selectors.EVENT_WRITE if client.unsent or (free and client.frames) else 0
        self._select(client, more if client.is_held else selectors.EVENT_READ | more)

    def _receive(self, client: Client) -> bool:
        """Receive bytes of a client; return whether it stays connected."""
        try:
            received = client.socket.recv(_MAX_READ_BYTES)
        except BlockingIOError:
            return True
        except OSError:
            return False
        client.received += received
        if not received:
            return False
        if not client.has_begun and not client.received.startswith(b"<"):
            self._invalid_clients += 1
            return False
        client.has_begun = True
        if not self._handle_messages(client):
            return False
        if client.is_held:
            self._send(client)  # which stops waiting for its bytes
        return True

    def _handle_messages(self, client: Client) -> bool:
        """Handle the messages of a client until it is held; return whether it stays connected."""
        *messages, rest = client.received.split(b">")
        for done, message in enumerate(messages):
            if client.frames_from is not None and not self._has_room(client):
                client.is_held = True
                client.received = b">".join([*messages[done:], rest])
                return True
            if len(message) > MAX_MESSAGE_BYTES or not self._handle_message(client, message):
                client.invalid_messages += 1
                if client.invalid_messages >= _MAX_INVALID_MESSAGES or len(message) > MAX_MESSAGE_BYTES:
                    self._invalid_clients += 1
                    return False
        client.received = rest
        self._invalid_clients += len(rest) > MAX_MESSAGE_BYTES
        return len(rest) <= MAX_MESSAGE_BYTES

    def _has_room(self, client: Client) -> bool:
        """Return whether one more frame of a client may be under way to the line."""
        if not self._under_way:
            return True
        return len(self._under_way.senders()) < MAX_UNDER_WAY and not self._has_used_its_share(client)

    def _has_used_its_share(self, client: Client) -> bool:
        """Return whether as many frames of a client are under way as are its own of the room for all."""
        senders = self._under_way.senders()
        sending = {client, *senders, *(other for other in self._clients if other.is_held)}
        return senders.count(client) >= max(1, UNDER_WAY_QUOTA // len(sending))

    def _handle_message(self, client: Client, message: bytes) -> bool:
        """Handle one message; return whether it was valid."""
        text = message_text(message)
        if text is None:
            return False
        if text == QUESTION_TEXT and client.frames_from is None:
            return self._answer(client, ANSWER)
        if text.startswith("open ") and client.frames_from is None:
            return self._answer(client, ACCEPTED)
        if text == "rawmode":
            is_new = client.frames_from is None
            client.frames_from = self._clock() + FIRST_FRAME_DELAY_S
            if is_new:
                self._report_client_count()
            return self._answer(client, ACCEPTED)
        if text == "echo":
            return self._answer(client, ECHO)
        return self._receive_frame(client, text)

    def _answer(self, client: Client, answer: bytes) -> bool:
        """Send an answer; return False if the client does not read its answers."""
        if len(client.unsent) > 2 * _MAX_SEND_BYTES:
            return False
        client.unsent += answer
        self._send(client)
        return True

    def _receive_frame(self, client: Client, text: str) -> bool:
        if client.frames_from is None or not is_frame(text):
            return False
        now, frame = self._clock(), read_frame(text)
        client.frames_from = min(client.frames_from, now)
        if frame is None:
            self._refused += 1
            return True
        client.sent_at = now
        self._under_way.add(SentFrame(client, *frame, now))
        self._received += 1
        self._on_client_frame(*frame)
        return True

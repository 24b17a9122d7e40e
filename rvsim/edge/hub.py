"""The bench for other processes of this machine: a server that python-can's ``socketcand`` client opens as a bus.

``can.Bus(interface="socketcand", host="127.0.0.1", port=29536, channel="rvsim")``. Knows: connections, and that nobody
may hold the bench up: what a slow client does not fetch is dropped for it, oldest first, a hasty one is not read until
its frames have been on the wires, and whoever sends what is no frame, or does not finish its handshake, is let go. Does
not know what frames mean, nor simulated devices. It listens on loopback and nowhere else. How messages are written is
in `hub_protocol`.

Another protocol never gets a frame onto the wires: a connection whose first byte is not ``<`` is let go before anything
of it is read as a message, so a web page cannot send here by HTTP.
"""

import selectors
import socket
import threading
from collections.abc import Callable
from typing import NamedTuple

from rvsim.edge.hub_clients import Client, Sent, UnderWay
from rvsim.edge.hub_protocol import ACCEPTED, ALIVE, ANSWER, ASKED, LONGEST, frame_text, inner, is_frame, read_frame
from rvsim.errors import BusError
from rvsim.wire.frame import Frame

HELD_S = 0.05
"""Frames for a new client wait so long, or until it sends: python-can compares one whole receive with the answer that
it expects, and a frame behind that answer would break its handshake."""
HANDSHAKE_S = 5.0
"""A client that has not finished its handshake by then is let go. Our decision."""
WAITING = 20_000
"""Frames kept for one client that does not fetch them; ten seconds of a full pair. Our decision."""
UNDER_WAY = 32
"""Frames between here and the wires of a client alone, then it is not read: half of what a simulated node holds ready.
Several who send share these; together they are one node on the wires."""
MAX_UNDER_WAY = 56
"""Frames between here and the wires of all clients together; what else the node holds ready is left to others, such as
the person at the bench."""
LOST_S = 5.0
"""A client's frame that was not on the wires by then is taken for lost: they are broken, or full. Our decision."""
CLIENTS = 64
"""Connections at a time; one more is closed at once. Our decision."""
_GARBAGE = 20
"""So many messages that are none, and a client is let go."""
_CHUNK = 1 << 16
_READ = 1 << 12
"""Bytes read of one client in one go: some 0.3 ms of work, so that the bench gets the processor in between."""


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
    unfinished: int
    """Clients let go because their handshake was not finished in time."""
    lost: int
    """Frames taken from clients that were never on the wires."""
    under_way: int
    """Frames taken from clients that are not on the wires yet, and may still come there."""


class Hub:
    """Serves one bench; close it, or use it in a ``with`` block.

    Args:
        where: host and port; port 0 is any that is free.
        take: is told of each frame that a client sends (identifier, bytes), in the hub's own thread.
        clock: monotonic seconds.
        on_clients: is told how many clients have finished their handshake whenever that changes, in the hub's own
            thread.

    Raises:
        BusError: the port cannot be had.
    """

    def __init__(
        self,
        where: tuple[str, int],
        take: Callable[[int, bytes], None],
        clock: Callable[[], float],
        on_clients: Callable[[int], None] | None = None,
    ) -> None:
        self._take, self._clock = take, clock
        self._on_clients = on_clients or (lambda _: None)
        self._clients: list[Client] = []
        self._under_way = UnderWay()
        self._taken = self._dropped = self._let_go = self._refused = self._turned_away = self._unfinished = 0
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
        self._under_way.forget(self._clock() - LOST_S)
        return HubStatistics(
            len(self._clients),
            self._taken,
            self._dropped,
            self._let_go,
            self._refused,
            self._turned_away,
            self._unfinished,
            self._under_way.lost,
            len(self._under_way),
        )

    def publish(self, frame: Frame) -> None:
        """Hand a frame of the wires to every client but the one that sent it; returns at once."""
        sender = self._under_way.credit(frame, self._clock() - LOST_S) if self._under_way else None
        if not self._clients:
            return
        text = frame_text(frame)
        for client in tuple(self._clients):
            if client.free_from is None or client is sender:
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
                    elif isinstance(key.data, Client):
                        self._attend(key.data, events)
            self._flush()  # what was published last still goes to whoever fetches
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
        client = Client(connection, self._clock(), WAITING)
        self._clients.append(client)
        self._send(client)

    def _attend(self, client: Client, events: int) -> None:
        if events & selectors.EVENT_READ and not self._hear(client):
            self._leave(client)
        elif events & selectors.EVENT_WRITE:
            self._send(client)

    def _leave(self, client: Client) -> None:
        if client in self._clients:
            self._clients.remove(client)
            self._wait_for(client, 0)
            client.socket.close()
            if client.free_from is not None and not self._closing:
                self._tell_clients()

    def _tell_clients(self) -> None:
        self._on_clients(sum(client.free_from is not None for client in self._clients))

    def _wait_for(self, client: Client, events: int) -> None:
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
        self._under_way.forget(now - LOST_S)
        for client in sorted(self._clients, key=lambda one: one.sent_at):
            if client.held:
                self._resume(client)
                waits += [LOST_S] * client.held
            if client.free_from is None:
                left = client.came + HANDSHAKE_S - now
                if left <= 0:
                    self._unfinished += 1
                    self._leave(client)
                else:
                    waits.append(left)
            elif client.frames and not client.unsent:
                if client.free_from <= now:
                    self._send(client)
                else:
                    waits.append(client.free_from - now)
        return min(waits, default=None)

    def _resume(self, client: Client) -> None:
        """Read a client again if enough of its frames have been on the wires, or are lost."""
        if self._may_send(client):
            client.held = False
            if self._work_off(client):
                self._send(client)
            else:
                self._leave(client)

    def _send(self, client: Client) -> None:
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

    def _hear(self, client: Client) -> bool:
        """Take what a client sent; tell whether it may stay."""
        try:
            received = client.socket.recv(_READ)
        except BlockingIOError:
            return True
        except OSError:
            return False
        client.received += received
        if not received:
            return False
        if not client.has_begun and not client.received.startswith(b"<"):
            self._let_go += 1
            return False
        client.has_begun = True
        if not self._work_off(client):
            return False
        if client.held:
            self._send(client)  # which waits for nothing of it any more
        return True

    def _work_off(self, client: Client) -> bool:
        """Do what a client asked for, as long as it is not held; tell whether it may stay."""
        *messages, rest = client.received.split(b">")
        for done, message in enumerate(messages):
            if client.free_from is not None and not self._may_send(client):
                client.held = True
                client.received = b">".join([*messages[done:], rest])
                return True
            if len(message) > LONGEST or not self._message(client, message):
                client.garbage += 1
                if client.garbage >= _GARBAGE or len(message) > LONGEST:
                    self._let_go += 1
                    return False
        client.received = rest
        self._let_go += len(rest) > LONGEST
        return len(rest) <= LONGEST

    def _may_send(self, client: Client) -> bool:
        """Tell whether there is room for one more frame of a client between here and the wires."""
        if not self._under_way:
            return True
        senders = self._under_way.senders()
        sending = {client, *senders, *(one for one in self._clients if one.held)}
        share = max(1, UNDER_WAY // len(sending))
        return len(senders) < MAX_UNDER_WAY and senders.count(client) < share

    def _message(self, client: Client, message: bytes) -> bool:
        """Do what one message asks for; tell whether it was one."""
        text = inner(message)
        if text is None:
            return False
        if text == ASKED and client.free_from is None:
            return self._answer(client, ANSWER)
        if text.startswith("open ") and client.free_from is None:
            return self._answer(client, ACCEPTED)
        if text == "rawmode":
            is_new = client.free_from is None
            client.free_from = self._clock() + HELD_S
            if is_new:
                self._tell_clients()
            return self._answer(client, ACCEPTED)
        if text == "echo":
            return self._answer(client, ALIVE)
        return self._frame(client, text)

    def _answer(self, client: Client, answer: bytes) -> bool:
        """Answer; a client that asks and asks and fetches no answer talks garbage."""
        if len(client.unsent) > 2 * _CHUNK:
            return False
        client.unsent += answer
        self._send(client)
        return True

    def _frame(self, client: Client, text: str) -> bool:
        if client.free_from is None or not is_frame(text):
            return False
        now, frame = self._clock(), read_frame(text)
        client.free_from = min(client.free_from, now)
        if frame is None:
            self._refused += 1
            return True
        client.sent_at = now
        self._under_way.add(Sent(client, *frame, now))
        self._taken += 1
        self._take(*frame)
        return True

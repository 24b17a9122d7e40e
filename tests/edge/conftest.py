"""A hub with clients of python-can and plain connections, and what they send."""

import socket
import threading
import time

import can
import pytest

from rvsim.edge.hub import Hub


class Taken(list):
    """What clients sent, and a way to wait for it."""

    def __init__(self):
        super().__init__()
        self.more = threading.Condition()

    def __call__(self, identifier, data):
        """Take a frame."""
        with self.more:
            self.append((identifier, data))
            self.more.notify_all()

    def wait(self, count=1):
        """Wait until there are so many, for at most five seconds."""
        with self.more:
            assert self.more.wait_for(lambda: len(self) >= count, 5)


@pytest.fixture
def taken():
    """What clients sent."""
    return Taken()


@pytest.fixture
def hub(taken):
    """A hub on a free port."""
    with Hub(("127.0.0.1", 0), taken, time.monotonic) as one:
        yield one


@pytest.fixture
def client(hub):
    """Open the hub as python-can's client does."""
    opened = []

    def go():
        opened.append(
            can.Bus(interface="socketcand", host="127.0.0.1", port=hub.port, channel="rvsim", ignore_config=True)
        )
        return opened[-1]

    yield go
    for one in opened:
        one.shutdown()


@pytest.fixture
def raw(hub):
    """Open a plain connection."""
    opened = []

    def go():
        opened.append(socket.create_connection(("127.0.0.1", hub.port), timeout=5))
        return opened[-1]

    yield go
    for one in opened:
        one.close()


class Clock:
    """A clock that the test sets."""

    def __init__(self):
        self.seconds = 1000.0

    def __call__(self):
        """Return them."""
        return self.seconds


def _soon(holds):
    """Wait until a condition holds that has no event, for at most five seconds."""
    pause = threading.Event()
    for _ in range(1000):
        if holds():
            return True
        pause.wait(0.005)
    return False


def _joined(connection):
    """Go through the handshake; return the connection."""
    assert connection.recv(256) == b"< hi >"
    assert _answered(connection, "< open rvsim >") == "< ok >"
    assert _answered(connection, "< rawmode >") == "< ok >"
    return connection


def _numbered(number):
    """A frame as it is written."""
    return f"< send {number:08X} 1 {number & 0xFF:x} >".encode()


def _answered(connection, text):
    """Send a message and return the answer."""
    connection.sendall(text.encode())
    return connection.recv(256).decode()


@pytest.fixture
def clock():
    """A clock that the test sets."""
    return Clock()


@pytest.fixture
def soon():
    """Wait until a condition holds that has no event."""
    return _soon


@pytest.fixture
def joined():
    """Go through the handshake."""
    return _joined


@pytest.fixture
def numbered():
    """Write a frame that carries a number."""
    return _numbered


@pytest.fixture
def answered():
    """Send a message and return the answer."""
    return _answered

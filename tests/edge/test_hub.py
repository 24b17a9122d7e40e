"""The bench served on loopback: python-can's own client, several of them, slow, vanishing and malformed ones."""

import socket
import threading
import time
from contextlib import suppress

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rvsim.edge import hub as module
from rvsim.edge.hub import Hub, address_of
from rvsim.errors import BusError, InputError
from rvsim.wire.frame import Frame

FRAME = Frame(1_250_000, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))


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


def answered(connection, text):
    """Send a message and return the answer."""
    connection.sendall(text.encode())
    return connection.recv(256).decode()


def test_frames_reach_every_client(hub, client):
    """Identifier, bytes and simulated time as they were; also a frame without bytes."""
    clients = [client(), client()]
    empty = Frame(2_000_000, 0x18EEFF44, b"")
    for frame in (FRAME, empty):
        hub.publish(frame)
    for one in clients:
        for frame in (FRAME, empty):
            message = one.recv(5)
            assert (message.arbitration_id, bytes(message.data)) == (frame.identifier, frame.data)
            assert message.timestamp == frame.time / 1e6
            assert message.is_extended_id


def test_frames_of_a_client_are_taken_and_reach_the_others_only(hub, client, taken):
    """What comes back from the wires is not sent to who sent it, once."""
    one, other = client(), client()
    one.send(can.Message(arbitration_id=0x19FEA642, data=[1, 0xFF]))
    taken.wait()
    assert taken == [(0x19FEA642, b"\x01\xff")]
    for frame in (Frame(1, 0x19FEA642, b"\x01\xff"), FRAME):
        hub.publish(frame)
    assert other.recv(5).arbitration_id == 0x19FEA642
    assert one.recv(5).arbitration_id == FRAME.identifier
    hub.publish(Frame(2, 0x19FEA642, b"\x01\xff"))
    assert one.recv(5).arbitration_id == 0x19FEA642


def test_the_handshake(raw):
    """Word for word, and nothing behind an answer."""
    connection = raw()
    assert connection.recv(256) == b"< hi >"
    assert answered(connection, "< open rvsim >") == "< ok >"
    assert answered(connection, "< rawmode >") == "< ok >"
    assert answered(connection, "< echo >") == "< echo >"


def test_frames_wait_for_a_new_client(hub, raw):
    """Under load the answers still come alone; frames follow after 50 ms."""
    connection = raw()
    stop = threading.Event()

    def flood():
        while not stop.wait(0.0001):
            hub.publish(FRAME)

    thread = threading.Thread(target=flood)
    thread.start()
    try:
        assert connection.recv(256) == b"< hi >"
        assert answered(connection, "< open rvsim >") == "< ok >"
        assert answered(connection, "< rawmode >") == "< ok >"
        assert connection.recv(256).startswith(b"< frame 19FFE45E 1.250000 0100c864ffffffff >")
    finally:
        stop.set()
        thread.join()


def test_a_frame_before_the_handshake_is_refused(raw, taken, hub):
    """So is one that is no frame: too many bytes, 30 bits, bytes that are not announced."""
    connection = raw()
    for text in (
        "< send 00000001 1 1 >",
        "< open rvsim >< rawmode >",
        "< send 20000000 1 1 >",
        "< send 00000001 2 1 >",
        "< send 00000001 9 1 1 1 1 1 1 1 1 1 >",
        "< send 123 1 1 >",
        "< sendpdu >",
        "< send 00000002 1 a >",
    ):
        connection.sendall(text.encode())
    taken.wait()
    assert taken == [(2, b"\x0a")]
    assert hub.statistics.clients == 1


def test_a_slow_client_loses_its_oldest_frames(hub, client, raw, monkeypatch):
    """The others get all of theirs, and whoever publishes never waits."""
    monkeypatch.setattr(module, "WAITING", 100)
    slow = raw()
    slow.recv(256)
    answered(slow, "< open rvsim >")
    answered(slow, "< rawmode >")
    for number in range(300_000):
        hub.publish(FRAME._replace(time=number))
    assert hub.statistics.dropped > 0
    assert hub.statistics.clients == 1


def test_a_client_that_vanishes(hub, client, taken):
    """It is forgotten, and the others go on."""
    one, other = client(), client()
    one.shutdown()
    for _ in range(50):
        hub.publish(FRAME)
    assert other.recv(5) is not None
    other.send(can.Message(arbitration_id=1, data=[]))
    taken.wait()
    assert hub.statistics.clients == 1


@pytest.mark.parametrize(
    "garbage", [b"x" * 10_000, b"< nonsense >" * 40, b"\xff\x00>" * 40], ids=["long", "many", "raw"]
)
def test_garbage_is_let_go(hub, raw, garbage):
    """The connection is closed and counted; memory is bounded by the longest message."""
    connection = raw()
    connection.recv(256)
    connection.sendall(garbage)
    with suppress(ConnectionResetError):
        assert connection.recv(256) == b""
    assert hub.statistics.let_go == 1


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.binary(min_size=1, max_size=300) | st.sampled_from([b"< open x >", b"< rawmode >", b">", b"<"])))
def test_any_bytes_leave_the_hub_alive(hub, pieces):
    """Afterwards the next client is served as ever."""
    with socket.create_connection(("127.0.0.1", hub.port), timeout=5) as connection, suppress(OSError):
        for piece in pieces:
            connection.sendall(piece)
    with socket.create_connection(("127.0.0.1", hub.port), timeout=5) as connection:
        assert connection.recv(256) == b"< hi >"


def test_it_frees_its_port():
    """Closed twice or once, another can have it, and its clients are let go."""
    one = Hub(("127.0.0.1", 0), lambda identifier, data: None, time.monotonic)
    port = one.port
    connection = socket.create_connection(("127.0.0.1", port), timeout=5)
    assert connection.recv(256) == b"< hi >"
    one.close()
    one.close()
    assert connection.recv(256) == b""
    connection.close()
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", port), timeout=5)


def test_a_port_that_is_taken(hub):
    """One line with what to do."""
    with pytest.raises(BusError, match="choose another port"):
        Hub(("127.0.0.1", hub.port), lambda identifier, data: None, time.monotonic)


@pytest.mark.parametrize(
    ("text", "address"),
    [("29536", ("127.0.0.1", 29536)), ("127.0.0.1:0", ("127.0.0.1", 0)), ("localhost:7", ("127.0.0.1", 7))],
)
def test_addresses(text, address):
    """A port, or a host that is this machine."""
    assert address_of(text) == address


@pytest.mark.parametrize("text", ["0.0.0.0:1", "example.org:1", "[::]:1", "x", "", "127.0.0.1:", "70000", "-1"])
def test_addresses_that_are_none(text):
    """Nothing but loopback is ever served."""
    with pytest.raises(InputError, match="--serve"):
        address_of(text)

"""The bench served on loopback: python-can's own client, several of them, slow, vanishing and malformed ones."""

import socket
import threading
import time
from contextlib import suppress

import can
import pytest
from can.interfaces.socketcand.socketcand import convert_can_message_to_ascii_message as as_python_can_sends
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rvsim.edge import hub as module
from rvsim.edge.hub import Hub
from rvsim.edge.hub_protocol import parse_serve_address
from rvsim.errors import BusError, InputError
from rvsim.wire.frame import Frame

pytestmark = pytest.mark.paced

FRAME = Frame(1_250_000, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))


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


def test_the_handshake(raw, answered):
    """Word for word, and nothing behind an answer."""
    connection = raw()
    assert connection.recv(256) == b"< hi >"
    assert answered(connection, "< open rvsim >") == "< ok >"
    assert answered(connection, "< rawmode >") == "< ok >"
    assert answered(connection, "< echo >") == "< echo >"


def test_frames_wait_for_a_new_client(hub, raw, answered):
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


@pytest.mark.parametrize("sends", [False, True], ids=["waits", "sends"])
def test_frames_are_held_for_50_ms_or_until_the_client_sends(taken, sends, joined, numbered, answered, clock):
    """Until then it gets answers alone: a frame behind one would break python-can's handshake."""
    with (
        Hub(("127.0.0.1", 0), taken, clock) as hub,
        joined(socket.create_connection(("127.0.0.1", hub.port), 5)) as one,
    ):
        hub.publish(FRAME)
        clock.seconds += 0.049
        hub.publish(FRAME)
        assert answered(one, "< echo >") == "< echo >"
        if sends:
            one.sendall(numbered(1))
        else:
            clock.seconds += 0.001
            hub.publish(FRAME)
        assert one.recv(40).startswith(b"< frame 19FFE45E")


def test_a_frame_before_the_handshake_is_refused(raw, taken, hub):
    """So is one that is no frame: too many bytes, 30 bits, bytes that are not announced."""
    connection = raw()
    for text in (
        "< send 00000001 1 1 >",
        "< open rvsim >< rawmode >",
        "< send 20000000 1 1 >",
        "< send 00000001 1 1 1 >",
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


def test_frames_of_other_kinds_are_refused_and_the_client_stays(hub, client, taken):
    """11-bit, remote and FD frames of python-can's client are counted, however many; the client stays connected."""
    one = client()
    for number in range(25):
        one.send(can.Message(arbitration_id=number, is_extended_id=False, data=[1]))
        one.send(can.Message(arbitration_id=number, is_remote_frame=True, dlc=8))
        one.send(can.Message(arbitration_id=number, is_fd=True, data=bytes(64)))
    one.send(can.Message(arbitration_id=7, data=[1]))
    taken.wait()
    assert taken == [(7, b"\x01")]
    hub.publish(FRAME)
    assert one.recv(5).arbitration_id == FRAME.identifier
    assert (hub.statistics.refused, hub.statistics.invalid_clients) == (75, 0)


def test_a_slow_client_loses_its_oldest_frames(hub, raw, monkeypatch, joined):
    """What it gets at last is in order, ends with the newest, and lacks as many as are counted."""
    monkeypatch.setattr(module, "MAX_WAITING_FRAMES", 100)
    slow = joined(raw())
    count = 100_000
    for number in range(count):
        hub.publish(FRAME._replace(time=number))
    dropped = hub.statistics.dropped
    assert dropped > 0
    received = b""
    while not received.endswith(b" 0.099999 0100c864ffffffff >"):
        received += slow.recv(1 << 20)
    times = [int(part.split()[2].replace(b".", b"")) for part in received.split(b"<")[1:]]
    assert times == sorted(times)
    assert len(times) == count - dropped
    assert hub.statistics.clients == 1


def test_more_clients_than_there_is_room_for(hub, raw, monkeypatch, soon):
    """One too many is closed at once and counted; when another has gone there is room again."""
    monkeypatch.setattr(module, "MAX_CLIENTS", 2)
    first, second, third = raw(), raw(), raw()
    assert (first.recv(256), second.recv(256), third.recv(256)) == (b"< hi >", b"< hi >", b"")
    assert hub.statistics.excess_clients == 1
    first.close()
    assert soon(lambda: hub.statistics.clients == 1)
    assert raw().recv(256) == b"< hi >"


def test_a_client_that_asks_and_fetches_no_answer(hub, raw, joined):
    """It is disconnected before its answers fill the memory."""
    connection = joined(raw())
    connection.settimeout(60)  # millions of answers fit into the buffers of a connection, and a machine may be busy
    with pytest.raises(OSError, match=r"reset|pipe"):
        connection.sendall(b"< echo >" * 10_000_000)
    assert hub.statistics.invalid_clients == 1


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
def test_a_client_with_invalid_messages_is_disconnected(hub, raw, garbage):
    """The connection is closed and counted; memory is bounded by the longest message."""
    connection = raw()
    connection.recv(256)
    connection.sendall(garbage)
    with suppress(ConnectionResetError):
        assert connection.recv(256) == b""
    assert hub.statistics.invalid_clients == 1


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.binary(min_size=1, max_size=300)
        | st.sampled_from(
            [b"< open x >", b"< rawmode >", b">", b"<", b"< send 1 1 >", b"< send 00000001 0 >", b"< echo >"]
        )
    )
)
def test_any_bytes_leave_the_hub_alive(hub, pieces):
    """Afterwards the next client is served as ever."""
    with socket.create_connection(("127.0.0.1", hub.port), timeout=5) as connection, suppress(OSError):
        for piece in pieces:
            connection.sendall(piece)
    with socket.create_connection(("127.0.0.1", hub.port), timeout=5) as connection:
        assert connection.recv(256) == b"< hi >"


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    sent=st.lists(st.tuples(st.integers(0, (1 << 29) - 1), st.binary(max_size=8)), min_size=1, max_size=60),
    piece=st.integers(1, 99),
)
def test_frames_as_python_can_writes_them_are_taken_however_they_are_cut(sent, piece, joined, taken):
    """All of them, in order, whatever comes in one go."""
    taken = type(taken)()  # one for each example

    def take(identifier, data):
        hub.publish(Frame(1, identifier, data))
        taken(identifier, data)

    text = "".join(
        as_python_can_sends(can.Message(arbitration_id=identifier, data=data)) for identifier, data in sent
    ).encode()
    with (
        Hub(("127.0.0.1", 0), take, time.monotonic) as hub,
        joined(socket.create_connection(("127.0.0.1", hub.port), 5)) as connection,
    ):
        for start in range(0, len(text), piece):
            connection.sendall(text[start : start + piece])
        taken.wait(len(sent))
        assert taken == sent
        assert hub.statistics.refused == hub.statistics.invalid_clients == 0


def test_it_frees_its_port():
    """Closed twice or once, its thread has ended, the port is free, and its clients are disconnected."""
    one = Hub(("127.0.0.1", 0), lambda identifier, data: None, time.monotonic)
    port = one.port
    connection = socket.create_connection(("127.0.0.1", port), timeout=5)
    assert connection.recv(256) == b"< hi >"
    one.close()
    one.close()
    assert f"hub {port}" not in [thread.name for thread in threading.enumerate()]
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
    [
        ("", ("127.0.0.1", 29536)),
        ("29536", ("127.0.0.1", 29536)),
        ("127.0.0.1:0", ("127.0.0.1", 0)),
        ("localhost:7", ("127.0.0.1", 7)),
    ],
)
def test_addresses(text, address):
    """A port, or a host that is this machine; without any the port that IANA has registered for the protocol."""
    assert parse_serve_address(text) == address


@pytest.mark.parametrize(
    "text", ["0.0.0.0:1", "example.org:1", "[::]:1", "x", "127.0.0.1:", "65536", "-1", "\u00b2", "1" * 5000]
)
def test_addresses_that_are_none(text):
    """Nothing but loopback is ever served."""
    with pytest.raises(InputError, match="--serve"):
        parse_serve_address(text)

"""Which clients stay at a hub: those that finish their handshake in time, and none with another protocol."""

import http.client
import socket
import urllib.error
import urllib.request
from contextlib import suppress

import pytest

from rvsim.edge import hub as module
from rvsim.edge.hub import Hub
from rvsim.wire.frame import Frame

pytestmark = pytest.mark.paced

FRAME = Frame(1_250_000, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))
INJECTION = b"< open rvsim >< rawmode >< send 19FEA642 1 1 >"


def connected(hub):
    """A plain connection."""
    return socket.create_connection(("127.0.0.1", hub.port), 5)


@pytest.mark.parametrize("said", [b"", b"<", b"< open rvsim >"], ids=["silent", "a byte", "half"])
def test_a_handshake_that_is_not_finished_in_time(said, taken, clock):
    """After five seconds a client is disconnected and counted; one with a finished handshake stays, however silent."""
    with Hub(("127.0.0.1", 0), taken, clock) as hub, connected(hub) as listener, connected(hub) as late:
        assert listener.recv(256) == late.recv(256) == b"< hi >"
        for text in (b"< open rvsim >", b"< rawmode >"):
            listener.sendall(text)
            assert listener.recv(256) == b"< ok >"
        late.sendall(said)
        if said.endswith(b">"):
            assert late.recv(256) == b"< ok >"
        clock.seconds += module.MAX_HANDSHAKE_S - 0.01
        listener.sendall(b"< echo >")  # has it look again
        assert listener.recv(256) == b"< echo >"
        assert (hub.statistics.clients, hub.statistics.late_handshakes) == (2, 0)
        clock.seconds += 0.01
        listener.sendall(b"< echo >")
        assert late.recv(256) == b""
        assert listener.recv(256) == b"< echo >"
        assert (hub.statistics.clients, hub.statistics.late_handshakes, hub.statistics.invalid_clients) == (1, 1, 0)


def test_silent_connections_do_not_block_others(hub, raw, monkeypatch, joined):
    """When all places are taken by them they are free again after a time, without anything happening."""
    monkeypatch.setattr(module, "MAX_CLIENTS", 8)
    monkeypatch.setattr(module, "MAX_HANDSHAKE_S", 0.2)
    silent = [raw() for _ in range(8)]
    assert [one.recv(256) for one in silent] == [b"< hi >"] * 8
    assert [one.recv(256) for one in silent] == [b""] * 8
    joined(raw())
    assert hub.statistics.late_handshakes == 8


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_http_never_injects(hub, taken, method, client):
    """A web page that sends what a client would: in its path, its headers or its body, nothing of it is read."""
    address = f"http://127.0.0.1:{hub.port}/"
    headers = {"X": INJECTION.decode()}
    body = INJECTION * 10 if method == "POST" else None
    request = urllib.request.Request(address, body, headers, method=method)
    with pytest.raises((urllib.error.URLError, http.client.HTTPException, OSError)):
        urllib.request.urlopen(request, timeout=5)
    assert hub.statistics.invalid_clients == 1
    watcher = client()
    hub.publish(FRAME)
    assert watcher.recv(5).arbitration_id == FRAME.identifier
    assert (taken, hub.statistics.received) == ([], 0)


@pytest.mark.parametrize("first", [b" ", b"\n", b"{", b"\x16\x03\x01", b"\x00"], ids=repr)
def test_a_first_byte_of_another_protocol(hub, raw, taken, first, joined):
    """A client whose first byte does not start a message is disconnected at once, whatever follows."""
    connection = raw()
    assert connection.recv(256) == b"< hi >"
    with suppress(OSError):
        connection.sendall(first + INJECTION)
    with suppress(ConnectionResetError):
        assert connection.recv(256) == b""
    joined(raw())
    assert (hub.statistics.invalid_clients, taken) == (1, [])


def test_a_handshake_waits_for_no_frames_of_others(hub, raw, taken, monkeypatch, joined, numbered):
    """Where all room on the way to the wires is taken a new client comes in all the same."""
    monkeypatch.setattr(module, "MAX_UNDER_WAY", 1)
    hasty = joined(raw())
    hasty.sendall(numbered(1) * 5)
    taken.wait(1)
    joined(raw())
    assert (hub.statistics.clients, len(taken)) == (2, 1)


def test_blanks_between_messages_are_none(raw, hub, answered):
    """Only the very first byte has to be that sign: line ends behind a message are common."""
    connection = raw()
    assert connection.recv(256) == b"< hi >"
    assert answered(connection, "< open rvsim >\n") == "< ok >"
    assert answered(connection, "\n< rawmode >\n") == "< ok >"
    assert hub.statistics.invalid_clients == 0


def test_the_number_of_finished_handshakes_is_reported(taken, clock, joined, soon):
    """Each time that it changes; not who only connects, and not that all go when the hub is closed."""
    told = []
    with Hub(("127.0.0.1", 0), taken, clock, told.append) as hub, connected(hub) as idle:
        assert idle.recv(256) == b"< hi >"
        one, other = joined(connected(hub)), joined(connected(hub))
        one.close()
        assert soon(lambda: len(told) == 3)
        idle.close()
        assert soon(lambda: hub.statistics.clients == 1)
    other.close()
    assert told == [1, 2, 1]

"""Whether a bus may be sent to: a hub proves what it is, and every other server counts as real."""

import socket
import threading
from contextlib import contextmanager, suppress
from importlib.metadata import version

import pytest

from rvsim.edge.harmless import is_rvsim_hub, prove_simulated
from rvsim.edge.hub_protocol import ANSWER, QUESTION
from rvsim.edge.settings import resolve
from rvsim.errors import BusError, InputError
from rvsim.wire.frame import Frame

pytestmark = pytest.mark.paced

TIMEOUT_S = 5.0


@contextmanager
def daemon(answer):
    """A server of the same protocol that is no hub: it greets, opens any bus, and answers the question as told.

    Yields its port and all that it was sent. ``answer`` takes what came and returns what to say; None closes.
    """
    received = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve():
            with suppress(OSError):
                while True:
                    connection, _ = server.accept()
                    connection.settimeout(TIMEOUT_S)
                    with connection, suppress(OSError):
                        connection.sendall(b"< hi >")
                        while message := connection.recv(256):
                            received.append(message)
                            said = b"< ok >" if message.startswith((b"< open", b"< rawmode")) else answer(message)
                            if said is None:
                                break
                            connection.sendall(said)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield server.getsockname()[1], received
        server.shutdown(socket.SHUT_RDWR)
        thread.join(TIMEOUT_S)
        assert not thread.is_alive()


OTHERS = {
    "error": lambda _: b"< error unknown command >",
    "ok": lambda _: b"< ok >",
    "echo": lambda message: message,
    "closes": lambda _: None,
    "frame": lambda _: b"< frame 19FFE45E 1.000000 01 >",
    "likeness": lambda _: ANSWER[:-1] + b"and more >",
    "behind": lambda _: ANSWER + b"< frame 19FFE45E 1.000000 01 >",
}


def settings_of(port, channel="rvsim", host="127.0.0.1"):
    """A bus as the command line names it."""
    return resolve("socketcand", channel, None, [f"host={host}", f"port={port}"], listening=False)


@pytest.mark.parametrize("channel", ["rvsim", "can0", "anything"])
@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
def test_our_hub_proves_itself_whatever_its_channel_is_called(hub, channel, host):
    """What is opened afterwards is the address that has answered."""
    proved = prove_simulated(settings_of(hub.port, channel, host))
    assert (proved.options["host"], proved.options["port"]) == ("127.0.0.1", hub.port)
    assert (proved.interface, proved.channel) == ("socketcand", channel)


@pytest.mark.parametrize("answer", OTHERS.values(), ids=OTHERS)
def test_a_server_that_is_not_our_hub_counts_as_real(answer):
    """Whatever it answers, also with our channel name: only the question is sent to it."""
    with daemon(answer) as (port, received):
        with pytest.raises(InputError, match=rf"the server on 127.0.0.1:{port} is not a hub of rvsim, so its bus may"):
            prove_simulated(settings_of(port))
        assert received == [QUESTION]


@pytest.mark.parametrize("greeting", [b"", b"< hello >", b"< hi >"], ids=["nothing", "other", "no answer"])
def test_a_silent_server_counts_as_real(greeting):
    """Neither greeting nor answer is waited for without a bound."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        connections = []

        def serve():
            connections.append(server.accept()[0])
            connections[0].sendall(greeting)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        assert not is_rvsim_hub("127.0.0.1", server.getsockname()[1], max_wait_s=0.1)
        thread.join(TIMEOUT_S)
        connections[0].settimeout(TIMEOUT_S)
        sent = connections[0].recv(256)
        connections[0].close()
    assert sent == (QUESTION if greeting == b"< hi >" else b"")


def test_no_server():
    """A bus that cannot be opened is an error at once."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    with pytest.raises(BusError, match=rf"127.0.0.1:{port}: no server answers \(Connection refused\)"):
        prove_simulated(settings_of(port))


@pytest.mark.parametrize("host", ["192.0.2.1", "127.0.0.1.example", "0.0.0.0", "::1"])
def test_other_machines_are_not_connected_to(host, monkeypatch):
    """Only this machine's loopback can prove anything."""
    monkeypatch.setattr(socket, "create_connection", lambda *_: pytest.fail("it was connected to"))
    with pytest.raises(
        InputError, match="the bus may be real; this version sends on virtual buses and to hubs of rvsim"
    ):
        prove_simulated(settings_of(29536, host=host))


def test_the_kind_of_a_bus_decides_and_not_its_name():
    """The virtual bus is harmless by its kind; an adapter is real, whatever its channel is called."""
    virtual = resolve("virtual", "can0", None, listening=False)
    assert prove_simulated(virtual) == virtual
    for interface in ("slcan", "socketcan", "udp_multicast"):
        with pytest.raises(InputError, match=f"^{interface} rvsim: the bus may be real"):
            prove_simulated(resolve(interface, "rvsim", None, listening=False))


def test_the_answer_of_a_hub_has_nothing_of_the_bus(hub, raw):
    """One message with the version, while frames go over the wires; the asking connection is no client."""
    connection = raw()
    assert connection.recv(256) == b"< hi >"
    connection.sendall(QUESTION)
    assert connection.recv(256) == f"< rvsim-hub {version('rvsim-bench')} >".encode()
    hub.publish(Frame(1, 0x19FFE45E, bytes(8)))
    connection.sendall(QUESTION)
    assert connection.recv(256) == ANSWER


def test_a_client_gets_no_answer(hub, raw, joined, taken):
    """Behind the handshake the question is none: there an answer would stand among frames."""
    connection = joined(raw())
    connection.sendall(QUESTION + b"< echo >")
    assert connection.recv(256) == b"< echo >"
    assert taken == []

"""A lost bus: a driver that fails raises, a driver that only stops waiting is detected."""

import socket
import struct
import sys
import threading
from types import SimpleNamespace
from typing import ClassVar

import can
import pytest
from can.interfaces import BACKENDS

from rvsim.edge.port import Port

pytestmark = pytest.mark.paced


class Answering(can.BusABC):
    """A driver that returns as the test sets: after a number of microseconds, with a frame or without."""

    answers: ClassVar[list] = []
    clock: ClassVar[list] = []

    def __init__(self, channel, **_):
        self.channel_info = "answering"
        super().__init__(channel)

    def send(self, msg, timeout=None):
        """Never asked."""

    def _recv_internal(self, timeout):
        try:
            took_us, message = self.answers.pop(0)
        except IndexError:
            raise can.CanOperationError("the test is over") from None
        if callable(took_us):
            took_us = took_us(timeout)
        self.clock[0] += took_us
        return message, True


FRAME = can.Message(timestamp=1, arbitration_id=0x19FFE45E)
NOTHING = (20, None)
WAITED = (lambda timeout: round(timeout * 1e6), None)


@pytest.fixture
def ended(monkeypatch):
    """Return what ends the reader of a driver with these returns; python-can's own clock is the driver's."""

    def read(answers):
        monkeypatch.setitem(sys.modules, "answering_driver", SimpleNamespace(Answering=Answering))
        monkeypatch.setitem(BACKENDS, "answering", ("answering_driver", "Answering"))
        monkeypatch.setattr(Answering, "answers", list(answers))
        monkeypatch.setattr(Answering, "clock", [0])
        monkeypatch.setattr("can.bus.time", lambda: Answering.clock[0] / 1e6)
        with Port("answering", "x", monotonic_ns=lambda: Answering.clock[0] * 1000) as port:
            while port.statistics.error is None:
                assert port.arrived.wait(5)
                port.arrived.clear()
            return port.statistics.error, len(Answering.answers)

    return read


CLOSED = (
    "the driver returns no frames and does not wait: the other side has closed the connection, or the adapter was "
    "pulled out"
)


def test_a_driver_that_waits_no_more_has_lost_its_bus(ended):
    """A thousand returns without a frame, each far too early, end the reader with an error."""
    assert ended([NOTHING] * 20_000)[0] == CLOSED
    assert ended([(20, FRAME), *[NOTHING] * 20_000])[0] == CLOSED
    assert ended([WAITED, *[NOTHING] * 20_000])[0] == CLOSED
    asked, left = ended([(0, None)] * 1001)
    assert (asked, left) == (CLOSED, 1)


def test_waits_that_tell_little_are_passed_over(ended):
    """Near the end of its timeout python-can requests ever shorter waits: they neither count nor clear the count."""
    # 20 us each: 2500 of a poll's 5000 answers are asked for half of its time and more, so the first poll is enough
    error, left = ended([NOTHING] * 20_000)
    assert (error, left) == (CLOSED, 19_000)
    # 100 us each: 500 count in each poll of 1000, so it takes a second one
    error, left = ended([(100, None)] * 20_000)
    assert error == CLOSED
    assert 18_400 <= left <= 18_600


def test_a_driver_that_waits_as_long_as_it_was_set_to_is_not_lost(ended):
    """A millisecond and more is a wait, though not the requested one; it neither counts nor clears."""
    assert ended([(1_000, None)] * 20_000)[0] == "the test is over"
    assert ended([(999, None)] * 20_000)[0] == CLOSED
    assert ended([*[(0, None)] * 999, (24_999, None), *[(0, None)] * 10])[0] == CLOSED


@pytest.mark.parametrize("between", [(20, FRAME), WAITED, (25_000, None)])
def test_a_bus_that_still_brings_or_waits_is_not_lost(ended, between):
    """A frame, a full wait or a longish one in between clears the count, however often."""
    row = [*[(0, None)] * 999, between]
    assert ended(row * 5)[0] == "the test is over"


def test_a_slow_machine_loses_no_bus(ended):
    """Late returns, and a quiet bus for an hour of waits, are not a lost bus."""
    assert ended([(250_000, None)] * 3000)[0] == "the test is over"
    assert ended([WAITED] * 36_000)[0] == "the test is over"


@pytest.mark.parametrize("reset", [False, True])
def test_a_server_that_closes_is_a_lost_bus(reset):
    """Whether it closes in order or breaks off: the reader ends with an error of one line, and no frame is lost."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve():
            with server.accept()[0] as client:
                client.sendall(b"< hi >")
                for _ in range(2):
                    client.recv(256)
                    client.sendall(b"< ok >")
                assert opened.wait(5)
                client.sendall(b"< frame 19FFE45E 1.000000 01 >")
                if reset:
                    assert heard.wait(5)
                    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

        opened, heard = threading.Event(), threading.Event()
        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        with Port("socketcand", "can0", options={"host": "127.0.0.1", "port": server.getsockname()[1]}) as port:
            opened.set()
            assert port.arrived.wait(10)
            heard.set()
            while port.statistics.error is None:
                assert port.arrived.wait(10)
                port.arrived.clear()
            error = port.statistics.error
            assert [frame.data for frame in port.receive()] == [b"\x01"]
        thread.join(5)
    assert "\n" not in error
    assert "Traceback" not in error
    assert ("reset by peer" in error) if reset else (error == CLOSED)

"""The port on python-can's virtual bus, with python-can's own objects on the other side."""

import threading

import can
import pytest

from rvsim.edge.port import Port
from rvsim.errors import BusError, Exit
from rvsim.wire.frame import Frame


@pytest.fixture
def channel(request) -> str:
    """A virtual channel of the test's own."""
    return f"test_{request.node.name}"


@pytest.fixture
def other(channel):
    """A node of python-can's own on the channel."""
    with can.Bus(interface="virtual", channel=channel, ignore_config=True, preserve_timestamps=True) as bus:
        yield bus


def taken(port: Port, count: int) -> list[Frame]:
    """Take frames until there are enough; each arrival wakes the wait."""
    frames = port.take()
    while len(frames) < count:
        assert port.arrived.wait(5), f"only {len(frames)} of {count} frames came"
        port.arrived.clear()
        frames += port.take()
    return frames


def test_a_frame_goes_out_as_it_is(channel, other):
    """What is sent arrives at another node with identifier, bytes and simulated time to the microsecond."""
    with Port("virtual", channel, listen=False) as port:
        port.send(Frame(86_400_123_457, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF")))
        message = other.recv(5)
        assert port.statistics.sent == 1
    assert (message.arbitration_id, message.is_extended_id) == (0x19FFE45E, True)
    assert message.data.hex() == "0100c864ffffffff"
    assert round(message.timestamp * 1e6) == 86_400_123_457


def test_frames_come_in_with_their_time(channel, other):
    """What another node sends is taken in, in order, times as integer microseconds."""
    with Port("virtual", channel) as port:
        for number in range(100):
            other.send(can.Message(timestamp=number / 1000, arbitration_id=0x18EAFF00 + number, data=[number]))
        frames = taken(port, 100)
    assert frames == [Frame(n * 1000, 0x18EAFF00 + n, bytes([n])) for n in range(100)]


def test_a_full_inbox_drops_and_counts(channel, other):
    """More frames than the inbox holds are dropped and counted, never kept without bound."""
    with Port("virtual", channel, inbox=10) as port:
        for _ in range(25):
            other.send(can.Message(arbitration_id=0x19FFE45E, data=[]))
        while port.statistics.received + port.statistics.dropped < 25:
            assert port.arrived.wait(5)
            port.arrived.clear()
        assert (port.statistics.received, port.statistics.dropped) == (10, 15)
        assert len(port.take()) == 10


def test_other_kinds_of_frame_are_left_out_and_counted(channel, other):
    """11-bit, remote and error frames are no frames of this network."""
    with Port("virtual", channel) as port:
        other.send(can.Message(arbitration_id=0x123, is_extended_id=False))
        other.send(can.Message(arbitration_id=0x18EAFF00, is_remote_frame=True))
        other.send(can.Message(arbitration_id=0x18EAFF00, is_error_frame=True))
        other.send(can.Message(arbitration_id=0x18EAFF00, data=[1]))
        assert [frame.data for frame in taken(port, 1)] == [b"\x01"]
        assert port.statistics.skipped == 3


def test_a_port_that_only_sends_reads_nothing(channel, other):
    """Without ``listen`` there is no reader."""
    before = threading.active_count()
    with Port("virtual", channel, listen=False) as port:
        assert threading.active_count() == before
        other.send(can.Message(arbitration_id=0x18EAFF00))
        assert port.take() == []


def test_closing_ends_the_reader(channel):
    """After closing no thread is left, and closing again does nothing."""
    before = threading.active_count()
    port = Port("virtual", channel)
    assert threading.active_count() == before + 1
    port.close()
    port.close()
    assert threading.active_count() == before


def test_a_driver_that_fails_ends_the_reading_and_says_why(channel, monkeypatch):
    """An error out of the driver does not vanish in the thread: it stands in the statistics."""

    def fail(self, timeout=None):
        raise can.CanOperationError("the plug was pulled")

    monkeypatch.setattr("can.interfaces.virtual.VirtualBus.recv", fail)
    with Port("virtual", channel) as port:
        assert port.arrived.wait(5)
        assert port.statistics.error == "the plug was pulled"


def test_a_bus_that_cannot_be_opened_is_one_clear_error():
    """An unknown interface is a BusError with the exit code of a bus that could not be opened."""
    with pytest.raises(BusError, match=r"^no_such_thing x: the bus could not be opened") as caught:
        Port("no_such_thing", "x")
    assert caught.value.exit_code is Exit.BUS


def test_a_bus_that_refuses_a_frame_is_one_clear_error(channel):
    """Sending on a closed bus is a BusError."""
    port = Port("virtual", channel, listen=False)
    port.close()
    with pytest.raises(BusError, match="a frame could not be sent"):
        port.send(Frame(0, 1, b""))

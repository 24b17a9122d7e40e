"""The port on python-can's virtual bus, with python-can's own objects on the other side."""

import logging
import queue
import socket
import sys
import threading
from types import SimpleNamespace
from typing import Any, ClassVar

import can
import pytest
from can.interfaces import BACKENDS

from rvsim.edge.port import Port
from rvsim.edge.settings import resolve
from rvsim.errors import BusError, ExitCode
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import ErrorFrame, OtherFrame, OtherKind
from rvsim.wire.timing import remote_bits, standard_bits

pytestmark = pytest.mark.paced


@pytest.fixture
def channel(request) -> str:
    """A virtual channel of the test's own."""
    return f"test_{request.node.name}"


@pytest.fixture
def other(channel):
    """A node of python-can's own on the channel."""
    with can.Bus(interface="virtual", channel=channel, ignore_config=True, preserve_timestamps=True) as bus:
        yield bus


def taken(port: Port, count: int) -> list[Any]:
    """Take frames until there are enough; each arrival wakes the wait."""
    frames = port.receive()
    while len(frames) < count:
        assert port.arrived.wait(5), f"only {len(frames)} of {count} frames came"
        port.arrived.clear()
        frames += port.receive()
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
        assert len(port.receive()) == 10


def test_other_kinds_of_frame_are_counted_and_handed_on_by_their_bits(channel, other):
    """11-bit, remote and error frames come through in their place among ours; FD frames are only counted."""
    with Port("virtual", channel) as port:
        other.send(can.Message(timestamp=1, arbitration_id=0x123, is_extended_id=False, data=b"\x01"))
        other.send(can.Message(timestamp=2, arbitration_id=0x18EAFF00, is_remote_frame=True, dlc=3))
        other.send(can.Message(timestamp=3, arbitration_id=0x7DF, is_extended_id=False, is_remote_frame=True, dlc=0))
        other.send(can.Message(timestamp=4, arbitration_id=0x18EAFF00, is_fd=True))
        other.send(can.Message(timestamp=5, arbitration_id=0x18EAFF00, is_error_frame=True))
        other.send(can.Message(timestamp=6, arbitration_id=0x18EAFF00, data=[1]))
        assert taken(port, 5) == [
            OtherFrame(1_000_000, OtherKind.STANDARD, standard_bits(0x123, b"\x01")),
            OtherFrame(2_000_000, OtherKind.REMOTE, remote_bits(0x18EAFF00, 3)),
            OtherFrame(3_000_000, OtherKind.REMOTE, standard_bits(0x7DF, b"", 0)),
            ErrorFrame(5_000_000),
            Frame(6_000_000, 0x18EAFF00, b"\x01"),
        ]
        assert (port.statistics.skipped, port.statistics.errors, port.statistics.received) == (4, 1, 1)


def test_a_port_that_only_sends_reads_nothing(channel, other):
    """Without ``listen`` there is no reader."""
    before = threading.active_count()
    with Port("virtual", channel, listen=False) as port:
        assert threading.active_count() == before
        other.send(can.Message(arbitration_id=0x18EAFF00))
        assert port.receive() == []


def test_a_polled_port_reads_when_asked(channel, other):
    """Without a thread of its own a port returns what was sent before, in order, and once."""
    before = threading.active_count()
    with Port("virtual", channel, polled=True) as port:
        assert threading.active_count() == before
        for number in range(3):
            other.send(can.Message(timestamp=number / 1000, arbitration_id=0x18EAFF00 + number, data=[number]))
        assert port.receive() == [Frame(n * 1000, 0x18EAFF00 + n, bytes([n])) for n in range(3)]
        assert port.receive() == []
        assert (port.statistics.received, port.statistics.error) == (3, None)


def test_a_full_inbox_of_a_polled_port_leaves_the_rest_to_the_driver(channel, other):
    """A polled port reads so many frames at once as its inbox holds, and the others when it is asked again."""
    with Port("virtual", channel, polled=True, inbox=2) as port:
        for number in range(3):
            other.send(can.Message(arbitration_id=0x18EAFF00 + number))
        assert [len(port.receive()) for _ in range(3)] == [2, 1, 0]
        assert port.statistics.dropped == 0


def test_a_polled_port_that_only_sends_reads_nothing(channel, other):
    """Without ``listen`` a polled port reads nothing either."""
    with Port("virtual", channel, listen=False, polled=True) as port:
        other.send(can.Message(arbitration_id=0x18EAFF00))
        assert port.receive() == []


def test_a_driver_that_fails_while_it_is_polled_has_its_error_kept(channel, monkeypatch):
    """An error out of a polled driver stands in the statistics, as one out of the reader does."""

    def fail(self, timeout=None):
        raise can.CanOperationError("the plug was pulled")

    monkeypatch.setattr("can.interfaces.virtual.VirtualBus.recv", fail)
    with Port("virtual", channel, polled=True) as port:
        assert port.receive() == []
        assert port.statistics.error == "the plug was pulled"


def test_closing_ends_the_reader(channel):
    """After closing no thread is left, and closing again does nothing."""
    before = threading.active_count()
    port = Port("virtual", channel)
    assert threading.active_count() == before + 1
    port.close()
    port.close()
    assert threading.active_count() == before


def test_a_driver_that_fails_ends_the_reader_with_its_error(channel, monkeypatch):
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
    assert caught.value.exit_code is ExitCode.BUS


ABOUT = '"rvsim about" lists what can be opened here'


@pytest.mark.parametrize(
    ("interface", "look"),
    [
        ("socketcan", f"check that the adapter is plugged in and its link is up; {ABOUT}"),
        ("slcan", f"check that the adapter is plugged in and its driver is installed; {ABOUT}"),
        ("socketcand", "check that the server runs and that the network reaches it"),
        ("udp_multicast", "check that the server runs and that the network reaches it"),
    ],
)
def test_a_bus_that_cannot_be_opened_has_a_next_step(monkeypatch, interface, look):
    """With its package there, what to look at depends on what stands between: an adapter, a link, a network."""

    def fail(**_):
        raise OSError("no such thing")

    monkeypatch.setattr(can, "Bus", fail)
    monkeypatch.setattr("rvsim.edge.needs.find_spec", lambda module: module)
    with pytest.raises(BusError) as caught:
        Port(interface, "x")
    assert str(caught.value) == f"{interface} x: the bus could not be opened (no such thing); {look}"


def test_a_bus_that_refuses_a_frame_is_one_clear_error(channel):
    """Sending on a closed bus is a BusError."""
    port = Port("virtual", channel, listen=False)
    port.close()
    with pytest.raises(BusError, match="a frame could not be sent"):
        port.send(Frame(0, 1, b""))


class Adapter(can.BusABC):
    """A driver that the test controls: it returns the frames of the test, and keeps the options of its constructor."""

    opened: ClassVar[list] = []

    def __init__(self, channel="first", **options):
        self.waiting = queue.SimpleQueue()
        self.sent = []
        self.channel_info = f"adapter {channel}"
        Adapter.opened.append((self, channel, options))
        super().__init__(channel)

    def _recv_internal(self, timeout):
        try:
            return self.waiting.get(timeout=timeout), True
        except queue.Empty:
            return None, True

    def send(self, msg, timeout=None):
        """Keep what is sent."""
        self.sent.append(msg)


@pytest.fixture
def driver(monkeypatch):
    """The test's own driver, known to python-can as the interface "adapter"."""
    monkeypatch.setitem(sys.modules, "adapter_driver", SimpleNamespace(Adapter=Adapter))
    monkeypatch.setitem(BACKENDS, "adapter", ("adapter_driver", "Adapter"))
    monkeypatch.setattr(Adapter, "opened", [])
    return Adapter


class Wall:
    """A clock and a driver: each frame arrives when the test says so, in microseconds."""

    def __init__(self, driver, **more):
        self.time_us = 0
        self.port = Port("adapter", None, monotonic_ns=lambda: self.time_us * 1000 + 999, **more)
        ((self.bus, *_),) = driver.opened

    def frame(self, arrival_us: int, stamp_s: float) -> int:
        """Let a frame arrive and return the time that it carries."""
        self.time_us = arrival_us
        self.bus.waiting.put(can.Message(timestamp=stamp_s, arbitration_id=0x19FFE45E))
        (frame,) = taken(self.port, 1)
        return frame.time


@pytest.fixture
def wall(driver):
    """A port on the test's own driver and clock."""
    wall = Wall(driver)
    with wall.port:
        yield wall


def test_now_is_unknown_before_the_first_frame(wall):
    """Only a frame of this network sets the time scale of the interface."""
    assert wall.port.now() is None
    wall.bus.waiting.put(can.Message(timestamp=5, is_error_frame=True))
    assert wall.port.arrived.wait(5)
    assert wall.port.now() is None


def test_what_comes_before_the_first_frame_is_timed_by_its_arrival(wall):
    """Before the first frame the arrival counts; after it the stamp counts, and the arrival where there is none."""
    wall.time_us = 2_000
    wall.bus.waiting.put(can.Message(timestamp=5, is_error_frame=True))
    assert taken(wall.port, 1) == [ErrorFrame(2_000)]
    assert wall.frame(3_000, 500.0) == 500_000_000
    wall.bus.waiting.put(can.Message(timestamp=500.25, is_error_frame=True))
    assert taken(wall.port, 1) == [ErrorFrame(500_250_000)]
    wall.time_us = 4_000
    wall.bus.waiting.put(can.Message(timestamp=0, is_error_frame=True))
    assert taken(wall.port, 1) == [ErrorFrame(500_001_000)]
    assert wall.port.now() == 500_001_000


def test_other_frames_find_the_inbox_full_as_frames_do(driver):
    """They take no room of frames that are not there; only frames count as dropped."""
    wall = Wall(driver, inbox=1)
    with wall.port:
        for message in (can.Message(timestamp=1, is_error_frame=True), can.Message(timestamp=2, arbitration_id=1)):
            wall.bus.waiting.put(message)
        wall.port.arrived.wait(5)
        while wall.port.statistics.dropped == 0:
            assert wall.port.arrived.wait(5)
        assert [type(one) for one in wall.port.receive()] == [ErrorFrame]
        assert (wall.port.statistics.dropped, wall.port.statistics.received) == (1, 0)


def test_now_counts_as_the_time_stamps_do(wall):
    """The present time continues from the first frame's stamp by the machine's clock."""
    assert wall.frame(1_000, 500.25) == 500_250_000
    assert wall.port.now() == 500_250_000
    wall.time_us = 4_000
    assert wall.port.now() == 500_253_000


def test_a_late_delivery_does_not_shift_the_present(wall):
    """The frame with the shortest way counts: a later one on time corrects, one held up does not."""
    wall.frame(1_000_000, 10.0)
    wall.frame(2_100_000, 11.0)
    assert wall.port.now() == 11_100_000
    wall.frame(2_900_000, 12.0)
    assert wall.port.now() == 12_000_000
    wall.frame(4_000_000, 13.0)
    assert wall.port.now() == 13_100_000


def test_an_interface_whose_clock_was_set_back_is_followed(wall):
    """Stamps that go back by more than a second restart the time scale; frames out of order by less do not."""
    wall.frame(1_000_000, 100.0)
    wall.frame(1_000_000, 99.0)
    assert wall.port.now() == 100_000_000
    wall.frame(2_000_000, 97.999999)
    assert wall.port.now() == 97_999_999
    wall.frame(3_500_000, 99.0)
    assert wall.port.now() == 99_499_999


def test_an_interface_without_a_clock_gets_arrival_times(wall):
    """After a first frame with stamp 0 every frame has its time of arrival, whatever stamps come later."""
    assert wall.frame(1_000, 0.0) == 1_000
    assert wall.frame(2_500, 0.0) == 2_500
    assert wall.frame(3_500, 7.0) == 3_500
    wall.time_us = 4_000
    assert wall.port.now() == 4_000


def test_a_stamp_of_zero_later_on_is_a_stamp(wall):
    """The first frame decides."""
    wall.frame(1_000, 0.5)
    assert wall.frame(2_000, 0.0) == 0


def test_frames_that_are_dropped_tell_the_time_too(driver):
    """A full inbox does not stop the clock."""
    wall = Wall(driver, inbox=0)
    with wall.port:
        wall.bus.waiting.put(can.Message(timestamp=3, arbitration_id=1))
        assert wall.port.arrived.wait(5)
        assert wall.port.now() == 3_000_000


def test_on_the_virtual_bus_zero_is_a_time(channel, other, monkeypatch):
    """Simulated time starts at 0 and is kept; by default a port uses the machine's clock, at its rate."""
    machine = SimpleNamespace(monotonic_ns=lambda: 77_000_000_000)
    monkeypatch.setattr("rvsim.sim.clock.time", machine)
    with Port("virtual", channel) as port:
        other.send(can.Message(timestamp=0, arbitration_id=1))
        assert taken(port, 1)[0].time == 0
        machine.monotonic_ns = lambda: 77_000_123_000
        assert port.now() == 123


def test_an_impossible_frame_ends_the_reader_with_its_error(wall):
    """The reader's thread raises nothing, whatever a driver returns."""
    wall.bus.waiting.put(can.Message(timestamp=float("nan"), arbitration_id=1))
    assert wall.port.arrived.wait(5)
    assert wall.port.statistics.error == "cannot convert float NaN to integer"


def test_options_are_handed_to_the_driver(driver):
    """The bus class gets them as they are, nothing is added on a real interface, and sending works as ever."""
    with Port("adapter", 3, listen=False, options={"bitrate": 250_000, "listen_only": True}) as port:
        port.send(Frame(0, 0x18EAFF00, b"\x01"))
    with Port("adapter", None, listen=False):
        pass
    (bus, *first), (_, *second) = driver.opened
    assert (first, second) == ([3, {"bitrate": 250_000, "listen_only": True}], ["first", {}])
    assert [bytes(message.data) for message in bus.sent] == [b"\x01"]


def test_an_option_of_the_virtual_bus_may_be_set_otherwise(channel, other):
    """Simulated time is kept on the virtual bus unless an option switches that off."""
    with Port("virtual", channel, listen=False, options={"preserve_timestamps": False}) as port:
        port.send(Frame(1, 1, b""))
    assert other.recv(5).timestamp > 1


def test_configuration_of_the_machine_is_left_out(channel, other, monkeypatch):
    """The environment's values of a bus do not reach a port."""
    monkeypatch.setenv("CAN_CHANNEL", "elsewhere")
    monkeypatch.setenv("CAN_CONFIG", '{"preserve_timestamps": false}')
    with Port("virtual", channel, listen=False) as port:
        port.send(Frame(1, 1, b""))
    assert other.recv(5).timestamp == 1e-6


def test_an_interface_that_fails_without_a_channel_is_named_alone():
    """A driver's default channel has no name here; the text of the driver's error is one line."""
    with pytest.raises(BusError) as caught:
        Port("slcan", None)
    assert str(caught.value).startswith("slcan: the bus could not be opened (")
    assert "\n" not in str(caught.value)


def test_what_drivers_log_is_not_shown_by_default():
    """A driver's log does not fall through to stderr."""
    assert any(isinstance(handler, logging.NullHandler) for handler in logging.getLogger("can").handlers)


class Daemon(threading.Thread):
    """A bus on this machine's loopback, as the daemon of that name serves it; all that is written to it is kept."""

    def __init__(self):
        super().__init__(daemon=True)
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self.ready = threading.Event()
        self.written = []

    def run(self):
        """Serve one client until it leaves."""
        with self.server, self.server.accept()[0] as client:
            client.sendall(b"< hi >")
            for _ in range(2):
                self.written.append(client.recv(256))
                client.sendall(b"< ok >")
            self.ready.wait(5)
            client.sendall(b"< frame 19FFE45E 1.000000 0100C864FFFFFFFF >< error 20000004 1.100000 >")
            client.sendall(b"< frame 123 1.200000 00 >< frame 18EAFF21 1.250001 EBFE00 >")
            while rest := client.recv(256):
                self.written.append(rest)


def test_listening_to_another_driver_writes_nothing_but_its_opening(monkeypatch):
    """From the options to the frames, over a driver with a wire of its own: what it wrote is the opening alone."""
    for variable in ("CAN_INTERFACE", "CAN_CHANNEL", "CAN_BITRATE", "CAN_CONFIG"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setattr("can.util.CONFIG_FILES", [])
    daemon = Daemon()
    daemon.start()
    settings = resolve("socketcand", "can0", None, ["host=127.0.0.1", f"port={daemon.port}"])
    with Port(settings.interface, settings.channel, options=settings.options) as port:
        daemon.ready.set()
        frames = taken(port, 3)
        assert (port.statistics.skipped, port.statistics.errors, port.statistics.sent) == (1, 1, 0)
    daemon.join(5)
    assert frames == [  # python-can hands over the error without its bytes: a report of the controller without a state
        Frame(1_000_000, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF")),
        OtherFrame(1_200_000, OtherKind.STANDARD, standard_bits(0x123, b"\0")),
        Frame(1_250_001, 0x18EAFF21, bytes.fromhex("EBFE00")),
    ]
    assert not daemon.is_alive()
    assert b"".join(daemon.written) == b"< open can0 >< rawmode >"

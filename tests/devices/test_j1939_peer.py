"""A simulated device on a bench against a general J1939 stack, can-j1939 (MIT), on one python-can virtual bus.

The stack asks and listens in its own way and by its own threads, so these tests run on the wall clock, a second or two
each. It stands for a controller under test: what it is told is what it would be told in the vehicle.
"""

import threading
import time
import uuid
from functools import partial

import can
import j1939
import pytest

from rvsim.devices.registry import kinds_by_name
from rvsim.rig.model import Rig
from rvsim.sim.bench import Bench
from rvsim.watch.watch import Watch
from rvsim.wire.diagnostics import ReportedFault

pytestmark = pytest.mark.paced

PATIENCE_S = 30
"""For what comes within a second on a machine that is not busy."""
HEATER, TOOL = 0x5E, 0x90
PRODUCT, DM1, FURNACE, UNKNOWN = 0xFEEB, 0xFECA, 0x1FFE4, 0x1FF9C


class Vehicle:
    """A bench with one heater, moved by the wall clock; its frames go onto the bus, and others' onto its wires."""

    def __init__(self, catalogue, acts=(), **plan):
        self.channel = f"vehicle {uuid.uuid4()}"
        self.bus = can.Bus(interface="virtual", channel=self.channel)
        device = {
            "name": "heater", "kind": "heater", "address": HEATER, "functions": {"furnace": 1, "water_heater": 1},
            **plan,
        }  # fmt: skip
        rig = Rig.model_validate({"schema": 1, "name": "one", "title": "One heater", "device": [device]})
        self.bench = Bench(rig, catalogue, kinds_by_name(), on_frame=self._send)
        for moment, name, do in acts:
            self.bench.plan(moment, partial(self.bench.call_device, name, do))
        self.told, self.now_s, self.pace = time.monotonic(), 0.0, 1.0
        self.foreign: list[tuple[int, bytes]] = []
        self.heard: list[tuple[int, bytes]] = []
        self.watch = Watch(catalogue)
        self.lose = lambda identifier, data: False

    @property
    def address(self):
        """The heater's."""
        return self.bench.devices[0].address

    def _send(self, frame):
        self.heard.append((frame.identifier, frame.data))
        self.watch.observe(frame)
        if (frame.identifier, frame.data) in self.foreign:
            self.foreign.remove((frame.identifier, frame.data))
        else:
            self.bus.send(can.Message(arbitration_id=frame.identifier, data=frame.data, is_extended_id=True))

    def until(self, condition):
        """Go on until something is true."""
        end = time.monotonic() + PATIENCE_S
        while not condition():
            assert time.monotonic() < end, "it did not come about"
            message = self.bus.recv(0.002)
            if message is not None and not self.lose(message.arbitration_id, message.data):
                self.foreign.append((message.arbitration_id, bytes(message.data)))
                self.bench.send(*self.foreign[-1])
            before, self.told = self.told, time.monotonic()
            self.now_s += (self.told - before) * self.pace
            self.bench.run_until(round(self.now_s * 1e6))


@pytest.fixture
def vehicle(catalogue):
    """Put a vehicle on a bus: ``vehicle(*acts, dynamic=True)``."""
    made = []

    def put(*acts, **plan):
        made.append(Vehicle(catalogue, acts, **plan))
        return made[-1]

    yield put
    for one in made:
        one.bus.shutdown()


@pytest.fixture
def stack(make_unit):
    """Put a unit of the other stack on a vehicle's bus: (application, what it received as (pgn, source, bytes))."""
    units = []

    def put(vehicle, identity=1, address=TOOL, claims=False, **options):
        unit = make_unit(**options)
        unit.connect(interface="virtual", channel=vehicle.channel)
        units.append((unit, vehicle))
        name = j1939.Name(industry_group=0, identity_number=identity)
        application = j1939.ControllerApplication(name, address, bypass_address_claim=not claims)
        unit.add_ca(controller_application=application)
        received = []
        application.subscribe(lambda priority, pgn, source, stamp, data: received.append((pgn, source, bytes(data))))
        return application, received

    yield put
    for unit, vehicle in units:
        unit.stop()
        closing = threading.Thread(target=unit.disconnect)
        closing.start()
        while closing.is_alive():  # its reader waits up to a second for a frame
            vehicle.bus.send(can.Message(arbitration_id=0x19FFFF00, is_extended_id=True))
            closing.join(0.01)


def of(received, pgn):
    """What was received of one number."""
    return [data for number, source, data in received if number == pgn and source == HEATER]


def test_it_reads_our_long_product_identification(vehicle, stack):
    """Requested alone: request to send, its clear to send, our packets, its acknowledgement; the text: four fields."""
    ours = vehicle()
    application, received = stack(ours)
    ours.until(lambda: ours.address == HEATER)
    application.send_request(0, PRODUCT, HEATER)
    ours.until(lambda: of(received, PRODUCT))
    make, model, serial, unit, rest = of(received, PRODUCT)[0].split(b"*")
    assert (make, model, unit, rest) == (b"rvsim bench", b"simulated heater", b"1", b"")
    assert int(serial) == ours.bench.devices[0].claimer.name.serial_number


def test_it_reads_a_long_report_of_two_faults(vehicle, stack):
    """Announced to all, each second: lamps, SPN 110 FMI 0 and SPN 210 FMI 3 as SAE J1939-73 lays them out."""
    both = [
        (500_000, "heater", lambda device: device.report_fault("furnace", ReportedFault(110, 0, 1), red=True)),
        (500_000, "heater", lambda device: device.report_fault("water_heater", ReportedFault(210, 3, 2), red=False)),
    ]
    ours = vehicle(*both)
    _, received = stack(ours)
    ours.until(lambda: any(len(data) == 10 for data in of(received, DM1)))
    assert next(data for data in of(received, DM1) if len(data) == 10).hex() == "14ff6e000001d2000302"


def test_what_it_asks_for_is_answered_or_refused(vehicle, stack):
    """FURNACE_STATUS comes at once; a temperature that a heater does not have is refused if it alone was requested."""
    ours = vehicle()
    application, received = stack(ours)
    ours.until(lambda: of(received, FURNACE))
    ours.pace = 0.1  # the next broadcast is 50 s away for whoever waits
    before, asked = len(of(received, FURNACE)), ours.now_s
    application.send_request(0, FURNACE, HEATER)
    ours.until(lambda: len(of(received, FURNACE)) > before)
    assert ours.now_s - asked < 4  # its gap is five seconds
    ours.pace = 1.0
    application.send_request(0, UNKNOWN, HEATER)
    ours.until(lambda: of(received, 0xE800))
    assert of(received, 0xE800)[0].hex() == "01ffffff909cff01"


def test_it_takes_our_address_by_a_lower_name(vehicle, stack):
    """Serial number 0 of manufacturer 0 is below every NAME of ours: the heater loses its address and is silent."""
    ours = vehicle()
    ours.until(lambda: ours.address == HEATER)
    application, _ = stack(ours, identity=0, address=HEATER, claims=True)
    application.start()
    ours.until(lambda: application.state == j1939.ControllerApplication.State.NORMAL)
    ours.until(lambda: ours.address is None)
    assert application.device_address == HEATER


def test_it_does_not_get_our_address_by_a_higher_name(vehicle, stack):
    """Ours defends it, and keeps it."""
    ours = vehicle()
    ours.until(lambda: ours.address == HEATER)
    application, _ = stack(ours, identity=(1 << 21) - 1, address=HEATER, claims=True)
    application.start()
    ours.until(lambda: application.state == j1939.ControllerApplication.State.CANNOT_CLAIM)
    assert ours.address == HEATER


def test_it_sends_from_the_null_address_that_it_cannot_claim(vehicle, stack):
    """On the bench's wires: its claim, our defence, then its NAME from 254; and nothing of it after that."""
    ours = vehicle()
    ours.until(lambda: ours.address == HEATER)
    application, _ = stack(ours, identity=(1 << 21) - 1, address=HEATER, claims=True)
    theirs = bytes(application._name.bytes)
    application.start()
    ours.until(lambda: (0x18EEFFFE, theirs) in ours.heard)
    claims = [(identifier, data == theirs) for identifier, data in ours.heard if identifier >> 8 == 0x18EEFF]
    assert claims[1:] == [(0x18EEFF5E, True), (0x18EEFF5E, False), (0x18EEFFFE, True)]
    with pytest.raises(RuntimeError, match="address claiming"):
        application.send_message(6, FURNACE, [0])


@pytest.mark.parametrize("dynamic", [True, False])
def test_it_commands_our_address(vehicle, stack, dynamic):
    """It announces 0FED8 (65240) with our NAME and 9A hex: a dynamic heater claims that, another one stays."""
    ours = vehicle(dynamic=dynamic)
    application, received = stack(ours)
    ours.until(lambda: ours.address == HEATER)
    name = ours.bench.devices[0].claimer.name.to_bytes()
    application.send_pgn(0, 0xFE, 0xD8, 6, [*name, 0x9A])
    if dynamic:
        ours.until(lambda: ours.address == 0x9A)
        assert (0x18EEFF9A, name) in ours.heard
        ours.until(lambda: any(source == 0x9A and pgn == FURNACE for pgn, source, _ in received))
    else:
        ours.until(lambda: sum(identifier == 0x1CEBFF90 for identifier, _ in ours.heard) == 2)
        before = len(of(received, FURNACE))
        application.send_request(0, FURNACE, HEATER)
        ours.until(lambda: len(of(received, FURNACE)) > before)
        assert ours.address == HEATER


def test_a_packet_of_its_message_is_lost_and_it_never_sends_it_again(vehicle, stack):
    """We ask for packet 2 three times, abort for lack of time (reason 3), and answer its next request as ever.

    It takes a clear to send for the next packets, whatever number it names, and has none left.
    """
    ours = vehicle()
    application, received = stack(ours, max_cmdt_packets=255)
    ours.until(lambda: ours.address == HEATER)
    ours.lose = lambda identifier, data: identifier == 0x1CEB5E90 and data[0] == 2
    application.send_pgn(0, 0xDF, HEATER, 6, list(range(20)))
    ours.until(lambda: any(identifier == 0x1CEB5E90 and data[0] == 3 for identifier, data in ours.heard))
    ours.pace = 4.0  # nothing more is to come of theirs until our patience ends
    ours.until(lambda: (0x1CEC905E, bytes.fromhex("FF 03 FF FF FF 00 DF 00")) in ours.heard)
    assert ours.heard.count((0x1CEC905E, bytes.fromhex("11 02 02 FF FF 00 DF 00"))) == 3
    assert [data[0] for identifier, data in ours.heard if identifier == 0x1CEB5E90] == [1, 3]
    ours.pace = 1.0
    application.send_request(0, PRODUCT, HEATER)
    ours.until(lambda: of(received, PRODUCT))


def test_its_broken_announcements_are_reported(vehicle, stack):
    """Packet 2 of each is lost: after the second the watch raises a flag, and clears it when one has come through."""
    ours = vehicle()
    application, _ = stack(ours)
    ours.until(lambda: ours.address == HEATER)
    ours.lose = lambda identifier, data: identifier == 0x1CEBFF90 and data[0] == 2
    for turn in (1, 2):
        assert application.send_pgn(0, 0xFE, 0xB0, 6, [0] * 20)
        ours.until(lambda turn=turn: sum(frame[0] == 0x1CEBFF90 and frame[1][0] == 3 for frame in ours.heard) == turn)
        assert len(ours.watch.flags) == turn - 1
        ours.until(lambda: not application._ecu.j1939_dll._snd_buffer)
    (flag,) = ours.watch.flags
    assert (flag.kind, flag.subject) == ("failed-transfer", "address 90 hex")
    assert flag.text == "DGN 0FEB0 hex to all: failed 2 times; the last time, a packet is missing"
    ours.lose = lambda identifier, data: False
    application.send_pgn(0, 0xFE, 0xB0, 6, [0] * 20)
    ours.until(lambda: ours.watch.flags == ())

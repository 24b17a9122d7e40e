"""Failed transfers on the bench: a simulated device whose long message is not accepted, and the watch beside it."""

import pytest

from rvsim.devices.registry import kinds_by_name
from rvsim.logs.survey import survey
from rvsim.rig.model import Rig
from rvsim.sim.bench import Bench
from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.frame import SECOND_US

TOOL = 0xF9
PRODUCT = "EB FE 00"


class Vehicle:
    """A heater and a panel on a bench, a watch without a rig, and a tool whose frames the test sends."""

    def __init__(self, catalogue):
        devices = [
            {"name": "heater", "kind": "heater", "address": 0x5E, "functions": {"furnace": 1, "water_heater": 1}},
            {"name": "sensor", "kind": "ambient", "address": 0x91, "functions": {"ambient_sensor": 1}},
        ]
        rig = Rig.model_validate({"schema": 1, "name": "two", "title": "Two", "device": devices})
        self.watch, self.events, self.frames = Watch(catalogue), [], []
        self.bench = Bench(rig, catalogue, kinds_by_name(), on_frame=self._hear)

    def _hear(self, frame):
        self.frames.append(frame)
        self.events += self.watch.observe(frame)

    def until(self, seconds):
        """Advance."""
        self.bench.run_until(round(seconds * SECOND_US))
        self.events += self.watch.advance(round(seconds * SECOND_US))
        return self

    def put(self, seconds, identifier, text):
        """Advance, and let the tool send a frame."""
        self.until(seconds).bench.send(identifier, bytes.fromhex(text))
        return self

    @property
    def flags(self):
        """(raised, seconds) of the flags, whatever their kind."""
        return [
            (type(event) is FlagRaised, str(event.flag.kind), round(event.time / SECOND_US, 1))
            for event in self.events
            if isinstance(event, FlagRaised | FlagCleared)
        ]


@pytest.fixture
def vehicle(catalogue):
    """A vehicle."""
    return Vehicle(catalogue)


def test_a_tool_that_requests_and_does_not_accept_the_answer(catalogue, vehicle):
    """Each attempt is three requests to send and an abort; the second is reported, and ends when the tool accepts."""
    vehicle.put(5, 0x18EA5EF9, PRODUCT).until(15)
    # The first failure after the heater's claim does not count; the next one is the first that does.
    vehicle.put(15, 0x18EA5EF9, PRODUCT).until(25)
    assert vehicle.flags == []
    vehicle.put(25, 0x18EA5EF9, PRODUCT).until(35)
    assert vehicle.flags == [(True, "failed-transfer", 28.8)]  # 3 times T3 = 1.25 s after the request
    (flag,) = vehicle.watch.flags
    assert flag.subject == "address 5E hex"
    assert flag.text == (
        "PRODUCT_IDENTIFICATION to address F9 hex: failed 2 times; the last time, address 5E hex aborted it, "
        "reason 3: it waited for too long"
    )
    vehicle.put(35, 0x18EA5EF9, PRODUCT).until(35.1)
    request = next(frame for frame in reversed(vehicle.frames) if frame.identifier == 0x1CECF95E)
    vehicle.put(35.2, 0x1CEC5EF9, f"11 {request.data[3]:02X} 01 FF FF {PRODUCT}").until(36)
    vehicle.put(36, 0x1CEC5EF9, f"13 {request.data[1:4].hex()} FF {PRODUCT}").until(40)
    assert vehicle.flags[1:] == [(False, "failed-transfer", 35.2)]
    logged = survey(vehicle.frames, catalogue).flags
    assert [(one.since, one.until, one.text) for one in logged] == [
        (one.since, one.until, one.text) for one in vehicle.watch.all_flags
    ]


def test_a_clear_to_send_that_is_lost_each_time(vehicle):
    """The timers seen from outside: each message fails after its first packet, and that is reported."""
    for start in (5, 15, 25):
        vehicle.put(start, 0x18EA5EF9, PRODUCT).put(start + 0.1, 0x1CEC5EF9, f"11 01 01 FF FF {PRODUCT}").until(
            start + 9
        )
    assert vehicle.flags == [(True, "failed-transfer", 26.4)]  # T3 after the packet


def test_a_tool_that_requests_what_the_sensor_does_not_have(vehicle):
    """FURNACE_STATUS of a sensor: negative acknowledgments, the first after its start not counted."""
    for start in (5, 6, 7, 8, 9):
        vehicle.put(start, 0x18EA91F9, "E4 FF 01").until(start + 0.5)
    assert vehicle.flags == [(True, "failed-transfer", 8.0)]
    (flag,) = vehicle.watch.flags
    assert flag.text.startswith("refuses requests of address F9 hex for FURNACE_STATUS, 4 times in a row")


def test_requests_to_all_for_messages_that_they_have_are_no_failures(vehicle):
    """Products to all, claims, status: all of it answered, nothing reported in two minutes."""
    for start in range(5, 120, 5):
        vehicle.put(start, 0x18EAFFF9, PRODUCT).put(start + 2, 0x18EAFFF9, "00 EE 00")
        vehicle.put(start + 3, 0x18EA91F9, "9C FF 01").until(start + 4)
    assert vehicle.flags == []

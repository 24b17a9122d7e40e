"""A pair of wires whose frames and events are kept, and the bits of a frame worked out without the project."""

import pytest

from rvsim.devices.registry import kinds_by_name, settings_models
from rvsim.rig.load import load_rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.sim.bench import Bench
from rvsim.sim.can import Line
from rvsim.sim.kernel import Kernel
from rvsim.wire.frame import SECOND_US

BIT = 4  # microseconds at 250 kbit/s


class Counting(Kernel):
    """A kernel that counts what is planned."""

    planned = 0

    def at(self, *planned, **more):
        """Count and plan."""
        self.planned += 1
        super().at(*planned, **more)


class Pair:
    """A line, what it delivered as (time, identifier, sender), and what else happened."""

    def __init__(self, *names, **settings):
        self.kernel = Counting()
        self.frames, self.events = [], []
        self.line = Line(self.kernel, self._note, on_line=self.events.append, **settings)
        for name in names:
            self.line.connect(name)

    def _note(self, sent, sender):
        time, identifier, _ = sent
        self.frames.append((time, identifier, sender))

    def at(self, time, action, *arguments):
        """Do something at a time, as a device's timer does."""

        def act(_):
            action(*arguments)

        self.kernel.at(time, act, priority=1)

    def send(self, time, identifier, data, sender):
        """Let a node have a frame ready at a time."""
        self.at(time, self.line.send, identifier, data, sender)

    def run(self, time=1_000_000):
        """Run to a time and return what was delivered."""
        self.kernel.run_until(time)
        return self.frames

    def told(self, kind):
        """Return the events of a kind."""
        return [event for event in self.events if isinstance(event, kind)]

    def errors(self, name):
        """Return a node's transmit and receive error counters."""
        node = self.line.controllers[name]
        return node.transmit_errors, node.receive_errors


@pytest.fixture
def pair():
    """Make a pair: ``pair("a", "b", acknowledges=False)``."""
    return Pair


def wire(identifier, data):
    """Return a frame from its start to the end of the CRC as text of 0 and 1, stuffed: written out bit by bit."""
    base, extension = f"{identifier:029b}"[:11], f"{identifier:029b}"[11:]
    bits = f"0{base}11{extension}000{len(data):04b}" + "".join(f"{byte:08b}" for byte in data)
    crc = 0
    for bit in bits:  # CAN Specification 2.0, section 3.1.1, as its shift register is written there
        following = int(bit) ^ (crc >> 14)
        crc = (crc << 1) & 0x7FFF
        if following:
            crc ^= 0x4599
    stuffed = ""
    for bit in bits + f"{crc:015b}":
        stuffed += bit
        if stuffed.endswith(("00000", "11111")):
            stuffed += "1" if bit == "0" else "0"
    return stuffed


@pytest.fixture
def bits():
    """Return how many bits a frame takes, with its 10 of acknowledgement and end and the 3 between frames."""
    return lambda identifier, data: len(wire(identifier, data)) + 13


@pytest.fixture(name="wire")
def wire_of_frame():
    """Return the stuffed bits of a frame as text."""
    return wire


@pytest.fixture(scope="session")
def pair_class():
    """Make pairs within one test of many examples."""
    return Pair


@pytest.fixture(scope="session")
def naive_bits():
    """Do what ``bits`` does within one test of many examples."""
    return lambda identifier, data: len(wire(identifier, data)) + 13


@pytest.fixture(scope="module")
def run(catalogue):
    """Run the shipped vehicle: returns the bench and its frames."""

    def go(seconds=60, seed=1, kinds=None, gates=None, pieces=1, outdoor_c=-6.0, on_failure=None):
        frames = []
        rig = load_rig("ottersby", kinds=settings_models())
        bench = Bench(
            rig,
            catalogue,
            kinds or kinds_by_name(),
            weather=WeatherPlan(outdoor_c=outdoor_c),
            seed=seed,
            on_frame=frames.append,
            on_failure=on_failure,
        )
        for device, own in (gates or {}).items():
            bench.outgoing_gates[device] += own
        for piece in range(1, pieces + 1):
            bench.run_until(seconds * SECOND_US * piece // pieces)
        return bench, frames

    return go

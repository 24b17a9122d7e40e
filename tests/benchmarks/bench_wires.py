"""A day of 12 devices with 4 periodic messages each on the simulated pair, frames alone, in virtual time.

python tests/benchmarks/bench_wires.py [HOURS] [--quick] [--json]

Each sender keeps its payload as one integer and rewrites the field that changes; frames are kept raw, 24 bytes each. No
physics, no rules. The baseline runs beside it: the same senders on a plain heap without any wires (simpy, which is
slower, is not installed), each frame encoded and decoded with cantools; it takes a twentieth of the time and is scaled
by its frames. A last line has all senders start in the same microsecond, so that most frames wait for others; it takes
a twentieth of the time as well.
"""

import struct
import time
from collections.abc import Iterator
from heapq import heappop, heappush

import cantools
from benchmark_results import Result, computed, run

from rvsim import shipped
from rvsim.sim.can.line import Line
from rvsim.sim.kernel import Kernel
from rvsim.wire.frame import SECOND_US

GAPS = (500_000, 1_000_000, 5_000_000, 15_000_000)
"""Microseconds: 3.27 frames a second from each device, 39.2 in all, 3.4 million a day."""
DEVICES = 12
MESSAGES = ("DC_SOURCE_STATUS_1", "THERMOSTAT_AMBIENT_STATUS", "FURNACE_STATUS", "TANK_STATUS")
AIM_S = 4.0
"""Seconds of processor time for 24 h, at most."""
RECORD = struct.Struct("<qIB3x8s")


class Sender:
    """One message of one device: a counter moves through two of its bytes."""

    def __init__(self, line: Line, device: str, identifier: int, gap: int, first: int) -> None:
        self.line, self.kernel, self.device = line, line.kernel, device
        self.identifier, self.gap = identifier, gap
        self.others, self.counter = 0xFFFF_FFFF_0000_FF01, 0
        line.kernel.at(first, self.due)

    def due(self, _: object) -> None:
        """Rewrite the field, send, and be called again a gap later."""
        self.counter = counter = self.counter + 1 & 0xFFFF
        self.line.send(self.identifier, (self.others | counter << 16).to_bytes(8, "little"), self.device)
        self.kernel.at(self.kernel.now + self.gap, self.due, None, 1)


def messages():
    """Return the cantools messages by name."""
    return {
        message.name: message
        for path in shipped.dbc_files()
        for message in cantools.database.load_file(path, database_format="dbc").messages
    }


def identifiers(known, *, at_once=False):
    """Return (device, identifier, gap, message, first) of each sender; all first at 0 with ``at_once``."""
    for device in range(DEVICES):
        for place, (name, gap) in enumerate(zip(MESSAGES, GAPS, strict=True)):
            identifier = known[name].frame_id & ~0xFF | 0x80 + device
            first = 0 if at_once else (device * 37_001 + place * 7_919) % gap
            yield f"device {device}", identifier, gap, known[name], first


def ours(hours, known, **more):
    """Return (seconds, frames) of a run on the simulated pair."""
    record = bytearray()
    pack = RECORD.pack

    def keep(frame, _sender):
        nonlocal record
        moment, identifier, data = frame
        record += pack(moment, identifier, len(data), data)

    kernel = Kernel()
    line = Line(kernel, keep)
    for device, identifier, gap, _, first in identifiers(known, **more):
        Sender(line, device, identifier, gap, first)
    start = time.process_time()
    kernel.run_until(round(hours * 3600 * SECOND_US))
    return time.process_time() - start, len(record) // RECORD.size


def cantools_alone(hours, known):
    """Return (seconds, frames) of the same senders on a heap, each frame encoded and decoded with cantools."""
    heap, low = [], []
    for number, (_, identifier, gap, message, first) in enumerate(identifiers(known)):
        values = message.decode(bytes(message.length), decode_choices=False)
        changing = message.signals[1].name
        low.append(values[changing])
        heappush(heap, (first, number, identifier, gap, message, values, changing))
    end, count = round(hours * 3600 * SECOND_US), 0
    start = time.process_time()
    while heap[0][0] < end:
        due, number, identifier, gap, message, values, changing = heappop(heap)
        values[changing] = low[number] + (count & 1)
        message.decode(message.encode(values, padding=True))
        count += 1
        heappush(heap, (due + gap, number, identifier, gap, message, values, changing))
    return time.process_time() - start, count


def measure(size: float) -> Iterator[Result]:
    """Print seconds, microseconds a frame and the ratio, and yield what was aimed at."""
    hours = size
    known = messages()
    seconds, frames = ours(hours, known)
    other, some = cantools_alone(hours / 20, known)
    crowded, fewer = ours(hours / 20, known, at_once=True)
    print(f"{hours:g} h, {frames} frames of {DEVICES} devices with {len(GAPS)} messages each")
    for name, each in (
        ("cantools for each frame, no wires (baseline)", other / some),
        ("on the pair", seconds / frames),
        ("on the pair, all in the same microsecond", crowded / fewer),
    ):
        whole = each * frames
        print(
            f"{name:46} {whole:7.2f} s  {each * 1e6:6.2f} us a frame  {other / some / each:5.1f} x faster  "
            f"{hours * 3600 / whole:7.0f} x real time"
        )
    day = frames / hours * 24
    for work, each, aim in (
        ("the pair alone: 24 h of 12 x 4 messages", seconds / frames, AIM_S),
        ("the same, all first sent in one microsecond", crowded / fewer, None),
    ):
        yield Result(work + computed(hours), each * day, "s", "cantools for each frame", other / some * day, aim)


if __name__ == "__main__":
    run(measure, full=24, quick=2)

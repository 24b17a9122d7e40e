"""Command to reply inside one process: a request to a simulated heater over a paced python-can bus, in real time.

python tests/benchmarks/bench_reply.py [COUNT] [--quick] [--json]

The pair itself takes its time for both frames; what is beyond that is the bench's. The baseline is a thread that echoes
over python-can's own virtual bus after two waits, each as long as one of the frames is on the pair: what is beyond them
there is python-can's and the scheduler's. Each is measured on the machine as it is, and while another process keeps one
core busy, in turns. The processor time is that of both sides, those who ask and the bench.
"""

import contextlib
import random
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator

import can
from benchmark_results import Result, run

from rvsim.wire.timing import BIT_RATE, exact_bits

REQUEST = can.Message(arbitration_id=0x18EA5E42, data=bytes.fromhex("E4FF01"))
"""Asks the heater for its furnace's status."""
ANSWER = 0x19FFE45E
BASELINE = "an echo over python-can's virtual bus that waits as long"
AIM_MS = 1.0
BEGUN_S = 10.0
"""By then all have said who they are, and what is made once has been made: in the first seconds an answer takes up to
some 35 ms."""
ROUNDS = 4
LOADS = {"": 0, ", another process keeps one core busy": 1}
"""How many processes compete for the cores, by the words for that."""


@contextlib.contextmanager
def busy(count):
    """Keep so many cores busy, each by a process of its own."""
    processes = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for process in processes:
            process.kill()
            process.wait()


def in_turns(take):
    """Return the sorted times under each load, the loads taking turns: ``take`` returns some times."""
    times = {load: [] for load in LOADS}
    for _ in range(ROUNDS):
        for load, count in LOADS.items():
            with busy(count):
                times[load] += take()
    return {load: sorted(each) for load, each in times.items()}


def waits(bus, count):
    """Return the times from a request to its answer in milliseconds, and the answer's bytes."""
    times, draw = [], random.Random(1)
    for _ in range(count):
        time.sleep(draw.uniform(0.002, 0.006))  # at any moment of the bench's own traffic
        while bus.recv(0) is not None:
            pass
        start = time.perf_counter()
        bus.send(REQUEST)
        while (answer := bus.recv(5)) is None or answer.arbitration_id != ANSWER:
            pass
        times.append((time.perf_counter() - start) * 1000)
    return times, bytes(answer.data)


def echoed(count, waits_s):
    """Return the times for an echo over python-can's virtual bus after waits of so many seconds each."""
    with (
        can.Bus(interface="virtual", channel="bench_reply", ignore_config=True) as one,
        can.Bus(interface="virtual", channel="bench_reply", ignore_config=True) as other,
    ):

        def echo():
            wake = threading.Event()
            for _ in range(count):
                other.recv()
                end = time.monotonic()
                for wait in waits_s:
                    end += wait
                    while (left := end - time.monotonic()) > 0:
                        wake.wait(left)
                other.send(can.Message(arbitration_id=ANSWER, data=bytes(8)))

        thread = threading.Thread(target=echo)
        thread.start()
        times, _ = waits(one, count)
        thread.join()
        return times


def simulated(count):
    """Return the sorted times for the simulated heater under each load, its answer, and the share of a core used."""
    with can.Bus(interface="rvsim", channel="winter_evening", paced=True) as bus:
        while (message := bus.recv(5)).timestamp < BEGUN_S or message.arbitration_id != ANSWER:
            pass
        _, answer = waits(bus, 1)
        used, began = time.process_time(), time.monotonic()
        times = in_turns(lambda: waits(bus, count)[0])
        return times, answer, (time.process_time() - used) / (time.monotonic() - began)


def p99(times):
    """Return what 99 of 100 sorted times do not exceed."""
    return times[int(len(times) * 0.99)]


def measure(size: float) -> Iterator[Result]:
    """Print both under each load, and yield what is beyond the pair's own time."""
    count = max(1, int(size) // ROUNDS)
    times, answer, share = simulated(count)
    frames = ((REQUEST.arbitration_id, bytes(REQUEST.data)), (ANSWER, answer))
    waits_s = [exact_bits(*frame) / BIT_RATE for frame in frames]
    base = in_turns(lambda: echoed(count, waits_s))
    pair = sum(waits_s) * 1000
    print(
        f"both frames take {pair:.2f} ms on the pair; {len(next(iter(times.values())))} replies under each load; "
        f"{100 * share:.1f} % of a core"
    )
    for load in LOADS:
        for name, those, own in (
            (BASELINE, base[load], pair),
            ("simulated heater", times[load], pair),
        ):
            print(f"{name + load:96} p50 {statistics.median(those) - own:5.2f} ms, p99 {p99(those) - own:5.2f} ms")
        work = f"command to reply beyond the pair itself, paced, p99{load}"
        yield Result(work, p99(times[load]) - pair, "ms", BASELINE, p99(base[load]) - pair, AIM_MS)


if __name__ == "__main__":
    run(measure, full=4000, quick=800)

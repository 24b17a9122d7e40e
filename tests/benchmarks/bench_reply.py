"""Command to reply inside one process: a request to a simulated heater over a paced python-can bus, in real time.

python tests/benchmarks/bench_reply.py [COUNT]

The baseline is python-can's own virtual bus with a thread that echoes at once. The pair itself takes its time for both
frames; what is beyond that is the bench's. The times of the frames on the pair are the bench's own, in simulated
seconds.
"""

import random
import statistics
import sys
import threading
import time

import can

from rvsim.wire.timing import BIT_RATE, exact_bits

REQUEST = can.Message(arbitration_id=0x18EA5E42, data=bytes.fromhex("E4FF01"))
"""Asks the heater for its furnace's status."""
ANSWER = 0x19FFE45E
AIM_MS = 1.0
BEGUN_S = 10.0
"""By then all have said who they are, and what is made once has been made: in the first seconds an answer takes up to
some 35 ms."""


def waits(bus, count):
    """Return the sorted times from a request to its answer in milliseconds, and the answer's bytes."""
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
    return sorted(times), bytes(answer.data)


def echoed(count):
    """Return the same for an echo over python-can's virtual bus."""
    with (
        can.Bus(interface="virtual", channel="bench_reply", ignore_config=True) as one,
        can.Bus(interface="virtual", channel="bench_reply", ignore_config=True) as other,
    ):

        def echo():
            for _ in range(count):
                other.recv()
                other.send(can.Message(arbitration_id=ANSWER, data=bytes(8)))

        thread = threading.Thread(target=echo)
        thread.start()
        times, _ = waits(one, count)
        thread.join()
        return times


def simulated(count):
    """Return the times for the simulated heater, and its answer."""
    with can.Bus(interface="rvsim", channel="winter_evening", paced=True) as bus:
        while (message := bus.recv(5)).timestamp < BEGUN_S or message.arbitration_id != ANSWER:
            pass
        return waits(bus, count)


def main() -> None:
    """Print both, and what the pair takes."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    base = echoed(count)
    times, answer = simulated(count)
    bits = exact_bits(REQUEST.arbitration_id, bytes(REQUEST.data)) + exact_bits(ANSWER, answer)
    pair = bits / BIT_RATE * 1000
    base99 = base[int(count * 0.99)]
    for name, those in (("python-can's virtual bus (baseline)", base), ("simulated heater", times)):
        p50, p99 = statistics.median(those), those[int(count * 0.99)]
        print(f"{name:36} p50 {p50:5.2f} ms, p99 {p99:5.2f} ms, {p99 / base99:4.1f} x")
    p50, p99 = statistics.median(times) - pair, times[int(count * 0.99)] - pair
    print(
        f"{'  beyond the pair itself':36} p50 {p50:5.2f} ms, p99 {p99:5.2f} ms (both frames take {pair:.2f} ms of it)"
    )
    print(f"aim: p99 {AIM_MS:g} ms")


if __name__ == "__main__":
    main()

"""The hub over loopback: frames a second to one client, command to reply, and handshakes under load.

python tests/benchmarks/bench_hub.py [SHARE] [--quick] [--json]

SHARE is the share of the full number of frames, replies and handshakes: 1 unless given otherwise.

Baselines: python-can's own virtual bus inside one process for frames, and a bare echo over the same loopback with the
same client for replies. A full pair is 1,908 frames of 8 bytes a second: 131 bits each without stuff bits at
250 kbit/s (Davis and others 2007).
"""

import re
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator

import can
from benchmark_results import Result, run

from rvsim.devices.registry import settings_models
from rvsim.edge.hub import FIRST_FRAME_DELAY_S, MAX_WAITING_FRAMES, Hub
from rvsim.runs.control import RunControl
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import Frame

FULL_PAIR = 1908
FRAME = Frame(1_250_000, 0x19FFE45E, bytes(8))
TEXT = f"< frame {FRAME.identifier:08X} {FRAME.time / 1e6:.6f} {FRAME.data.hex()} >".encode()
REQUEST = can.Message(arbitration_id=0x18EA5E42, data=bytes.fromhex("E4FF01"))
"""Asks the heater for its furnace's status."""
ANSWER = 0x19FFE45E
AIM_MS = 2.0
TIMES_FULL_PAIR = 10
"""How many times the frames of a full pair the hub passes on, at least."""
FLOOD = 0x19FEA642
BEGUN_S = 10.0
"""By then all have said who they are, and what is made once has been made."""
AT_ONCE = 16
"""Clients that shake hands at the same time."""


def opened(port):
    """Open the hub as python-can's client does."""
    return can.Bus(interface="socketcand", host="127.0.0.1", port=port, channel="rvsim", ignore_config=True)


def nothing(identifier, data):
    """Take a client's frame."""


def reader(port, got):
    """Return a connection behind its handshake, and a thread that counts the bytes that come over it."""
    connection = socket.create_connection(("127.0.0.1", port))
    connection.recv(64)
    for text in (b"< open rvsim >", b"< rawmode >"):
        connection.sendall(text)
        connection.recv(64)

    def read():
        while received := connection.recv(1 << 20):
            got[0] += len(received)

    thread = threading.Thread(target=read)
    thread.start()
    return connection, thread


def throughput(count=300_000):
    """Return (frames a second from publish to a client that reads plainly, microseconds of a publish, dropped)."""
    got, spent = [0], 0.0
    with Hub(("127.0.0.1", 0), nothing, time.monotonic) as hub:
        connection, thread = reader(hub.port, got)
        time.sleep(2 * FIRST_FRAME_DELAY_S)  # its frames are held for so long behind the handshake
        start = time.perf_counter()
        for begin in range(0, count, MAX_WAITING_FRAMES // 4):
            began = time.perf_counter()
            for _ in range(MAX_WAITING_FRAMES // 4):
                hub.publish(FRAME)
            spent += time.perf_counter() - began
            while got[0] < (begin - MAX_WAITING_FRAMES // 4) * len(TEXT):  # as a bench that is paced does
                time.sleep(0)  # the hub's own thread and the reader's need the interpreter
        while got[0] < (count - hub.statistics.dropped) * len(TEXT):
            time.sleep(0)  # as above
        took = time.perf_counter() - start
        dropped = hub.statistics.dropped
        connection.shutdown(socket.SHUT_RDWR)
        thread.join()
        connection.close()
    return (count - dropped) / took, spent / count * 1e6, dropped


def virtual(count=20_000):
    """Return frames a second over python-can's virtual bus."""
    message = can.Message(arbitration_id=FRAME.identifier, data=FRAME.data)
    with (
        can.Bus(interface="virtual", channel="bench_hub", ignore_config=True) as one,
        can.Bus(interface="virtual", channel="bench_hub", ignore_config=True) as other,
    ):
        start = time.perf_counter()
        for _ in range(count // 100):
            for _ in range(100):
                one.send(message)
            for _ in range(100):
                other.recv(1)
        return count / (time.perf_counter() - start)


def waits(bus, message, identifier, count):
    """Return the sorted times from a message to the next frame with an identifier, in milliseconds."""
    times = []
    for _ in range(count):
        start = time.perf_counter()
        bus.send(message)
        while (answer := bus.recv(5)) is None or answer.arbitration_id != identifier:
            pass
        times.append((time.perf_counter() - start) * 1000)
    return sorted(times)


def through_hub(count=5000):
    """Return how long a client waits for what the other side publishes at once."""

    def answer(identifier, data):
        hub.publish(Frame(1, identifier, data))
        hub.publish(Frame(2, 0x100, data))

    with Hub(("127.0.0.1", 0), answer, time.monotonic) as hub, opened(hub.port) as bus:
        return waits(bus, can.Message(arbitration_id=0x200, data=[1]), 0x100, count)


def bare(count=5000):
    """Return how long the same client waits for a bare echo that knows one frame."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def echo():
            connection, _ = server.accept()
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with connection:
                connection.sendall(b"< hi >")
                for _ in range(2):
                    connection.recv(64)
                    connection.sendall(b"< ok >")
                while connection.recv(64):
                    connection.sendall(b"< frame 00000100 0.000001 01 >")

        thread = threading.Thread(target=echo)
        thread.start()
        with opened(server.getsockname()[1]) as bus:
            times = waits(bus, can.Message(arbitration_id=0x200, data=[1]), 0x100, count)
        thread.join()
        return times


def through_bench(count=2000):
    """Return how long a client waits for a simulated heater's answer, over the pair and in real time."""
    command = [sys.executable, "-m", "rvsim", "bench", "--serve", "0", "--plain", "--seconds", "600"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        port = int(re.search(rb"port=(\d+)", process.stderr.readline())[1])
        with opened(port) as bus:
            while (message := bus.recv(5)).timestamp < BEGUN_S or message.arbitration_id != ANSWER:
                pass
            times = waits(bus, REQUEST, ANSWER, count)
        process.kill()
    return times


def connects(count=1000):
    """Return how many of so many handshakes failed, several at a time while a full pair is published."""
    failed, left, stop = [], [count], threading.Event()
    with Hub(("127.0.0.1", 0), nothing, time.monotonic) as hub:

        def flood():
            while not stop.wait(1 / FULL_PAIR):
                hub.publish(FRAME)

        def connect():
            while left[0] > 0:
                left[0] -= 1
                try:
                    opened(hub.port).shutdown()
                except Exception as error:  # what is counted
                    failed.append(error)

        load = threading.Thread(target=flood)
        load.start()
        crowd = [threading.Thread(target=connect) for _ in range(AT_ONCE)]
        for one in crowd:
            one.start()
        for one in crowd:
            one.join()
        stop.set()
        load.join()
    return len(failed)


def floods(seconds=10.0):
    """Return how many frames a second of equal floods were on the wires, of the three together and of a fourth client.

    Four clients send as fast as they can, on one identifier: three of them one and the same frame, the fourth others.
    Returned as well: frames that were taken from clients, and those of them that never were on the wires.
    """
    loaded, on_wires = load_scenario("winter_evening", settings_models()), Counter()

    def tap(frame):
        hub.publish(frame)
        if frame.identifier == FLOOD:
            on_wires[frame.data[0]] += 1

    control = RunControl()
    run = PacedBenchRun(loaded, load_catalogue(), NullSink(), seed=1, tap=tap, control=control, channel="bench_hub")
    with Hub(("127.0.0.1", 0), run.inject, time.monotonic) as hub:
        crowd = [socket.create_connection(("127.0.0.1", hub.port)) for _ in range(4)]
        for one in crowd:
            one.recv(64)
            for text in (b"< open rvsim >", b"< rawmode >"):
                one.sendall(text)
                one.recv(64)

        def send(one, mark):
            try:
                while True:
                    one.sendall(f"< send {FLOOD:08X} 1 {mark:x} >".encode() * 50)
            except OSError:  # it was closed
                return

        def fetch(one):
            try:
                while one.recv(1 << 16):
                    pass
            except OSError:  # it was closed
                return

        work = [
            threading.Thread(target=send, args=(one, int(place == 3)), daemon=True) for place, one in enumerate(crowd)
        ]
        work += [threading.Thread(target=fetch, args=(one,), daemon=True) for one in crowd]
        paced = threading.Thread(target=run.run, args=(None,))
        for thread in (*work, paced):
            thread.start()
        time.sleep(seconds)
        before = dict(on_wires)
        time.sleep(seconds)
        three, fourth = ((on_wires[mark] - before.get(mark, 0)) / seconds for mark in (0, 1))
        for one in crowd:
            one.shutdown(socket.SHUT_RDWR)
        for thread in work:
            thread.join()
        time.sleep(1.0)  # what is under way comes to the wires
        control.stop()
        paced.join()
        return three, fourth, hub.statistics.received, hub.statistics.received - sum(on_wires.values())


def measure(size: float) -> Iterator[Result]:
    """Print what was measured, and yield the figures that have a baseline or an aim."""
    rate, publish, dropped = throughput(round(300_000 * size))
    base = virtual(round(20_000 * size))
    print(f"frames to one client:   {rate:9.0f} a second, {rate / FULL_PAIR:.0f} x a full pair, {dropped} dropped")
    print(f"  python-can's virtual: {base:9.0f} a second: {rate / base:.1f} x that baseline")
    print(f"  the bench spends      {publish:9.2f} us on handing a frame over")
    yield Result(
        "frames from the hub to one client",
        rate,
        "frames/s",
        "python-can's virtual bus inside one process",
        base,
        TIMES_FULL_PAIR * FULL_PAIR,
        more_is_better=True,
    )
    base99 = None
    for name, times in (
        ("bare echo (baseline):", bare(round(5000 * size))),
        ("hub alone:", through_hub(round(5000 * size))),
        ("through the bench:", through_bench(round(2000 * size))),
    ):
        p99 = times[int(len(times) * 0.99)]
        base99 = base99 or p99
        print(
            f"reply, {name:22} p50 {statistics.median(times):5.2f} ms, p99 {p99:5.2f} ms, {p99 / base99:4.1f} x the "
            f"baseline (aim {AIM_MS:g} ms; the pair itself takes 0.9 ms of it)"
            if name.startswith("through")
            else f"reply, {name:22} p50 {statistics.median(times):5.2f} ms, p99 {p99:5.2f} ms, {p99 / base99:4.1f} x"
        )
    yield Result("command to reply of a bench in another process, p99", p99, "ms", "bare echo", base99, AIM_MS)
    three, fourth, taken, lost = floods(10.0 * size)
    print(
        f"equal floods of three:  {three:9.0f} a second on the wires, of a fourth client {fourth:.0f}: "
        f"{fourth / (three + fourth):.0%} (a fair share is 25 %); {lost} of {taken} never on the wires"
    )
    yield Result(
        "share of the wires of one of four clients that flood", 100 * fourth / (three + fourth), "%", "a fair share", 25
    )
    count = round(1000 * size)
    yield Result(f"failed handshakes of {count}, {AT_ONCE} at a time under a full pair", connects(count), "", aim=0)


if __name__ == "__main__":
    run(measure, full=1, quick=0.2)

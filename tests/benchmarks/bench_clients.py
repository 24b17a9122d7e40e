"""A bench at 20 times the wall clock with five clients on its hub: whether it keeps up, beside one client.

python tests/benchmarks/bench_clients.py [SECONDS] [--quick] [--json]

The bench is a process of its own, `rvsim bench --serve 0 --speed 20`. Each client notes the simulated time of its first
and its last frame within so many seconds of the wall clock; from the slowest of them comes the speed that was reached.
"""

import re
import selectors
import socket
import subprocess
import sys
import time
from collections.abc import Iterator

from benchmark_results import Result, run

SPEED, CLIENTS = 20, 5
AIM_SHARE = 0.99
"""The share of the speed that a bench that keeps up reaches at least. Our decision: one frame more or less at both ends
makes less than 1 % of a short run."""
START_S = 2.0
"""Seconds of the wall clock until all devices have said who they are: 40 simulated seconds."""
STAMP = re.compile(rb"< frame [0-9A-F]+ (\d+\.\d+) ")


def client(port: int) -> socket.socket:
    """Return a connection behind its handshake."""
    connection = socket.create_connection(("127.0.0.1", port))
    connection.recv(64)
    for text in (b"< open rvsim >", b"< rawmode >"):
        connection.sendall(text)
        connection.recv(64)
    return connection


def reached(count: int, seconds: float) -> tuple[float, int]:
    """Return the speed that the slowest of so many clients saw, and how many frames the fewest got."""
    command = [sys.executable, "-m", "rvsim", "bench", "--serve", "0", "--plain", "--speed", str(SPEED)]
    command += ["--seconds", "1000000"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        try:
            port = int(re.search(rb"port=(\d+)", process.stderr.readline())[1])
            connections = [client(port) for _ in range(count)]
            seen = [[] for _ in connections]
            frames = [0] * count
            with selectors.DefaultSelector() as selector:
                for place, connection in enumerate(connections):
                    selector.register(connection, selectors.EVENT_READ, place)
                began = time.monotonic() + START_S
                while (now := time.monotonic()) < began + seconds:
                    for key, _ in selector.select(0.1):
                        stamps = STAMP.findall(connections[key.data].recv(1 << 16))
                        if stamps and now >= began:
                            seen[key.data].append((now, float(stamps[-1])))
                            frames[key.data] += len(stamps)
            for connection in connections:
                connection.close()
        finally:
            process.kill()
    speeds = [(each[-1][1] - each[0][1]) / (each[-1][0] - each[0][0]) for each in seen]
    return min(speeds), min(frames)


def measure(size: float) -> Iterator[Result]:
    """Yield the speed with five clients beside that with one."""
    alone, few = reached(1, size)
    crowded, fewest = reached(CLIENTS, size)
    print(f"one client {alone:.2f} x, {few} frames; {CLIENTS} clients {crowded:.2f} x, {fewest} frames to each")
    work = f"a bench at --speed {SPEED} with {CLIENTS} clients on its hub"
    yield Result(work, crowded, "x", "with one client", alone, SPEED * AIM_SHARE, more_is_better=True)


if __name__ == "__main__":
    run(measure, full=20, quick=5)

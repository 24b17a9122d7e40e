"""The hub over loopback: frames a second to one client, command to reply, and handshakes under load.

python tests/benchmarks/bench_hub.py
"""

import socket
import statistics
import threading
import time

import can

from rvsim.edge.hub import Hub
from rvsim.wire.frame import Frame

FULL_PAIR = 1908
"""Frames a second of a full pair: 8 bytes, 131 bits without stuff bits, at 250 kbit/s (Davis and others 2007)."""
FRAME = Frame(1_250_000, 0x19FFE45E, bytes(8))


def opened(port):
    """Open the hub as python-can's client does."""
    return can.Bus(interface="socketcand", host="127.0.0.1", port=port, channel="rvsim", ignore_config=True)


def throughput(count=200_000):
    """Return frames a second from publish to a client that reads plainly."""
    with Hub(("127.0.0.1", 0), lambda identifier, data: None, time.monotonic) as hub:
        connection = socket.create_connection(("127.0.0.1", hub.port))
        connection.recv(64)
        for text in (b"< open rvsim >", b"< rawmode >"):
            connection.sendall(text)
            connection.recv(64)
        connection.sendall(b"< echo >")
        connection.recv(64)
        time.sleep(0.06)
        length = len(f"< frame {FRAME.identifier:08X} {FRAME.time / 1e6:.6f} {FRAME.data.hex()} >")
        got, start = 0, time.perf_counter()

        def publish():
            for number in range(count):
                hub.publish(FRAME)
                if number % 5000 == 0:
                    time.sleep(0.01)  # half of what is kept for a client: none has to be dropped

        thread = threading.Thread(target=publish)
        thread.start()
        while got < count * length and time.perf_counter() - start < 30:
            got += len(connection.recv(1 << 20))
            if hub.statistics.dropped and not thread.is_alive() and got >= (count - hub.statistics.dropped) * length:
                break
        took = time.perf_counter() - start
        thread.join()
        connection.close()
        return got / length / took, hub.statistics.dropped


def replies(count=2000):
    """Return the times from a client's frame to the answer that the other side publishes at once, in milliseconds."""
    times = []
    with (
        Hub(("127.0.0.1", 0), lambda identifier, data: hub.publish(Frame(1, 0x100, data)), time.monotonic) as hub,
        opened(hub.port) as bus,
    ):
        for number in range(count):
            start = time.perf_counter()
            bus.send(can.Message(arbitration_id=0x200, data=[number & 0xFF]))
            bus.recv(5)
            times.append((time.perf_counter() - start) * 1000)
    return times


def connects(count=1000):
    """Return how many of so many handshakes failed while frames are published all the time."""
    failed, stop = 0, threading.Event()
    with Hub(("127.0.0.1", 0), lambda identifier, data: None, time.monotonic) as hub:

        def flood():
            while not stop.wait(0.0005):
                hub.publish(FRAME)

        thread = threading.Thread(target=flood)
        thread.start()
        for _ in range(count):
            try:
                opened(hub.port).shutdown()
            except Exception:
                failed += 1
        stop.set()
        thread.join()
    return failed


def main() -> None:
    """Print what was measured, and the ratio to a full pair."""
    rate, dropped = throughput()
    print(f"frames to one client:  {rate:9.0f} a second, {rate / FULL_PAIR:.1f} x a full pair (baseline)")
    print(f"                       {dropped} dropped")
    times = sorted(replies())
    p99 = times[int(len(times) * 0.99)]
    print(f"command to reply:     p50 {statistics.median(times):.2f} ms, p99 {p99:.2f} ms")
    print(f"handshakes under load: {connects()} of 1000 failed")


if __name__ == "__main__":
    main()

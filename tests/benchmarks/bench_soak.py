"""Memory of a bench with its live screen over hours of bus time, in a terminal of its own.

    python tests/benchmarks/bench_soak.py [HOURS [SPEED [trace]]] [--quick] [--json]

One hour at 200 times the wall clock unless given otherwise. A child process runs what `rvsim bench --speed 200` runs,
with a pty of 100 x 30 as its terminal, and tells its resident memory every five minutes of bus time; the parent reads
the screen's output and throws it away. The slope is a least-squares line through the second half: the first half holds
what is made once (caches, the past that trends keep). ``trace`` also names the lines that hold more at the end than
at half time, by tracemalloc; it makes the child slower and larger. Objects are not listed: ``gc.get_objects`` beside a
running thread takes hold of tuples that are being made, and breaks them (SystemError in CPython 3.11).
"""

import fcntl
import os
import pty
import struct
import subprocess
import sys
import termios
import threading
import tracemalloc
from collections.abc import Iterator
from functools import partial

from benchmark_results import Result, run

EVERY_US = 300_000_000
"""Five minutes of bus time."""
HOUR_US = 3_600_000_000
MAX_POLL_WAIT_S = 0.05


def resident_kb() -> int:
    """Return the resident memory of this process (Linux)."""
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGESIZE") // 1024


def child(hours: float, speed: float, trace: bool) -> None:
    """Run the screen, and write "minutes kilobytes blocks" to descriptor 3 every five minutes of bus time."""
    from rvsim.devices.registry import settings_models
    from rvsim.faces.screen.show import show_bench
    from rvsim.runs.paced_bench import PacedBenchRun
    from rvsim.shakedown.scenario import load_scenario
    from rvsim.wire.database import load_catalogue

    out = os.fdopen(3, "w", buffering=1)
    loaded, runs = load_scenario("winter_evening", kinds=settings_models()), []
    end = round(hours * HOUR_US)

    def make(*given, **more):
        runs.append(partial(PacedBenchRun, loaded, load_catalogue(), seed=1)(*given, **more))
        return runs[0]

    def sample() -> None:
        wait, kept = threading.Event(), []
        for mark in range(EVERY_US, end + 1, EVERY_US):
            while not runs or runs[0].observed_until < mark:
                wait.wait(MAX_POLL_WAIT_S)
                if runs and runs[0].observed_until and not any(one.name == "run" for one in threading.enumerate()):
                    out.write("# the run has ended early: the screen says why\nend\n")
                    return
            out.write(f"{runs[0].observed_until / 60e6:.0f} {resident_kb()} {sys.getallocatedblocks()}\n")
            if trace and mark in (end // 2 // EVERY_US * EVERY_US, end // EVERY_US * EVERY_US):
                kept.append(tracemalloc.take_snapshot())
        if trace:
            first, last = kept
            for line in last.compare_to(first, "lineno")[:25]:
                out.write(f"# {line}\n")
        out.write("end\n")

    if trace:
        tracemalloc.start()
    threading.Thread(target=sample, daemon=True).start()
    show_bench(loaded, make, end, speed)


def soak(hours: float, speed: float, trace: bool) -> tuple[list[tuple[float, float]], list[str]]:
    """Return (minutes of bus time, kilobytes) as they came, and what tracing told."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 100, 0, 0))
    told, telling = os.pipe()
    os.set_inheritable(telling, True)
    options = ["--child", str(hours), str(speed), *(["trace"] if trace else [])]
    process = subprocess.Popen(
        ["/bin/sh", "-c", f'exec "$@" 3>&{telling}', "sh", sys.executable, __file__, *options],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        pass_fds=(telling,),
        env={**os.environ, "TERM": "xterm-256color", "PYTHONUTF8": "1"},
        start_new_session=True,
    )
    os.close(slave)
    os.close(telling)
    last = [b""]

    def drain() -> None:
        try:
            while received := os.read(master, 1 << 16):
                last[0] = (last[0] + received)[-2000:]
        except OSError:  # the terminal was closed
            return

    threading.Thread(target=drain, daemon=True).start()
    points, more = [], []
    with os.fdopen(told) as lines:
        for line in lines:
            if line == "end\n":
                os.write(master, b"q")
                break
            if line.startswith("#"):
                more.append(line[2:].rstrip())
                continue
            minutes, kilobytes, blocks = line.split()
            points.append((float(minutes), float(kilobytes)))
            print(f"{minutes:>5} min  {float(kilobytes) / 1024:7.2f} MB  {blocks} blocks", flush=True)
    code = process.wait(60)
    if code or not points or points[-1][0] < hours * 59:
        sys.exit(f"the screen ended with {code}: {last[0].decode(errors='replace')}")
    return points, more


def slope(points: list[tuple[float, float]]) -> float:
    """Return kilobytes an hour of bus time, by least squares."""
    n = len(points)
    x, y = (sum(one) / n for one in zip(*points, strict=True))
    spread = sum((a - x) ** 2 for a, _ in points)
    return 60 * sum((a - x) * (b - y) for a, b in points) / spread if spread else 0.0


def measure(size: float, speed: str = "200", trace: str = "") -> Iterator[Result]:
    """Print resident memory every five minutes, and the slope; yield the memory at the end and at half time."""
    hours = size
    points, more = soak(hours, float(speed), bool(trace))
    late = points[len(points) // 2 :]
    print(f"{hours:g} h of bus time at {speed} x: {points[0][1] / 1024:.2f} MB to {points[-1][1] / 1024:.2f} MB")
    print(f"slope of the second half: {slope(late):+.0f} kB an hour of bus time")
    print("\n".join(more))
    work = f"memory of the live screen after {hours:g} h of bus time at {speed} x"
    yield Result(work, points[-1][1] / 1024, "MB", "at half time", late[0][1] / 1024)


if __name__ == "__main__":
    if "--child" in sys.argv:
        child(float(sys.argv[2]), float(sys.argv[3]), "trace" in sys.argv)
    else:
        run(measure, full=1, quick=0.5)

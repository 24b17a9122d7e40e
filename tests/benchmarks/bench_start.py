"""How long commands take to start, against an interpreter that does nothing. Run by hand:

python tests/benchmarks/bench_start.py [ROUNDS] [--quick] [--json]
"""

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator

from benchmark_results import Result, run

AIMS_MS = {"rvsim --help": 100, "rvsim spell, definitions cached": 150}
COMMANDS = {
    "python that does nothing (baseline)": ["-c", "pass"],
    "import of everything we use": ["-c", "import can, cantools, pydantic, typer, textual.app"],
    "rvsim --help": ["-m", "rvsim", "--help"],
    "rvsim spell, definitions cached": ["-m", "rvsim", "spell", "19FFE45E", "0100C864FFFFFFFF"],
}


def seconds(arguments: list[str], cache: str) -> float:
    """Run one command and return its wall time."""
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, *arguments],
        check=True,
        stdout=subprocess.DEVNULL,
        env={**os.environ, "XDG_CACHE_HOME": cache},
    )
    return time.perf_counter() - start


def measure(size: float) -> Iterator[Result]:
    """Print medians and ratios, and yield those of ours; all take turns, so that a busy machine is busy for all."""
    taken: dict[str, list[float]] = {name: [] for name in COMMANDS}
    with tempfile.TemporaryDirectory() as cache:
        cold = seconds(COMMANDS["rvsim spell, definitions cached"], cache)
        for _ in range(int(size)):
            for name, arguments in COMMANDS.items():
                taken[name].append(seconds(arguments, cache))
    baseline = statistics.median(next(iter(taken.values())))
    for name, times in taken.items():
        median = statistics.median(times)
        print(f"{name:40} {median * 1000:6.0f} ms  {median / baseline:5.1f} x")
        if name in AIMS_MS:
            yield Result(name, median * 1000, "ms", "python that does nothing", baseline * 1000, AIMS_MS[name])
    print(f"{'rvsim spell, nothing cached':40} {cold * 1000:6.0f} ms  {cold / baseline:5.1f} x")


if __name__ == "__main__":
    run(measure, full=15, quick=5)

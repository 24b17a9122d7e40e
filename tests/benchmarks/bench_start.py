"""How long commands take to start, against an interpreter that does nothing. Run by hand:

python tests/benchmarks/bench_start.py [ROUNDS] [--quick] [--json]
"""

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator

from benchmark_results import Result, run

AIMS_MS = {"rvsim --help": 100, "rvsim spell, definitions cached": 150, "rvsim spell --find, definitions cached": 200}
COMMANDS = {
    "python that does nothing (baseline)": ["-c", "pass"],
    "import of everything we use": ["-c", "import can, cantools, pydantic, typer, textual.app"],
    "rvsim --help": ["-m", "rvsim", "--help"],
    "rvsim spell, definitions cached": ["-m", "rvsim", "spell", "19FFE45E", "0100C864FFFFFFFF"],
    "rvsim spell --find, definitions cached": ["-m", "rvsim", "spell", "--find", "tank"],
}


def seconds(arguments: list[str], cache: str) -> tuple[float, float]:
    """Run one command and return its wall time and its processor time.

    Compiled modules are kept, as an installed program has them: without them a start takes twice as long.
    """
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        [sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL, env={**kept, "XDG_CACHE_HOME": cache}
    )
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def measure(size: float) -> Iterator[Result]:
    """Print medians and ratios, and yield those of ours; all take turns, so that a busy machine is busy for all."""
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in COMMANDS}
    with tempfile.TemporaryDirectory() as cache:
        cold = seconds(COMMANDS["rvsim spell, definitions cached"], cache)[0]
        for _ in range(int(size)):
            for name, arguments in COMMANDS.items():
                taken[name].append(seconds(arguments, cache))
    baseline = statistics.median(wall for wall, _ in next(iter(taken.values())))
    for name, times in taken.items():
        median, cpu = (statistics.median(one) for one in zip(*times, strict=True))
        print(f"{name:40} {median * 1000:6.0f} ms  {median / baseline:5.1f} x, processor {cpu * 1000:4.0f} ms")
        if name in AIMS_MS:
            yield Result(name, median * 1000, "ms", "python that does nothing", baseline * 1000, AIMS_MS[name])
    print(f"{'rvsim spell, nothing cached':40} {cold * 1000:6.0f} ms  {cold / baseline:5.1f} x")


if __name__ == "__main__":
    run(measure, full=15, quick=5)

"""Memory of a bench with roll call and rules over many simulated days in virtual time.

python tests/benchmarks/bench_memory.py [DAYS] [--quick] [--json]

The shipped vehicle, nothing shown. The first day holds what is made once (caches, what the watch remembers of each
message); what the process holds at the end is compared with what it held after that day. It is the resident memory
that Linux tells. The 30 days of a full round take some 8 minutes of processor time, the 3 of a quick one less than one.
`bench_soak` has the same question for the live screen.
"""

import os
from collections.abc import Iterator

from benchmark_results import Result, run

from rvsim.devices.registry import settings_models
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US

DAY_US = 86_400 * SECOND_US
FLAT = 0.95
"""Memory is flat if there was this share of it after the first day: it grew by 5 % at most. Our decision."""
STATM = "/proc/self/statm"


def resident_mb() -> float:
    """Return the resident memory of this process in MB (Linux)."""
    with open(STATM) as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGESIZE") / 1e6


def measure(size: float) -> Iterator[Result]:
    """Print the memory after each day, and yield that of the last beside that of the first."""
    days = int(size)
    work = f"memory after {days} simulated days, roll call and rules"
    if not os.path.exists(STATM):
        yield Result(work, aim=FLAT, aim_is_ratio=True, problem=f"needs {STATM}, which Linux has")
        return
    simulated = VirtualBenchRun(
        load_scenario("winter_evening", kinds=settings_models()), load_catalogue(), NullSink(), seed=1
    )
    held = []
    for day in range(1, days + 1):
        simulated.until(day * DAY_US)
        held.append(resident_mb())
        print(f"day {day:2}: {held[-1]:.1f} MB", flush=True)
    yield Result(work, held[-1], "MB", "after the first day", held[0], FLAT, aim_is_ratio=True)


if __name__ == "__main__":
    run(measure, full=30, quick=3)

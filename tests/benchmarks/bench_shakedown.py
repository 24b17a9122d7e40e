"""A night of the shipped vehicle with its expectations, against the same night on the bench without a watch.

python tests/benchmarks/bench_shakedown.py [HOURS] [--quick] [--json]

Both take turns; each figure is the median of them, in processor time, start included. The same night by the clock,
simulated in a second process, has a row of its own.
"""

import time
from collections.abc import Iterator

from benchmark_results import Result, interleaved, run

from rvsim.devices.registry import kinds_by_name
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.shakedown.jobs import Job
from rvsim.sim.bench import Bench

AIM = 10_000
"""Times real time."""
ROUNDS = 3


def measure(size: float) -> Iterator[Result]:
    """Yield how many times real time a judged night is."""

    def alone():
        prepared = PreparedScenario(job)
        weather = prepared.loaded.scenario.weather
        Bench(prepared.loaded.rig, prepared.catalogue, kinds_by_name(), weather=weather).run_until(round(size * 3600e6))

    job = Job("warm_cabin", {"lasts": f"{size:g}h"})
    taken = interleaved(ROUNDS, {"alone": alone, "judged": lambda: PreparedScenario(job).run()})
    speeds = {name: size * 3600 / seconds for name, seconds in taken.items()}
    yield Result(
        f"judged night of {size:g} h, warm_cabin",
        speeds["judged"],
        "x real time",
        "no watch, no judge",
        speeds["alone"],
        AIM,
        more_is_better=True,
    )
    ways = {"one": lambda: PreparedScenario(job).run(), "two": lambda: PreparedScenario(job).run(apart=True)}
    clock = {name: size * 3600 / seconds for name, seconds in interleaved(ROUNDS, ways, time.perf_counter).items()}
    work = f"judged night of {size:g} h, warm_cabin, by the clock, two processes"
    yield Result(work, clock["two"], "x real time", "one process", clock["one"], AIM, more_is_better=True)


if __name__ == "__main__":
    run(measure, full=8, quick=2)

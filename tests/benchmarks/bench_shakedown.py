"""A night of the shipped vehicle with its expectations, against the same night on the bench without a watch.

python tests/benchmarks/bench_shakedown.py [HOURS]
"""

import sys
import time

from rvsim.devices.registry import KINDS
from rvsim.runs.scenario_run import ScenarioRun
from rvsim.shakedown.jobs import Job
from rvsim.sim.bench import Bench

AIM = 7000
"""Times real time."""


def timed(action):
    """Return the processor seconds an action takes."""
    start = time.process_time()
    action()
    return time.process_time() - start


def main() -> None:
    """Print how many times real time, and the ratio."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 8.0
    trial = ScenarioRun(Job("warm_cabin", {"lasts": f"{hours:g}h"}))
    bench = Bench(trial.loaded.rig, trial.catalogue, KINDS, weather=trial.loaded.scenario.weather)
    alone = timed(lambda: bench.run_until(round(hours * 3600e6)))
    judged = timed(trial.run)
    for name, seconds in (("devices, physics and wires (baseline)", alone), ("with watch and expectations", judged)):
        print(f"{name:40} {seconds:7.2f} s  {hours * 3600 / seconds:6.0f} x real time  {seconds / alone:5.2f} x")
    print(f"aim: {AIM} x real time")


if __name__ == "__main__":
    main()

"""The plan of a large rig: the checks of 500 outputs with 100 ladders, their random draws included.

python tests/benchmarks/bench_plan.py [OUTPUTS] [--quick] [--json]

Each module has 20 outputs, each with a fuse and a wire of its own, and 4 inputs with a ladder of three switches; five
modules are on one tap, and each has a branch. The figure is the processor time of the checks; reading the file is told
beside it. Both take turns with the same rig without its ladders, which is the baseline.
"""

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from benchmark_results import Result, interleaved, run

from rvsim.plan.report import PlanInput, check_rig
from rvsim.rig.load import load_rig
from rvsim.wire.database import load_catalogue

AIM_S = 1.0
OUTPUTS, INPUTS, TAPPED = 20, 4, 5
LOADS = (("led", 1.0), ("lamp", 1.8), ("motor", 3.0), ("pump", 5.0), ("heater mat", 6.0))
ROUNDS = 5


def rig_text(outputs: int, *, has_ladders: bool = True) -> str:
    """Return a rig with so many outputs."""
    lines = [
        'schema = 1', 'name = "large"', 'title = "A large vehicle"', "[[battery]]", 'name = "house"',
        "short_circuit_amps = 3000", "[[ground]]", 'name = "bar"', "wire = { area_mm2 = 70, length_m = 1.0 }",
    ]  # fmt: skip
    for module in range(outputs // OUTPUTS):
        name = f"module {module}"
        lines += [
            "[[device]]", f'name = "centre {module}"', 'kind = "load_centre"', f"address = {0x60 + module}",
            f'branch = "branch {module}"', 'ground = "bar"', "standing_milliamps = 4.0",
            "[[branch]]", f'name = "branch {module}"', "fuse_amps = 100", "fuse_distance_m = 0.1",
            "interrupting_amps = 5000", "wire = { area_mm2 = 25, length_m = 3.0 }",
            "[[module]]", f'name = "{name}"', f'device = "centre {module}"', f'branch = "branch {module}"',
            "limit_amps = 80.0",
        ]  # fmt: skip
        for place in range(OUTPUTS):
            number, (load, amps) = module * OUTPUTS + place, LOADS[place % len(LOADS)]
            lines += [
                "[[output]]", f'name = "output {number}"', f'module = "{name}"', f"terminal = {place + 1}",
                f"instance = {number // 2 + 1}", f'message = "{("load", "dimmer")[number % 2]}"', f'load = "{load}"',
                f"amps = {amps}", f"peak_amps = {2 * amps}", 'peak = "50ms"', "limit_amps = 15", "fuse_amps = 15",
                "fuse_distance_m = 0.05", "interrupting_amps = 5000", "suppressed = true", "manual_override = true",
                f"wire = {{ area_mm2 = 2.5, length_m = {2 + place % 5} }}",
            ]  # fmt: skip
        for place in range(INPUTS):
            number = module * INPUTS + place
            switched = ", ".join(f's{n} = "output {module * OUTPUTS + place * 3 + n}"' for n in range(3))
            lines += [
                "[[input]]", f'name = "input {number}"', f'module = "{name}"', f"terminal = {place + 1}",
                f"instance = {1 + 2 * number}",
            ]  # fmt: skip
            if has_ladders:
                rungs = (
                    "ladder = { pull_up_ohm = 1000, tolerance_percent = 1, rungs = { s0 = 100, s1 = 820, s2 = 3300 } }"
                )
                lines += [f"switches = {{ {switched} }}", rungs]
            else:
                lines.append(f'switches = "output {module * OUTPUTS + place}"')
    centres = [f"centre {module}" for module in range(outputs // OUTPUTS)]
    groups = [centres[start : start + TAPPED] for start in range(0, len(centres), TAPPED)]
    for number, group in enumerate(groups):
        drops = ", ".join(f'{{ device = "{one}", length_m = 0.5 }}' for one in group)
        is_end = number in (0, len(groups) - 1)
        lines += ["[[tap]]", f'name = "tap {number}"', "ports = 8", f"terminator = {str(is_end).lower()}"]
        lines += [f"drops = [{drops}]", *(["length_m = 3.0"] if number else [])]
    return "\n".join(lines) + "\n"


def measure(size: float) -> Iterator[Result]:
    """Yield the processor time of the checks, and that of reading the file."""
    outputs = int(size)
    catalogue = load_catalogue()
    with tempfile.TemporaryDirectory() as folder:
        paths = {has: Path(folder) / f"large_{has}.toml" for has in (True, False)}
        for has, path in paths.items():
            path.write_text(rig_text(outputs, has_ladders=has), encoding="utf-8")
        rigs = {has: load_rig(path, for_plan=True) for has, path in paths.items()}
        began = time.process_time()
        load_rig(paths[True], for_plan=True)
        reading = time.process_time() - began
        answers = len(check_rig(PlanInput(rigs[True], catalogue)).answers)
        taken = interleaved(
            ROUNDS,
            {
                "ladders": lambda: check_rig(PlanInput(rigs[True], catalogue)),
                "none": lambda: check_rig(PlanInput(rigs[False], catalogue)),
            },
        )
    ladders = outputs // OUTPUTS * INPUTS
    work = f"check {outputs} outputs with {ladders} ladders, {answers} answers, in processor time"
    yield Result(work, taken["ladders"], "s", "without ladders", taken["none"], AIM_S)
    yield Result(f"read the rig of {outputs} outputs, in processor time", reading, "s")


if __name__ == "__main__":
    run(measure, full=500, quick=100)

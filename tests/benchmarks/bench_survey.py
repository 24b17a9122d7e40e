"""The survey of a log in columns against the same survey frame by frame. Run by hand:

python tests/benchmarks/bench_survey.py [SECONDS [SCENARIO ...] [profile]] [--quick] [--json]

Each scenario is run in virtual time; its frames are surveyed by both in turn, with its rig, in processor time, so that
a busy moment of the machine falls on both. Reading the log is not measured. With "profile" the columns are profiled.
"""

import cProfile
import pstats
import time
from collections.abc import Iterator, Sequence
from statistics import median

from benchmark_results import Result, run

from rvsim.devices.registry import settings_models
from rvsim.logs.blocks import Block
from rvsim.logs.columns import to_columns
from rvsim.logs.survey import Survey, Surveyor
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.runs.bench import VirtualBenchRun
from rvsim.shakedown.scenario import load_scenario
from rvsim.shipped import scenario_folder
from rvsim.watch.watch import Event, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US, Frame

SCENARIOS = (
    "winter_evening", "heater_goes_quiet", "short_frames", "two_on_one_address", "stuck_sensor", "drifting_shunt",
    "babbling_node", "noisy_wires", "loose_plug",
)  # fmt: skip
BLOCK = 1 << 16
ROUNDS = 3
TWO_MILLION = 2_000_000


class Kept:
    """A sink that keeps the frames of a run."""

    def __init__(self) -> None:
        self.frames: list[Frame] = []

    def frame(self, frame: Frame) -> None:
        """Keep it."""
        self.frames.append(frame)

    def events(self, events: Sequence[Event]) -> None:
        """Not needed."""

    def end(self, time: int, watch: Watch) -> None:
        """Not needed."""

    def flush(self) -> None:
        """Nothing waits."""


def recorded(scenario: str, seconds: int, catalogue: Catalogue) -> list[Frame]:
    """Run a scenario and return its frames."""
    kept = Kept()
    bench = VirtualBenchRun(load_scenario(scenario, kinds=settings_models()), catalogue, kept, seed=1)
    bench.until(seconds * SECOND_US)
    return kept.frames


def surveyed(blocks: list[Block], catalogue: Catalogue, rig: Rig, *, frame_by_frame: bool) -> tuple[float, Survey]:
    """Survey blocks; return the processor time in seconds, and the survey."""
    began = time.process_time()
    surveyor = Surveyor(catalogue, rig, frame_by_frame=frame_by_frame)
    for block in blocks:
        surveyor.observe_block(block)
    found = surveyor.finish()
    return time.process_time() - began, found


def compare(scenario: str, seconds: int, catalogue: Catalogue, rig: Rig, *, profile: bool) -> Result:
    """Measure one scenario, print a line and return the result."""
    frames = recorded(scenario, seconds, catalogue)
    blocks = [Block(to_columns(frames[first : first + BLOCK])) for first in range(0, len(frames), BLOCK)]
    pairs = []
    for _ in range(ROUNDS):
        slow, expected = surveyed(blocks, catalogue, rig, frame_by_frame=True)
        fast, found = surveyed(blocks, catalogue, rig, frame_by_frame=False)
        assert found.flags == expected.flags
        pairs.append((slow, fast))
    slow, fast = (median(times) for times in zip(*pairs, strict=True))
    print(
        f"{scenario:20} {len(frames):>8} frames {len(found.flags):>5} flags   frame by frame {slow:6.2f} s   "
        f"columns {fast:5.2f} s   {slow / fast:5.1f} x   "
        f"2,000,000 frames {fast * TWO_MILLION / len(frames):5.2f} s",
        flush=True,
    )
    if profile:
        profiler = cProfile.Profile()
        profiler.runcall(surveyed, blocks, catalogue, rig, frame_by_frame=False)
        pstats.Stats(profiler).sort_stats("tottime").print_stats(20)
    return Result(f"survey of {seconds:,} s of {scenario}", fast, "s", "frame by frame", slow)


def measure(size: float, *words: str) -> Iterator[Result]:
    """Measure the scenarios that are named, or a choice of them."""
    named = [word for word in words if word != "profile"]
    catalogue, rig = load_catalogue(), load_rig(scenario_folder() / "rigs" / "ottersby.toml")
    for scenario in named or SCENARIOS:
        yield compare(scenario, int(size), catalogue, rig, profile="profile" in words)


if __name__ == "__main__":
    run(measure, full=3600, quick=600)

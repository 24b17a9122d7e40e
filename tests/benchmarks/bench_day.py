"""A simulated day in virtual time, against decoding the same frames with cantools one by one.

python tests/benchmarks/bench_day.py [HOURS] [--quick] [--json]

Three vehicles: the shipped one with 11 devices; one with 25 devices (`tests/data/twenty_five_devices_rig.toml`); and
the shipped larger one, 32 devices with three zones and two batteries, which sends 44 frames a second. Each runs without
a watch, with roll call and rules while nothing is shown, and with a sink that is handed every reading. The ways take
turns; each figure is their median, in processor time, and that of 24 h is computed where fewer hours ran. cantools
decodes the frames of an hour, and what a day of them would take is computed. By the clock is a row in which the vehicle
is simulated in a second process.
"""

import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import cantools
from benchmark_results import Result, computed, interleaved, run

from rvsim import shipped
from rvsim.devices.registry import kinds_by_name, settings_models
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import LoadedScenario, load_scenario
from rvsim.sim.bench import Bench
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of

ROUNDS = 3
DAY_H = 24.0
SAMPLE_US = 3600 * SECOND_US
"""The frames of one hour are decoded with cantools."""
DATA = Path(__file__).parents[1] / "data"
VEHICLES = (
    ("the shipped vehicle, 11 devices", "winter_evening", 6.0),
    ("25 devices", DATA / "twenty_five_devices.toml", 10.0),
    ("quillhaven, 32 devices, 3 zones", "four_sources", 12.0),
)
"""Name, scenario, and the seconds of processor time that a day with roll call and rules may take."""


class ReadingSink:
    """A sink that is handed all readings and shows nothing."""

    def frame(self, frame):
        """Show nothing."""

    def events(self, events):
        """Show nothing."""

    def end(self, time, watch):
        """Show nothing."""

    def flush(self):
        """Show nothing."""


def cantools_decoder():
    """Return what decodes one frame with cantools."""
    messages = {}
    for path in shipped.dbc_files():
        for message in cantools.database.load_file(path, database_format="dbc").messages:
            messages[dgn_of(message.frame_id)] = message
    return lambda frame: messages[dgn_of(frame.identifier)].decode(frame.data, allow_truncated=True)


def bench_alone(loaded: LoadedScenario, catalogue: Catalogue, end: int) -> list[Frame]:
    """Run devices, physics and wires without a watch; return the frames of the first hour."""
    frames: list[Frame] = []
    bench = Bench(loaded.rig, catalogue, kinds_by_name(), weather=loaded.scenario.weather, on_frame=frames.append)
    bench.run_until(min(end, SAMPLE_US))
    sample = frames.copy()
    while bench.now < end:
        frames.clear()
        bench.run_until(min(end, bench.now + SAMPLE_US))
    return sample


def measure(size: float) -> Iterator[Result]:
    """Yield the seconds of a day of each vehicle, in each way."""
    end, catalogue, decode = round(size * 3600 * SECOND_US), load_catalogue(), cantools_decoder()
    per_day = DAY_H / size
    for vehicle, scenario, aim in VEHICLES:
        loaded = load_scenario(scenario, kinds=settings_models())
        sample = bench_alone(loaded, catalogue, min(end, SAMPLE_US))

        def whole(sink, loaded=loaded, *, apart=False):
            VirtualBenchRun(loaded, catalogue, sink, seed=1).run(end, apart=apart)

        taken = interleaved(
            ROUNDS,
            {
                "cantools": lambda sample=sample: [decode(frame) for frame in sample],
                "alone": partial(bench_alone, loaded, catalogue, end),
                "watched": partial(whole, NullSink()),
                "shown": partial(whole, ReadingSink()),
            },
        )
        hours = min(size, SAMPLE_US / SECOND_US / 3600)
        theirs = taken["cantools"] / hours * DAY_H
        print(f"{vehicle}: {len(sample)} frames in {hours:g} h; medians of {ROUNDS} rounds")
        for work, way, limit in (
            ("roll call and rules", "watched", aim),
            ("no watch", "alone", None),
            ("roll call, rules and every reading handed to a sink", "shown", None),
        ):
            seconds = taken[way] * per_day
            print(
                f"  {work}: {seconds / len(sample) * hours / DAY_H * 1e6:.1f} us a frame, "
                f"{DAY_H * 3600 / seconds:.0f} x real time"
            )
            what = f"24 h of {vehicle}, {work}{computed(size)}"
            yield Result(what, seconds, "s", "cantools decodes its frames", theirs, limit)
        ways = {"one": partial(whole, NullSink()), "two": partial(whole, NullSink(), apart=True)}
        one, two = interleaved(ROUNDS, ways, time.perf_counter).values()
        what = f"24 h of {vehicle}, roll call and rules, by the clock, two processes{computed(size)}"
        yield Result(what, two * per_day, "s", "one process", one * per_day, aim)


if __name__ == "__main__":
    run(measure, full=24, quick=1)

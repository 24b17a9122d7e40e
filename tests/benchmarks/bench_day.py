"""A simulated day of the shipped vehicle in virtual time, against decoding the same frames with cantools one by one.

python tests/benchmarks/bench_day.py [HOURS]
"""

import sys
import time

import cantools

from rvsim import shipped
from rvsim.devices.registry import kinds_by_name, settings_models
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario
from rvsim.sim.bench import Bench
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of


def timed(action) -> float:
    """Return the processor seconds an action takes."""
    start = time.process_time()
    action()
    return time.process_time() - start


def main() -> None:
    """Print seconds and ratios."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    end = round(hours * 3600 * SECOND_US)
    loaded = load_scenario("winter_evening", kinds=settings_models())
    catalogue = load_catalogue()
    frames = []
    bench = Bench(loaded.rig, catalogue, kinds_by_name(), weather=loaded.scenario.weather, on_frame=frames.append)
    alone = timed(lambda: bench.run_until(end))
    whole = timed(lambda: VirtualBenchRun(loaded, catalogue, NullSink(), seed=1).run(end))

    messages = {}
    for path in shipped.dbc_files():
        for message in cantools.database.load_file(path, database_format="dbc").messages:
            messages[dgn_of(message.frame_id)] = message
    decode = timed(lambda: [messages[dgn_of(f.identifier)].decode(f.data, allow_truncated=True) for f in frames])

    print(f"{hours:g} h, {len(frames)} frames of {len(loaded.rig.devices)} devices")
    for name, seconds in (
        ("cantools decodes those frames, nothing else (baseline)", decode),
        ("devices, physics and wires", alone),
        ("devices, physics, wires, roll call and rules", whole),
    ):
        each = seconds / len(frames) * 1e6
        told = f"{each:5.1f} us a frame  {seconds / decode:5.2f} x  {hours * 3600 / seconds:8.0f} x real time"
        print(f"{name:55} {seconds:7.2f} s  {told}")


if __name__ == "__main__":
    main()

"""How well `rvsim replay` keeps the gaps of a log at speed 1, beside a bare loop that sleeps until each moment.

python tests/benchmarks/bench_replay_gaps.py [SECONDS] [--quick] [--json]

The frames of winter_evening are sent twice at the same time in processes of their own: by the sender of a replay with
its watch, to a hub, and by a loop of nothing but sleep. Printed are the delays of both behind the times of the frames:
on a busy machine both are late, and the difference is the replay's own.
"""

import multiprocessing
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from benchmark_results import Result, run

from rvsim.devices.registry import settings_models
from rvsim.edge.hub import Hub
from rvsim.logs.read import open_log
from rvsim.logs.record import Recorder
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.control import RunControl
from rvsim.runs.frame_sender import FrameSender
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.replay import LogRounds, ReplayRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario
from rvsim.watch.watch import Watch
from rvsim.wire.database import load_catalogue

Delays = list[float]


def bare_loop(path: Path, queue: "multiprocessing.Queue[Delays]") -> None:
    """Sleep until each frame is due, and note how late it was."""
    with open_log(path) as log:
        times = [frame.time / 1e6 for frame in log.frames()]
    started, delays = time.monotonic() + 0.5, []
    for due in times:
        time.sleep(max(0.0, started + due - time.monotonic()))
        delays.append(time.monotonic() - started - due)
    queue.put(delays)


def replayed(path: Path, queue: "multiprocessing.Queue[Delays]") -> None:
    """Replay the log with its watch to a hub, and note how late each frame was handed to the hub."""
    noted: list[tuple[float, float]] = []
    catalogue = load_catalogue()
    with Hub(("127.0.0.1", 0), lambda *_: None, time.monotonic) as hub, LogRounds(lambda: open_log(path)) as rounds:

        def send(frame):
            noted.append((time.monotonic(), frame.time / 1e6))
            hub.publish(frame)

        run = ReplayRun(rounds, Pipeline(Watch(catalogue), NullSink()))
        with FrameSender(send) as sender:
            run.sender = sender
            run.run_paced(RunControl())
    first = min(moment - due for moment, due in noted)
    queue.put([moment - due - first for moment, due in noted])


def figures(delays: Delays) -> str:
    """Return median, 99 of 100 and worst, in milliseconds."""
    return f"median {later_than(delays, 50):.3f}  p99 {later_than(delays, 99):.3f}  worst {1000 * max(delays):.3f} ms"


def later_than(delays: Delays, percent: int) -> float:
    """Return the milliseconds that so many of a hundred frames are late at most."""
    ordered = sorted(1000 * delay for delay in delays)
    return ordered[(len(ordered) - 1) * percent // 100]


def measure(size: float) -> Iterator[Result]:
    """Run both, print the figures and yield those of 99 of 100 frames."""
    seconds = size
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.log"
        loaded = load_scenario("winter_evening", settings_models())
        with Recorder(path, load_catalogue(), start="", channel="can0", sent=True) as recorder:
            VirtualBenchRun(loaded, load_catalogue(), NullSink(), seed=1, recorder=recorder).run(round(seconds * 1e6))
        queues = {name: multiprocessing.Queue() for name in ("bare loop", "replay")}
        processes = [
            multiprocessing.Process(target=target, args=(path, queues[name]))
            for name, target in (("bare loop", bare_loop), ("replay", replayed))
        ]
        for process in processes:
            process.start()
        delays = {name: queue.get() for name, queue in queues.items()}
        for name, each in delays.items():
            print(f"{name:10} {figures(each)}")
        for process in processes:
            process.join()
    bare, replay = (later_than(delays[name], 99) for name in ("bare loop", "replay"))
    yield Result(
        f"delay of a replayed frame at speed 1, p99 of {seconds:g} s", replay, "ms", "bare loop that sleeps", bare
    )


if __name__ == "__main__":
    run(measure, full=20, quick=10)

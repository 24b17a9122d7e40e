"""Processor share of the live screen at a full bus: 200 devices, 2,000 frames and four redraws a simulated second.

    python tests/benchmarks/bench_screen.py [SECONDS] [--quick] [--json]

Frames cross python-can's virtual bus; what the sender takes is not counted, as it would be another device. Headless
Textual draws the strips; a real terminal adds what it takes to write them. The baseline is the same watch alone;
both take turns, and each figure is the median.
"""

import asyncio
import gc
import time
from collections.abc import Iterator
from statistics import median

from benchmark_results import Result, run

from rvsim.edge.feed import Feed, Watermark
from rvsim.edge.port import Port
from rvsim.faces.screen.app import REDRAWS_PER_SECOND, LiveScreen
from rvsim.faces.screen.scene import Scene
from rvsim.rig.model import Rig
from rvsim.runs.control import RunControl
from rvsim.watch.watch import Watch
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import Frame

RATE, DEVICES = 2000, 200
AIM_PERCENT = 4.0
"""Of a core, at most."""
ROUNDS = 3


def frames(second: int) -> list[Frame]:
    """Return one simulated second of a full bus: sensors whose readings change a little all the time."""
    made = []
    for n in range(RATE):
        source = n % DEVICES
        raw = 9376 + (second * 7 + n) % 64
        data = bytes([source + 1, raw & 0xFF, raw >> 8]) + b"\xff" * 5
        made.append(Frame(second * 1_000_000 + n * 1_000_000 // RATE, 0x19FF9C00 | source, data))
    return made


def setting(catalogue):
    """Return a rig of many sensors and the watch over it."""
    devices = [
        {"name": f"sensor {n}", "kind": "ambient", "address": n, "functions": {"ambient_sensor": n + 1}}
        for n in range(DEVICES)
    ]
    rig = Rig.model_validate({"schema": 1, "name": "full", "title": "A full bus", "device": devices})
    return rig, Watch(catalogue, rig)


def without(catalogue, seconds: int) -> float:
    """Return processor seconds of the watch alone."""
    _, watch = setting(catalogue)
    batches = [frames(second) for second in range(seconds)]
    start = time.process_time()
    for batch in batches:
        for frame in batch:
            watch.observe(frame)
    return time.process_time() - start


async def with_screen(catalogue, seconds: int) -> float:
    """Return processor seconds of watch and screen."""
    rig, watch = setting(catalogue)
    scene, now = Scene("full bus", watch, rig), [0]
    app = LiveScreen(scene, RunControl(), lambda: now[0])
    app.set_interval = lambda *args, **kwargs: None
    batches = [frames(second) for second in range(seconds)]
    sending = 0.0
    with Port("virtual", "bench_screen", listen=False) as sender, Port("virtual", "bench_screen") as listener:

        def take(frame: Frame) -> None:
            watch.observe(frame)
            now[0] = frame.time

        feed = Feed(listener, take, lambda time: None, lambda event: None)
        async with app.run_test(size=(100, 30)) as pilot:
            await pilot.pause()
            gc.freeze()  # as `show.run_with_screen` does
            start = time.process_time()
            for batch in batches:
                for look in range(REDRAWS_PER_SECOND):
                    before = time.thread_time()
                    for frame in batch[look * RATE // REDRAWS_PER_SECOND : (look + 1) * RATE // REDRAWS_PER_SECOND]:
                        sender.send(frame)
                    sending += time.thread_time() - before
                    feed.wait_for(Watermark(0, sender.statistics.sent))
                    app.redraw()
                    await asyncio.sleep(0)  # the screen draws in between
                    app.screen._compositor.render_strips()
            used = time.process_time() - start - sending
            gc.unfreeze()
            return used


def measure(size: float) -> Iterator[Result]:
    """Print and yield shares of one core."""
    seconds = int(size)
    catalogue = load_catalogue()
    rounds = [(without(catalogue, seconds), asyncio.run(with_screen(catalogue, seconds))) for _ in range(ROUNDS)]
    alone, whole = (median(each) for each in zip(*rounds, strict=True))
    print(f"{RATE} frames/s, {DEVICES} devices, {REDRAWS_PER_SECOND} redraws a second, {seconds} simulated seconds")
    print(f"watch alone (baseline)  {100 * alone / seconds:5.1f} % of a core")
    print(f"port, watch and screen  {100 * whole / seconds:5.1f} % of a core  {whole / alone:4.1f} x")
    ours, theirs = (100 * each / seconds for each in (whole, alone))
    yield Result(f"live screen at {RATE:,} frames/s", ours, "% of a core", "the watch alone", theirs, AIM_PERCENT)


if __name__ == "__main__":
    run(measure, full=30, quick=10)

"""Exporting a log to tables in Parquet, against reading and decoding it.

python tests/benchmarks/bench_export.py [FRAMES [random]] [--quick] [--json]

The log is candump text of the shipped vehicle: ten simulated minutes, over and over. With "random" it is that of
`bench_decode`, whose bytes are random. "decode" is from text to values: it reads the log and computes the value and the
state of every field. The others do the same work and write one table. "alone" is without the reading: from blocks in
memory. Each figure is the median of several rounds in which all take turns. Time of the clock depends on whether a
second processor is free for the thread that writes tables; processor time, of all threads, does not.
"""

import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from statistics import median

import numpy as np
from bench_decode import drawn, write
from benchmark_results import Result, run

from rvsim.devices.registry import settings_models
from rvsim.logs.columns import Columns, to_columns
from rvsim.logs.decoded import ColumnDecoder
from rvsim.logs.export.destination import Destination
from rvsim.logs.read import Log, open_log
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.export import Export, ExportRequest
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US, Frame

ROUNDS = 3
AIM = 2
"""Parquet takes at most so many times as long as decoding, by the clock."""
CASES = (
    ("readings", "parquet"),
    ("messages", "parquet"),
    ("frames", "parquet"),
    ("readings", "arrow"),
    ("messages", "arrow"),
    ("messages", "csv"),
)


class Kept:
    """A sink that keeps frames."""

    def __init__(self) -> None:
        self.frames: list[Frame] = []

    def frame(self, frame: Frame) -> None:
        """Keep it."""
        self.frames.append(frame)

    def events(self, events: object) -> None:
        """Not needed."""

    def end(self, time: int, watch: object) -> None:
        """Not needed."""

    def flush(self) -> None:
        """Nothing waits."""


def vehicle(count: int, catalogue: Catalogue) -> Columns:
    """Return frames of the shipped vehicle."""
    kept = Kept()
    seconds = 600
    scenario = load_scenario("winter_evening", kinds=settings_models())
    VirtualBenchRun(scenario, catalogue, kept, seed=1).until(seconds * SECOND_US)
    once = to_columns([Frame(frame.time, frame.identifier, frame.data.ljust(8, b"\xff")) for frame in kept.frames])
    rounds = -(-count // len(once))
    starts = 1_764_000_000_000_000 + np.arange(rounds, dtype=np.int64) * seconds * SECOND_US
    return Columns(
        (once.times + starts[:, None]).reshape(-1)[:count],
        np.tile(once.identifiers, rounds)[:count],
        np.tile(once.data, rounds)[:count],
        np.tile(once.lengths, rounds)[:count],
    )


def decode(log: Log, catalogue: Catalogue) -> int:
    """Decode a log; return how many values there are."""
    decoder, values = ColumnDecoder(catalogue), 0
    for _, block in log.blocks():
        for message in decoder.decode(block.frames):
            for column in message.fields.values():
                values += len(column.values) + len(column.states)
    return values


def export(open_again: Callable[[], Log], folder: Path, table: str, form: str, catalogue: Catalogue) -> int:
    """Export a log; return how many rows there are."""
    path = folder / f"{table}_{form}"
    with Destination(path, form, is_folder=True, overwrite=True) as destination:
        run = Export(ExportRequest(tables=(table,)), catalogue, None, destination, logs=1)
        run.add(open_again, lambda *_: None)
        run.finish()
    return sum(destination.written.values())


def measure(size: float, frames: str = "vehicle") -> Iterator[Result]:
    """Print seconds and ratios of each table, and yield those of messages and readings in Parquet."""
    count = int(size)
    catalogue = load_catalogue()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "x.log"
        write(path, (drawn if frames == "random" else vehicle)(count, catalogue))
        with open_log(path) as log:
            blocks = list(log.blocks())

        def kept() -> Log:
            log = open_log(path)
            log.blocks = lambda most=0: iter(blocks)
            return log

        runs: dict[str, Callable[[], int]] = {
            "decode": lambda: decode(open_log(path), catalogue),
            "decode alone": lambda: decode(kept(), catalogue),
        }
        for table, form in CASES:
            runs[f"{table} {form}"] = partial(export, lambda: open_log(path), folder, table, form, catalogue)
            runs[f"{table} {form} alone"] = partial(export, kept, folder, table, form, catalogue)
        taken: dict[str, list[tuple[float, float]]] = {each: [] for each in runs}
        sizes: dict[str, int] = {}
        for _ in range(ROUNDS):
            for each, way in runs.items():
                written = folder / each.removesuffix(" alone").replace(" ", "_")
                shutil.rmtree(written, ignore_errors=True)
                start, busy = time.perf_counter(), time.process_time()
                assert way()
                taken[each].append((time.perf_counter() - start, time.process_time() - busy))
                sizes[each] = sum(file.stat().st_size for file in written.glob("**/*.*"))
    seconds = {each: median(wall for wall, _ in rounds) for each, rounds in taken.items()}
    processor = {each: median(busy for _, busy in rounds) for each, rounds in taken.items()}
    print(
        f"{count} frames, median of {ROUNDS} rounds\n"
        f"{'':26}{'clock: frames/s':>16}{'x decode':>9}{'busy: ns/frame':>16}{'x decode':>9}{'MB':>7}"
    )
    for each, wall in seconds.items():
        decoding = "decode alone" if each.endswith("alone") else "decode"
        ratios = wall / seconds[decoding], processor[each] / processor[decoding]
        print(
            f"{each:26}{count / wall:16,.0f}{ratios[0]:9.2f}"
            f"{processor[each] / count * 1e9:16.0f}{ratios[1]:9.2f}{sizes[each] / 1e6:7.1f}"
        )
    for table in ("messages", "readings"):
        work = f"{count:,} frames of candump text to tables of {table} in Parquet"
        baseline = "decode them: text to values"
        yield Result(
            f"{work}, by the clock", seconds[f"{table} parquet"], "s", baseline, seconds["decode"], 1 / AIM,
            aim_is_ratio=True,
        )  # fmt: skip
        yield Result(f"{work}, processor time", processor[f"{table} parquet"], "s", baseline, processor["decode"])


if __name__ == "__main__":
    run(measure, full=2_000_000, quick=1_000_000)

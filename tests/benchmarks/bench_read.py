"""Reading captured logs, against python-can's own readers on the same files. Run by hand:

python tests/benchmarks/bench_read.py [FRAMES] [--quick] [--json]

python-can writes a log in each format, and all sides read it to the end: ours in columns, ours frame by frame, and
python-can's reader. Each figure is the median of several rounds in which they take turns, in processor time, so that a
busy moment of the machine falls on all. At the end our reader in columns alone: candump text in which four entries of
ten are no frames, and JSON lines of rvsim.
"""

import io
import random
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import cycle
from pathlib import Path
from statistics import median

import can
from benchmark_results import Result, run

from rvsim.logs.formats.jsonl import frame_fields, line, start_line
from rvsim.logs.read import open_log
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import is_addressed

VESSEL = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
ROUNDS = 5
AIMS = {".log": 10.0, ".blf": 15.0}
"""How many times longer python-can is to take than we do in columns, at least."""
ODD_SHARE, MIN_ODD_PER_SECOND = 0.4, 2_000_000
"""Entries that are no frames, and how many entries a second are to be read then, at least."""
FORMATS = {
    ".log": (can.CanutilsLogWriter, can.CanutilsLogReader),
    ".asc": (can.ASCWriter, can.ASCReader),
    ".csv": (can.CSVWriter, can.CSVReader),
    ".trc": (can.TRCWriter, can.TRCReader),
    ".blf": (can.BLFWriter, can.BLFReader),
}


def written(path: Path, frames: int) -> None:
    """Let python-can write the frames of a recorded vessel, again and again."""
    with open_log(VESSEL) as log:
        recorded = list(log.frames())
    length = recorded[-1].time + SECOND_US
    with FORMATS[path.suffix][0](path) as writer:
        for number, frame in zip(range(frames), cycle(recorded), strict=False):
            time_us = number // len(recorded) * length + frame.time
            writer.on_message_received(
                can.Message(
                    timestamp=1_410_714_882 + time_us / SECOND_US,
                    arbitration_id=frame.identifier,
                    data=frame.data,
                    channel=0,
                )
            )


def in_columns(path: Path) -> int:
    """Read a log in columns and return how many frames it has."""
    with open_log(path) as log:
        return sum(len(block.frames) for _, block in log.blocks())


def one_by_one(path: Path) -> int:
    """Read a log frame by frame with our reader and return how many frames it has."""
    with open_log(path) as log:
        return sum(1 for _ in log.frames())


def theirs(path: Path) -> int:
    """Read a log with python-can's reader and return how many frames it has."""
    with FORMATS[path.suffix][1](path) as reader:
        return sum(1 for _ in reader)


def odd_log(entries: int) -> bytes:
    """Return candump text of which a share are frames with 11-bit identifiers and error messages."""
    chance = random.Random(1)
    lines = []
    for i in range(entries):
        stamp = f"({1_410_714_882 + i // 2000}.{i % 2000 * 500:06d}) can0"
        kind = chance.random()
        if kind < ODD_SHARE / 2:
            lines.append(f"{stamp} {chance.getrandbits(11):03X}#{chance.randbytes(8).hex().upper()}\n")
        elif kind < ODD_SHARE:
            lines.append(f"{stamp} 20000088#000004000000{chance.getrandbits(7):02X}00\n")
        else:
            lines.append(f"{stamp} {0x18000000 | chance.getrandbits(24):08X}#{chance.randbytes(8).hex().upper()}\n")
    return "".join(lines).encode()


def json_log(entries: int) -> bytes:
    """Return JSON lines of rvsim, of a vehicle with some dozen messages."""
    chance = random.Random(1)
    catalogue = load_catalogue()
    specs = chance.sample(list(catalogue), 30)
    lines = [start_line("listen")]
    for i in range(entries):
        spec, source = chance.choice(specs), chance.randrange(64, 80)
        identifier = spec.identifier(source, 0xFF if is_addressed(spec.dgn) else None)
        frame = Frame(i * 500, identifier, chance.randbytes(8))
        lines.append(line(frame.time, frame_fields(frame, catalogue, "can0", sent=False)))
    return "".join(lines).encode()


def seconds(read: Callable[[Path], int], path: Path, frames: int) -> float:
    """Return the processor time that reading a log takes."""
    start = time.process_time()
    assert read(path) == frames
    return time.process_time() - start


def alone(content: bytes) -> float:
    """Return the processor time that our reader in columns takes for a log in memory, the median of some rounds."""
    taken = []
    for _ in range(ROUNDS):
        start = time.process_time()
        with open_log(io.BytesIO(content)) as log:
            sum(len(block.frames) + len(block.events) for _, block in log.blocks())
        taken.append(time.process_time() - start)
    return median(taken)


def measure(size: float) -> Iterator[Result]:
    """Print frames a second and ratios for each format, and yield them."""
    frames = int(size)
    print(f"{frames} frames, median of {ROUNDS} rounds, frames a second")
    print(f"{'':8}{'columns':>14}{'one by one':>14}{'python-can':>14}{'columns / python-can':>23}")
    with tempfile.TemporaryDirectory() as folder:
        for suffix in FORMATS:
            path = Path(folder) / f"x{suffix}"
            written(path, frames)
            sides = (in_columns, one_by_one, theirs)
            in_columns(path)  # the first one imports numpy
            rounds = [[seconds(side, path, frames) for side in sides] for _ in range(ROUNDS)]
            columns, single, other = (median(each) for each in zip(*rounds, strict=True))
            ratio = median(one[2] / one[0] for one in rounds)
            speeds = (frames / columns, frames / single, frames / other)
            print(f"{suffix:8}" + "".join(f"{speed:14,.0f}" for speed in speeds) + f"{ratio:23.1f}")
            yield Result(
                f"read {frames:,} frames of {suffix}",
                frames / columns / 1e6,
                "M frames/s",
                "python-can",
                frames / other / 1e6,
                AIMS.get(suffix),
                aim_is_ratio=True,
                more_is_better=True,
            )
    odd, own = frames / alone(odd_log(frames)), frames / alone(json_log(frames))
    print(f"{'.jsonl':8}{own:14,.0f}")
    print(f"{ODD_SHARE:.0%} odd{odd:13,.0f}   aim {MIN_ODD_PER_SECOND:,}")
    speed, least = odd / 1e6, MIN_ODD_PER_SECOND / 1e6
    work = f"read {frames:,} entries of candump text, {ODD_SHARE:.0%} of them no frames"
    yield Result(work, speed, "M entries/s", aim=least, more_is_better=True)
    yield Result(f"read {frames:,} JSON lines of rvsim", own / 1e6, "M frames/s", more_is_better=True)


if __name__ == "__main__":
    run(measure, full=200_000, quick=40_000)

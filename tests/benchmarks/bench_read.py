"""Reading captured logs frame by frame, against python-can's own readers on the same files. Run by hand:

python tests/benchmarks/bench_read.py [FRAMES]

python-can writes a log in each format, and both sides read it to the end. Each figure is the median of several rounds
in which the two take turns, in processor time, so that a busy moment of the machine falls on both.
"""

import random
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import can

from rvsim.logs.read import open_log

ROUNDS = 5
AIM = 1.0
"""How many times longer python-can is to take on candump text, at least."""
FORMATS = {
    ".log": (can.CanutilsLogWriter, can.CanutilsLogReader),
    ".asc": (can.ASCWriter, can.ASCReader),
    ".csv": (can.CSVWriter, can.CSVReader),
    ".trc": (can.TRCWriter, can.TRCReader),
    ".blf": (can.BLFWriter, can.BLFReader),
}


def written(path: Path, frames: int) -> None:
    """Let python-can write frames of a busy bus, half a millisecond apart."""
    chance = random.Random(1)
    with FORMATS[path.suffix][0](path) as writer:
        for i in range(frames):
            writer.on_message_received(
                can.Message(
                    timestamp=1_410_714_882 + i / 2000,
                    arbitration_id=0x18000000 | chance.getrandbits(24),
                    data=chance.randbytes(8),
                    channel=0,
                )
            )


def ours(path: Path) -> int:
    """Read a log with our reader and return how many frames it has."""
    with open_log(path) as log:
        return sum(1 for _ in log.frames())


def theirs(path: Path) -> int:
    """Read a log with python-can's reader and return how many frames it has."""
    with FORMATS[path.suffix][1](path) as reader:
        return sum(1 for _ in reader)


def main() -> None:
    """Print frames a second and ratios for each format."""
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    print(f"{frames} frames, median of {ROUNDS} rounds\n{'':8}{'ours/s':>12}{'python-can/s':>14}{'ratio':>8}")
    ratios = {}
    with tempfile.TemporaryDirectory() as folder:
        for suffix in FORMATS:
            path = Path(folder) / f"x{suffix}"
            written(path, frames)
            taken: dict[str, list[float]] = {"ours": [], "theirs": []}
            for _ in range(ROUNDS):
                for name, read in (("ours", ours), ("theirs", theirs)):
                    start = time.process_time()
                    assert read(path) == frames
                    taken[name].append(time.process_time() - start)
            mine, other = (median(each) for each in taken.values())
            ratios[suffix] = other / mine
            print(f"{suffix:8}{frames / mine:12,.0f}{frames / other:14,.0f}{ratios[suffix]:8.2f}")
    print(f"\naim: python-can takes at least {AIM} times as long on candump text, reached {ratios['.log']:.2f}")


if __name__ == "__main__":
    main()

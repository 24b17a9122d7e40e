"""A measurement file (.mf4) read beside python-can's reader: the same frames and times; both need asammdf.

pip install "rvsim-bench[mf4]"
python tests/benchmarks/bench_mf4.py [FRAMES] [--quick] [--json]

The writer of python-can takes about a millisecond for each frame.
"""

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

import asammdf  # noqa: F401 - python-can's writer and reader and ours need it: says at once if it is not there
import can
from benchmark_results import Result, run

from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame


def write(path: Path, frames: int) -> None:
    """Write frames of every kind."""
    with can.MF4Writer(path) as writer:
        start = writer.last_timestamp
        for n in range(frames):
            more = {"is_extended_id": False} if n % 50 == 0 else {}
            identifier = 0x123 if more else 0x19FFE400 + n % 200
            data = n.to_bytes(8)[: n % 9]
            message = can.Message(timestamp=start + n / 1000, arbitration_id=identifier, data=data, channel=1, **more)
            writer.on_message_received(message)


def measure(size: float) -> Iterator[Result]:
    """Write a file, read it with both, and yield the times."""
    with TemporaryDirectory() as folder:
        path = Path(folder, "x.mf4")
        write(path, int(size))
        began = perf_counter()
        with can.MF4Reader(path) as reader:
            theirs = [message for message in reader if message.is_extended_id]
        middle = perf_counter()
        with open_log(path) as log:
            ours = [entry for entry in log.frames() if isinstance(entry, Frame)]
            first = log.statistics.started or 0
        ended = perf_counter()
    assert len(ours) == len(theirs) == log.statistics.frames
    for frame, message in zip(ours, theirs, strict=True):
        assert (frame.identifier, frame.data) == (message.arbitration_id, bytes(message.data))
        assert abs(first + frame.time - message.timestamp * 1e6) <= 1
    work = f"read {size:,.0f} frames of .mf4, with a process of its own"
    yield Result(work, ended - middle, "s", "python-can", middle - began)


if __name__ == "__main__":
    run(measure, full=20_000, quick=3_000)

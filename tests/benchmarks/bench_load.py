"""Exact bits of many frames in columns, against counting them frame by frame and against the sum of an array.

python tests/benchmarks/bench_load.py [FRAMES] [--quick] [--json]

The frames have random identifiers and bytes, a third of them bytes that are all ones, and come 0.7 ms apart from twelve
sources. "frame by frame" is our own ``exact_bits`` on the first 20,000 of them; "sum" is numpy's sum of one array of as
many 64-bit integers, which a machine can hardly do faster. Each figure is the median of several rounds in which all
take turns, in processor time, so that a busy moment of the machine falls on all of them. At the end the worst responses
of 100 messages, with the time they take.
"""

import time
from collections.abc import Iterator

import numpy as np
from benchmark_results import Result, interleaved, run

from rvsim.logs.columns import BLOCK_FRAMES, Columns, LogLoad, frame_bits, to_columns
from rvsim.wire.frame import Frame
from rvsim.wire.response import PeriodicMessage, utilisation_percent, worst_responses
from rvsim.wire.timing import exact_bits, max_bits

ROUNDS = 5
SAMPLE = 20_000
WHOLE = 2_000_000
AIM_S = 1.0
"""Seconds of processor time for the load of 2,000,000 frames in columns, at most."""
AIM_US = 15
"""Microseconds for the bits of one frame without columns, at most."""


def drawn(count, mixed=False):
    """Return frames in columns: full ones, or of all lengths."""
    chance = np.random.default_rng(1)
    data = chance.integers(0, 1 << 64, count, dtype=np.uint64)
    data[::3] = ~np.uint64(0)
    return Columns(
        np.arange(count, dtype=np.int64) * 700,
        (chance.integers(0, 1 << 21, count, dtype=np.uint32) << 8) | chance.integers(0, 12, count, dtype=np.uint32),
        data,
        chance.integers(0, 9, count, dtype=np.uint8) if mixed else np.full(count, 8, np.uint8),
    )


def as_frames(held, count):
    """Return the first frames one by one."""
    rows = zip(*(each[:count].tolist() for each in (held.times, held.identifiers, held.data)), strict=True)
    return [Frame(moment, identifier, data.to_bytes(8)) for moment, identifier, data in rows]


def load(held):
    """Count the load of frames that are in columns."""
    use = LogLoad()
    use.add(held)
    assert use.frames == len(held)


def built(frames):
    """Count the load of frames that come one by one."""
    use = LogLoad()
    for start in range(0, len(frames), BLOCK_FRAMES):
        use.add(to_columns(frames[start : start + BLOCK_FRAMES]))


def measure(size: float) -> Iterator[Result]:
    """Print nanoseconds a frame and the ratio to counting frame by frame, and yield what was aimed at."""
    count = int(size)
    held, mixed = drawn(count), drawn(count, mixed=True)
    frames = as_frames(held, SAMPLE)
    assert frame_bits(held)[:SAMPLE].tolist() == [exact_bits(frame.identifier, frame.data) for frame in frames]
    ways = {
        "frame by frame": (lambda: [exact_bits(frame.identifier, frame.data) for frame in frames], SAMPLE),
        "load, from frames": (lambda: built(frames), SAMPLE),
        "bits": (lambda: frame_bits(held), count),
        "bits, all lengths": (lambda: frame_bits(mixed), count),
        "load": (lambda: load(held), count),
        "sum": (lambda: held.data.sum(), count),
    }
    taken = interleaved(ROUNDS, {name: way for name, (way, _) in ways.items()})
    each = {name: taken[name] / number * 1e9 for name, (_, number) in ways.items()}
    print(f"{count} frames, median of {ROUNDS} rounds\n{'':20}{'ns a frame':>12}{'frame by frame takes':>22}")
    for name, spent in each.items():
        print(f"{name:20}{spent:12.2f}{each['frame by frame'] / spent:20.1f} x")
    print(f"\nload takes {each['load'] / each['sum']:.0f} times as long as the sum of one array")
    from_few = "" if count == WHOLE else f" (computed from {count:,})"
    slow = each["frame by frame"]
    per_whole = WHOLE / 1e9
    work = f"bus load of {WHOLE:,} frames in columns{from_few}"
    yield Result(work, each["load"] * per_whole, "s", "frame by frame", slow * per_whole, AIM_S)
    yield Result("exact bits of one frame, without columns", slow / 1000, "us", aim=AIM_US)
    streams = [PeriodicMessage(number, max_bits(8), 100_000 + 1000 * number, 5000) for number in range(100)]
    start = time.process_time()
    worst_responses(streams)
    spent = (time.process_time() - start) * 1000
    work = f"worst responses of {len(streams)} messages at {utilisation_percent(streams):.0f} % load"
    yield Result(work, spent, "ms")


if __name__ == "__main__":
    run(measure, full=WHOLE, quick=200_000)

"""Columns against frame by frame on logs that do not suit columns: no log should be more than a tenth slower.

python tests/benchmarks/bench_columns.py [FRAMES [LOG ...]] [--quick] [--json]

Each log is text, which both ways read in columns and survey without a rig, in turn, in processor time: only the watch
differs, which observes columns, or each frame. A shipped fault's log is that of its scenario, repeated until it has so
many frames.
"""

import io
import random
import time
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from statistics import median

from bench_survey import SCENARIOS, recorded
from benchmark_results import Result, run

from rvsim.logs.read import MAX_CHANNELS, open_log
from rvsim.logs.survey import SURVEYED_BLOCK_FRAMES, Survey, Surveyor
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US, Frame

ROUNDS = 3
MIN_RATIO = 0.9
"""How many times as fast columns must be at least."""
SECONDS = 900
"""How long a shipped scenario runs before it is repeated."""
FEW_FRAMES = 20
Lines = Iterator[bytes]


def line(frame: Frame, channel: str = "can0") -> bytes:
    """Return a frame as a line of candump text."""
    seconds, rest = divmod(frame.time, SECOND_US)
    return f"({seconds}.{rest:06d}) {channel} {frame.identifier:08X}#{frame.data.hex().upper()}\n".encode()


def repeated(frames: Sequence[Frame]) -> Iterator[Frame]:
    """Yield the frames of a run over and over, with times that go on."""
    span, offset = frames[-1].time + 10_000, 0
    while True:
        yield from (frame._replace(time=frame.time + offset) for frame in frames)
        offset += span


def each_flagged(healthy: Sequence[Frame]) -> Iterator[Frame]:
    """Yield frames of a message each of which raises or clears a flag: its value is in turn impossible and possible."""
    spoilt = healthy[len(healthy) // 2]
    for number, frame in enumerate(repeated(healthy)):
        level = 250 if number % 2 else 40
        yield Frame(frame.time, 0x19FFB748, bytes([0, level, 100, 255, 255, 255, 255, 255]))
        if number < len(healthy):
            yield frame._replace(data=spoilt.data) if number == 0 else frame


def many_flags(healthy: Sequence[Frame], rng: random.Random) -> Iterator[Frame]:
    """Yield a healthy log of which every tenth frame is spoilt in one byte."""
    for frame in repeated(healthy):
        if frame.data and rng.random() < 0.1:
            data = bytearray(frame.data)
            data[rng.randrange(len(data))] = rng.choice((0, 250, 253, 254, rng.randrange(256)))
            frame = frame._replace(data=bytes(data))
        yield frame


def random_identifiers(rng: random.Random, most: int) -> Iterator[Frame]:
    """Yield frames with random bytes and ``most`` random identifiers."""
    identifiers = [rng.getrandbits(29) for _ in range(most)]
    now = 0
    while True:
        now += rng.randrange(200, 4000)
        yield Frame(now, rng.choice(identifiers), rng.randbytes(8))


def counting(healthy: Sequence[Frame]) -> Iterator[Frame]:
    """Yield a healthy log in which each frame has other data than the one before."""
    for number, frame in enumerate(repeated(healthy)):
        yield frame._replace(data=frame.data[:-2] + number.to_bytes(8, "little")[:2]) if len(frame.data) == 8 else frame


def with_odd_lines(lines: Lines, rng: random.Random) -> Lines:
    """Yield lines of a log, two of five of them spoilt."""
    for good in lines:
        if rng.random() < 0.4:
            yield rng.choice(
                (b"\n", b"# a remark\n", good[: len(good) // 2] + b"\n", good.replace(b"#", b"##1"), good[1:])
            )
        else:
            yield good


def channels(frames: Iterator[Frame], count: int) -> Lines:
    """Yield the frames of a log on so many channels in turn: each has blocks of few frames."""
    for number, frame in enumerate(frames):
        yield line(frame, f"can{number % count}")


def logs(catalogue: Catalogue) -> dict[str, Callable[[], Lines]]:
    """Return what yields the lines of each log, by its name."""
    runs: dict[str, list[Frame]] = {}

    def of(scenario: str) -> list[Frame]:
        if scenario not in runs:
            runs[scenario] = recorded(scenario, SECONDS, catalogue)
        return runs[scenario]

    def healthy() -> list[Frame]:
        return of("winter_evening")

    made: dict[str, Callable[[], Lines]] = {
        scenario: lambda scenario=scenario: map(line, repeated(of(scenario)))  # type: ignore[misc]
        for scenario in SCENARIOS
    }
    return made | {
        "every tenth frame spoilt": lambda: map(line, many_flags(healthy(), random.Random(1))),
        "each frame a flag": lambda: map(line, each_flagged(healthy())),
        "each frame with new data": lambda: map(line, counting(healthy())),
        "2,000 random identifiers": lambda: map(line, random_identifiers(random.Random(2), 2_000)),
        "random identifiers": lambda: map(line, random_identifiers(random.Random(3), 100_000)),
        "40% odd lines": lambda: with_odd_lines(map(line, repeated(healthy())), random.Random(4)),
        f"{MAX_CHANNELS} channels": lambda: channels(repeated(healthy()), MAX_CHANNELS),
        "logs of 20 frames": lambda: map(line, islice(repeated(healthy()), FEW_FRAMES)),
    }


def surveyed(text: bytes, catalogue: Catalogue, *, frame_by_frame: bool) -> list[Survey]:
    """Read and survey a log."""
    surveyors: dict[str, Surveyor] = {}
    for channel, block in open_log(io.BytesIO(text)).blocks(SURVEYED_BLOCK_FRAMES):
        if channel not in surveyors:
            surveyors[channel] = Surveyor(catalogue, frame_by_frame=frame_by_frame)
        surveyors[channel].observe_block(block)
    return [surveyor.finish() for surveyor in surveyors.values()]


def compared(name: str, text: bytes, times: int, catalogue: Catalogue) -> Result:
    """Measure one log, surveyed so many times in each round, and return the result."""
    pairs = []
    for _ in range(ROUNDS):
        seconds, found = [], []
        for frame_by_frame in (True, False):
            began = time.process_time()
            for _ in range(times):
                surveys = surveyed(text, catalogue, frame_by_frame=frame_by_frame)
            seconds.append(time.process_time() - began)
            found.append([one.flags for one in surveys])
        assert found[0] == found[1], name
        pairs.append(seconds)
    slow, fast = (median(each) for each in zip(*pairs, strict=True))
    frames, flags = sum(one.frames for one in surveys), sum(map(len, found[0]))
    print(f"{name:26}{frames:>9} frames{flags:>7} flags{slow:8.2f} s{fast:8.2f} s{slow / fast:8.2f} x", flush=True)
    return Result(f"survey of {name}", fast, "s", "frame by frame", slow, MIN_RATIO, aim_is_ratio=True)


def measure(size: float, *names: str) -> Iterator[Result]:
    """Measure the logs that are named, or all."""
    catalogue = load_catalogue()
    for name, lines in logs(catalogue).items():
        if not names or name in names:
            text = b"".join(islice(lines(), int(size)))
            times = max(1, int(size) // (50 * FEW_FRAMES)) if "of 20 frames" in name else 1
            yield compared(name, text, times, catalogue)


if __name__ == "__main__":
    run(measure, full=100_000, quick=10_000)

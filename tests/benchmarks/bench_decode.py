"""A text log decoded in columns, against python-can's reader with cantools, and against asammdf where it is installed.

python tests/benchmarks/bench_decode.py [FRAMES] [--quick] [--json]

The log is candump text of twelve kinds of messages from four sources, 0.5 ms apart, with random bytes of which some are
all ones, and instances 1 to 3. Our side reads it in blocks and computes the value of every field; "states too" adds the
state of every field and its label. "cantools" reads a part of the same file with python-can and decodes each frame by
cantools' own message, found in a dictionary by DGN, without names of codes. "asammdf" extracts the same messages from
an MF4 file of the same frames by a DBC file of our definitions; the file is read before. Each figure is the median of
several rounds in which all take turns, in processor time, so that a busy moment of the machine falls on all of them.
"""

import tempfile
from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import product
from pathlib import Path
from typing import Any

import can
import cantools
import numpy as np
from benchmark_results import Result, interleaved, run

from rvsim.logs.blocks import Block
from rvsim.logs.columns import Columns
from rvsim.logs.decoded import ColumnDecoder, decode_block
from rvsim.logs.read import open_log
from rvsim.logs.signal_summary import SignalSummaries
from rvsim.shipped import dbc_files
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load_catalogue
from rvsim.wire.ident import dgn_of

ROUNDS = 3
SAMPLE = 20_000
"""Frames for python-can and cantools."""
AIMS = {"cantools": 60, "asammdf": 8}
MESSAGES = (
    "DC_SOURCE_STATUS_1",
    "DC_SOURCE_STATUS_2",
    "DC_SOURCE_STATUS_3",
    "TANK_STATUS",
    "THERMOSTAT_STATUS_1",
    "THERMOSTAT_AMBIENT_STATUS",
    "CHARGER_STATUS",
    "WATERHEATER_STATUS",
    "FURNACE_STATUS",
    "DC_LOAD_STATUS",
    "ROOF_FAN_STATUS_1",
    "DM_RV",
)


def drawn(count: int, catalogue: Catalogue) -> Columns:
    """Return frames in columns."""
    chance = np.random.default_rng(1)
    data = chance.integers(0, 1 << 64, count, dtype=np.uint64)
    data[chance.random(count) < 0.2] |= np.uint64(0xFFFF)
    data = data & ~np.uint64(0xFF << 56) | chance.integers(1, 4, count, dtype=np.uint64) << np.uint64(56)
    known = np.array([catalogue.by_name(name).identifier(0x40) for name in MESSAGES], np.uint32)
    return Columns(
        1_764_000_000_000_000 + np.arange(count, dtype=np.int64) * 500,
        known[chance.integers(0, len(known), count)] + chance.integers(0, 4, count, dtype=np.uint32),
        data,
        np.full(count, 8, np.uint8),
    )


def write(path: Path, frames: Columns) -> None:
    """Write frames as candump text."""
    with path.open("w", encoding="ascii") as file:
        for moment, identifier, data in zip(
            frames.times.tolist(), frames.identifiers.tolist(), frames.data.tolist(), strict=True
        ):
            file.write(f"({moment // 1_000_000}.{moment % 1_000_000:06d}) can0 {identifier:08X}#{data:016X}\n")


def decoded(blocks: list[Block], catalogue: Catalogue, *, whole: bool) -> int:
    """Decode blocks; return how many values there are."""
    decoder, values = ColumnDecoder(catalogue), 0
    for block in blocks:
        for message in decoder.decode(block.frames):
            for column in message.fields.values():
                values += len(column.values)
                if whole:
                    assert len(column.states) == len(column.labels)
    return values


def read_and_decoded(path: Path, catalogue: Catalogue) -> int:
    """Read a log and decode it."""
    values = 0
    decoder = ColumnDecoder(catalogue)
    with open_log(path) as log:
        for _, block in log.blocks():
            for message in decoder.decode(block.frames):
                values += sum(len(column.values) for column in message.fields.values())
    return values


def summarized(blocks: list[Block], catalogue: Catalogue) -> int:
    """Summarize every field."""
    summaries = SignalSummaries(catalogue)
    for block in blocks:
        summaries.add(block.frames)
    return sum(summary.frames for summary in summaries.summaries.values())


def by_cantools(path: Path) -> Callable[[], int]:
    """Return what reads a log with python-can and decodes it with cantools."""
    messages = {}
    for file in dbc_files():
        for message in cantools.database.load_file(file).messages:
            messages[dgn_of(message.frame_id)] = message

    def run() -> int:
        values = 0
        with can.CanutilsLogReader(path) as reader:
            for frame in reader:
                message = messages.get(dgn_of(frame.arbitration_id))
                if message is not None:
                    values += len(message.decode(bytes(frame.data), decode_choices=False, allow_truncated=True))
        return values

    return run


def by_asammdf(folder: Path, frames: Columns, catalogue: Catalogue) -> Callable[[], int] | None:
    """Return what extracts the messages with asammdf, None where it is not installed."""
    try:
        from asammdf import MDF
    except ImportError:
        return None
    path = folder / "x.mf4"
    with can.MF4Writer(path) as writer:
        for frame in frames.frames():
            writer.on_message_received(
                can.Message(timestamp=frame.time / 1e6, arbitration_id=frame.identifier, data=frame.data, channel=1)
            )
    lines = ['VERSION ""', "BU_: any"]
    for name, source in product(MESSAGES, range(4)):
        spec = catalogue.by_name(name)
        lines.append(f"BO_ {1 << 31 | spec.identifier(0x40 + source)} {name}_{source}: 8 any")
        for field in spec.fields:
            scale, offset = (Fraction(each, field.unit_steps) for each in (field.scale, field.offset))
            start = field.first - field.first % 8 + 7 - field.first % 8 if field.big_endian else field.first
            place = f"{start}|{field.length}@{int(not field.big_endian)}+ ({float(scale)},{float(offset)})"
            lines.append(f' SG_ {field.name} : {place} [0|0] "" any')
    names = folder / "x.dbc"
    names.write_text("\n".join(lines) + "\n", encoding="utf-8")
    mdf = MDF(path)
    print(f"{compared(mdf.extract_bus_logging({'CAN': [(names, 0)]}), frames, catalogue)} values are asammdf's, too")

    def run() -> int:
        found = mdf.extract_bus_logging({"CAN": [(names, 0)]})
        return sum(len(found.get(name, group, index, samples_only=True)[0])
                   for name, places in found.channels_db.items() if name not in ("time", "t")
                   for group, index in places[:1])  # fmt: skip

    return run


def compared(found: Any, frames: Columns, catalogue: Catalogue) -> int:
    """Hold every value against what asammdf extracted; return how many there are."""
    groups = {}
    for place, group in enumerate(found.groups):
        for name, source in product(MESSAGES, range(4)):
            if f"message {name}_{source} " in group.channel_group.comment:
                groups[name, source] = place, {channel.name: index for index, channel in enumerate(group.channels)}
    count = 0
    for message in decode_block(frames, catalogue):
        for source in range(4):
            place, channels = groups[message.spec.name, source]
            rows = message.sources == 0x40 + source
            for name, column in message.fields.items():
                samples = found.get(name, place, channels[name], ignore_invalidation_bits=True).samples
                is_value = column.states[rows] == 0
                assert np.allclose(samples.astype(float)[is_value], column.values[rows][is_value], 1e-12, 1e-9)
                count += int(is_value.sum())
    return count


def measure(size: float) -> Iterator[Result]:
    """Print frames a second of each way, and yield the ratios."""
    count = int(size)
    catalogue = load_catalogue()
    frames = drawn(count, catalogue)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder / "x.log", frames)
        write(folder / "sample.log", drawn(SAMPLE, catalogue))
        with open_log(folder / "x.log") as log:
            blocks = [block for _, block in log.blocks()]
        runs = {
            "read and decode": lambda: read_and_decoded(folder / "x.log", catalogue),
            "decode alone": lambda: decoded(blocks, catalogue, whole=False),
            "decode alone, states too": lambda: decoded(blocks, catalogue, whole=True),
            "summaries alone": lambda: summarized(blocks, catalogue),
            "cantools": by_cantools(folder / "sample.log"),
        }
        extracted = by_asammdf(folder, frames, catalogue)
        if extracted:
            runs["asammdf"] = extracted
        taken = interleaved(ROUNDS, runs)
    speeds = {name: (SAMPLE if name == "cantools" else count) / seconds for name, seconds in taken.items()}
    print(f"{count} frames, median of {ROUNDS} rounds\n{'':28}{'frames/s':>14}")
    for name, speed in speeds.items():
        print(f"{name:28}{speed:14,.0f}")
    for name, aim in AIMS.items():
        work = f"read and decode {count:,} frames of candump text"
        if name not in speeds:
            yield Result(
                work, baseline=name, aim=aim, aim_is_ratio=True, problem=f"needs {name}, which is not installed"
            )
            continue
        ours, theirs = (speeds[each] / 1e6 for each in ("read and decode", name))
        yield Result(work, ours, "M frames/s", name, theirs, aim, aim_is_ratio=True, more_is_better=True)


if __name__ == "__main__":
    run(measure, full=2_000_000, quick=1_000_000)

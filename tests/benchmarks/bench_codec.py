"""Encoding and decoding of every shipped message, against cantools on the same random data.

python tests/benchmarks/bench_codec.py [FRAMES] [--quick] [--json]

Ours: ``pack`` with keywords and ``encode`` with a mapping, both of which refuse what does not fit; ``raws`` for the raw
integers, ``decode`` for readings, and readings with the value of each. cantools: one message's ``encode`` as it is
called by default, range checks on, and ``decode``, each without scaling ("raw") and with it; the message is looked up
before the clock runs, in both. Each figure is the median of several rounds in which all take turns, in processor time,
so that a busy moment of the machine falls on all of them.
"""

import random
import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import cantools
from benchmark_results import Result, interleaved, run

from rvsim.shipped import dbc_files
from rvsim.wire.database import load_catalogue

ROUNDS = 9
AIMS = {"encode": 5, "decode": 2}
"""How many times longer cantools is to take, at least: without scaling for encoding, with it for decoding."""
RATIOS = {
    "pack": ("pack", "encode, cantools raw"),
    "encode": ("encode", "encode, cantools raw"),
    "encode, scaled": ("encode", "encode, cantools"),
    "raws": ("raws", "decode, cantools raw"),
    "decode, raw": ("decode", "decode, cantools raw"),
    "decode": ("decode", "decode, cantools"),
    "values": ("decode with values", "decode, cantools"),
}
"""What is held against what in each column."""


def ways(spec, theirs, frames, chance):
    """Return what is timed for one message: name, what to call, what to call it with."""
    limits = {f.name: encodable(f.raw_limits, theirs.get_signal_by_name(f.name)) for f in spec.fields}
    raws = [{name: chance.randint(*each) for name, each in limits.items()} for _ in range(frames)]
    values = [{f.name: f.value(row[f.name]) for f in spec.fields} for row in raws]
    data = [spec.encode(row) for row in raws]
    assert data == [theirs.encode(row, scaling=False, padding=True) for row in raws]
    return [
        ("pack", lambda row: spec.pack(**row), raws),
        ("encode", spec.encode, raws),
        ("encode, cantools raw", lambda row: theirs.encode(row, scaling=False, padding=True), raws),
        ("encode, cantools", lambda row: theirs.encode(row, padding=True), values),
        ("raws", spec.raws, data),
        ("decode", spec.decode, data),
        ("decode with values", lambda held: [reading.value for reading in spec.decode(held)], data),
        ("decode, cantools raw", lambda held: theirs.decode(held, decode_choices=False, scaling=False), data),
        ("decode, cantools", theirs.decode, data),
    ]


def encodable(limits, signal):
    """Return those of our limits of raw integers that cantools encodes, too: it refuses codes above a field's range."""
    lowest, highest = limits
    return lowest, highest if signal.maximum is None else min(highest, signal.scaled_to_raw(signal.maximum))


def timed(ways):
    """Return the median microseconds of each way for one message, all taking turns."""
    seconds = interleaved(ROUNDS, {name: partial(call_each, call, items) for name, call, items in ways})
    return {name: seconds[name] / len(items) * 1e6 for name, _, items in ways}


def call_each(call, items):
    """Call with each item."""
    for item in items:
        call(item)


def ratios(took):
    """Return how many times longer cantools takes, by column."""
    return {name: took[theirs] / took[ours] for name, (ours, theirs) in RATIOS.items()}


def measure(size: float) -> Iterator[Result]:
    """Print one line of ratios for each message, then for all together with the microseconds."""
    frames = int(size)
    chance = random.Random(1)
    theirs = {m.name: m for path in dbc_files() for m in cantools.database.load_file(path).messages}
    with tempfile.TemporaryDirectory() as folder:
        catalogue = load_catalogue(cache=Path(folder))
    rows = {spec.name: timed(ways(spec, theirs[spec.name], frames, chance)) for spec in catalogue}
    total = {name: sum(row[name] for row in rows.values()) / len(rows) for name in next(iter(rows.values()))}
    print(f"How many times longer cantools takes ({frames} random frames a message, median of {ROUNDS} rounds)\n")
    print(" " * 28 + "".join(f"{head:>16}" for head in RATIOS))
    for name, row in [*rows.items(), ("all", total)]:
        print(f"{name:28}" + "".join(f"{ratio:16.1f}" for ratio in ratios(row).values()))
    print("\nMicroseconds a frame, mean of all messages: " + "; ".join(f"{n} {t:.2f}" for n, t in total.items()))
    for name, aim in AIMS.items():
        ours, other = RATIOS[name]
        work = f"{name} one frame, mean of all messages"
        yield Result(work, total[ours], "us", other, total[other], aim, aim_is_ratio=True)


if __name__ == "__main__":
    run(measure, full=500, quick=50)

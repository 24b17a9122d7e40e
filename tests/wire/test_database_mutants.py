"""rvsim.wire.database: damaged files, read in processes that must not hang nor use much memory.

A few hundred of them; ``tests/benchmarks/fuzz_definitions.py`` reads as many more as one likes.
"""

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

BATCHES = ((0, 4, 1), (4, 150, 0), (154, 150, 0))
"""First mutant, how many, and whether of whole files: those take a second each, excerpts some 15 ms (measured)."""
MEMORY = 512 << 20
"""Bytes of address space of a process; one that reads shipped files holds 40 MiB in memory (measured)."""
LIMIT_S = 90
"""A batch that takes longer hangs: it takes some 4 s (measured)."""


def child(first, count, whole):
    """Read mutants in a process of its own: told line by line, ended by a watchdog that needs no bytecode to run."""
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("mutants.py")), *map(str, (first, count, whole))],
        capture_output=True, text=True, check=False,
        env={"MEMORY": str(MEMORY), "LIMIT_S": str(LIMIT_S), "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    return done.stdout.splitlines(), done.stderr[-3000:], done.returncode


@pytest.mark.skipif(sys.platform == "win32", reason="the memory of a process cannot be bounded there")
def test_every_mutant_is_read_or_refused_in_one_line():
    """No damage has a file hang, take memory by the length that it states, or end in anything but a clear line."""
    with ThreadPoolExecutor(2) as pool:
        ended = list(pool.map(lambda batch: child(*batch), BATCHES))
    for told, errors, code in ended:
        assert (code, errors) == (0, ""), told[-2:]
    lines = [line for told, _, _ in ended for line in told]
    mutants = sum(count for _, count, _ in BATCHES)
    assert len(lines) == mutants
    read = sum(line.endswith(": read") for line in lines)
    assert 0.1 * mutants < read < 0.9 * mutants  # the damage is neither none nor all
    assert all(": read" in line or ": refused: " in line for line in lines)

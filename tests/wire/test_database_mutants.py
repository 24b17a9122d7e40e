"""rvsim.wire.database: damaged files, read in processes that must not hang nor use much memory."""

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

MUTANTS = 2000
"""Mutants in all; most are of excerpts of the shipped files, since a whole one takes a second to read."""
WHOLE = 12
"""So many of them are of whole files."""
MEMORY = 512 << 20
"""Bytes of address space of a process; one that reads shipped files holds 40 MiB in memory (measured)."""
SLOWER = 10
"""A batch that takes so many times as long as its sound files do hangs; no less than ``LEAST_S``."""
LEAST_S = 60


def child(first, count, whole):
    """Read mutants in a process of its own: told line by line, ended by a watchdog that needs no bytecode to run."""
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("mutants.py")), *map(str, (first, count, whole))],
        capture_output=True, text=True, check=False,
        env={"MEMORY": str(MEMORY), "SLOWER": str(SLOWER), "LEAST_S": str(LEAST_S),
             "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    return done.stdout.splitlines(), done.stderr[-3000:], done.returncode


@pytest.mark.skipif(sys.platform == "win32", reason="the memory of a process cannot be bounded there")
def test_every_mutant_is_read_or_refused_in_one_line():
    """No damage has a file hang, take memory by the length that it states, or end in anything but a clear line."""
    batches = [(0, WHOLE, 1)]
    batches += [(first, min(331, MUTANTS - first), 0) for first in range(WHOLE, MUTANTS, 331)]
    with ThreadPoolExecutor(2) as pool:
        ended = list(pool.map(lambda batch: child(*batch), batches))
    for told, errors, code in ended:
        assert (code, errors) == (0, ""), told[-2:]
    lines = [line for told, _, _ in ended for line in told]
    assert len(lines) == MUTANTS
    read = sum(line.endswith(": read") for line in lines)
    assert 0.1 * MUTANTS < read < 0.9 * MUTANTS  # the damage is neither none nor all
    assert all(": read" in line or ": refused: " in line for line in lines)

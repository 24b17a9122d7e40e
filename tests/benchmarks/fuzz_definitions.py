"""Damaged definition files in any number, each of which must be read or refused in one line.

python tests/benchmarks/fuzz_definitions.py [COUNT] [FIRST]

Mutant N is the same on every machine, so that one that fails can be had again: COUNT 1, FIRST N. Printed is what was
neither read nor refused, and how many were; the exit code is 1 if any failed.
"""

import os
import subprocess
import sys
from pathlib import Path

CHILD = Path(__file__).parents[1] / "wire" / "mutants.py"
BATCH = 300
"""Mutants that one process reads."""
MEMORY = 512 << 20
"""Bytes of address space of a process."""
LIMIT_S = 300
"""A batch that takes longer hangs: it takes some 5 s (measured)."""


def main(count: int = 2000, first: int = 0) -> int:
    """Read the mutants, print what failed and return the exit code."""
    limits = {"MEMORY": str(MEMORY), "LIMIT_S": str(LIMIT_S), "PYTHONPATH": os.pathsep.join(sys.path)}
    read = refused = failed = 0
    for begin in range(first, first + count, BATCH):
        size = min(BATCH, first + count - begin)
        command = [sys.executable, str(CHILD), str(begin), str(size), "0"]
        done = subprocess.run(command, capture_output=True, text=True, check=False, env=limits)
        lines = done.stdout.splitlines()
        wrong = [line for line in lines if not line.endswith(": read") and ": refused: " not in line]
        if done.returncode or done.stderr or len(lines) != size:
            wrong.append(f"mutant {begin + len(lines)} ended its process: {done.stderr[-3000:]}")
        print(*wrong, sep="\n", end="\n" if wrong else "")
        read += sum(line.endswith(": read") for line in lines)
        refused += sum(": refused: " in line for line in lines)
        failed += len(wrong)
    print(f"{count} mutants: {read} read, {refused} refused, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))

"""How strong the shipped scenarios are: which wrong controllers each catches, as a table for DEVELOPERS.md.

python tests/benchmarks/strength_table.py [SCENARIO ...] [--processes N] [--max-hours H]

Each scenario is run once with its right controller and once with each wrong one, so all of them take a while; those
that last longer than H simulated hours (2 if omitted) are named and left out. Rows go to stdout as they are measured.
"""

import argparse
import sys
from collections.abc import Sequence

from rvsim.errors import InputError
from rvsim.runs.strength_run import measure_strength
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.scenario import load_scenario, shipped_scenarios
from rvsim.shakedown.strength.strength import Fate, Strength, together
from rvsim.wire.frame import SECOND_US

HOUR_US = 3600 * SECOND_US
MAX_HOURS = 2.0


def row(name: str, found: Strength) -> str:
    """Return the row of one scenario."""
    passed = [run.mistake for run in found.of(Fate.LET_PASS)]
    counts = [str(len(found.of(fate))) for fate in (Fate.CAUGHT, Fate.LET_PASS, Fate.NOT_EXERCISED)]
    return f"| {name} | {', '.join(found.controllers) or 'none'} | {' | '.join(counts)} | {', '.join(passed)} |"


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure what was asked for, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="SCENARIO")
    parser.add_argument("--processes", type=int, default=1, metavar="N")
    parser.add_argument("--max-hours", type=float, default=MAX_HOURS, metavar="H")
    given = parser.parse_args(arguments)
    chosen = sorted((load_scenario(name).scenario.lasts, name) for name, _ in shipped_scenarios())
    left_out = [name for lasts, name in chosen if lasts > given.max_hours * HOUR_US and not given.names]
    measured = []
    print("| scenario | in the place of | caught | let pass | not exercised | which pass |")
    print("| --- | --- | --- | --- | --- | --- |")
    for _, name in chosen:
        if name in left_out or (given.names and name not in given.names):
            continue
        try:
            found = measure_strength(Job(name, {}), processes=given.processes)
        except InputError as error:
            print(f"| {name} | {error.problems[0]} | | | | |", flush=True)
            continue
        measured.append(found)
        print(row(name, found), flush=True)
    print(*together(measured), sep="\n")
    if left_out:
        print(f"left out, longer than {given.max_hours:g} h: {', '.join(left_out)}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())

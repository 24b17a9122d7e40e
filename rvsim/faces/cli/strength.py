"""`rvsim shakedown SCENARIO --strength`: which wrong controllers a scenario would let pass.

Knows: the forms of the result and the exit code. Does not know how the runs are made (`rvsim.runs.strength_run`).
"""

import sys
from collections.abc import Sequence

from rvsim.errors import ExitCode
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.shakedown import VerdictOptions, prepare_scenarios
from rvsim.logs.formats.jsonl import json_text
from rvsim.runs.strength_run import measure_strength
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.strength.strength import as_json, as_text, together


def strength(jobs: Sequence[Job], controllers: Sequence[str], processes: int | None, options: VerdictOptions) -> int:
    """Try wrong controllers in scenarios and show what became of them; GOOD if none that differs is let pass.

    Raises:
        InputError: a scenario cannot be used, has no expectations, or lacks a controller that is named.
    """
    prepare_scenarios(jobs, options.dbc)
    found = []
    for job in jobs:
        result = measure_strength(job, options.dbc, controllers, processes, say)
        found.append(result)
        if options.form == "json":
            print(json_text(as_json(result)))
        else:
            print("\n".join(as_text(result, options.units.render)))
        sys.stdout.flush()
    if options.form == "text" and len(found) > 1:
        print("\n".join(together(found)))
    return ExitCode.GOOD if all(result.is_strong for result in found) else ExitCode.NOT_GOOD

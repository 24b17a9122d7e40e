"""Commands as they are typed: in this process with streams of their own, and side by side with progress told soon."""

import io
import os
import sys

import pytest

from rvsim.faces.cli import commands

TOLD_SOON = """
import sys
from itertools import count
from rvsim.runs.many_runs import run_all
from rvsim.sim.clock import machine_s

asked = count()
run_all.__kwdefaults__["clock"] = lambda: machine_s() - (0 if next(asked) else 4.5)  # begun 4.5 s earlier
from rvsim.__main__ import main

main()
"""
"""The command whose first line of progress comes after half a second; the next one comes after five, as ever."""


@pytest.fixture
def side_by_side(forked):
    """Return what `subprocess` runs a scenario twice at once with: ``Popen(**side_by_side(name))``."""

    def command(name):
        return forked("shakedown", name, "--repeat", "2", "--processes", "2", code=TOLD_SOON)

    return command


@pytest.fixture(scope="session")
def run_here():
    """Run a command in this process, with streams of its own: (exit code, stdout, stderr), the last two bytes.

    What a process of its own adds (its arguments as the system gives them, closed streams, signals) is left to those
    tests that start one.
    """

    def go(*arguments, folder, encoding="utf-8", stdin=os.devnull):
        out, err = (io.TextIOWrapper(io.BytesIO(), encoding=encoding) for _ in range(2))
        with pytest.MonkeyPatch.context() as here, open(stdin or os.devnull, encoding="utf-8") as nothing:
            here.chdir(folder)
            here.setenv("COLUMNS", "100")
            here.setattr(sys, "argv", ["rvsim", *map(os.fsdecode, arguments)])
            here.setattr(sys, "stdin", nothing if stdin else None)
            here.setattr(sys, "stdout", out)
            here.setattr(sys, "stderr", err)
            here.setattr(commands, "handle_ending_signals", lambda: None)
            code = commands.run()
            out.flush()
            err.flush()
        return code, out.buffer.getvalue(), err.buffer.getvalue()

    return go

"""Runs side by side whose progress is told soon, for those who wait for it before they interrupt them."""

import sys

import pytest

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
def side_by_side():
    """Return the command that runs a scenario twice at once: ``side_by_side(name)``."""

    def command(name):
        return [sys.executable, "-c", TOLD_SOON, "shakedown", name, "--repeat", "2", "--processes", "2"]

    return command

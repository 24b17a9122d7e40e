"""How many processors a process may use is what the system grants it, and not what the machine has."""

import os
import subprocess
import sys

import pytest

from rvsim.processors import usable_processors


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux binds a process to processors")
def test_a_process_that_is_bound_to_one_processor_has_one():
    """Whatever the machine has; `taskset` and many containers bind it so."""
    program = "import os; os.sched_setaffinity(0, {min(os.sched_getaffinity(0))}); import rvsim.processors as p;"
    program += "print(p.usable_processors())"
    assert subprocess.check_output((sys.executable, "-c", program), text=True) == "1\n"


def test_elsewhere_it_has_all_of_the_machine(monkeypatch):
    """At least one, where the system does not tell."""
    monkeypatch.setattr(sys, "platform", "darwin")
    for told, used in ((6, 6), (None, 1)):
        monkeypatch.setattr(os, "cpu_count", lambda told=told: told)
        assert usable_processors() == used

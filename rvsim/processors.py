"""How many processors this process may use: a container or ``taskset`` may leave it fewer than the machine has.

Knows: how the system tells it. Does not know what they are used for.
"""

import os
import sys


def usable_processors() -> int:
    """Return how many processors this process may use, at least one."""
    return len(os.sched_getaffinity(0)) if sys.platform == "linux" else os.cpu_count() or 1

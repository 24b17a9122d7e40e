"""The version of this program.

Knows: where the installation keeps it. Does not know what else is installed.
"""

from importlib.metadata import version


def program_version() -> str:
    """Return the version of this program."""
    return version("rvsim-bench")

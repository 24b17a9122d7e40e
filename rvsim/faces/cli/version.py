"""The version of this program.

Knows: the name of the installed distribution. Does not know what else is installed.
"""

from importlib.metadata import version


def program_version() -> str:
    """Return the version of this program."""
    return version("rvsim-bench")

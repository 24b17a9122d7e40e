"""Entry of the command ``rvsim`` and of ``python -m rvsim``."""

import sys


def main() -> None:
    """Run the command line and leave with its exit code."""
    from rvsim.faces.cli.commands import run

    sys.exit(run())


if __name__ == "__main__":
    main()

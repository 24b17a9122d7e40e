"""Says what is installed and where things were found: the first answer to "why does it not see my file?"."""

import logging
import sys
from collections import Counter
from collections.abc import Iterator
from importlib.metadata import version

from rvsim import shipped
from rvsim.shakedown.scenario import shipped_scenarios
from rvsim.wire.catalogue import Catalogue

LIBRARIES = ("python-can", "cantools", "pydantic", "typer", "textual")


def program_version() -> str:
    """Return the version of this program."""
    return version("rvsim-bench")


def lines(catalogue: Catalogue) -> Iterator[str]:
    """Return what there is to say, line by line."""
    yield f"rvsim {program_version()}, Python {sys.version.split()[0]}"
    yield "libraries    " + ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    origins = Counter(str(spec.origin) for spec in catalogue)
    counted = ", ".join(f"{number} {origin}" for origin, number in sorted(origins.items()))
    yield f"definitions  {len(catalogue)} messages ({counted}) in {shipped.dbc_folder()}"
    yield f"scenarios    {', '.join(name for name, _ in shipped_scenarios())} in {shipped.scenario_folder()}"
    yield f"shipped      {shipped.origin()}"
    yield f"interfaces   {', '.join(_adapters())}"
    yield "Listening is the default; this version sends on virtual buses only."


def _adapters() -> Iterator[str]:
    """Name what python-can can open here: its virtual bus, and each adapter that a driver finds attached.

    Two interfaces are not asked: they are networks and not adapters, and asking one of them takes seconds.
    """
    import can
    from can.interfaces import BACKENDS

    yield "virtual (inside this program)"
    logging.disable(logging.CRITICAL)  # drivers whose library is missing would each say so
    try:
        for name in sorted(set(BACKENDS) - {"virtual", "socketcand", "udp_multicast"}):
            for found in can.detect_available_configs(name):
                yield f"{name} {found.get('channel')}"
    finally:
        logging.disable(logging.NOTSET)

"""Says what is installed and where things were found: the first answer to "why does it not see my file?"."""

import sys
from collections import Counter
from collections.abc import Iterator
from importlib.metadata import version
from importlib.util import find_spec

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
    yield f"interfaces   {', '.join(_openable())}"
    yield "Listening is the default; this version sends on virtual buses only."


def _openable() -> Iterator[str]:
    """Name the python-can interfaces whose driver module can be imported; whether one is plugged in is not tried."""
    from can.interfaces import BACKENDS

    for name, (module, _) in sorted(BACKENDS.items()):
        if name == "virtual" or _imports(module):
            yield name


def _imports(module: str) -> bool:
    try:
        if find_spec(module) is None:
            return False
        __import__(module)
    except Exception:  # a driver module without its library raises whatever it likes
        return False
    return True

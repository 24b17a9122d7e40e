"""Says what is installed and where things were found: the first answer to "why does it not see my file?"."""

import sys
from collections import Counter
from collections.abc import Iterator
from importlib.metadata import version

from rvsim import shipped
from rvsim.devices.registry import BUILT_IN, kind_problems, kinds_by_name
from rvsim.edge.adapters import openable_buses
from rvsim.edge.needs import interface_needs
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
    yield f"devices      {', '.join(kind.kind for kind in BUILT_IN)}"
    for name, kind in kinds_by_name().items():
        if kind not in BUILT_IN:
            yield f"             {name}, from {kind.__module__}"
    yield from kind_problems()
    yield f"shipped      {shipped.origin()}"
    yield f"interfaces   {', '.join(openable_buses())}"
    for number, need in enumerate(interface_needs()):
        yield f"{'' if number else 'they need':<13}{need}"
    yield "Listening is the default; this version sends on virtual buses and to benches served on this machine only."

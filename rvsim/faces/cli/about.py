"""Says what is installed and where things were found, and explains words, keys and tasks.

Knows: what there is to say. Does not know options' texts, nor what any word, key or guide says.
"""

import sys
from collections import Counter
from collections.abc import Iterator
from importlib.metadata import version

from rvsim import shipped
from rvsim.devices.kind_keys import kind_keys
from rvsim.devices.registry import BUILT_IN, kind_problems, kinds_by_name
from rvsim.edge.adapters import openable_buses
from rvsim.edge.needs import interface_needs
from rvsim.errors import InputError, did_you_mean
from rvsim.faces.cli.version import program_version
from rvsim.faces.text.glossary import all_terms, find_term, term_lines
from rvsim.faces.text.guides import guide, topics
from rvsim.rig.quantity import shown
from rvsim.rig.rig_keys import rig_keys
from rvsim.shakedown.scenario import shipped_scenarios
from rvsim.shakedown.scenario_keys import render_keys as scenario_keys
from rvsim.wire.catalogue import Catalogue

LIBRARIES = ("python-can", "cantools", "pydantic", "typer", "textual")


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
    yield f"shipped      {shipped.installation_kind()}"
    yield f"interfaces   {', '.join(openable_buses())}"
    for number, need in enumerate(interface_needs()):
        yield f"{'' if number else 'they need':<13}{need}"
    yield "Listening is the default; this version sends on virtual buses and to benches served on this machine only."


def one_question(**given: str | None) -> tuple[str, str] | None:
    """Return which explanation is asked for and of what, "" for all; None where none is.

    Raises:
        InputError: several are.
    """
    asked = [(what, text) for what, text in given.items() if text is not None]
    if len(asked) > 1:
        options = " and ".join(f"--{what}" for what, _ in asked)
        raise InputError(f"{options} cannot go together: ask for one at a time")
    return asked[0] if asked else None


def explained(what: str, text: str) -> Iterator[str]:
    """Return the lines of one explanation: ``words``, ``keys`` or ``guide``; where ``text`` is "", of all.

    Raises:
        InputError: there is nothing of that name.
    """
    if what == "words":
        return term_lines(find_term(text)) if text else all_terms()
    if what == "keys":
        return _keys(text)
    return iter(guide(text).split("\n")) if text else topics()


def _keys(part: str) -> Iterator[str]:
    if not part:
        return iter(
            (
                "Keys: rvsim about --keys PART",
                "  rig               all keys of a rig",
                "  scenario          all keys of a scenario, its faults and expectations",
                *(f'  {name:<17} settings of a device with kind = "{name}"' for name in kinds_by_name()),
            )
        )
    if part == "rig":
        return rig_keys(kinds_by_name())
    if part == "scenario":
        return scenario_keys()
    if part in kinds_by_name():
        return kind_keys(kinds_by_name()[part])
    known = ("rig", "scenario", *kinds_by_name())
    raise InputError(
        f"--keys: {shown(part)} is neither rig, scenario nor a kind of device{did_you_mean(part, known)}; "
        f"the kinds are {', '.join(kinds_by_name())}"
    )

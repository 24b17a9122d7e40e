"""The answers of `about`: what is installed and where things were found; explanations of words, keys and tasks.

Knows: which facts are listed. Does not know option texts, nor the text of any word, key or guide.
"""

import json
import sys
from collections import Counter
from collections.abc import Iterator
from importlib.metadata import version
from typing import Literal, assert_never

from rvsim import shipped
from rvsim.devices.kind_keys import kind_keys
from rvsim.devices.registry import BUILT_IN, kind_problems, kinds_by_name, settings_models
from rvsim.edge.adapters import openable_buses
from rvsim.edge.needs import interface_needs
from rvsim.errors import InputError, did_you_mean
from rvsim.faces.cli.version import program_version
from rvsim.faces.text.glossary import all_terms, find_term, term_lines
from rvsim.faces.text.guides import guide, topics
from rvsim.rig.json_schema import rig_schema
from rvsim.rig.quantity import shown
from rvsim.rig.rig_keys import rig_keys
from rvsim.shakedown.scenario import shipped_scenarios
from rvsim.shakedown.scenario_keys import render_keys as scenario_keys
from rvsim.shakedown.scenario_schema import scenario_schema
from rvsim.wire.catalogue import Catalogue

LIBRARIES = ("python-can", "cantools", "pydantic", "typer", "textual")
Explanation = Literal["words", "keys", "guide", "schema"]
"""The kinds of explanation, as their options are called."""


def lines(catalogue: Catalogue) -> Iterator[str]:
    """Yield versions, where definitions and scenarios were found, devices and interfaces, line by line."""
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


def requested_explanation(
    *, words: str | None, keys: str | None, guide: str | None, schema: str | None = None
) -> tuple[Explanation, str] | None:
    """Return the kind of explanation that is requested and its name, "" for all; None if none is requested.

    Raises:
        InputError: several are requested.
    """
    given: tuple[tuple[Explanation, str | None], ...] = (
        ("words", words),
        ("keys", keys),
        ("guide", guide),
        ("schema", schema),
    )
    requested = [(kind, name) for kind, name in given if name is not None]
    if len(requested) > 1:
        options = " and ".join(f"--{kind}" for kind, _ in requested)
        raise InputError(f"{options} cannot go together: ask for one at a time")
    return requested[0] if requested else None


def explanation(kind: Explanation, name: str) -> Iterator[str]:
    """Return the lines of one explanation; of all of its kind where ``name`` is "".

    Raises:
        InputError: there is nothing of that name.
    """
    match kind:
        case "words":
            return term_lines(find_term(name)) if name else all_terms()
        case "keys":
            return _keys(name)
        case "guide":
            return iter(guide(name).split("\n")) if name else topics()
        case "schema":
            return _schema(name)
        case _:
            assert_never(kind)


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


def _schema(file: str) -> Iterator[str]:
    schemas = {"rig": rig_schema, "scenario": scenario_schema}
    if not file:
        return iter(
            (
                "JSON schemas, for editors that check TOML by one: rvsim about --schema FILE",
                "  rig               of a rig file",
                "  scenario          of a scenario file",
            )
        )
    if file not in schemas:
        raise InputError(f"--schema: {shown(file)} is neither rig nor scenario{did_you_mean(file, schemas)}")
    return iter((json.dumps(schemas[file](settings_models()), indent=2),))

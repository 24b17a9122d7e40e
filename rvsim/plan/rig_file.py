"""The file of a rig for the plan, and the same rig with other figures.

Knows: how a rig's file is found, what is said of a scenario in its place, and that a wire has one size. Does not know
what is checked.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

from rvsim import shipped
from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.rig.load import check_model, find_rig
from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown
from rvsim.rig.toml_file import TomlFile, read_toml
from rvsim.shakedown.jobs import parse_value
from rvsim.shakedown.key_paths import PathError, split_key
from rvsim.shakedown.replaced_values import find_value, with_values
from rvsim.shakedown.verdict import Value

_SIZES = ("area_mm2", "awg")
"""The keys of a wire of which it has one."""


class Figure(NamedTuple):
    """Another figure of a rig: the path of its key as it was typed, and the value."""

    key: str
    value: Value


def parse_figure(text: str) -> Figure:
    """Parse ``output.galley_light.length_m=8``.

    Raises:
        InputError: it is no key with a value.
    """
    key, sign, value = split_key(text)
    if not (sign and key and value.strip()):
        raise InputError(f"--what-if {text}: write a key of the rig and its value, like output.galley_light.length_m=8")
    return Figure(key, parse_value(value.strip()))


def parse_figures(texts: Iterable[str]) -> dict[str, Value]:
    """Parse several figures, as ``parse_figure``; all mistakes are told.

    Raises:
        InputError: one is no key with a value, or a key is given twice.
    """
    figures: dict[str, Value] = {}
    problems: list[str] = []
    for text in texts:
        try:
            figure = parse_figure(text)
        except InputError as error:
            problems += error.problems
            continue
        if figure.key in figures:
            problems.append(f"--what-if {text}: the key is given twice; give it once")
        figures[figure.key] = figure.value
    if problems:
        raise InputError(*problems)
    return figures


def read_rig_file(given: str | Path) -> TomlFile:
    """Read the file of a shipped rig by its name, or of another one by its path.

    Raises:
        InputError: it cannot be read, or it is a scenario.
    """
    scenario = shipped.scenario_folder() / f"{given}.toml"
    if str(given).lower().endswith(".csv"):
        raise InputError(f"{given}: a spreadsheet is read with --from: rvsim plan --from {given}")
    try:
        path = find_rig(given)
    except InputError:
        if not scenario.is_file():
            raise
        path = scenario
    file = read_toml(path)
    if "device" not in file.data and ("lasts" in file.data or "rig" in file.data):
        rig = file.data.get("rig")
        advice = f"name its rig, {shown(rig)}" if isinstance(rig, str) else "write its rig into a file of its own"
        raise InputError(f"{path}: this is a scenario, and the plan checks a rig; {advice}")
    return file


def rig_of(file: TomlFile) -> Rig:
    """Return the rig of a file; what the plan reports itself is no mistake, and no device needs a kind.

    Raises:
        InputError: it cannot be used; one line for each mistake.
    """
    entries: Any = file.data.get("device")
    tables = [entry for entry in entries if isinstance(entry, dict)] if isinstance(entries, list) else []
    absent = [entry.get("name") for entry in tables if not entry.get("kind")]
    return check_model(Rig, file, settings_models(), for_plan=True, absent=absent)


def own_figures(file: TomlFile, keys: Iterable[str]) -> dict[str, Value | None]:
    """Return what holds in a rig's file for each path of a key; None where that is no single value.

    Raises:
        InputError: there is no such key, a line for each.
    """
    kinds = settings_models()
    found: dict[str, Value | None] = {}
    problems = []
    for key in keys:
        try:
            found[key] = find_value(file, key, Rig, kinds).value
        except PathError as error:
            problems.append(f"{file.path}: no key {key}; {error}")
    if problems:
        raise InputError(*problems)
    return found


def with_figures(file: TomlFile, figures: Mapping[str, Value]) -> TomlFile:
    """Return a rig's file with other figures, by the paths of their keys; a new size of a wire replaces its old one.

    Raises:
        InputError: there is no such key, a line for each.
    """
    kinds = settings_models()
    changed = with_values(file, figures, Rig, kinds)
    for key in figures:
        place = find_value(changed, key, Rig, kinds).place
        other = next((size for size in _SIZES if place[-1] in _SIZES and size != place[-1]), None)
        if other is not None:
            changed = replace(changed, data=_without(changed.data, (*place[:-1], other)))
    return changed


def _without(data: Any, place: tuple[int | str, ...]) -> Any:
    """Return content without one key; the given content stays as it is."""
    step, *below = place
    if not below:
        return {key: value for key, value in data.items() if key != step}
    if isinstance(data, dict):
        return {**data, step: _without(data[step], tuple(below))} if step in data else data
    return [_without(entry, tuple(below)) if number == step else entry for number, entry in enumerate(data)]

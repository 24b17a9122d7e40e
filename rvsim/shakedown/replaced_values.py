"""Values that replace those of a scenario and its rig in one run, each by the path of its key.

Knows: which keys are the scenario's and which the rig's, and how mistakes in paths are told. Does not know how a path
is read (`key_paths`), nor what a key does.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NamedTuple

from pydantic import BaseModel

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.climate import FIRST_ZONE
from rvsim.rig.device_plan import Kinds
from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown
from rvsim.rig.tanks import FIRST_TANKS
from rvsim.rig.toml_file import Place, TomlFile
from rvsim.shakedown.key_paths import FoundKey, PathError, Segment, find_key, parse_path, unknown_key, with_value
from rvsim.shakedown.verdict import Value

RIG = "rig"
"""The key of a scenario with the rig; a path of the rig may begin with it."""

_OWN_TABLES: Mapping[tuple[str, ...], str] = {
    ("zone", FIRST_ZONE): FIRST_ZONE,
    **{("tank", name): f"{name}_tank" for name in FIRST_TANKS},
}
"""The zone and the tanks that stand in tables of their own in a rig, as a path may name them, too."""


class SplitValues(NamedTuple):
    """Values by the paths of their keys: those of the scenario, and those of its rig as they are given."""

    scenario: Mapping[str, Value]
    rig: Mapping[str, Value]


def split_values(values: Mapping[str, Value], file: TomlFile, scenario: type[BaseModel]) -> SplitValues:
    """Return which values are the scenario's and which its rig's.

    Args:
        values: values by the paths of their keys.
        file: the scenario's file, for error lines.
        scenario: the model of a scenario.

    Raises:
        InputError: a path begins with a key that neither has, or is none; a line for each.
    """
    split = SplitValues({}, {})
    problems = []
    for key, value in values.items():
        try:
            target = split.rig if is_of_rig(key, scenario) else split.scenario
        except PathError as error:
            problems.append(_problem(file, key, error))
        else:
            target[key] = value  # type: ignore[index]
    if problems:
        raise InputError(*problems)
    return split


def is_of_rig(key: str, scenario: type[BaseModel]) -> bool:
    """Tell whether a path leads into the rig and not into the scenario itself.

    Raises:
        PathError: it is no path, or neither has its first key.
    """
    first, *more = parse_path(key)
    own, of_rig = _top_keys(scenario), _top_keys(Rig)
    if first.text == RIG:
        return bool(more)
    if first.text not in (*own, *of_rig):
        more_of_rig = [name for name in of_rig if name not in own]
        listed = f"; a scenario has {', '.join(own)}; its rig has {', '.join(more_of_rig)}"
        raise PathError(unknown_key(first.text, [*own, *of_rig]) + listed)
    return first.text not in own


def _top_keys(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def with_values(
    file: TomlFile,
    values: Mapping[str, Value],
    model: type[BaseModel],
    kinds: Kinds | None = None,
    above: tuple[str, ...] = (),
) -> TomlFile:
    """Return a file with other values, by the paths of their keys; the file itself stays as it is.

    Args:
        file: a scenario's file, or one with a rig.
        values: values by the paths of their keys; a path of a rig may begin with "rig".
        model: what the content is checked with.
        kinds: the settings model of each kind of simulated device; None takes every key of settings.
        above: the keys under which the content is in the file; none if it is all of the file.

    Raises:
        InputError: there is no such key, a line for each.
    """
    problems = []
    for key, value in values.items():
        try:
            found = find_value(file, key, model, kinds, above)
        except PathError as error:
            problems.append(_problem(file, key, error))
        else:
            found = found._replace(place=(*above, *found.place))
            file = replace(file, data=with_value(file.data, found, value))
    if problems:
        raise InputError(*problems)
    return file


def find_value(
    file: TomlFile, key: str, model: type[BaseModel], kinds: Kinds | None = None, above: Place = ()
) -> FoundKey:
    """Return where the path of a key leads below ``above`` in a file; arguments as ``with_values``.

    Raises:
        PathError: there is no such key.
    """
    data: Any = file.data
    for step in above:
        data = data[step]
    segments = parse_path(key)
    if model is Rig:
        segments = segments[segments[0].text == RIG :]
        own_table = _OWN_TABLES.get(tuple(segment.text for segment in segments[:2]))
        if own_table is not None:
            segments = (Segment(own_table), *segments[2:])
        key = ".".join(map(str, segments))
        if segments[0].text in ("zone", "tank") and not data.get(segments[0].text):
            raise PathError(_not_of_its_own(segments))
    return find_key(key, model, data, kinds)


def _not_of_its_own(segments: tuple[Segment, ...]) -> str:
    """Return the text on a zone or tank of a rig that has none but those with tables of their own."""
    what, *names = (segment.text for segment in segments)
    known = [name for table, name in _OWN_TABLES if table == what]
    given = f"{shown(names[0])} is not there{did_you_mean(names[0], known)}; " if names else ""
    return f"{given}after {what} write {' or '.join(known)}, or add a table [[{what}]]"


def _problem(file: TomlFile, key: str, error: PathError) -> str:
    try:
        alone = len(parse_path(key)) == 1
    except PathError:
        alone = False
    return f"{file.path}: {error}" if alone else f"{file.path}: no key {key}; {error}"

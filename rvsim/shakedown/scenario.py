"""A scenario: a rig in its weather, what is done and what goes wrong, how long it lasts, what is expected of it.

Knows: how a scenario is written, where its rig is found, and that a fault must name a device of the rig. Does not
know how a fault acts nor how a run goes: this is data only.
"""

from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, NamedTuple, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, Field, ValidationInfo

from rvsim import shipped
from rvsim.errors import InputError
from rvsim.rig.load import check, find, find_rig
from rvsim.rig.model import Kinds, Line, Rig, Schema, Table, part
from rvsim.rig.quantity import Duration, shown
from rvsim.rig.toml_file import TomlFile, read_toml
from rvsim.rig.vehicle import WeatherPlan
from rvsim.shakedown.changes import changed
from rvsim.shakedown.expect import Expectation
from rvsim.shakedown.fault_plans import Fault
from rvsim.shakedown.jobs import laid_over
from rvsim.shakedown.script import StepPlan
from rvsim.shakedown.verdict import Value

DEFAULT_SCENARIO = "winter_evening"
"""The shipped scenario that runs where none is named."""

_Model = TypeVar("_Model", bound=BaseModel)


def _lines(text: str) -> str:
    if not text.replace("\n", "").isprintable():
        raise ValueError(f"{shown(text)} has a control character; write plain words")
    return text


def _inline(given: object, info: ValidationInfo) -> object:
    if isinstance(given, Mapping):
        return Rig.model_validate(given, context=info.context)
    if not isinstance(given, str | Rig):
        raise ValueError(f'{shown(given)} is no rig; write its name or path in quotes, like "my_van.toml", or a table')
    return given


class ChangePlan(Table):
    """What is otherwise in a rig for this scenario: a device that is left out, or keys that replace its own."""

    device: Line
    absent: bool = False
    kind: Line | None = None
    address: int | None = None
    functions: Mapping[str, object] | None = None
    settings: Mapping[str, object] | None = None
    """Settings that are not named stay as they are."""


class Scenario(Table):
    """One scenario as it is written; times in microseconds since the start."""

    form: Schema = Field(alias="schema")
    title: Line
    about: Annotated[str, AfterValidator(_lines)] = ""
    """What it shows and what to look for; may have several lines."""
    rig: Annotated[str | Rig, BeforeValidator(_inline)]
    """A shipped rig's name, a path seen from the scenario's file, or the rig itself as a table."""
    seed: Annotated[int, Field(ge=0, le=(1 << 63) - 1)] = 1
    lasts: Annotated[Duration, Field(gt=0)]
    weather: WeatherPlan = WeatherPlan()
    shore_power: bool = True
    bench_acknowledges: bool = True
    """Whether the bench acknowledges every frame, as an adapter does; without it only the devices do."""
    changes: Annotated[tuple[ChangePlan, ...], Field(strict=False)] = Field(default=(), alias="change")
    faults: Annotated[tuple[Fault, ...], Field(strict=False)] = Field(default=(), alias="fault")
    steps: Annotated[tuple[StepPlan, ...], Field(strict=False)] = Field(default=(), alias="step")
    expectations: Annotated[tuple[Expectation, ...], Field(strict=False)] = Field(default=(), alias="expect")


class LoadedScenario(NamedTuple):
    """A scenario that can be used, with its rig."""

    name: str
    path: Path
    scenario: Scenario
    rig: Rig


def load_scenario(
    given: str | Path,
    kinds: Kinds | None = None,
    values: Mapping[str, Value] | None = None,
    absent: Collection[str] = (),
) -> LoadedScenario:
    """Load a shipped scenario by its name, or one of the user's own by its path.

    Args:
        given: the name, or a path that ends in .toml or has a slash.
        kinds: the settings model of each kind of simulated device; None leaves kinds and settings unchecked.
        values: what is to be otherwise in its file, by dotted keys.
        absent: devices that will not be simulated, and so need no kind.

    Raises:
        InputError: it is not there, or cannot be used: every mistake in it and in its rig.
    """
    file = laid_over(read_toml(find(given, shipped.scenario_folder(), "scenario")), values or {})
    rig_file, rig_problems = _rig_file(file)
    own = file.data.get("rig")
    if rig_file is not None:
        data, more = changed(rig_file.data, file)
        rig_file, rig_problems = replace(rig_file, data=data), rig_problems + more
    elif isinstance(own, dict):
        data, more = changed(own, file)
        file, rig_problems = replace(file, data={**file.data, "rig": data}), rig_problems + more
    devices = _device_names(rig_file.data if rig_file else file.data.get("rig"))
    faults = _names(file.data.get("fault"))
    rig: Rig | None = None
    if rig_file:
        rig, more = _attempt(Rig, rig_file, kinds, absent=absent)
        rig_problems += more
    scenario, problems = _attempt(Scenario, file, kinds, devices=devices, faults=faults, absent=absent)
    if scenario and isinstance(scenario.rig, Rig):
        rig = scenario.rig
    if scenario is None or rig is None or rig_problems:
        raise InputError(*problems, *rig_problems)
    return LoadedScenario(file.path.stem, file.path, scenario, rig)


def _attempt(
    model: type[_Model], file: TomlFile, kinds: Kinds | None, **context: object
) -> tuple[_Model | None, tuple[str, ...]]:
    try:
        return check(model, file, kinds, **context), ()
    except InputError as error:
        return None, error.problems


def _rig_file(file: TomlFile) -> tuple[TomlFile | None, tuple[str, ...]]:
    """Read the rig that a scenario names, None where it names none."""
    given = file.data.get("rig")
    if not isinstance(given, str):
        return None, ()
    try:
        return read_toml(find_rig(given, file.path.parent)), ()
    except InputError as error:
        where = file.where(("rig",), "rig")
        return None, tuple(f"{where}: {problem}" for problem in error.problems)


def _device_names(rig: object) -> list[str] | None:
    """Return the names of a rig's devices, as far as they can be read before it is checked; None if there are none."""
    return [name for name in _names(part(rig, "device")) if name.isprintable()] or None


def _names(entries: object) -> list[str]:
    """Return the names in a list of tables, as far as it is one before it is checked."""
    names = [part(entry, "name") for entry in entries] if isinstance(entries, list) else []
    return [name for name in names if isinstance(name, str)]


def shipped_scenarios() -> list[tuple[str, str]]:
    """Return name and title of each scenario that comes with the program, sorted by name."""
    return [(path.stem, read_toml(path).data["title"]) for path in sorted(shipped.scenario_folder().glob("*.toml"))]

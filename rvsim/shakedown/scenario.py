"""A scenario: a rig, its weather, its duration, its faults and steps, and what is expected of the run.

Knows: how a scenario is written, where its rig is found, and that a fault must name a device of the rig. Does not
know how a fault acts nor how a run is made: this is data only.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, NamedTuple, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, Field, ValidationError, ValidationInfo, field_validator

from rvsim import shipped
from rvsim.errors import InputError
from rvsim.rig.device_plan import Kinds
from rvsim.rig.field_types import Duration, Seed
from rvsim.rig.load import check_model, find_file, find_rig, validate_model
from rvsim.rig.model import Rig, Schema
from rvsim.rig.quantity import shown
from rvsim.rig.table import OneLineText, Table, entry_value, validation_error
from rvsim.rig.toml_file import Place, TomlFile, read_toml
from rvsim.rig.vehicle import WeatherPlan
from rvsim.shakedown.changes import changed_file
from rvsim.shakedown.expect.expectation_plans import Expectation
from rvsim.shakedown.faults.fault_plans import Fault
from rvsim.shakedown.key_paths import PathError
from rvsim.shakedown.replaced_values import find_value, is_of_rig, split_values, with_values
from rvsim.shakedown.script import StepPlan
from rvsim.shakedown.start import StartPlan, started_rig
from rvsim.shakedown.vehicle_names import VehicleNames, vehicle_names
from rvsim.shakedown.verdict import Value

DEFAULT_SCENARIO = "winter_evening"
"""The shipped scenario that runs where none is named."""

_Model = TypeVar("_Model", bound=BaseModel)


def _checked_lines(text: str) -> str:
    if not text.replace("\n", "").isprintable():
        raise ValueError(f"{shown(text)} has a control character; write plain text")
    return text


def _checked_rig(given: object, info: ValidationInfo) -> object:
    if isinstance(given, Mapping):
        rig = Rig.model_validate(given, context=info.context)
        if info.context is not None:
            info.context["rig"] = rig  # for what names a part of it further down
        return rig
    if not isinstance(given, str | Rig):
        raise ValueError(
            f'{shown(given)} is not a rig; write its name or path in quotes, like "my_van.toml", or a table'
        )
    return given


class ChangePlan(Table):
    """What this scenario changes in a device of its rig: the device is left out, or some of its keys are replaced."""

    device: OneLineText
    """The device of the rig that is changed."""
    absent: bool = False
    """Whether the device is left out."""
    real: bool | None = None
    """Whether the device is a real one, which is expected and not simulated."""
    kind: OneLineText | None = None
    """Another kind of simulated device."""
    address: int | None = None
    """Another source address."""
    functions: Mapping[str, object] | None = None
    """Other functions and instances."""
    settings: Mapping[str, object] | None = None
    """Other settings; settings that are not named here stay as they are."""


def _names_of_rig(info: ValidationInfo) -> VehicleNames | None:
    """Return the names of what the rig's vehicle has; None where the rig is not known or has mistakes."""
    inline, loaded = info.data.get("rig"), (info.context or {}).get("rig")
    rig = inline if isinstance(inline, Rig) else loaded
    return vehicle_names(rig) if isinstance(rig, Rig) else None


class Scenario(Table):
    """One scenario as it is written; times are in microseconds since the start."""

    form: Schema = Field(alias="schema")
    """The version of the file format: 1."""
    title: OneLineText
    """The scenario in a few words."""
    about: Annotated[str, AfterValidator(_checked_lines)] = ""
    """What the scenario shows and what to look for; may have several lines."""
    rig: Annotated[str | Rig, BeforeValidator(_checked_rig)]
    """A shipped rig's name, a path relative to this file, or the rig itself as a table."""
    seed: Seed = 1
    """The seed of everything random: the same seed gives the same run."""
    lasts: Annotated[Duration, Field(gt=0)]
    """How long a judged run lasts."""
    weather: WeatherPlan = WeatherPlan()
    """The air outside."""
    shore_power: bool = True
    """Whether the vehicle is connected to mains power."""
    start: StartPlan = StartPlan()
    """The state in which the vehicle starts, where it is not the one of the rig."""
    bench_acknowledges: bool = True
    """Whether the bench acknowledges every frame, as an adapter does; if false, only the devices do."""
    changes: Annotated[tuple[ChangePlan, ...], Field(strict=False)] = Field(default=(), alias="change")
    """What differs from the rig."""
    faults: Annotated[tuple[Fault, ...], Field(strict=False)] = Field(default=(), alias="fault")
    """What goes wrong."""
    steps: Annotated[tuple[StepPlan, ...], Field(strict=False)] = Field(default=(), alias="step")
    """What is done during the run."""
    expectations: Annotated[tuple[Expectation, ...], Field(strict=False)] = Field(default=(), alias="expect")
    """What is expected of the run."""

    @field_validator("start")
    @classmethod
    def _start_of_the_rig(cls, start: StartPlan, info: ValidationInfo) -> StartPlan:
        names = _names_of_rig(info)
        problems = [] if names is None else list(start.mistakes(names))
        if problems:
            raise validation_error("start", problems)
        return start

    @field_validator("steps")
    @classmethod
    def _steps_of_the_rig(cls, steps: tuple[StepPlan, ...], info: ValidationInfo) -> tuple[StepPlan, ...]:
        names = _names_of_rig(info)
        problems = [
            mistake._replace(place=(number, *mistake.place))
            for number, step in enumerate(steps)
            if names is not None
            for mistake in step.mistakes(names)
        ]
        if problems:
            raise validation_error("step", problems)
        return steps

    @property
    def waits_for_frames(self) -> bool:
        """Whether a step waits for something on the bus."""
        return any(step.when is not None and step.when.seen is not None for step in self.steps)


_LISTS = {"fault": "faults", "step": "steps", "expect": "expectations", "change": "changes"}
"""The lists of tables in a scenario: the key of each, and the attribute of ``Scenario`` that has them."""


class LoadedScenario(NamedTuple):
    """A checked scenario with its rig, and the files that they were loaded from."""

    name: str
    path: Path
    scenario: Scenario
    rig: Rig
    """Its rig; its vehicle starts as the scenario says."""
    file: TomlFile | None = None
    rig_file: TomlFile | None = None
    """The rig's own file; None for a rig in the scenario's file."""
    numbers: Mapping[str, Sequence[int]] = {}
    """Where some tables of a list are faulty and left out: the indices of the others in the file, from 0."""

    def where(self, table: str, number: int, *keys: str) -> str:
        """Return the place of a step, fault, expectation or change in the file, by its index here and a key in it."""
        numbers = self.numbers.get(table)
        place = number if numbers is None else numbers[number]
        entry = getattr(self.scenario, _LISTS[table])[number]
        kind = getattr(entry, table, "")
        name = f"{table} {place + 1}" + (f" ({kind})" if kind else "")
        if self.file is None:
            return f"{self.path}, {name}"
        return self.file.where((table, place, *keys), name)

    def where_in_rig(self, device: str, *below: int | str) -> str:
        """Return the place of a key of a device of the rig: where it is changed, or else in the rig."""
        file, above = self._rig_place
        name = f'device "{device}"'
        if file is None:
            return f'rig "{self.rig.name}", {name}'
        names = [plan.name for plan in self.rig.devices]
        return file.where((*above, "device", names.index(device), *below), name)

    def where_accepted(self, number: int) -> str:
        """Return the place of an entry of the rig's accepted trouble, by its index from 0."""
        file, above = self._rig_place
        name = f"accepted {number + 1}"
        return f'rig "{self.rig.name}", {name}' if file is None else file.where((*above, "accepted", number), name)

    @property
    def _rig_place(self) -> tuple[TomlFile | None, Place]:
        """The file with the rig, and the rig's place in it."""
        return (self.rig_file, ()) if self.rig_file is not None else (self.file, ("rig",))


class ScenarioError(InputError):
    """A scenario cannot be used.

    ``rest`` is the scenario without its faulty parts, if it is one then; its kinds and settings of devices are not
    checked.
    """

    rest: LoadedScenario | None = None


def load_scenario(
    given: str | Path,
    kinds: Kinds | None = None,
    values: Mapping[str, Value] | None = None,
    absent: Collection[str] = (),
) -> LoadedScenario:
    """Load a shipped scenario by its name, or another one by its path.

    Args:
        given: the name, or a path that ends in .toml or has a slash.
        kinds: the settings model of each kind of simulated device; None leaves kinds and settings unchecked.
        values: values that replace those of it and its rig, by the paths of their keys (`key_paths`).
        absent: devices that are not simulated, and so need no kind.

    Raises:
        InputError: it is not there, or cannot be used: a line for each mistake in it and in its rig.
    """
    file, rig_file, rig_problems = _files(given, values or {}, kinds)
    context: dict[str, object] = {
        "devices": _device_names(rig_file.data if rig_file else file.data.get("rig")),
        "faults": _names(file.data.get("fault")),
        "absent": absent,
    }
    rig: Rig | None = None
    if rig_file:
        rig, more = _attempt(Rig, rig_file, kinds, absent=absent)
        rig_problems += more
        context["rig"] = rig
    scenario, problems = _attempt(Scenario, file, kinds, **context)
    numbers: dict[str, Sequence[int]] = {}
    if scenario is None:
        left, numbers = _without_faulty(file, kinds, context)
        scenario, _ = _attempt(Scenario, left, None, **context)
    if rig is None and rig_file:
        rig, _ = _attempt(Rig, rig_file, None)
    if scenario and isinstance(scenario.rig, Rig):
        rig = scenario.rig
    loaded = None
    if scenario is not None and rig is not None:
        rig = started_rig(rig, scenario.start)
        if scenario.start.hour is not None:
            weather = scenario.weather.model_copy(update={"start_hour": scenario.start.hour})
            scenario = scenario.model_copy(update={"weather": weather})
        loaded = LoadedScenario(file.path.stem, file.path, scenario, rig, file, rig_file, numbers)
    if loaded is None or problems or rig_problems:
        error = ScenarioError(*problems, *rig_problems)
        error.rest = loaded
        raise error
    return loaded


def _files(
    given: str | Path, values: Mapping[str, Value], kinds: Kinds | None
) -> tuple[TomlFile, TomlFile | None, tuple[str, ...]]:
    """Return a scenario's file and that of its rig, with its changes and values; and what is wrong with the rig's.

    Raises:
        InputError: the scenario's file cannot be read, or there is no key for a value.
    """
    file = read_toml(find_file(given, shipped.scenario_folder(), "scenario"))
    own, of_rig = split_values(values, file, Scenario)
    file = with_values(file, own, Scenario)
    rig_file, problems = _rig_file(file)
    more: tuple[str, ...] = ()
    if rig_file is not None:
        rig_file, more = changed_file(rig_file, file)
        rig_file = with_values(rig_file, of_rig, Rig, kinds)
    elif isinstance(file.data.get("rig"), dict):
        file, more = changed_file(file, file, ("rig",))
        file = with_values(file, of_rig, Rig, kinds, ("rig",))
    return file, rig_file, (*problems, *more)


def own_values(given: str | Path, keys: Iterable[str], kinds: Kinds | None = None) -> Mapping[str, Value | None]:
    """Return what holds in a scenario or its rig for each path of a key; None where that is no single value.

    Args:
        given: the scenario's name or path.
        keys: the paths.
        kinds: the settings model of each kind of simulated device.

    Raises:
        InputError: the scenario's file cannot be read.
    """
    file, rig_file, _ = _files(given, {}, kinds)
    found: dict[str, Value | None] = {}
    for key in keys:
        try:
            if not is_of_rig(key, Scenario):
                found[key] = find_value(file, key, Scenario).value
            elif rig_file is not None:
                found[key] = find_value(rig_file, key, Rig, kinds).value
            else:
                found[key] = find_value(file, key, Rig, kinds, ("rig",)).value
        except PathError:
            found[key] = None
    return found


def _without_faulty(
    file: TomlFile, kinds: Kinds | None, context: Mapping[str, object]
) -> tuple[TomlFile, dict[str, Sequence[int]]]:
    """Return the file without faulty tables, and without faulty keys that nothing depends on; and what is left.

    What is left is given as the indices of the remaining tables, by list.
    """
    try:
        validate_model(Scenario, file, kinds, **context)
        return file, {}
    except ValidationError as error:
        places = [mistake["loc"] for mistake in error.errors(include_url=False)]
    data = dict(file.data)
    numbers: dict[str, Sequence[int]] = {}
    for table in _LISTS:
        entries = data.get(table)
        faulty = {place[1] for place in places if len(place) > 1 and place[0] == table}
        if faulty and isinstance(entries, list):
            numbers[table] = [number for number in range(len(entries)) if number not in faulty]
            data[table] = [entries[number] for number in numbers[table]]
    for place in filter(None, places):
        if place[0] == "title":
            data["title"] = file.path.stem
        elif place[0] in ("about", "seed", "shore_power", "start", "bench_acknowledges") or place[0] not in _KEYS:
            data.pop(str(place[0]), None)
    return replace(file, data=data), numbers


_KEYS = {field.alias or name for name, field in Scenario.model_fields.items()}


def _attempt(
    model: type[_Model], file: TomlFile, kinds: Kinds | None, **context: object
) -> tuple[_Model | None, tuple[str, ...]]:
    try:
        return check_model(model, file, kinds, **context), ()
    except InputError as error:
        return None, error.problems


def _rig_file(file: TomlFile) -> tuple[TomlFile | None, tuple[str, ...]]:
    """Return the file of the rig that a scenario names, None where it names none; and what is wrong with it."""
    given = file.data.get("rig")
    if not isinstance(given, str):
        return None, ()
    try:
        return read_toml(find_rig(given, file.path.parent)), ()
    except InputError as error:
        where = file.where(("rig",), "rig")
        return None, tuple(f"{where}: {problem}" for problem in error.problems)


def _device_names(rig: object) -> list[str] | None:
    """Return the names of an unchecked rig's devices, as far as they can be read; None if there are none."""
    return [name for name in _names(entry_value(rig, "device")) if name.isprintable()] or None


def _names(entries: object) -> list[str]:
    """Return the names in an unchecked list of tables."""
    names = [entry_value(entry, "name") for entry in entries] if isinstance(entries, list) else []
    return [name for name in names if isinstance(name, str)]


def shipped_scenarios() -> list[tuple[str, str]]:
    """Return name and title of each scenario that comes with the program, sorted by name."""
    return [(path.stem, read_toml(path).data["title"]) for path in sorted(shipped.scenario_folder().glob("*.toml"))]

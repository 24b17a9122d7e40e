"""A scenario: a rig in its weather, what goes wrong and when, how long it lasts.

Knows: how a scenario is written, where its rig is found, and that a fault must name a device of the rig. Does not
know how a fault acts nor how a run goes: this is data only.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal, NamedTuple, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, Field, ValidationInfo, field_validator

from rvsim import shipped
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.load import check, find, find_rig
from rvsim.rig.model import Kinds, Line, Rig, Schema, Table, part
from rvsim.rig.quantity import Duration, shown, spoken
from rvsim.rig.toml_file import TomlFile, read_toml
from rvsim.rig.vehicle import WeatherPlan
from rvsim.wire.diagnostics import COUNT_NOT_KNOWN, NO_FAULT_FMI, NO_FAULT_SPN

DEFAULT_SCENARIO = "winter_evening"
"""The shipped scenario that runs where none is named."""

_Model = TypeVar("_Model", bound=BaseModel)


def _lines(text: str) -> str:
    if not text.replace("\n", "").isprintable():
        raise ValueError(f"{shown(text)} has a control character; write plain words")
    return text


def _word(text: str) -> str:
    if not (text.isidentifier() and text.isascii()):
        raise ValueError(f"{shown(text)} is not such a name; write letters, digits and _ only")
    return text


def _in_the_rig(name: str, info: ValidationInfo) -> str:
    devices = (info.context or {}).get("devices")
    if devices is not None and name not in devices:
        raise ValueError(
            f"{shown(name)} is not in the rig{did_you_mean(name, devices)}; its devices are {', '.join(devices)}"
        )
    return name


def _inline(given: object, info: ValidationInfo) -> object:
    if isinstance(given, Mapping):
        return Rig.model_validate(given, context=info.context)
    if not isinstance(given, str | Rig):
        raise ValueError(f'{shown(given)} is no rig; write its name or path in quotes, like "my_van.toml", or a table')
    return given


Word = Annotated[str, AfterValidator(_word)]
"""The name of a message or field."""


class FaultPlan(Table):
    """What every fault has: the device it befalls and the time in which it lasts, ``until`` None to the end."""

    device: Annotated[Line, AfterValidator(_in_the_rig)]
    """The name of a device of the rig. Checked where the validation context has the names as ``devices``."""
    since: Duration = Field(alias="from")
    until: Duration | None = None

    @field_validator("until")
    @classmethod
    def _later(cls, until: int | None, info: ValidationInfo) -> int | None:
        since = info.data.get("since")
        if until is not None and since is not None and until <= since:
            raise ValueError(f"{spoken(until)} is not after from, {spoken(since)}; write a later time, or leave it out")
        return until


class SilentPlan(FaultPlan):
    """The device sends nothing at all, as one that has lost its power."""

    fault: Literal["silent"]


class WrongValuePlan(FaultPlan):
    """A field says ``value``, in its unit, whatever the device wants to say."""

    fault: Literal["wrong_value"]
    message: Word
    field: Word
    value: float


class StuckPlan(FaultPlan):
    """A field goes on saying what it said first while the fault lasts."""

    fault: Literal["stuck"]
    message: Word
    field: Word


class OutOfRangePlan(FaultPlan):
    """A field says "out of range", as a sensor does that knows that it is broken."""

    fault: Literal["out_of_range"]
    message: Word
    field: Word


class NoDataPlan(FaultPlan):
    """A field says "no data"."""

    fault: Literal["no_data"]
    message: Word
    field: Word


class ReportedPlan(FaultPlan):
    """The device reports a fault of one of its functions: in its heartbeat, with a lamp, and in its DM1."""

    fault: Literal["reported"]
    function: Word
    spn: Annotated[int, Field(ge=0, lt=NO_FAULT_SPN)]
    fmi: Annotated[int, Field(ge=0, le=NO_FAULT_FMI)]
    lamp: Literal["yellow", "red"] = "yellow"
    times: Annotated[int, Field(ge=0, lt=COUNT_NOT_KNOWN)] | None = None


GatedFault = SilentPlan | WrongValuePlan | StuckPlan | OutOfRangePlan | NoDataPlan
"""The faults that stand between a device and the wires, of which it never learns."""
Fault = Annotated[GatedFault | ReportedPlan, Field(discriminator="fault")]


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
    faults: Annotated[tuple[Fault, ...], Field(strict=False)] = Field(default=(), alias="fault")


class LoadedScenario(NamedTuple):
    """A scenario that can be used, with its rig."""

    name: str
    path: Path
    scenario: Scenario
    rig: Rig


def load_scenario(given: str | Path, kinds: Kinds | None = None) -> LoadedScenario:
    """Load a shipped scenario by its name, or one of the user's own by its path.

    Args:
        given: the name, or a path that ends in .toml or has a slash.
        kinds: the settings model of each kind of simulated device; None leaves kinds and settings unchecked.

    Raises:
        InputError: it is not there, or cannot be used: every mistake in it and in its rig.
    """
    file = read_toml(find(given, shipped.scenario_folder(), "scenario"))
    rig_file, rig_problems = _rig_file(file)
    devices = _device_names(rig_file.data if rig_file else file.data.get("rig"))
    rig: Rig | None = None
    if rig_file:
        rig, rig_problems = _attempt(Rig, rig_file, kinds)
    scenario, problems = _attempt(Scenario, file, kinds, devices=devices)
    if scenario and isinstance(scenario.rig, Rig):
        rig = scenario.rig
    if scenario is None or rig is None:
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
    entries = part(rig, "device")
    names = [part(entry, "name") for entry in entries] if isinstance(entries, list) else []
    return [name for name in names if isinstance(name, str) and name.isprintable()] or None


def shipped_scenarios() -> list[tuple[str, str]]:
    """Return name and title of each scenario that comes with the program, sorted by name."""
    return [(path.stem, read_toml(path).data["title"]) for path in sorted(shipped.scenario_folder().glob("*.toml"))]

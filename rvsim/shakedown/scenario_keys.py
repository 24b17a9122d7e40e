"""Every key that a scenario can have, read out of the models that check it, so that none is forgotten.

Knows: how a model's fields are put into words for whoever writes a scenario. Does not know what any of them does.
"""

from collections.abc import Iterator
from typing import Any, get_args

from pydantic import BaseModel

from rvsim.rig.key_lists import INTRODUCTION, TYPES, meaning, table, wrapped
from rvsim.rig.key_lists import keys as keys_of
from rvsim.rig.vehicle import WeatherPlan
from rvsim.shakedown.checked_names import DefinedName, DeviceName, FrameBytes
from rvsim.shakedown.expect.expectation_plans import Expectation
from rvsim.shakedown.expect.plan_base import ExpectPlan
from rvsim.shakedown.expect.quantities import QUANTITIES, Quantity, named_value_texts
from rvsim.shakedown.expect.sight import EnteredValue, Identifier, Sight
from rvsim.shakedown.faults.fault_plans import Fault, FaultPlan
from rvsim.shakedown.scenario import ChangePlan, Scenario
from rvsim.shakedown.script import SendPlan, StepPlan, WhenPlan
from rvsim.shakedown.start import StartPlan
from rvsim.shakedown.vehicle_change import DrawPlan, LevelPlan, LoadPlan, VehicleChangePlan, WeatherChangePlan

_TYPES = {
    **TYPES,
    DeviceName: "a device of the rig",
    DefinedName: "name",
    FrameBytes: "bytes in hex",
    Identifier: "hex",
    EnteredValue: "number, text or true",
    Quantity: "a value of the vehicle",
    Sight: "a sight",
}
"""How the types of a scenario's keys are called."""
_INDENT = "    "


def render_keys() -> Iterator[str]:
    """Yield the lines that list all keys."""
    yield from wrapped(INTRODUCTION, "")
    yield from table("A scenario", Scenario, _TYPES, where="one TOML file with these")
    yield from table("[weather]", WeatherPlan, _TYPES)
    yield from table("[start]", StartPlan, _TYPES, where="the state in which the vehicle starts; names are the rig's")
    yield from table("[[change]]", ChangePlan, _TYPES, where="for each device of the rig that is changed here")
    yield from table("[[step]]", StepPlan, _TYPES, where="for each action")
    yield from table("send = { ... }", SendPlan, _TYPES, where="in a step")
    yield from table("when = { ... }", WhenPlan, _TYPES, where="in a step")
    yield from table("change = { ... }", VehicleChangePlan, _TYPES, where="in a step; what is not named stays")
    yield from table("load = { NAME = { ... } }", LoadPlan, _TYPES, where="in change, in place of a current")
    yield from table("draw = { ... }", DrawPlan, _TYPES, where="in change")
    yield from table("tank = { NAME = { ... } }", LevelPlan, _TYPES, where="in change, in place of a level")
    yield from table("weather = { ... }", WeatherChangePlan, _TYPES, where="in change; what is not named stays")
    yield from table("[[fault]]", FaultPlan, _TYPES, where="for each fault; all kinds have these")
    for plan in _kinds(Fault):
        yield from _kind(plan, "fault", FaultPlan)
    yield from table("[[expect]]", ExpectPlan, _TYPES, where="for each expectation; all kinds have these")
    for plan in _kinds(Expectation):
        yield from _kind(plan, "expect", ExpectPlan)
    yield from table("A sight, as in sight = { ... }", Sight, _TYPES)
    yield "Values of the vehicle"
    names = [f"{name} ({unit})" for name, (unit, _) in QUANTITIES.items()]
    yield from wrapped(", ".join([*names, *named_value_texts()]), _INDENT)


def _kinds(union: Any) -> tuple[type[BaseModel], ...]:
    """Return the models of a union that is told apart by one of its keys."""
    return get_args(get_args(union)[0])


def _kind(model: type[BaseModel], key: str, base: type[BaseModel]) -> Iterator[str]:
    (name,) = get_args(model.model_fields[key].annotation)
    yield from wrapped(f'{key} = "{name}": {meaning(model)}', "  ")
    yield from keys_of(model, _TYPES, (key, *base.model_fields))

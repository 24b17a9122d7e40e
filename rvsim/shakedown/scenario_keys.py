"""All keys of a scenario, rendered from the models that check it, so that none is missing.

Knows: how a model's fields are described to the author of a scenario. Does not know what any of them does.
"""

import inspect
from collections.abc import Iterator, Mapping
from enum import StrEnum
from textwrap import wrap
from types import NoneType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel, StrictBool
from pydantic.fields import FieldInfo

from rvsim.rig.quantity import Duration, Seed, spoken
from rvsim.rig.vehicle import WeatherPlan
from rvsim.shakedown.checked_names import DefinedName, DeviceName, FrameBytes
from rvsim.shakedown.expect.expectation_plans import Expectation
from rvsim.shakedown.expect.plan_base import ExpectPlan
from rvsim.shakedown.expect.quantities import QUANTITIES, Quantity
from rvsim.shakedown.expect.sight import EnteredValue, Identifier, Sight
from rvsim.shakedown.faults.fault_plans import Fault, FaultPlan
from rvsim.shakedown.scenario import ChangePlan, Scenario
from rvsim.shakedown.script import SendPlan, StepPlan, WhenPlan

_TIME = "time"
_DESCRIPTIONS = {
    Duration: _TIME,
    Seed: "whole number",
    DeviceName: "a device of the rig",
    DefinedName: "name",
    FrameBytes: "bytes in hex",
    Identifier: "hex",
    EnteredValue: "number, text or true",
    Quantity: "a value of the vehicle",
}
"""What the types of this package are called."""
_PLAIN_DESCRIPTIONS = {int: "whole number", float: "number", str: "text", bool: "true or false", object: "anything"}
_INDENT = "    "
_WIDTH = 100


def render_keys() -> Iterator[str]:
    """Yield the lines that list all keys."""
    yield 'Times have a unit, like "20s", "5min", "1h". Defaults are in parentheses.'
    yield from _table("A scenario", Scenario, "one TOML file with these")
    yield from _table("[weather]", WeatherPlan)
    yield from _table("[[change]]", ChangePlan, "for each device of the rig that is changed here")
    yield from _table("[[step]]", StepPlan, "for each action")
    yield from _table("send = { ... }", SendPlan, "in a step")
    yield from _table("when = { ... }", WhenPlan, "in a step")
    yield from _table("[[fault]]", FaultPlan, "for each fault; all kinds have these")
    for plan in _kinds(Fault):
        yield from _kind(plan, "fault", FaultPlan)
    yield from _table("[[expect]]", ExpectPlan, "for each expectation; all kinds have these")
    for plan in _kinds(Expectation):
        yield from _kind(plan, "expect", ExpectPlan)
    yield from _table("A sight, as in sight = { ... }", Sight)
    yield "Values of the vehicle"
    yield from _wrapped(", ".join(f"{name} ({unit})" for name, (unit, _) in QUANTITIES.items()), _INDENT)


def _kinds(union: Any) -> tuple[type[BaseModel], ...]:
    """Return the models of a union with a discriminator."""
    return get_args(get_args(union)[0])


def _table(title: str, model: type[BaseModel], where: str = "") -> Iterator[str]:
    yield from _wrapped(f"{title}: {where or _about(model)}", "")
    yield from _fields(model, ())


def _kind(model: type[BaseModel], key: str, base: type[BaseModel]) -> Iterator[str]:
    (name,) = get_args(model.model_fields[key].annotation)
    yield from _wrapped(f'{key} = "{name}": {_about(model)}', "  ")
    yield from _fields(model, (key, *base.model_fields))


def _about(model: type[BaseModel]) -> str:
    first, _, _ = inspect.cleandoc(model.__doc__ or "").partition("\n\n")
    return first.replace("\n", " ").replace("``", '"')


def _fields(model: type[BaseModel], left_out: tuple[str, ...]) -> Iterator[str]:
    """Yield the required keys and the optional ones, each with the type of its value."""
    hints = get_type_hints(model, include_extras=True)
    shown = {name: field for name, field in model.model_fields.items() if name not in left_out}
    needed = [_field(name, field, hints[name]) for name, field in shown.items() if field.is_required()]
    others = [_field(name, field, hints[name]) for name, field in shown.items() if not field.is_required()]
    if needed:
        yield from _wrapped(", ".join(needed), _INDENT)
    if others:
        yield from _wrapped(f"optional: {', '.join(others)}", _INDENT)


def _field(name: str, field: FieldInfo, hint: Any) -> str:
    types = " or ".join(dict.fromkeys(_type_names(hint)))
    default = field.default
    if types == _TIME and isinstance(default, int):
        default = spoken(default)
    default_text = f" ({str(default).lower() if isinstance(default, bool) else default})" if _is_plain(default) else ""
    return f"{field.alias or name} = {types}{default_text}"


def _is_plain(default: object) -> bool:
    return isinstance(default, int | float | str) and default != ""


def _wrapped(text: str, indent: str) -> Iterator[str]:
    yield from wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent + _INDENT, break_on_hyphens=False)


def _type_names(hint: Any) -> Iterator[str]:
    """Yield descriptions of what can be written for a type."""
    origin, arguments = get_origin(hint), get_args(hint)
    if hint == StrictBool:  # accepted by the type only so that it can be refused with a reason
        return
    if origin is Annotated:
        descriptions = (text for known, text in _DESCRIPTIONS.items() if get_args(known)[-1] in arguments[1:])
        description = next(descriptions, None)
        yield from (description,) if description is not None else _type_names(arguments[0])
    elif origin is Literal:
        yield from (f'"{value}"' if isinstance(value, str) else str(value) for value in arguments)
    elif origin is tuple:
        yield f"[{' or '.join(dict.fromkeys(_type_names(arguments[0])))}, ...]"
    elif isinstance(origin, type) and issubclass(origin, Mapping):
        yield "a table"
    elif origin is Union or arguments:
        for argument in arguments:
            if argument is not NoneType:
                yield from _type_names(argument)
    elif isinstance(hint, type) and issubclass(hint, StrEnum):
        yield from (f'"{value}"' for value in hint)
    elif isinstance(hint, type) and issubclass(hint, BaseModel):
        yield "a sight" if hint is Sight else "a table"
    elif hint is not NoneType:
        yield _PLAIN_DESCRIPTIONS.get(hint, str(hint))

"""Every key that a scenario can have, read out of the models that check it, so that none is forgotten.

Knows: how a model's fields are put into words for whoever writes a scenario. Does not know what any of them does.
"""

import inspect
from collections.abc import Iterator, Mapping
from enum import StrEnum
from textwrap import wrap
from types import NoneType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel, StrictBool
from pydantic.fields import FieldInfo

from rvsim.rig.quantity import Duration, Seed, duration_text
from rvsim.rig.vehicle import WeatherPlan
from rvsim.shakedown.checked_names import Bytes, InTheRig, Word
from rvsim.shakedown.expect.expectation_plans import Expectation
from rvsim.shakedown.expect.plan_base import ExpectPlan
from rvsim.shakedown.expect.quantities import QUANTITIES, Quantity
from rvsim.shakedown.expect.sight import Entered, Identifier, Sight
from rvsim.shakedown.faults.fault_plans import Fault, FaultPlan
from rvsim.shakedown.scenario import ChangePlan, Scenario
from rvsim.shakedown.script import SendPlan, StepPlan, WhenPlan

_TIME = "time"
_SAID = {
    Duration: _TIME,
    Seed: "whole number",
    InTheRig: "a device of the rig",
    Word: "name",
    Bytes: "bytes in hex",
    Identifier: "hex",
    Entered: "number, text or true",
    Quantity: "a value of the vehicle",
}
_PLAIN = {int: "whole number", float: "number", str: "text", bool: "true or false", object: "anything"}
_INDENT = "    "
_WIDTH = 100


def keys() -> Iterator[str]:
    """Yield the lines."""
    yield 'Times have their unit, like "20s", "5min", "1h". Defaults stand in parentheses.'
    yield from _table("A scenario", Scenario, "one TOML file with these")
    yield from _table("[weather]", WeatherPlan)
    yield from _table("[[change]]", ChangePlan, "for each device of the rig that is otherwise here")
    yield from _table("[[step]]", StepPlan, "for each thing that is done")
    yield from _table("send = { ... }", SendPlan, "in a step")
    yield from _table("when = { ... }", WhenPlan, "in a step")
    yield from _table("[[fault]]", FaultPlan, "for each thing that goes wrong; all faults have these")
    for plan in _kinds(Fault):
        yield from _kind(plan, "fault", FaultPlan)
    yield from _table("[[expect]]", ExpectPlan, "for each thing that is expected; all have these")
    for plan in _kinds(Expectation):
        yield from _kind(plan, "expect", ExpectPlan)
    yield from _table("A sight, as in sight = { ... }", Sight)
    yield "Values of the vehicle"
    yield from _wrapped(", ".join(f"{name} ({unit})" for name, (unit, _) in QUANTITIES.items()), _INDENT)


def _kinds(union: Any) -> tuple[type[BaseModel], ...]:
    """Return the models of a union that is told apart by one of its keys."""
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
    """Yield the keys that have to be there, and those that may be, each with what is written there."""
    hints = get_type_hints(model, include_extras=True)
    shown = {name: field for name, field in model.model_fields.items() if name not in left_out}
    needed = [_field(name, field, hints[name]) for name, field in shown.items() if field.is_required()]
    others = [_field(name, field, hints[name]) for name, field in shown.items() if not field.is_required()]
    if needed:
        yield from _wrapped(", ".join(needed), _INDENT)
    if others:
        yield from _wrapped(f"optional: {', '.join(others)}", _INDENT)


def _field(name: str, field: FieldInfo, hint: Any) -> str:
    said = " or ".join(dict.fromkeys(_words(hint)))
    default = field.default
    if said == _TIME and isinstance(default, int):
        default = duration_text(default)
    told = f" ({str(default).lower() if isinstance(default, bool) else default})" if _is_plain(default) else ""
    return f"{field.alias or name} = {said}{told}"


def _is_plain(default: object) -> bool:
    return isinstance(default, int | float | str) and default != ""


def _wrapped(text: str, indent: str) -> Iterator[str]:
    yield from wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent + _INDENT, break_on_hyphens=False)


def _words(hint: Any) -> Iterator[str]:
    """Yield what can be written for a type."""
    origin, parts = get_origin(hint), get_args(hint)
    if hint == StrictBool:  # taken only to be refused in words
        return
    if origin is Annotated:
        said = next((text for known, text in _SAID.items() if get_args(known)[-1] in parts[1:]), None)
        yield from (said,) if said is not None else _words(parts[0])
    elif origin is Literal:
        yield from (f'"{value}"' if isinstance(value, str) else str(value) for value in parts)
    elif origin is tuple:
        yield f"[{' or '.join(dict.fromkeys(_words(parts[0])))}, ...]"
    elif isinstance(origin, type) and issubclass(origin, Mapping):
        yield "a table"
    elif origin is Union or parts:
        for part in parts:
            if part is not NoneType:
                yield from _words(part)
    elif isinstance(hint, type) and issubclass(hint, StrEnum):
        yield from (f'"{word}"' for word in hint)
    elif isinstance(hint, type) and issubclass(hint, BaseModel):
        yield "a sight" if hint is Sight else "a table"
    elif hint is not NoneType:
        yield _PLAIN.get(hint, str(hint))

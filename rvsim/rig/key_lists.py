"""The keys of a table of a rig or scenario, read out of the model that checks it, so that none is forgotten.

Knows: how a model's fields are listed for the author of a file: type, range, unit, default, and the first sentence of
what the field's docstring or description says. Does not know what any key does, nor which tables there are.

The unit of a figure is the end of its key: ``start_c`` is in degrees Celsius, ``full_amps`` in amperes.
"""

import ast
import inspect
import re
from collections.abc import Callable, Iterator, Mapping
from enum import StrEnum
from functools import cache
from itertools import pairwise
from pathlib import Path
from textwrap import dedent, wrap
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel, StrictBool
from pydantic.fields import FieldInfo

from rvsim.rig.device_plan import Address, FieldName, Limits
from rvsim.rig.field_types import ClaimedName, Duration, Seed
from rvsim.rig.quantity import duration_as_typed
from rvsim.wire.ident import MAX_ADDRESS

INTRODUCTION = (
    "Each line: key = type, range and unit (default): meaning. A key without a default is required, unless it is "
    'optional. Times are written with their unit, like "20s", "5min", "1h".'
)
TIME = "time"
NUMBER = "number"
TYPES: Mapping[Any, str] = {
    Duration: TIME,
    Seed: "whole number, at least 0",
    Address: f"whole number, 0 to 0x{MAX_ADDRESS:X}",
    ClaimedName: "16 hex digits in quotes",
    FieldName: '"field" or "MESSAGE.field"',
    Limits: "[low, high]",
}
"""The description of each type of a rig's keys."""
UNITS = (
    ("litres_per_s", "L/s"),
    ("litres_per_min", "L/min"),
    ("_rpm", "rpm"),
    ("_w_per_m2_k", "W/(m² K)"),
    ("_w_per_m_k", "W/(m K)"),
    ("_w_per_m2", "W/m²"),
    ("_m_per_s", "m/s"),
    ("_w_per_k", "W/K"),
    ("mw_per_k", "mW/K"),
    ("_j_per_k", "J/K"),
    ("_per_hour", "an hour"),
    ("_percent_per_month", "% a month"),
    ("_percent_per_k", "%/K"),
    ("_mv_per_k", "mV/K"),
    ("_volts_per_amp", "V/A"),
    ("_litres_per_h", "L/h"),
    ("_min", "min"),
    ("percent", "%"),
    ("milliohm", "mΩ"),
    ("_hours", "h"),
    ("cycle_min", "min"),
    ("t_hour", "h"),
    ("_volts", "V"),
    ("milliamps", "mA"),
    ("amps", "A"),
    ("_ah", "Ah"),
    ("_ppm", "ppm"),
    ("_m3", "m³"),
    ("_ohm_per_m", "Ω/m"),
    ("_ohm", "Ω"),
    ("_m", "m"),
    ("_m2", "m²"),
    ("_bar", "bar"),
    ("_deg", "°"),
    ("litres", "L"),
    ("_c", "°C"),
    ("_pa", "Pa"),
    ("_k", "K"),
    ("_s", "s"),
    ("_w", "W"),
    ("_mm2", "mm²"),
    ("_mm", "mm"),
)
"""The units of figures by the end of their keys; the first that fits counts."""
_BOUNDS = ("ge", "gt", "le", "lt")
_PLAIN = {int: "whole number", float: NUMBER, str: "text", bool: "true or false", object: "anything", Path: "text"}
_INDENT = "    "
_WIDTH = 80
_SENTENCE = re.compile(r"(.+?)[.](?= [A-Z]|$)")


def tables(title: str, model: type[BaseModel], types: Mapping[Any, str] = TYPES, path: str = "") -> Iterator[str]:
    """Yield the lines of a model's keys, and after them those of each table that can stand in it.

    Args:
        title: what the model's own table is called.
        model: the model.
        types: how types are called, see ``TYPES``.
        path: where its tables stand in the file, as ``device.settings``.
    """
    yield from table(title, model, types)
    below: dict[type[BaseModel], list[str]] = {}
    places: dict[type[BaseModel], str] = {}
    hints = get_type_hints(model, include_extras=True)
    for name, field in model.model_fields.items():
        key = field.alias or name
        place = f"{path}.{key}" if path else key
        for found in models_in(hints[name]):
            below.setdefault(found, []).append(_header(place, hints[name]))
            places.setdefault(found, place)
    for found, headers in below.items():
        yield from tables(", ".join(headers), found, types, places[found])


def _header(place: str, hint: Any) -> str:
    """Return how a table stands in a file: under a header of its own, in a list, or behind a key."""
    while get_origin(hint) is Annotated:
        hint = get_args(hint)[0]
    origin = get_origin(hint)
    if origin is tuple:
        return f"[[{place}]]"
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return f"{place}.NAME = {{ ... }}"
    return f"[{place}]"


def models_in(hint: Any) -> Iterator[type[BaseModel]]:
    """Yield the models that can stand where a type is asked for."""
    if isinstance(hint, type) and issubclass(hint, BaseModel):
        yield hint
    for one in get_args(hint):
        yield from models_in(one)


def table(
    title: str,
    model: type[BaseModel],
    types: Mapping[Any, str] = TYPES,
    left_out: tuple[str, ...] = (),
    where: str = "",
) -> Iterator[str]:
    """Yield the lines of one table: its title, ``where`` or what the model's docstring says first, and its keys."""
    yield from wrapped(f"{title}: {where or meaning(model)}", "")
    yield from keys(model, types, left_out)


def keys(model: type[BaseModel], types: Mapping[Any, str] = TYPES, left_out: tuple[str, ...] = ()) -> Iterator[str]:
    """Yield a line, perhaps broken, for each key: first those that have to be there, then the others."""
    hints = get_type_hints(model, include_extras=True)
    described = descriptions(model)
    for required in (True, False):
        for name, field in model.model_fields.items():
            if name not in left_out and field.is_required() == required:
                line = f"{field.alias or name} = {_kind(name, field, hints[name], types)}"
                said = first_sentence(described.get(name, ""))
                yield from wrapped(f"{line}: {said}" if said else line, _INDENT)


def _kind(name: str, field: FieldInfo, hint: Any, types: Mapping[Any, str]) -> str:
    """Return type, range, unit and default of a field."""
    said = " or ".join(dict.fromkeys(words(hint, types)))
    is_time = said == TIME
    limits = span(bounds(hint, field), duration_as_typed if is_time else _plain)
    unit = unit_of(name) if said == NUMBER else ""
    if limits:
        said = f"{said}, {limits}" + (f" {unit}" if unit else "")
    elif unit:
        said = f"{said} in {unit}"
    if field.is_required():
        return said
    default = field.default
    if is_time and isinstance(default, int):
        default = duration_as_typed(default)
    if isinstance(default, bool):
        default = str(default).lower()
    if not isinstance(default, int | float | str) or default == "":
        return f"{said}, optional"
    return f"{said} ({default if isinstance(default, str) else _plain(default)})"


def _plain(number: float) -> str:
    return f"{number:.15g}"


def unit_of(name: str) -> str:
    """Return the unit of a figure by the end of its key; empty where it has none."""
    return next((unit for end, unit in UNITS if name.endswith(end)), "")


def bounds(hint: Any, field: FieldInfo | None = None) -> Mapping[str, Any]:
    """Return the bounds of a number, wherever in its type they stand: ``ge``, ``gt``, ``le`` and ``lt``."""
    found: dict[str, Any] = {}
    marks = list(field.metadata) if field is not None else []
    if get_origin(hint) is Annotated:
        for mark in get_args(hint)[1:]:
            marks += mark.metadata if isinstance(mark, FieldInfo) else [mark]
    for mark in marks:
        found.update((name, getattr(mark, name)) for name in _BOUNDS if hasattr(mark, name))
    if get_origin(hint) is Annotated or is_union(hint):
        for one in get_args(hint)[: 1 if get_origin(hint) is Annotated else None]:
            found = {**bounds(one), **found}
    return found


def is_union(hint: Any) -> bool:
    """Tell whether a type is one of several."""
    return get_origin(hint) in (Union, UnionType)


def span(limits: Mapping[str, Any], shown: Callable[[Any], str] = _plain) -> str:
    """Say between which bounds a number lies; empty where it has none."""
    low, above, high, below = (None if limits.get(key) is None else shown(limits[key]) for key in _BOUNDS)
    if low is not None and high is not None:
        return f"{low} to {high}"
    least = f"at least {low}" if low is not None else f"above {above}" if above is not None else ""
    most = f"at most {high}" if high is not None else f"below {below}" if below is not None else ""
    return " and ".join(part for part in (least, most) if part)


def meaning(model: type[BaseModel]) -> str:
    """Return the first paragraph of a model's docstring, on one line."""
    return _one_line((inspect.cleandoc(model.__doc__ or "")).partition("\n\n")[0])


def first_sentence(text: str) -> str:
    """Return the first sentence of a text, on one line, without its full stop."""
    found = _SENTENCE.match(_one_line(text))
    return found[1] if found else _one_line(text)


def _one_line(text: str) -> str:
    return " ".join(text.split()).replace("``", '"')


def descriptions(model: type[BaseModel]) -> Mapping[str, str]:
    """Return what each field says of itself: its description, or the docstring below it, where it has one."""
    found: dict[str, str] = {}
    for one in reversed(model.__mro__):
        found.update(_docstrings(one))
    found.update((name, field.description) for name, field in model.model_fields.items() if field.description)
    return found


@cache
def _docstrings(model: type) -> Mapping[str, str]:
    """Return the texts below the fields of a class, read from its source; none where there is no source."""
    if not issubclass(model, BaseModel) or model is BaseModel:
        return {}
    try:
        (tree,) = ast.parse(dedent(inspect.getsource(model))).body
    except (OSError, TypeError, SyntaxError):  # made while the program runs, or installed without its source
        return {}
    found = {}
    statements = tree.body if isinstance(tree, ast.ClassDef) else []
    for field, text in pairwise(statements):
        match field, text:
            case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=str(said))):
                found[name] = inspect.cleandoc(said)
    return found


def wrapped(text: str, indent: str) -> Iterator[str]:
    """Yield a text in lines that fit a terminal, the first one indented, the others more."""
    yield from wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent + _INDENT, break_on_hyphens=False)


def words(hint: Any, types: Mapping[Any, str] = TYPES) -> Iterator[str]:
    """Yield what can be written for a type."""
    origin, parts = get_origin(hint), get_args(hint)
    if hint == StrictBool:  # taken only to be refused in words
        return
    if isinstance(hint, type) and hint in types:
        yield types[hint]
    elif origin is Annotated:
        said = next(
            (text for known, text in types.items() if get_args(known) and get_args(known)[-1] in parts[1:]), None
        )
        yield from (said,) if said is not None else words(parts[0], types)
    elif origin is Literal:
        yield from (f'"{value}"' if isinstance(value, str) else str(value) for value in parts)
    elif origin is tuple:
        items = [" or ".join(dict.fromkeys(words(part, types))) for part in parts if part is not Ellipsis]
        yield f"[{', '.join(items)}{', ...' if Ellipsis in parts else ''}]"
    elif isinstance(origin, type) and issubclass(origin, Mapping):
        yield "a table"
    elif is_union(hint) or parts:
        for part in parts:
            if part is not NoneType:
                yield from words(part, types)
    elif isinstance(hint, type) and issubclass(hint, StrEnum):
        yield from (f'"{word}"' for word in hint)
    elif isinstance(hint, type) and issubclass(hint, BaseModel):
        yield "a table"
    elif hint is not NoneType:
        yield _PLAIN.get(hint, getattr(hint, "__name__", str(hint)))

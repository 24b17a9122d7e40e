"""Keys of a scenario or its rig, each named by a path such as ``device.heater.settings.full_amps``.

Knows: how a path is written (keys as TOML has them; a table of a list by its name, or by its number from 1; in a name
``_`` for a blank; a key without its table where only one table there has it), which keys the models have, written in
the file or not, and what to write instead of a path that leads nowhere. Does not know what a key does, nor how runs are
made with other values.
"""

import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from copy import deepcopy
from functools import cache
from typing import Any, NamedTuple, get_args, get_origin, get_type_hints

from pydantic import BaseModel

from rvsim.errors import did_you_mean
from rvsim.rig.device_plan import Kinds
from rvsim.rig.key_lists import TIME, is_union, words
from rvsim.rig.quantity import duration_as_typed, shown
from rvsim.rig.toml_file import Place
from rvsim.shakedown.verdict import Value

_SEGMENT = re.compile(r"""\s*(?:(?P<quoted>"(?:\\.|[^"\\])*"|'[^']*')|(?P<bare>[^."'=]+?))\s*(?=\.|=|$)""")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_NAME_KEYS = ("name", "says", "device", "message", "command", "flag")
"""The keys that name a table of a list: the first one of them that tables of its kind have."""
_MAX_LISTED = 30
_HEX = re.compile(r"0x[0-9A-Fa-f]+")
_NOT_WRITTEN: Any = object()


class Segment(NamedTuple):
    """One part of a path; ``quoted`` if it stands in quotes, so that digits are a name."""

    text: str
    quoted: bool = False

    def __str__(self) -> str:
        """The part as a path has it."""
        plain = _BARE.fullmatch(self.text) is not None and not (self.quoted and self.text.isdecimal())
        return self.text if plain else json.dumps(self.text, ensure_ascii=False)


class PathError(ValueError):
    """A path leads to no key; the text says what to write instead."""


class FoundKey(NamedTuple):
    """Where a path leads: the place in the file's content, what can be there, and what is there or holds without it."""

    place: Place
    hint: Any
    given: Any
    """What is written there; ``_NOT_WRITTEN`` if nothing is."""
    default: Any
    """What holds if nothing is written; ``_NOT_WRITTEN`` if something has to be."""

    @property
    def value(self) -> Value | None:
        """What holds now as a person types it; None where this is no single value."""
        value = self.given
        if value is _NOT_WRITTEN:
            value = self.default
            if isinstance(value, int) and not isinstance(value, bool) and TIME in words(self.hint):
                value = duration_as_typed(value)
        return value if isinstance(value, Value) else None


def split_key(text: str) -> tuple[str, str, str]:
    """Return the path before the first equals sign that is not in quotes, that sign, and the text after it."""
    place = 0
    while found := _SEGMENT.match(text, place):
        place = found.end()
        if text[place : place + 1] != ".":
            break
        place += 1
    before, sign, after = text[place:].partition("=")
    return (text[:place] + before).strip(), sign, after


def parse_path(path: str) -> tuple[Segment, ...]:
    """Return the parts of a path.

    Raises:
        PathError: it is none.
    """
    segments: list[Segment] = []
    place = 0
    while True:
        found = _SEGMENT.match(path, place)
        if found is None:
            raise PathError('write dots between keys, and a name with a dot in quotes, like device."no. 2".address')
        quoted = found["quoted"]
        try:
            text = tomllib.loads(f"k = {quoted}")["k"] if quoted else found["bare"]
        except tomllib.TOMLDecodeError:
            raise PathError(f"{shown(quoted)} is not a name in quotes; write a backslash in it twice") from None
        segments.append(Segment(text, quoted is not None))
        place = found.end()
        if place == len(path):
            return tuple(segments)
        if path[place] != ".":
            raise PathError("write the key without an equals sign, or the name in quotes")
        place += 1


def find_key(path: str, model: type[BaseModel], data: Mapping[str, Any], kinds: Kinds | None = None) -> FoundKey:
    """Return where a path leads.

    Args:
        path: the path.
        model: what the file's content is checked with.
        data: the file's content, checked or not.
        kinds: the settings model of each kind of simulated device; None takes every key of settings.

    Raises:
        PathError: there is no such key, or it holds more than one value.
    """
    found = FoundKey((), model, data, _NOT_WRITTEN)
    segments = parse_path(path)
    for number, segment in enumerate(segments):
        found = _below(found, segment, ".".join(map(str, segments[:number])), kinds or {})
    inner = list(_keys(found, kinds or {}))
    if not _takes_value(found.hint):
        path = ".".join(map(str, segments))
        listed = f", like {path}.{inner[0]}; its keys are {_listed(map(str, inner))}" if inner else ""
        raise PathError(f"{path} has no value of its own; write a key in it{listed}")
    return found


def unknown_key(key: str, known: Sequence[str]) -> str:
    """Return the text on a key that is not there, with the nearest one."""
    return f"unknown key {shown(key)}{did_you_mean(key, known)}; remove it or correct the name"


def key_paths(model: type[BaseModel], data: Mapping[str, Any], kinds: Kinds | None = None) -> Iterator[str]:
    """Yield the path of each key of the models that can have a value in this file; see ``find_key``."""
    yield from _paths(FoundKey((), model, data, _NOT_WRITTEN), "", kinds or {})


def _paths(found: FoundKey, path: str, kinds: Kinds) -> Iterator[str]:
    for segment in _keys(found, kinds):
        below = _below(found, segment, path, kinds)
        longer = f"{path}.{segment}" if path else str(segment)
        if _takes_value(below.hint):
            yield longer
        yield from _paths(below, longer, kinds)


def with_value(data: Mapping[str, Any], found: FoundKey, value: Value) -> dict[str, Any]:
    """Return a file's content with another value of a key; the given content stays as it is."""
    changed = deepcopy(dict(data))
    table: Any = changed
    for step in found.place[:-1]:
        table = table.setdefault(step, {}) if isinstance(table, dict) else table[step]
    table[found.place[-1]] = _as_hinted(found.hint, value)
    return changed


def _as_hinted(hint: Any, value: Value) -> Value:
    """Return a value that was typed without quotes as its key needs it: a number in hex, or a text of digits."""
    types = [one for one in _alternatives(hint) if isinstance(one, type)]
    if isinstance(value, str) and str not in types and int in types and _HEX.fullmatch(value):
        return int(value, 16)
    if isinstance(value, int) and not isinstance(value, bool) and types == [str]:
        return str(value)
    return value


def _below(found: FoundKey, segment: Segment, path: str, kinds: Kinds) -> FoundKey:
    """Return where one more part of a path leads.

    Raises:
        PathError: nowhere.
    """
    if isinstance(found.given, list) or (_items(found.hint) and not _is_single_table(found)):
        return _entry(found, segment, path)
    models = _models(found)
    if isinstance(found.given, Value):
        raise PathError(f"{path} is one value here; write it without .{segment}")
    for name, hint, default in _fields(models, found.given, kinds):
        if name == segment.text:
            return FoundKey((*found.place, name), hint, _value_in(found.given, name), default)
    if _is_single_table(found) and _named(segment, 0, _entry_name(found, found.given)):
        return found
    inner = _in_one_table(found, segment, kinds) if path else None
    if inner is not None:
        return inner
    values = list(_map_values(found.hint))
    if values or (not models and _is_open(found.hint)):
        hint = values[0] if values else Any
        return FoundKey((*found.place, segment.text), hint, _value_in(found.given, segment.text), _NOT_WRITTEN)
    known = [str(key) for key in _keys(found, kinds)]
    if not known:
        raise PathError(f"{path} is one value; write it without .{segment}")
    listed = f"; {'the keys' if path == '' else f'the keys of {path}'} are {_listed(known)}"
    raise PathError(unknown_key(segment.text, known) + listed)


def _in_one_table(found: FoundKey, segment: Segment, kinds: Kinds) -> FoundKey | None:
    """Return where a key leads that only one of the tables at a place has; None where none or several have it."""
    fitting = []
    for table, hint, default in _fields(_models(found), found.given, kinds):
        below = FoundKey((*found.place, table), hint, _value_in(found.given, table), default)
        if _items(hint) or isinstance(below.given, Value | list):
            continue
        for name, inner, inner_default in _fields(_models(below), below.given, kinds):
            if name == segment.text:
                fitting.append(FoundKey((*below.place, name), inner, _value_in(below.given, name), inner_default))
    return fitting[0] if len(fitting) == 1 else None


def _entry(found: FoundKey, segment: Segment, path: str) -> FoundKey:
    """Return where the name or number of a list's entry leads."""
    entries = found.given if isinstance(found.given, list) else []
    names = [_entry_name(found, entry) for entry in entries]
    fitting = [number for number, name in enumerate(names) if _named(segment, number, name)]
    if not fitting and not segment.quoted:
        fitting = [number for number, name in enumerate(names) if "_".join((name or "").split()) == segment.text]
    if len(fitting) == 1:
        (number,) = fitting
        items = _items(found.hint)
        hint = items[min(number, len(items) - 1)] if items else Any
        return FoundKey((*found.place, number), hint, entries[number], _NOT_WRITTEN)
    if fitting:
        numbers = " or ".join(f"{path}.{number + 1}" for number in fitting)
        raise PathError(f"{shown(segment.text)} is the name of {len(fitting)} of them; write {numbers}")
    if not entries:
        raise PathError(f"the file has no {path}; add a table [[{path}]] to it, or write another key")
    known = [name for name in names if name is not None]
    ways = [str(Segment(name, quoted=True)) for name in known]
    by_number = "the number 1" if len(entries) == 1 else f"a number from 1 to {len(entries)}"
    listed = f"one of {_listed(ways)}, or {by_number}" if ways else by_number
    near = did_you_mean(segment.text, known)
    raise PathError(f"{shown(segment.text)} is not there{near}; after {path} write {listed}")


def _named(segment: Segment, number: int, name: str | None) -> bool:
    """Tell whether a part of a path means an entry: its number counts from 1, and digits in quotes are a name."""
    if not segment.quoted and segment.text.isdecimal() and segment.text.isascii():
        return int(segment.text) == number + 1
    return name == segment.text


def _entry_name(found: FoundKey, entry: Any) -> str | None:
    """Return the name of a list's entry, which can be its model's default; None where it has none."""
    item = found._replace(hint=_items(found.hint)[0] if _items(found.hint) else Any, given=entry)
    for model in _models(item):
        for key in _NAME_KEYS:
            for name, _, default in _fields((model,), entry, {}):
                if name == key:
                    value = _value_in(entry, key)
                    value = default if value is _NOT_WRITTEN else value
                    return value if isinstance(value, str) else None
    return None


def _keys(found: FoundKey, kinds: Kinds) -> Iterator[Segment]:
    """Yield what can follow in a path: all keys of the models, and the entries and free keys that are written."""
    if isinstance(found.given, list):
        names = [_entry_name(found, entry) for entry in found.given]
        for number, name in enumerate(names, 1):
            yield Segment(str(number)) if name is None or names.count(name) > 1 else Segment(name, quoted=True)
        return
    if isinstance(found.given, Value) or (_items(found.hint) and not _is_single_table(found)):
        return
    yield from (Segment(name) for name, _, _ in _fields(_models(found), found.given, kinds))
    if isinstance(found.given, Mapping) and (list(_map_values(found.hint)) or _is_open(found.hint)):
        yield from (Segment(str(key), quoted=True) for key in found.given)


def _is_single_table(found: FoundKey) -> bool:
    """Tell whether a list of tables is written as one table, or not at all and there is one by default."""
    if not any(isinstance(item, type) and issubclass(item, BaseModel) for item in _items(found.hint)):
        return False
    if found.given is _NOT_WRITTEN:
        return isinstance(found.default, tuple) and len(found.default) == 1
    return isinstance(found.given, Mapping)


def _models(found: FoundKey) -> tuple[type[BaseModel], ...]:
    """Return the models of the table at a place; of several those that a key of the table tells."""
    hints = list(_alternatives(found.hint))
    if _is_single_table(found):
        hints += [one for item in _items(found.hint) for one in _alternatives(item)]
    models = tuple(hint for hint in hints if isinstance(hint, type) and issubclass(hint, BaseModel))
    if len(models) < 2 or not isinstance(found.given, Mapping):
        return models
    return tuple(model for model in models if _is_told(model, found.given)) or models


def _is_told(model: type[BaseModel], table: Mapping[str, Any]) -> bool:
    """Tell whether the keys of a table that tell its kind are of this model."""
    for name, field in model.model_fields.items():
        told = get_args(field.annotation)
        if field.is_required() and told and all(isinstance(word, str) for word in told):
            return table.get(field.alias or name) in told
    return True


def _fields(models: tuple[type[BaseModel], ...], table: Any, kinds: Kinds) -> Iterator[tuple[str, Any, Any]]:
    """Yield key, hint and default of each field of some models; settings have those of the device's kind."""
    seen: set[str] = set()
    for model in models:
        for name, field in model.model_fields.items():
            key = field.alias or name
            if key in seen:
                continue
            seen.add(key)
            hint = _hints(model)[name]
            if key == "settings" and "kind" in model.model_fields:
                hint = kinds.get(str(_value_in(table, "kind")), dict[str, Any])
            yield key, hint, _NOT_WRITTEN if field.is_required() else field.get_default(call_default_factory=True)


@cache
def _hints(model: type[BaseModel]) -> Mapping[str, Any]:
    return get_type_hints(model, include_extras=True)


def _value_in(table: Any, key: str) -> Any:
    return table.get(key, _NOT_WRITTEN) if isinstance(table, Mapping) else _NOT_WRITTEN


def _alternatives(hint: Any) -> Iterator[Any]:
    """Yield what may stand in a place, each without what is said of it."""
    if get_origin(hint) is not None and hasattr(hint, "__metadata__"):
        yield from _alternatives(get_args(hint)[0])
    elif is_union(hint):
        for one in get_args(hint):
            yield from _alternatives(one)
    elif hint is not type(None):
        yield hint


def _items(hint: Any) -> tuple[Any, ...]:
    """Return what a list can have, in order, the last of them any number of times; nothing if it is no list."""
    for one in _alternatives(hint):
        if get_origin(one) in (tuple, list):
            return tuple(item for item in get_args(one) if item is not Ellipsis)
    return ()


def _map_values(hint: Any) -> Iterator[Any]:
    """Yield what the values of a table with free keys can be."""
    for one in _alternatives(hint):
        origin = get_origin(one)
        if isinstance(origin, type) and issubclass(origin, Mapping):
            yield get_args(one)[1]


def _is_open(hint: Any) -> bool:
    return any(one in (Any, object) for one in _alternatives(hint))


def _takes_value(hint: Any) -> bool:
    """Tell whether a single value can stand in a place; lists of values may be written as one."""
    for one in _alternatives(hint):
        origin = get_origin(one)
        if origin in (tuple, list):
            if not any(isinstance(item, type) and issubclass(item, BaseModel) for item in _flat(one)):
                return True
        elif not (
            (isinstance(one, type) and issubclass(one, BaseModel))
            or (isinstance(origin, type) and issubclass(origin, Mapping))
        ):
            return True
    return False


def _flat(hint: Any) -> Iterator[Any]:
    for one in get_args(hint):
        yield from _alternatives(one)


def _listed(keys: Iterable[str]) -> str:
    known = list(keys)
    more = len(known) - _MAX_LISTED
    return ", ".join(known[:_MAX_LISTED]) + (f" and {more} more" if more > 0 else "")

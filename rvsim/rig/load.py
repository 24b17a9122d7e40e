"""Loads rigs, and reports each mistake with its line, what is wrong, and what to do.

Knows: the folder of the shipped rigs, and the translation of pydantic's errors into error lines for a user. Does not
know TOML, nor the content of a rig, which the models define. Scenarios are loaded with the same functions.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from operator import itemgetter
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from rvsim import shipped
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.device_plan import Kinds
from rvsim.rig.model import Rig
from rvsim.rig.quantity import duration_as_typed, shown
from rvsim.rig.toml_file import Place, TomlFile, read_toml

_MAX_PROBLEMS = 100
_Model = TypeVar("_Model", bound=BaseModel)


def check_model(model: type[_Model], file: TomlFile, kinds: Kinds | None = None, **context: Any) -> _Model:
    """Validate a file's content as a model.

    Args:
        model: a rig, or a model with a rig in it.
        file: what ``read_toml`` returned.
        kinds: the settings model of each kind of simulated device; None leaves kinds and settings unchecked.
        context: further entries of the validation context.

    Raises:
        InputError: one line for each mistake.
    """
    try:
        return validate_model(model, file, kinds, **context)
    except ValidationError as error:
        raise explain_errors(error, file, model, kinds) from None


def validate_model(model: type[_Model], file: TomlFile, kinds: Kinds | None = None, **context: Any) -> _Model:
    """Validate a file's content as ``check_model`` does, with pydantic's own error.

    Raises:
        ValidationError: all mistakes.
    """
    return model.model_validate(file.data, context={"kinds": kinds, "folder": file.path.parent, **context})


def explain_errors(
    error: ValidationError, file: TomlFile, model: type[BaseModel], kinds: Kinds | None = None
) -> InputError:
    """Translate pydantic's errors into lines for a user: file, line, table, key, what is wrong and what to do."""
    details = error.errors(include_url=False)
    lines = [_problem_line(mistake, file, model, kinds or {}) for mistake in details[:_MAX_PROBLEMS]]
    problems = [text for _, text in sorted(lines, key=itemgetter(0))]
    if len(details) > _MAX_PROBLEMS:
        problems.append(f"{file.path}: {len(details) - _MAX_PROBLEMS} more mistakes; correct these first")
    return InputError(*problems)


def _problem_line(mistake: ErrorDetails, file: TomlFile, model: type[BaseModel], kinds: Kinds) -> tuple[int, str]:
    """Return the line number of one mistake, and its error line."""
    loc = mistake["loc"]
    if mistake["type"] == "union_tag_invalid":
        loc = (*loc, mistake["ctx"]["discriminator"].strip("'"))
    place = table = _place_in_data(loc, file.data)
    if mistake["type"] == "extra_forbidden":
        *above, key = loc
        known = _known_keys(model, above, file.data, kinds)
        table, text = place[:-1], _unknown_key(str(key), known, name_all="settings" in above)
    elif mistake["type"] == "missing":
        last = loc[-1]
        text = (
            f"item {last + 1} is missing; add it" if isinstance(last, int) else f'the key "{last}" is missing; add it'
        )
    else:
        details = {"key": loc[-1] if loc else "", "message": mistake["msg"], **mistake.get("ctx", {})}
        text = _problem_text(mistake["type"], mistake["input"], details)
    return file.line(place), f"{file.where(place, *_place_texts(table, file.data))}: {text}"


def _has(data: Any, step: int | str) -> bool:
    """Return whether a step of pydantic's location exists in the data; tags of unions and the like do not."""
    return step in data if isinstance(data, Mapping) else isinstance(data, list) and step in range(len(data))


def _place_in_data(loc: Place, data: Any) -> Place:
    place: Place = ()
    for step in loc:
        if _has(data, step):
            place, data = (*place, step), data[step]
    return place


def _place_texts(place: Place, data: Any) -> list[str]:
    """Return a place as texts: ``device 2 "roof fan"``, then the keys below it."""
    words: list[str] = []
    keys: list[str] = []
    for step in place:
        data = data[step]
        if isinstance(step, str):
            keys.append(step if re.fullmatch(r"[\w-]+", step, re.ASCII) else shown(step))
        elif isinstance(data, Mapping):
            title = next((f" {shown(data[key])}" for key in ("name", "fault") if isinstance(data.get(key), str)), "")
            words += [*keys[:-1], f"{keys[-1]} {step + 1}{title}"]
            keys = []
        else:
            keys[-1] += f", item {step + 1}"
    return [*words, ".".join(keys)] if keys else words


def _unknown_key(key: str, known: list[str], *, name_all: bool) -> str:
    listed = f"; the keys here are {', '.join(known)}" if name_all and known else ""
    return f"unknown key {shown(key)}{did_you_mean(key, known)}; remove it or correct the name{listed}"


def _known_keys(model: type[BaseModel], loc: Sequence[int | str], data: Any, kinds: Kinds) -> list[str]:
    """Return the keys that a table may have, by the models on the way to it."""
    models = [model]
    for step in loc:
        fields = [
            field
            for candidate in models
            for name, field in candidate.model_fields.items()
            if step == (field.alias or name)
        ]
        if step == "settings" and data.get("kind") in kinds:
            models = [kinds[data["kind"]]]
        elif fields:
            models = [found for field in fields for found in _models_in(field.annotation)]
        elif isinstance(step, str):  # the tag of a union: a model with a key of this value
            models = [
                candidate
                for candidate in models
                if any(step in get_args(f.annotation) for f in candidate.model_fields.values())
            ]
        data = data[step] if _has(data, step) else data
    return [field.alias or name for candidate in models for name, field in candidate.model_fields.items()]


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


_INTEGER = "{given} is not a whole number; write one without quotes and decimals, like 1"
_NUMBER = "{given} is not a number; write one without quotes, like 21.5"
_BOOLEAN = "{given} is neither true nor false; write one of them, without quotes"
_TABLE = "{given} is not a table; write one like {{ key = 1 }}, or its keys under a header of its own"
_TEXTS = {
    "int_type": _INTEGER,
    "int_parsing": _INTEGER,
    "int_from_float": _INTEGER,
    "float_type": _NUMBER,
    "float_parsing": _NUMBER,
    "finite_number": "{given} is not a finite number; write one like 21.5",
    "bool_type": _BOOLEAN,
    "bool_parsing": _BOOLEAN,
    "string_type": '{given} is not a text; write it in quotes, "like this"',
    "tuple_type": "{given} is not a list; write one like [1, 2], or each table under a header like [[{key}]]",
    "dict_type": _TABLE,
    "mapping_type": _TABLE,
    "model_type": _TABLE,
    "model_attributes_type": _TABLE,
    "greater_than": "{given} is too low; write more than {gt}",
    "greater_than_equal": "{given} is below {ge}; write {ge} or more",
    "less_than": "{given} is too high; write less than {lt}",
    "less_than_equal": "{given} is above {le}; write {le} or less",
    "too_short": "too few entries: {actual_length}; write at least {min_length}",
    "too_long": "too many entries: {actual_length}; write at most {max_length}",
    "value_error": "{error}",
}


def _bound(value: Any, given: object) -> Any:
    """Return a detail of a mistake as text; a text that has a bound is a duration, whose bound is in microseconds."""
    if isinstance(given, str) and isinstance(value, int):
        return duration_as_typed(value)
    return f"{value:g}" if isinstance(value, float) else value


def _problem_text(kind: str, given: object, details: Mapping[str, Any]) -> str:
    """Return the text for a user on pydantic's error ``kind``; ``details`` is its message and context."""
    if kind in _TEXTS:
        details = {name: _bound(value, given) for name, value in details.items()}
        return _TEXTS[kind].format(given=shown(given), **details)
    if kind in ("literal_error", "union_tag_invalid"):
        value = given if kind == "literal_error" else details["tag"]
        listed = details["expected" if kind == "literal_error" else "expected_tags"]
        known = [word.strip("'") for word in re.split(", | or ", listed)]
        return f"{shown(value)} is unknown{did_you_mean(str(value), known)}; write one of {', '.join(known)}"
    if kind == "union_tag_not_found":
        return f"the key {details['discriminator'].replace(chr(39), chr(34))} is missing; add it"
    return f"{shown(given)} cannot be used: {details['message'][0].lower()}{details['message'][1:]}"


def find_file(given: str | Path, folder: Path, what: str, beside: Path | None = None) -> Path:
    """Return the file of a shipped rig or scenario by its name, or the path given (ends in .toml or has a slash).

    Args:
        given: the name or path.
        folder: where the shipped ones are.
        what: rig or scenario, for the error line.
        beside: the folder of a relative path; None for the working folder.

    Raises:
        InputError: no shipped file has this name.
    """
    text = str(given)
    if text.lower().endswith(".toml") or "/" in text or "\\" in text:
        return (beside or Path()) / text
    names = sorted(path.stem for path in folder.glob("*.toml"))
    if text not in names:
        raise InputError(
            f"no {what} is called {shown(text)}{did_you_mean(text, names)}; the shipped ones are {', '.join(names)}; "
            "for your own give its path, ending in .toml"
        )
    return folder / f"{text}.toml"


def find_rig(given: str | Path, beside: Path | None = None) -> Path:
    """Return the file of a rig, see ``find_file``."""
    return find_file(given, shipped.scenario_folder() / "rigs", "rig", beside)


def load_rig(given: str | Path, kinds: Kinds | None = None, *, for_plan: bool = False) -> Rig:
    """Load a shipped rig by its name, or one of the user's own by its path.

    Args:
        given: the name, or a path that ends in .toml or has a slash.
        kinds: the settings model of each kind of simulated device; None leaves kinds and settings unchecked.
        for_plan: whether the installation is checked, so that its own mistakes are no mistakes of the file.

    Raises:
        InputError: it does not exist or cannot be used; one line for each mistake.
    """
    return check_model(Rig, read_toml(find_rig(given)), kinds, for_plan=for_plan)

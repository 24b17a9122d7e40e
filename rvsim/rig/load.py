"""Reads rigs, and TOML files in general, and says of each mistake what is wrong, on which line, and what to do.

Knows: TOML syntax and where each key of a file stands; how pydantic's errors are put into a user's words. Does not
know what a rig or a scenario must hold: the models say so.

Neither the TOML reader nor pydantic tells the line of a key, so the text is walked through a second time when there
is something to report.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from rvsim import shipped
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.model import Kinds, Rig
from rvsim.rig.quantity import shown

Place = tuple[int | str, ...]
"""Where something stands in a file: keys, and numbers of list items counted from 0."""
_LARGEST_FILE = 1 << 20
_LONGEST_PATH = 400
_DEEPEST = 16
"""Lines are kept of what stands no deeper than this: no rig does, and a hostile file could ask for gigabytes."""
_MOST_PROBLEMS = 100
_Model = TypeVar("_Model", bound=BaseModel)


@dataclass(frozen=True)
class TomlFile:
    """A file that is sound TOML, and what it says."""

    path: Path
    text: str
    data: dict[str, Any]

    @cached_property
    def lines(self) -> Mapping[Place, int]:
        """The line on which each key, table and list item first stands."""
        return _line_numbers(self.text)

    def line(self, place: Place) -> int:
        """Return the line on which something stands, or else the table around it; 0 if there is none."""
        return next((self.lines[place[:n]] for n in range(len(place), 0, -1) if place[:n] in self.lines), 0)

    def where(self, place: Place, *words: str) -> str:
        """Say where something stands: ``rigs/x.toml, line 31, device 2``, the last in ``words``."""
        line = self.line(place)
        return ", ".join([str(self.path), *([f"line {line}"] if line else []), *words])


def read_toml(path: Path) -> TomlFile:
    """Read a TOML file in UTF-8.

    Raises:
        InputError: there is no such file, it is a folder, too large, not UTF-8, or not TOML (with line and column).
    """
    text = _text_of(path)
    try:
        return TomlFile(path, text, tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise InputError(_syntax_problem(path, text, str(error))) from None
    except RecursionError:
        raise InputError(f"{path}: lists or tables stand too deep in one another; write them flatter") from None
    except ValueError:  # the one that is not a syntax error: an integer of thousands of digits
        raise InputError(f"{path}: a number has too many digits; write a smaller one") from None


def _text_of(path: Path) -> str:
    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder; name a .toml file in it")
        if not path.is_file():
            raise InputError(f"there is no file {shown(str(path), _LONGEST_PATH)}; check its name and folder")
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE + 1)
    except OSError as error:
        name = shown(str(path), _LONGEST_PATH)
        raise InputError(f"{name} cannot be read ({error.strerror}); check its name and rights") from None
    if len(content) > _LARGEST_FILE:
        raise InputError(f"{path} is larger than 1 MiB, which no rig or scenario is; name another file")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        byte = f"{content[error.start]:02X}"
        raise InputError(f"{path}, line {line}: byte {byte} hex is not UTF-8; save the file as UTF-8 text") from None


_SYNTAX = (
    ("Invalid value", 'this is not a value: text needs quotes, "like this", and yes and no are true and false'),
    ("Cannot overwrite", "this name is taken already; write it once, or each table of a list as [[device]]"),
    ("Duplicate inline table key", "this key has a value already; write it once"),
    ("Cannot declare", "this table exists already; write its header once, or two brackets for a list: [[device]]"),
    ("Cannot mutate", "this name is taken already; write it once, or each table of a list as [[device]]"),
    ("Cannot redefine", "this table is complete already; add to it where it was begun"),
    ("Expected '='", "a key needs an equals sign and a value: key = value"),
    ("Expected newline", "the line should end here; put text into quotes, and each key on a line of its own"),
    ("Expected ']]'", "the header is not closed; write two brackets on each side: [[device]]"),
    ("Expected ']'", "the header is not closed; write [table]"),
    ("Unterminated string", "a text is not closed; add the missing quote"),
    ("Illegal character '\\n'", "a text is not closed on its line; add the missing quote"),
    ("Found invalid character '\\n'", "a text is not closed on its line; add the missing quote"),
    ("Unclosed array", "a list is not closed, or a comma is missing in it; write [1, 2]"),
    ("Unclosed inline table", "a table in braces is not closed on its line; write { key = 1 }"),
    ("Unescaped '\\'", "a backslash in a text in quotes stands twice; write \\\\ or use single quotes"),
    ("Invalid statement", "no key can begin here; write key = value or a header [table]"),
    ("Invalid initial character", "a key is missing or has a sign that needs quotes; write letters, digits, _ and -"),
)


def _syntax_problem(path: Path, text: str, message: str) -> str:
    told = re.search(r" \(at line (\d+), column (\d+)\)$", message)
    end = (text.count("\n") + 1, len(text) - text.rfind("\n"))
    line, column = (int(told[1]), int(told[2])) if told else end
    plain = message.rpartition(" (at ")[0]
    words = next((ours for theirs, ours in _SYNTAX if message.startswith(theirs)), f"not TOML: {plain}; correct it")
    return f"{path}, line {line}, column {column}: {words}"


_TOKEN = re.compile(
    r"(?P<text>\"\"\"(?:\\.|[^\\])*?\"\"\"+|'''.*?'''+|\"(?:\\.|[^\"\\\n])*\"|'[^'\n]*')"
    r"|(?P<mark>[\[\]{}=,\n])|(?P<skip>[ \t\r.]+|\#[^\n]*)|(?P<word>[^\s\[\]{}=,.#\"']+)",
    re.DOTALL,
)


def _line_numbers(text: str) -> dict[Place, int]:
    """Return the line on which each key, table and list item of sound TOML first stands."""
    walk, line = _Walk(), 1
    for token in _TOKEN.finditer(text + "\n"):
        if token.lastgroup == "mark":
            walk.mark(token.group(), line)
        elif token.lastgroup != "skip" and walk.state != "value":
            key = token.group()
            walk.keys.append(tomllib.loads(f"k = {key}")["k"] if token.lastgroup == "text" else key)
        line += token.group().count("\n")
    return walk.lines


class _Walk:
    """What is known halfway through a text: the table, the brackets and braces that are open, the value to come."""

    def __init__(self) -> None:
        self.lines: dict[Place, int] = {}
        self.keys: list[str] = []
        self.state = "key"
        """What comes: "key", "header" or "value"."""
        self._table: Place = ()
        self._tables: dict[Place, int] = {}
        self._open: list[tuple[str, Place]] = []
        self._place: Place = ()
        self._brackets = 0

    def mark(self, mark: str, line: int) -> None:
        """Go past a bracket, brace, comma, equals sign or line end."""
        if mark == "\n":
            if self.state == "header":
                self._enter(line)
            if not self._open:
                self.state, self.keys, self._brackets = "key", [], 0
        elif mark == "[" and self.state != "value":
            self.state, self._brackets = "header", self._brackets + 1
        elif mark == "=":
            table = self._open[-1][1] if self._open else self._table
            self._reach((*table, *self.keys), line)
            self.state, self.keys = "value", []
        elif mark in "[{":
            self._open.append((mark, self._place))
            self.state = "key" if mark == "{" else "value"
            if mark == "[":
                self._reach((*self._place, 0), line)
        elif mark in "]}" and self.state != "header":
            self._place, self.state = self._open.pop()[1], "value"
        elif mark == "," and self._open[-1][0] == "{":
            self.state = "key"
        elif mark == ",":
            self._reach((*self._place[:-1], int(self._place[-1]) + 1), line)

    def _reach(self, place: Place, line: int) -> None:
        self._place = place
        for length in range(1, min(len(place), _DEEPEST) + 1):
            self.lines.setdefault(place[:length], line)

    def _enter(self, line: int) -> None:
        """Go below a header: ``[a.b]``, or ``[[a.b]]`` for one more table of a list."""
        place: Place = ()
        for number, key in enumerate(self.keys, 1):
            place = (*place, key)
            if self._brackets == 2 and number == len(self.keys):
                self._tables[place] = self._tables.get(place, -1) + 1
            if place in self._tables:
                place = (*place, self._tables[place])
        self._reach(place, line)
        self._table = place


def check(model: type[_Model], file: TomlFile, kinds: Kinds | None = None, **context: Any) -> _Model:
    """Read a file's content as a model.

    Args:
        model: a rig, or something that holds one.
        file: what ``read_toml`` returned.
        kinds: the settings model of each kind of simulated device; None leaves kinds and settings unchecked.
        context: what else the model's validators look for.

    Raises:
        InputError: every mistake in it, a line for each.
    """
    try:
        return model.model_validate(file.data, context={"kinds": kinds, "folder": file.path.parent, **context})
    except ValidationError as error:
        raise explain(error, file, model, kinds) from None


def explain(error: ValidationError, file: TomlFile, model: type[BaseModel], kinds: Kinds | None = None) -> InputError:
    """Put pydantic's errors into a user's words: file, line, table, key, what is wrong and what to do."""
    details = error.errors(include_url=False)
    told = sorted((_told(one, file, model, kinds or {}) for one in details[:_MOST_PROBLEMS]), key=lambda one: one[0])
    problems = [text for _, text in told]
    if len(details) > _MOST_PROBLEMS:
        problems.append(f"{file.path}: {len(details) - _MOST_PROBLEMS} more mistakes; correct these first")
    return InputError(*problems)


def _told(one: ErrorDetails, file: TomlFile, model: type[BaseModel], kinds: Kinds) -> tuple[int, str]:
    """Return the line of one mistake, and what to say of it."""
    place = table = _found(one["loc"], file.data)
    if one["type"] == "extra_forbidden":
        *above, key = one["loc"]
        table, words = place[:-1], _unknown_key(str(key), _known_keys(model, above, file.data, kinds))
    elif one["type"] == "missing":
        words = f'the key "{one["loc"][-1]}" is missing; add it'
    else:
        told = {"key": one["loc"][-1] if one["loc"] else "", "message": one["msg"], **one.get("ctx", {})}
        words = _words(one["type"], one["input"], told)
    return file.line(place), f"{file.where(place, *_spoken(table, file.data))}: {words}"


def _has(data: Any, step: int | str) -> bool:
    """Tell whether a step of pydantic's location is one in the data; tags of unions and other marks are not."""
    if isinstance(step, str):
        return isinstance(data, Mapping) and step in data
    return isinstance(data, list) and step < len(data)


def _found(loc: Place, data: Any) -> Place:
    place: Place = ()
    for step in loc:
        if _has(data, step):
            place, data = (*place, step), data[step]
    return place


def _spoken(place: Place, data: Any) -> list[str]:
    """Say a place in words: ``device 2 "roof fan"``, then the keys below it."""
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


def _unknown_key(key: str, known: list[str]) -> str:
    return f"unknown key {shown(key)}{did_you_mean(key, known)}; remove it or correct the name"


def _known_keys(model: type[BaseModel], loc: Sequence[int | str], data: Any, kinds: Kinds) -> list[str]:
    """Return the keys that a table may have, by the models that lead there."""
    models = [model]
    for step in loc:
        fields = [field for one in models for name, field in one.model_fields.items() if step == (field.alias or name)]
        if step == "settings" and data.get("kind") in kinds:
            models = [kinds[data["kind"]]]
        elif fields:
            models = [found for field in fields for found in _models_in(field.annotation)]
        elif isinstance(step, str):  # the tag of a union: the table one of whose keys must say so
            models = [one for one in models if any(step in get_args(f.annotation) for f in one.model_fields.values())]
        data = data[step] if _has(data, step) else data
    return [field.alias or name for one in models for name, field in one.model_fields.items()]


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


_INTEGER = "{given} is not a whole number; write one without quotes and decimals, like 1"
_NUMBER = "{given} is not a number; write one without quotes, like 21.5"
_BOOLEAN = "{given} is neither true nor false; write one of them, without quotes"
_TABLE = "{given} is not a table; write one like {{ key = 1 }}, or its keys under a header of its own"
_WORDS = {
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
    "value_error": "{error}",
}


def _words(kind: str, given: object, told: Mapping[str, Any]) -> str:
    """Say in a user's words what pydantic calls ``kind``; ``told`` is its message and what it says besides."""
    if kind in _WORDS:
        told = {name: f"{value:g}" if isinstance(value, float) else value for name, value in told.items()}
        return _WORDS[kind].format(given=shown(given), **told)
    if kind in ("literal_error", "union_tag_invalid"):
        value = given if kind == "literal_error" else told["tag"]
        listed = told["expected" if kind == "literal_error" else "expected_tags"]
        known = [word.strip("'") for word in re.split(", | or ", listed)]
        return f"{shown(value)} is unknown{did_you_mean(str(value), known)}; write one of {', '.join(known)}"
    if kind == "union_tag_not_found":
        return f"the key {told['discriminator'].replace(chr(39), chr(34))} is missing; add it"
    return f"{shown(given)} cannot be used: {told['message'][0].lower()}{told['message'][1:]}"


def find(given: str | Path, folder: Path, what: str, beside: Path | None = None) -> Path:
    """Return the file of a shipped rig or scenario by its name, or the path given (ends in .toml or has a slash).

    Args:
        given: the name or path.
        folder: where the shipped ones are.
        what: what is looked for, for the error line.
        beside: the folder from which a relative path is seen; the working folder if None.

    Raises:
        InputError: none that is shipped has this name.
    """
    text = str(given)
    if text.endswith(".toml") or "/" in text or "\\" in text:
        return (beside or Path()) / text
    names = sorted(path.stem for path in folder.glob("*.toml"))
    if text not in names:
        raise InputError(
            f"no {what} is called {shown(text)}{did_you_mean(text, names)}; the shipped ones are {', '.join(names)}; "
            "for your own give its path, ending in .toml"
        )
    return folder / f"{text}.toml"


def find_rig(given: str | Path, beside: Path | None = None) -> Path:
    """Return the file of a rig, see ``find``."""
    return find(given, shipped.scenario_folder() / "rigs", "rig", beside)


def load_rig(given: str | Path, kinds: Kinds | None = None) -> Rig:
    """Load a shipped rig by its name, or one of the user's own by its path.

    Args:
        given: the name, or a path that ends in .toml or has a slash.
        kinds: the settings model of each kind of simulated device; None leaves kinds and settings unchecked.

    Raises:
        InputError: it is not there, or cannot be used: every mistake in it.
    """
    return check(Rig, read_toml(find_rig(given)), kinds)

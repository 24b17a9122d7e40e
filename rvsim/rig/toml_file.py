"""Reads a TOML file, reports mistakes of syntax with line and column, and finds the line of each key.

Knows: the syntax of TOML. Does not know the content of any file.

The library's parser does not return the lines of keys, so the text is scanned a second time when there is a mistake to
report.
"""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from rvsim.errors import InputError
from rvsim.rig.quantity import shown
from rvsim.wire.file_text import decode_text

Place = tuple[int | str, ...]
"""A place in a file: keys, and indices of list items from 0."""
_MAX_FILE_BYTES = 1 << 20
_MAX_PATH_LENGTH = 400
_MAX_DEPTH = 16
"""Lines are recorded down to this depth. No rig is deeper, and a hostile file could need gigabytes. Our decision."""


@dataclass(frozen=True)
class TomlFile:
    """A valid TOML file and its content."""

    path: Path
    text: str
    data: dict[str, Any]

    @cached_property
    def lines(self) -> Mapping[Place, int]:
        """The line of the first occurrence of each key, table and list item."""
        return _line_numbers(self.text)

    def line(self, place: Place) -> int:
        """Return the line of a place, or of the nearest table around it; 0 where there is none."""
        return next((self.lines[place[:n]] for n in range(len(place), 0, -1) if place[:n] in self.lines), 0)

    def where(self, place: Place, *words: str) -> str:
        """Return a place as text: ``rigs/x.toml, line 31, device 2``; ``words`` are the texts after the line."""
        line = self.line(place)
        return ", ".join([str(self.path), *([f"line {line}"] if line else []), *words])


def read_toml(path: Path) -> TomlFile:
    """Read a TOML file in UTF-8, or in UTF-16 with a byte order mark.

    Raises:
        InputError: the file does not exist, is a folder, too large, not UTF-8, or not TOML (with line and column).
    """
    text = _file_text(path)
    try:
        return TomlFile(path, text, tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise InputError(_syntax_problem(path, text, str(error))) from None
    except RecursionError:
        raise InputError(f"{path}: lists or tables are nested too deeply; use fewer levels") from None
    except ValueError:  # not a syntax error: an integer of thousands of digits
        raise InputError(f"{path}: a number has too many digits; write a smaller one") from None


def _file_text(path: Path) -> str:
    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder; name a .toml file in it")
        if not path.is_file():
            raise InputError(f"there is no file {shown(str(path), _MAX_PATH_LENGTH)}; check its name and folder")
        with path.open("rb") as file:
            content = file.read(_MAX_FILE_BYTES + 1)
    except OSError as error:
        name = shown(str(path), _MAX_PATH_LENGTH)
        raise InputError(f"{name} cannot be read ({error.strerror}); check its name and permissions") from None
    if len(content) > _MAX_FILE_BYTES:
        raise InputError(f"{path} is larger than 1 MiB, which no rig or scenario is; name another file")
    try:
        return decode_text(content)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        byte = f"{content[error.start]:02X}"
        raise InputError(f"{path}, line {line}: byte {byte} hex is not UTF-8; save the file as UTF-8 text") from None


_SYNTAX = (
    ("Invalid value", 'this is not a value: text needs quotes, "like this"; write true and false, not yes and no'),
    ("Cannot overwrite", "this name is taken already; write it once, or each table of a list as [[device]]"),
    ("Duplicate inline table key", "this key has a value already; write it once"),
    ("Cannot declare", "this table exists already; write its header once, or two brackets for a list: [[device]]"),
    ("Cannot mutate", "this name is taken already; write it once, or each table of a list as [[device]]"),
    ("Cannot redefine", "this table is complete already; add to it where it is defined"),
    ("Expected '='", "a key needs an equals sign and a value: key = value"),
    ("Expected newline", "the line should end here; put text into quotes, and each key on a line of its own"),
    ("Expected ']]'", "the header is not closed; write two brackets on each side: [[device]]"),
    ("Expected ']'", "the header is not closed; write [table]"),
    ("Unterminated string", "a text is not closed; add the missing quote"),
    ("Illegal character '\\n'", "a text is not closed on its line; add the missing quote"),
    ("Found invalid character '\\n'", "a text is not closed on its line; add the missing quote"),
    ("Unclosed array", "a list is not closed, or a comma is missing in it; write [1, 2]"),
    ("Unclosed inline table", "a table in braces is not closed on its line; write { key = 1 }"),
    ("Unescaped '\\'", "a backslash in a text in quotes must be doubled; write \\\\ or use single quotes"),
    ("Invalid statement", "a key cannot begin here; write key = value or a header [table]"),
    (
        "Invalid initial character",
        "a key is missing or needs quotes; write letters, digits, _ and -",
    ),
)


def _syntax_problem(path: Path, text: str, message: str) -> str:
    position = re.search(r" \(at line (\d+), column (\d+)\)$", message)
    end = (text.count("\n") + 1, len(text) - text.rfind("\n"))
    line, column = (int(position[1]), int(position[2])) if position else end
    plain = message.rpartition(" (at ")[0]
    words = next((ours for theirs, ours in _SYNTAX if message.startswith(theirs)), f"not TOML: {plain}; correct it")
    return f"{path}, line {line}, column {column}: {words}"


_TOKEN = re.compile(
    r"(?P<text>\"\"\"(?:\\.|[^\\])*?\"\"\"+|'''.*?'''+|\"(?:\\.|[^\"\\\n])*\"|'[^'\n]*')"
    r"|(?P<mark>[\[\]{}=,\n])|(?P<skip>[ \t\r.]+|\#[^\n]*)|(?P<word>[^\s\[\]{}=,.#\"']+)",
    re.DOTALL,
)


def _line_numbers(text: str) -> dict[Place, int]:
    """Return the line of the first occurrence of each key, table and list item of valid TOML."""
    walk, line = _KeyScanner(), 1
    for token in _TOKEN.finditer(text + "\n"):
        if token.lastgroup == "mark":
            walk.mark(token.group(), line)
        elif token.lastgroup != "skip":
            walk.word(token.group(), line)
        line += token.group().count("\n")
    return walk.lines


class _KeyScanner:
    """The state of the scan: the current table, the open brackets and braces, the place of the next value."""

    def __init__(self) -> None:
        self.lines: dict[Place, int] = {}
        self._state = "key"
        """What is expected next: "key", "header" or "value"."""
        self._keys: list[str] = []
        self._table: Place = ()
        self._tables: dict[Place, int] = {}
        self._open: list[tuple[str, Place]] = []
        self._place: Place
        self._brackets = 0

    def word(self, word: str, line: int) -> None:
        """Take a key, or a value or a part of one."""
        if self._state == "value":
            self._reach(line)
        else:
            self._keys.append(tomllib.loads(f"k = {word}")["k"] if word[0] in "\"'" else word)

    def mark(self, mark: str, line: int) -> None:
        """Take a bracket, brace, comma, equals sign or line end."""
        if mark == "\n":
            if self._state == "header":
                self._enter(line)
            if not self._open:
                self._state, self._keys, self._brackets = "key", [], 0
        elif mark == "=":
            self._place = (*(self._open[-1][1] if self._open else self._table), *self._keys)
            self._state, self._keys = "value", []
        elif mark == "[" and self._state != "value":
            self._state, self._brackets = "header", self._brackets + 1
        elif mark in "[{":
            self._reach(line)
            self._open.append((mark, self._place))
            self._place, self._state = ((*self._place, 0), "value") if mark == "[" else (self._place, "key")
        elif mark in "]}" and self._state != "header":
            self._place, self._state = self._open.pop()[1], "value"
        elif mark == "," and self._open[-1][0] == "{":
            self._state = "key"
        elif mark == ",":
            self._place = (*self._place[:-1], int(self._place[-1]) + 1)

    def _reach(self, line: int) -> None:
        for length in range(1, min(len(self._place), _MAX_DEPTH) + 1):
            self.lines.setdefault(self._place[:length], line)

    def _enter(self, line: int) -> None:
        """Enter the table of a header: ``[a.b]``, or ``[[a.b]]`` for the next table of a list."""
        self._place = ()
        for number, key in enumerate(self._keys, 1):
            self._place = (*self._place, key)
            if self._brackets == 2 and number == len(self._keys):
                self._tables[self._place] = self._tables.get(self._place, -1) + 1
            if self._place in self._tables:
                self._place = (*self._place, self._tables[self._place])
        self._reach(line)
        self._table = self._place

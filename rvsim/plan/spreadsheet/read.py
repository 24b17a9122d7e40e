"""A spreadsheet as a rig: each row is an output, an input, a device or another part, told by its heads.

Knows: how the heads and rows are found, and in which cell each value of the rig stands. Does not know how a cell is
read (`cells`), nor which rigs are sound.
"""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from rvsim.errors import InputError, did_you_mean
from rvsim.plan.spreadsheet.cells import NONE, CellError, read_cell
from rvsim.plan.spreadsheet.columns import (
    NOT_READ,
    PARTS,
    Head,
    Key,
    Part,
    cell_name,
    head_of,
    is_part_head,
    known_head,
    plain_head,
)
from rvsim.rig.electric import HOUSE
from rvsim.rig.model import SCHEMA
from rvsim.rig.quantity import shown
from rvsim.rig.toml_file import Place, TomlFile
from rvsim.wire.file_text import UTF16_MARKS, decode_text

MAX_BYTES = 4 << 20
"""Our decision: a row for each of 10 000 parts is smaller."""
MAX_MISTAKES = 100
"""Mistakes that are told; the rest is counted."""
MAX_ROWS_ABOVE = 20
"""Rows with a title and the like that may stand above the heads. Our decision."""
_DELIMITERS = (";", ",", "\t")
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""The first bytes of a zip file, as .xlsx and .ods are, and of an .xls file."""
_PART_WORDS: Mapping[str, Part] = {
    **{part: part for part in PARTS}, "node": "device", "load centre": "module", "load center": "module",
    "supply": "branch", "circuit": "output", "load": "output", "switch": "input", "button": "input",
}  # fmt: skip
_NAMED_PARTS: Mapping[str, Mapping[Part, str]] = {
    "battery": {"branch": "battery"},
    "ground": {"device": "ground", "module": "ground"},
    "module": {"output": "module", "input": "module"},
    "relay": {"output": "relay"},
    "branch": {"device": "branch", "module": "branch"},
}
"""Parts that other rows name, and the key in those; a sheet without a row for any of them has them by their names."""


@dataclass(frozen=True)
class SheetFile(TomlFile):
    """A rig out of a spreadsheet; it knows in which cell each value stands."""

    cells: Mapping[Place, str] = field(default_factory=dict)
    """The cell of each value and of each entry, by its place in the rig."""
    base: TomlFile | None = None
    """The rig that the rows were added to."""
    notes: tuple[str, ...] = ()
    """What was not read, and what is only known by its name."""

    def line(self, place: Place) -> int:
        """Return a number by which places are sorted: the row, or 0 where no cell is known."""
        cell = self._cell(place)
        return int("".join(filter(str.isdigit, cell))) if cell else 0

    def where(self, place: Place, *words: str) -> str:
        """Return a place as text: ``van.csv, B7, output 3 "roof fan"``."""
        cell = self._cell(place)
        if not cell and self.base is not None:
            return self.base.where(place, *words)
        return ", ".join([str(self.path), *([cell] if cell else []), *words])

    def _cell(self, place: Place) -> str:
        return next((self.cells[place[:n]] for n in range(len(place), 1, -1) if place[:n] in self.cells), "")


class _Row(NamedTuple):
    """One part as a row gives it: the values by their keys, what is taken away, and the cells."""

    part: Part
    name: str
    values: Mapping[Key, Any]
    removed: tuple[Key, ...]
    cells: Mapping[Key, str]


def read_spreadsheet(path: Path, base: TomlFile | None = None) -> SheetFile:
    """Return the rig of a spreadsheet; its content is not yet checked as a rig.

    Args:
        path: the file.
        base: a rig that the rows replace and complete, by the names of its parts; None for a rig of its own.

    Raises:
        InputError: it cannot be read; a line for each mistake, with its cell.
    """
    text, told = _text(path)
    rows, decimal_comma = _rows(path, text)
    problems: list[str] = []
    notes = [*told]
    found = list(_parts(rows, problems, notes, decimal_comma=decimal_comma))
    if not problems and not found:
        problems.append("there is no row with a part below the heads; add one")
    if not problems and base is None and not any(row.part == "device" for row in found):
        problems.append('no row is a device, and a rig needs one; add a row with the part "device" and its address')
    if problems:
        more = [f"{len(problems) - MAX_MISTAKES} more mistakes; correct these first"]
        told_problems = problems[:MAX_MISTAKES] + (more if len(problems) > MAX_MISTAKES else [])
        raise InputError(
            *(f"{path}, {problem}" if _has_cell(problem) else f"{path}: {problem}" for problem in told_problems)
        )
    return _as_rig(path, found, base, notes)


def _has_cell(problem: str) -> bool:
    cell = problem.partition(":")[0]
    return cell.isalnum() and cell[-1:].isdigit()


def _text(path: Path) -> tuple[str, list[str]]:
    """Return the text of the file, and what is said of its encoding.

    Raises:
        InputError: it cannot be read as text.
    """
    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder; name a .csv file in it")
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise InputError(f"{path} cannot be read ({why}); check its name and permissions") from None
    if content.startswith(_WORKBOOKS):
        raise InputError(f"{path} is a workbook; save its sheet as CSV in UTF-8, and name that file")
    if len(content) > MAX_BYTES:
        raise InputError(f"{path} is larger than 4 MiB, which no sheet of a rig is; name another file")
    try:
        text = decode_text(content)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        byte = f"{content[error.start]:02X}"
        raise InputError(f"{path}, line {line}: byte {byte} hex is not UTF-8; save the sheet as CSV in UTF-8") from None
    return text, [f"{path}: read as UTF-16"] if content.startswith(UTF16_MARKS) else []


def _rows(path: Path, text: str) -> tuple[list[list[str]], bool]:
    """Return the cells of each row, and whether a comma in a number can only be a decimal comma.

    Raises:
        InputError: quotes do not match.
    """
    first = text.partition("\n")[0].strip().lower()
    skipped = 0
    if first.startswith("sep=") and len(first) == 5:
        delimiter, skipped = first[4], 1
    else:
        sample = "\n".join(text.split("\n")[:MAX_ROWS_ABOVE])
        unquoted = "".join(sample.split('"')[::2])
        delimiter = max(_DELIMITERS, key=unquoted.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise InputError(f"{path}: this is no table of cells ({error}); save the sheet as CSV again") from None
    blank: list[list[str]] = [[] for _ in range(skipped)]
    return [*blank, *([cell.strip() for cell in row] for row in rows[skipped:])], delimiter != ","


def _heads(row: Sequence[str]) -> bool:
    """Tell whether a row has the heads: a name, and something else that is known."""
    known = [head for cell in row if cell and (head := known_head(cell)) is not None]
    return len(known) > 1 and any(head.column.head == "name" for head in known)


def _parts(
    rows: Sequence[Sequence[str]], problems: list[str], notes: list[str], *, decimal_comma: bool
) -> Iterator[_Row]:
    """Yield each row with a part; mistakes go to ``problems``, what is not read to ``notes``."""
    first = next((number for number, row in enumerate(rows[: MAX_ROWS_ABOVE + 1]) if _heads(row)), None)
    if first is None:
        problems.append(
            "no row has heads that are known; the first row should have them, like part, name, module, terminal, "
            "current (A), wire (mm2), length (m)"
        )
        return
    seen: dict[tuple[Part, str], str] = {}
    sheet = _Sheet(problems, notes, decimal_comma=decimal_comma)
    for number, row in enumerate(rows[first:], first):
        if _heads(row):
            sheet.start(number, row)
        elif any(row):
            part = sheet.part_of(number, row)
            if part is None:
                continue
            name_cell = part.cells.get(("name",), cell_name(number, 0))
            other = seen.setdefault((part.part, part.name), name_cell)
            if other != name_cell:
                problems.append(
                    f"{name_cell}: the {part.part} {shown(part.name)} stands in {other} already; write it once"
                )
            yield part


class _Sheet:
    """Reads the rows below one row of heads after the other."""

    def __init__(self, problems: list[str], notes: list[str], *, decimal_comma: bool) -> None:
        self._decimal_comma, self._problems, self._notes = decimal_comma, problems, notes
        self._heads: dict[int, Head] = {}
        self._not_read: set[int] = set()
        self._part_column: int | None = None

    def start(self, number: int, row: Sequence[str]) -> None:
        """Read a row of heads."""
        self._heads, self._not_read, self._part_column = {}, set(), None
        for place, cell in enumerate(row):
            head = None if not cell or is_part_head(cell) else head_of(cell)
            if cell and is_part_head(cell):
                self._part_column = place
            elif isinstance(head, Head):
                self._check_unit(number, place, cell, head)
                self._heads[place] = head
            elif isinstance(head, str):
                self._problems.append(f"{cell_name(number, place)}: {shown(cell)}: {head}")
                self._not_read.add(place)
            elif cell:
                self._not_read.add(place)
                if plain_head(cell) not in NOT_READ:
                    self._notes.append(f"{cell_name(number, place)}: the column {shown(cell)} is not read")

    def _check_unit(self, number: int, place: int, cell: str, head: Head) -> None:
        column = head.column
        if column.form == "number" and column.units and not (head.unit or column.unit):
            self._problems.append(
                f"{cell_name(number, place)}: {shown(cell)} has no unit; write it into the head, like {column.head}"
            )
            # The unit of the rig, so that its cells are read and told about.
            self._heads[place] = head._replace(unit=next(iter(column.units)))

    def part_of(self, number: int, row: Sequence[str]) -> _Row | None:
        """Return what a row gives; None where it cannot be read."""
        part = self._part(number, row)
        if part is None:
            return None
        values: dict[Key, Any] = {}
        cells: dict[Key, str] = {}
        removed: list[Key] = []
        for place, text in enumerate(row):
            if not text or place in self._not_read or place == self._part_column:
                continue
            cell = cell_name(number, place)
            head = self._heads.get(place)
            if head is None:
                self._problems.append(f"{cell}: {shown(text)} has no head above it; write one, or clear the cell")
                continue
            key = head.column.keys.get(part)
            if key is None:
                if text != NONE:
                    self._problems.append(f"{cell}: {_article(part)} has no {head.column.names[0]}; clear the cell")
                continue
            if text == NONE:
                removed.append(key)
                continue
            try:
                value = read_cell(text, head.column, head.unit, decimal_comma=self._decimal_comma)
            except CellError as error:
                self._problems.append(f"{cell}: {error}")
                continue
            if key == ("kind",):
                value = text  # the name of a kind of device, as it is
            if head.column.form == "size":
                key, value = ("wire", value[0]), value[1]
            if head.column.form == "current" and part == "device":
                value = _DeviceCurrent(value)
            if key in values:
                self._problems.append(f"{cells[key]} and {cell} both give {'.'.join(key)}; clear one of them")
                continue
            values[key], cells[key] = value, cell
        self._spread_current(values, cells)
        name = values.get(("name",))
        if name is None:
            self._problems.append(f"{cell_name(number, self._name_column)}: the {part} has no name; write one")
            return None
        return _Row(part, name, values, tuple(removed), cells)

    @property
    def _name_column(self) -> int:
        return next((place for place, head in self._heads.items() if head.column.head == "name"), 0)

    def _part(self, number: int, row: Sequence[str]) -> Part | None:
        if self._part_column is None:
            addresses = [place for place, head in self._heads.items() if head.column.form == "address"]
            return "device" if any(place < len(row) and row[place] for place in addresses) else "output"
        text = row[self._part_column] if self._part_column < len(row) else ""
        word = plain_head(text)
        part = (
            _PART_WORDS.get(word) or _PART_WORDS.get(word.removesuffix("s")) or _PART_WORDS.get(word.removesuffix("es"))
        )
        if part is None:
            near = did_you_mean(word, _PART_WORDS)
            said = f"{shown(text)} is no part of a rig{near}" if text else "the row does not say what it is"
            self._problems.append(f"{cell_name(number, self._part_column)}: {said}; write one of {', '.join(PARTS)}")
        return part

    def _spread_current(self, values: dict[Key, Any], cells: Mapping[Key, str]) -> None:
        """Give the current of a device to its only function."""
        current = values.get(("amps",))
        if not isinstance(current, _DeviceCurrent):
            return
        functions = list(values.get(("functions",), ()))
        if len(functions) == 1:
            values[("amps",)] = {functions[0]: [0.0, current.amps]}
        else:
            self._problems.append(
                f"{cells[('amps',)]}: the current of a device belongs to its one function; write currents by function "
                "in a column with the head currents, like furnace 0.1..6.1"
            )


class _DeviceCurrent(NamedTuple):
    """The highest current of a device, until its function is known."""

    amps: float


def _article(part: Part) -> str:
    return f"{'an' if part[0] in 'aeiou' else 'a'} {part}"


def _as_rig(path: Path, rows: Sequence[_Row], base: TomlFile | None, notes: list[str]) -> SheetFile:
    """Return the rows as a rig, in place of and beside what the base has."""
    if base is None:
        data: dict[str, Any] = {"schema": SCHEMA, "name": path.stem.strip() or "sheet", "title": f"from {path.name}"}
    else:
        data = deepcopy(base.data)
        if isinstance(data.get("definitions"), list):
            folder = base.path.parent.absolute()
            data["definitions"] = [str(folder / one) if isinstance(one, str) else one for one in data["definitions"]]
    cells: dict[Place, str] = {}
    for row in rows:
        entries = data.setdefault(row.part, [])
        if not isinstance(entries, list):  # a mistake of the base, which is told when it is checked
            continue
        at = next((n for n, one in enumerate(entries) if isinstance(one, dict) and one.get("name") == row.name), None)
        if at is None:
            at = len(entries)
            entries.append({"name": row.name})
        for key in row.removed:
            _remove(entries[at], key)
        for key, value in row.values.items():
            _put(entries[at], key, value)
        cells[(row.part, at)] = row.cells.get(("name",), "")
        cells |= {(row.part, at, *key): cell for key, cell in row.cells.items()}
    for part, users in _NAMED_PARTS.items():
        if not data.get(part):
            names = _names_used(data, users)
            if part == "battery" and names and HOUSE not in names:
                names = [HOUSE, *names]  # else another one would be taken for it
            if names:
                data[part] = [{"name": name} for name in names]
                notes.append(f"only by name: {part} {', '.join(names)}; rows of their own can give their figures")
    return SheetFile(path, "", data, cells, base, tuple(notes))


def _names_used(data: Mapping[str, Any], users: Mapping[Part, str]) -> list[str]:
    entries = [(entry, key) for part, key in users.items() for entry in data.get(part, ())]
    names = [entry.get(key) for entry, key in entries if isinstance(entry, dict)]
    return list(dict.fromkeys(name for name in names if isinstance(name, str)))


def _put(entry: dict[str, Any], key: Key, value: Any) -> None:
    """Put a value into an entry; a size of a wire replaces the other form of it."""
    for step in key[:-1]:
        inner = entry.get(step)
        entry[step] = entry = inner if isinstance(inner, dict) else {}
    other = {"area_mm2": "awg", "awg": "area_mm2"}.get(key[-1])
    if other is not None:
        entry.pop(other, None)
    entry[key[-1]] = value


def _remove(entry: dict[str, Any], key: Key) -> None:
    """Take a value out of an entry, and the table around it if nothing else is in it."""
    if len(key) == 1:
        entry.pop(key[0], None)
        return
    inner = entry.get(key[0])
    if isinstance(inner, dict):
        if key[-1] == "area_mm2":
            inner.pop("awg", None)
        inner.pop(key[-1], None)
        if not inner:
            del entry[key[0]]

"""The reader of tables, as lines of text or of JSON, whose columns a mapping names.

Knows: how a line becomes cells, and cells a frame. Does not know which mapping fits: `table_guess` does. Lines before
the first frame are the head of the table; they may name the columns. A frame with more than eight bytes is a long
message that the writer has joined.
"""

import csv
import json
import re
from collections.abc import Sequence
from contextlib import suppress
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, ClassVar

from rvsim.logs.formats.dates import parse_date_us, parse_time_of_day_us
from rvsim.logs.formats.entry import (
    LogEntry,
    ReadEntry,
    UnreadableError,
    checked_time,
    data_entry,
    other_frame,
    quoted,
)
from rvsim.rig.column_mapping import TIME_UNITS, Column, ColumnMapping

MAX_CHANNEL_NAME = 40
"""Characters of a channel's name at most."""
_EXTENDED_FLAG = 0x8000_0000
"""The bit that marks identifiers with 29 bits in some tables, as in DBC files."""
_STANDARD_DIGITS = 3
"""Hexadecimal digits of an 11-bit identifier at most."""
_STANDARD = 0x7FF
_NUMBER = re.compile(r"-?\d{1,20}(?:\.\d{0,24})?(?:[eE][+-]?\d{1,2})?", re.ASCII)
_TWO_WAYS = re.compile(r"\d{1,2}/\d{1,2}/\d{2,4}\b", re.ASCII)
"""A date of which either number can be the month."""
_HEX = re.compile(r"(0[xX])?([0-9A-Fa-f]{1,8})([hHxX]?)", re.ASCII)
_DECIMAL = re.compile(r"(\d{1,10})([xX]?)", re.ASCII)
_BYTES_APART = re.compile(r"[\s,:;\-_|\[\]]+")
_NO_BYTE = frozenset({"", "-", "--", ".", ".."})
"""What stands in the place of a byte that a frame does not have."""

Cell = Any
"""One cell: a text; in JSON also a whole number, a list, or None."""


class TableReader:
    """Reads one table."""

    kind: ClassVar[str] = "table of frames"
    origin = 0

    def __init__(self, mapping: ColumnMapping) -> None:
        self._mapping = mapping
        self._separators = [mapping.separator] if mapping.separator else [";", "\t", ",", " "]
        self._named: dict[Column, tuple[int, int | None] | None] = {}
        """The places of the columns that are known by their names."""
        self._missing: list[str] = []
        """The names that are missing in the line that has most of them."""
        self._is_begun = False

    def fits(self, line: bytes) -> bool:
        """Tell whether a line is a frame with data; lines before it may have named the columns."""
        return self.why_not(line) == ""

    def why_not(self, line: bytes) -> str:
        """Return why a line is no frame with data, empty where it is one."""
        try:
            entry = self._read(line)
        except UnreadableError as why:
            return str(why)
        if entry is None:
            return "there are only names of columns"
        return "there are no data" if isinstance(entry, LogEntry) and not entry.data else ""

    def read(self, line: bytes) -> ReadEntry:
        """Read one line; a line before the first frame may be anything."""
        try:
            entry = self._read(line)
        except UnreadableError:
            if self._is_begun:
                raise
            return None
        self._is_begun |= entry is not None
        return entry

    def _read(self, line: bytes) -> ReadEntry:
        text = text_of(line).strip("\r\n")
        if not text.strip():
            return None
        if text.lstrip().startswith(("{", "[")):
            return self._entry(_json_row(text))
        why, most = None, 1
        for separator in self._separators:
            row = split_line(text, separator)
            if not self._is_begun and self._is_header(row):
                self._named, self._separators = (
                    {each: _places(each, row) for each in self._mapping.columns},
                    [separator],
                )
                return None
            if len(row) < 2:
                continue
            try:
                entry = self._entry(row, has_decimal_commas=separator != ",")
            except UnreadableError as error:
                if len(row) > most and (separator != " " or most == 1):
                    why, most = error, len(row)
            else:
                self._separators = [separator]
                return entry
        raise why or UnreadableError(f"{quoted(line)} has no columns")

    def _is_header(self, row: Sequence[str]) -> bool:
        named = [column for column in self._mapping.columns if not column.is_numbered]
        missing = [column.name for column in named if _places(column, row) is None]
        if len(missing) < min(len(named), len(self._missing or named)):
            self._missing = missing
        return bool(named) and not missing

    def _entry(self, row: "Sequence[Cell] | dict[str, Cell]", *, has_decimal_commas: bool = False) -> ReadEntry:
        mapping = self._mapping
        time = None
        if mapping.time is not None:
            time = _time(self._cell(row, mapping.time), mapping.time.unit, has_decimal_commas=has_decimal_commas)
        number, is_extended = _identifier(self._cell(row, mapping.identifier), mapping.identifier.unit)
        data = _data(self._data_cells(row), mapping.data.unit)
        if mapping.length is not None:
            data = _cut(data, self._cell(row, mapping.length))
        channel = None
        if mapping.channel is not None:
            channel = str(self._cell(row, mapping.channel)).strip()[:MAX_CHANNEL_NAME].encode("utf-8", "replace")
        if not is_extended:
            if len(data) > 8:
                raise UnreadableError(f"{len(data)} data bytes with an 11-bit identifier")
            return other_frame(time, channel, number, False, data)
        return data_entry(time, channel, number, data)

    def _cell(self, row: "Sequence[Cell] | dict[str, Cell]", column: Column) -> Cell:
        cells = self._selected(row, column)
        if not cells or cells[0] is None:
            raise UnreadableError(f"there is nothing in column {column.name}")
        return cells[0]

    def _data_cells(self, row: "Sequence[Cell] | dict[str, Cell]") -> Sequence[Cell]:
        return self._selected(row, self._mapping.data)

    def _selected(self, row: "Sequence[Cell] | dict[str, Cell]", column: Column) -> Sequence[Cell]:
        """Return the cells of a column, or of several next to each other."""
        if isinstance(row, dict):
            return _by_key(row, column)
        place = (column.first, column.last) if column.is_numbered else self._named.get(column)
        if place is None:
            raise UnreadableError(f"no line before it names a column {(self._missing or [column.name])[0]}")
        first, last = place
        if len(row) < first and first == last:
            raise UnreadableError(f"there is no column {column.name}: the line has {len(row)}")
        return row[first - 1 : last]


def text_of(line: bytes) -> str:
    """Return a line as text: UTF-8, or else the code page that most programs in Western Europe write."""
    try:
        return line.decode()
    except UnicodeDecodeError:
        return line.decode("cp1252", "replace")


def _json_row(text: str) -> "Sequence[Cell] | dict[str, Cell]":
    try:
        row = json.loads(text, parse_float=str)
    except (ValueError, RecursionError):
        raise UnreadableError(f"{quoted(text.encode('utf-8', 'replace'))} is not JSON") from None
    if not isinstance(row, dict | list):
        raise UnreadableError("a line of JSON without columns")
    return row


def _by_key(row: dict[str, Cell], column: Column) -> Sequence[Cell]:
    """Return what is under a key, which may be a path of keys."""
    if column.name in row:
        return [row[column.name]]
    found: Cell = row
    for key in column.name.split("."):
        if not isinstance(found, dict) or key not in found:
            raise UnreadableError(f"there is no key {column.name}")
        found = found[key]
    return [found]


def split_line(text: str, separator: str) -> list[str]:
    """Return the cells of a line."""
    if separator == " ":
        return text.split()
    if '"' not in text:
        return [cell.strip() for cell in text.split(separator)]
    try:
        return [cell.strip() for cell in next(csv.reader([text], delimiter=separator, skipinitialspace=True), [])]
    except csv.Error:
        return []


def _places(column: Column, header: Sequence[str]) -> tuple[int, int | None] | None:
    """Return the first and the last place, from 1, of a column that is known by its name; None if it is not there."""
    known = {name.strip().lower(): place for place, name in reversed(list(enumerate(header, 1)))}
    name = column.name.lower()
    if name in known:
        return known[name], known[name]
    for cut in range(1, len(name)):
        if name[cut] != "-":
            continue
        first, last = known.get(name[:cut].strip()), known.get(name[cut + 1 :].strip())
        if first is not None and (last is not None or not name[cut + 1 :].strip()):
            return first, last
    return None


def _time(cell: Cell, unit: str, *, has_decimal_commas: bool) -> int:
    text = str(cell).strip().strip("()[]")
    number = text.replace(",", ".") if has_decimal_commas else text
    if _NUMBER.fullmatch(number):
        whole, _, fraction = number.partition(".")
        power = TIME_UNITS[unit]
        if whole.isdecimal() and len(whole) < 12 and len(fraction) <= power and not fraction.strip("0123456789"):
            return int(whole + fraction.ljust(power, "0"))
        return checked_time(int(Decimal(number).scaleb(TIME_UNITS[unit]).to_integral_value(ROUND_HALF_UP)))
    time = parse_date_us(text)
    time = parse_time_of_day_us(text) if time is None else time
    if time is None and _TWO_WAYS.match(text):
        raise UnreadableError(
            f"{_shown(text)}: whether its day or its month comes first is not known; write dates as "
            "2026-03-04 11:55:00, without AM or PM"
        )
    if time is None:
        raise UnreadableError(f"{_shown(text)} is not a time")
    return time


def _identifier(cell: Cell, unit: str) -> tuple[int, bool]:
    """Return an identifier, and whether it has 29 bits."""
    if isinstance(cell, int) and not isinstance(cell, bool) and cell >= 0:  # a number of JSON is decimal
        number, is_extended = cell, cell > _STANDARD
    else:
        text = "".join(str(cell).split())
        decimal = _DECIMAL.fullmatch(text) if unit == "dec" else None
        hexadecimal = _HEX.fullmatch(text)
        if decimal:
            number, is_extended = int(decimal[1]), bool(decimal[2]) or int(decimal[1]) > _STANDARD
        elif hexadecimal and (unit == "hex" or hexadecimal[1]):
            number = int(hexadecimal[2], 16)
            is_extended = len(hexadecimal[2]) > _STANDARD_DIGITS or hexadecimal[3] in ("x", "X") or number > _STANDARD
        else:
            raise UnreadableError(f"{_shown(text)} is not an identifier ({unit})")
    return number & ~_EXTENDED_FLAG if number >> 31 == 1 else number, is_extended


def _data(cells: Sequence[Cell], unit: str) -> bytes:
    """Return the data bytes in one cell, or one in each of several."""
    if len(cells) == 1 and isinstance(cells[0], list):
        cells = cells[0]
        return bytes(_byte(str(cell), "dec" if isinstance(cell, int) else unit) for cell in cells)
    if len(cells) == 1 and unit == "hex" and isinstance(cells[0], str):
        with suppress(ValueError):
            return bytes.fromhex(cells[0])
    if len(cells) == 1:
        texts = [text for text in _BYTES_APART.split(str(cells[0] if cells[0] is not None else "")) if text]
        if len(texts) == 1 and unit == "hex":
            return _together(texts[0])
    else:
        texts = [str(cell).strip() for cell in cells]
        filled = next((place for place, text in enumerate(texts) if text in _NO_BYTE), len(texts))
        if any(text not in _NO_BYTE for text in texts[filled:]):
            raise UnreadableError("a data byte is missing between others")
        texts = texts[:filled]
    return bytes(_byte(text, unit) for text in texts)


def _together(text: str) -> bytes:
    digits = text.removeprefix("0x").removeprefix("0X")
    try:
        return bytes.fromhex(digits)
    except ValueError:
        raise UnreadableError(f"data {_shown(text)} is not hexadecimal, or a digit is missing") from None


def _byte(text: str, unit: str) -> int:
    digits = text.removeprefix("0x").removeprefix("0X")
    try:
        value = int(digits, 10 if unit == "dec" and digits == text else 16)
    except ValueError:
        value = -1
    if not 0 <= value <= 255 or not digits.isalnum():
        raise UnreadableError(f"{_shown(text)} is not a data byte ({unit})")
    return value


def _cut(data: bytes, cell: Cell) -> bytes:
    """Return as many bytes as a length says."""
    text = str(cell).strip()
    if not text.isdecimal() or len(text) > 4:
        raise UnreadableError(f"{_shown(text)} is not a length")
    if len(data) < int(text):
        raise UnreadableError(f"{len(data)} data bytes where the length is {int(text)}")
    return data[: int(text)]


def _shown(text: str) -> str:
    return quoted(text.encode("utf-8", "replace"))

"""Which columns of a table hold the frames of a log: `time=1,id=2,data=4-`, as `--columns` and a rig say it.

Knows: how a mapping is written. Does not know files, nor how a table is split into columns.

A mapping is a list of `key=column`. A column is its number, from 1, or its name in the first lines, or in JSON lines
its key (`frame.id` for a key within a key); in double quotes where the name has a comma, a colon or an equals sign.
Several columns are `4-11`, or `4-` up to the last. Behind a colon is the unit: of times s (if omitted), ms, us, ns; of
identifiers and data hex (if omitted) or dec. Dates and times of day are recognised.
"""

import re
from dataclasses import dataclass

TIME_UNITS = {"s": 6, "ms": 3, "us": 0, "ns": -3}
"""The units of times, as the power of ten of microseconds."""
NUMBER_UNITS = ("hex", "dec")
SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "blank": " "}
KEYS = {
    "time": tuple(TIME_UNITS),
    "id": NUMBER_UNITS,
    "data": NUMBER_UNITS,
    "length": (),
    "channel": (),
    "separator": (),
}
"""The keys of a mapping, each with its units; the first is the one that may be omitted."""
EXAMPLE = "time=1,id=2,data=4-"
_ITEM = re.compile(r'\s*([a-z]+)\s*=\s*("[^"]*"|[^",]*?)\s*(?::\s*([a-z]+)\s*)?(,|$)')
_RANGE = re.compile(r"([1-9]\d{0,3})(?:(-)([1-9]\d{0,3})?)?")


@dataclass(frozen=True)
class Column:
    """One column, or several next to each other.

    ``first`` counts from 1; it is 0 for a column that is known by its ``name`` alone. ``last`` is None for the last
    column of a line.
    """

    name: str
    unit: str = ""
    first: int = 0
    last: int | None = 0

    @property
    def is_numbered(self) -> bool:
        """Whether the column is known by its number."""
        return self.first > 0


@dataclass(frozen=True)
class ColumnMapping:
    """The columns of a table; ``separator`` is None where it is found by what is in the lines."""

    text: str
    """The mapping as it was written."""
    identifier: Column
    data: Column
    time: Column | None = None
    length: Column | None = None
    channel: Column | None = None
    separator: str | None = None

    @property
    def columns(self) -> tuple[Column, ...]:
        """All columns that it names."""
        every = (self.time, self.identifier, self.length, self.data, self.channel)
        return tuple(column for column in every if column is not None)


def parse_mapping(text: str) -> ColumnMapping:
    """Return the mapping that a text describes.

    Raises:
        ValueError: it describes none; the message says what is wrong, and how a mapping is written.
    """
    found: dict[str, Column] = {}
    separator = None
    place = 0
    while place < len(text):
        item = _ITEM.match(text, place)
        if not item:
            raise _mistake(f'"{text[place:][:40]}" is not key=column')
        key, value, unit, _ = item.groups()
        if key not in KEYS:
            raise _mistake(f"{key} is not a key; the keys are {', '.join(KEYS)}")
        if key in found or (key == "separator" and separator is not None):
            raise _mistake(f"{key} is given twice")
        if unit is not None and unit not in KEYS[key]:
            units = f"the units of {key} are {', '.join(KEYS[key])}" if KEYS[key] else f"{key} has no unit"
            raise _mistake(f"{unit} is not a unit here; {units}; a name with a colon is written in double quotes")
        if key == "separator":
            if value not in SEPARATORS:
                raise _mistake(f"separator={value}: the separators are {', '.join(SEPARATORS)}")
            separator = SEPARATORS[value]
        else:
            found[key] = _column(key, value, unit or "".join(KEYS[key][:1]))
        place = item.end()
    missing = [key for key in ("id", "data") if key not in found]
    if missing:
        raise _mistake(f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing")
    return ColumnMapping(
        text, found["id"], found["data"], found.get("time"), found.get("length"), found.get("channel"), separator
    )


def _column(key: str, value: str, unit: str) -> Column:
    name = value.strip('"').strip()
    if not name:
        raise _mistake(f"{key} names no column")
    numbers = _RANGE.fullmatch(name) if not value.startswith('"') else None
    if numbers is None:
        return Column(name, unit)
    first = int(numbers[1])
    last = first if numbers[2] is None else None if numbers[3] is None else int(numbers[3])
    if last != first and key != "data":
        raise _mistake(f"{key}={name}: only data can be several columns")
    if last is not None and last < first:
        raise _mistake(f"{key}={name}: the last column is before the first")
    return Column(name, unit, first, last)


def _mistake(what: str) -> ValueError:
    return ValueError(f"{what}; write the columns like {EXAMPLE}")

"""The outputs, inputs, wires and devices of a rig as a spreadsheet.

Knows: which columns are written, and what of a rig a spreadsheet has no columns for. Does not know how a cell is
written (`cells`).
"""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rvsim.plan.spreadsheet.cells import write_cell, write_size
from rvsim.plan.spreadsheet.columns import COLUMNS, PARTS, Column, Key, Part

_SIZES = ("area_mm2", "awg")


def spreadsheet_text(data: Mapping[str, Any]) -> str:
    """Return a rig as comma-separated values, a row for each part; lines end as RFC 4180 has it.

    ``data`` is the content of a rig's file, which has been checked.
    """
    rows = [(part, entry) for part in PARTS for entry in _entries(data, part)]
    columns = [column for column in COLUMNS if any(_text(column, part, entry) for part, entry in rows)]
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["part", *(column.head for column in columns)])
    for part, entry in rows:
        writer.writerow([part, *(_text(column, part, entry) for column in columns)])
    return out.getvalue()


def left_out(data: Mapping[str, Any]) -> list[str]:
    """Return what of a rig has no column: tables, and keys of the parts that are written, as "settings of device"."""
    known = {"schema", "name", "title", *PARTS}
    found = [key for key in data if key not in known]
    for part in PARTS:
        written = {column.keys[part][0] for column in COLUMNS if part in column.keys}
        keys = dict.fromkeys(key for entry in _entries(data, part) for key in entry if key not in written)
        found += [f"{key} of {part}" for key in keys]
        inner = {column.keys[part] for column in COLUMNS if part in column.keys and len(column.keys[part]) > 1}
        tables = {key[0] for key in inner}
        for table in sorted(tables):
            own = {key[1] for key in inner if key[0] == table} | {"awg"}
            more = dict.fromkeys(
                key for entry in _entries(data, part) if isinstance(entry.get(table), dict) for key in entry[table]
            )
            found += [f"{table}.{key} of {part}" for key in more if key not in own]
    return found


def _entries(data: Mapping[str, Any], part: Part) -> Sequence[Mapping[str, Any]]:
    entries: Sequence[Mapping[str, Any]] = data.get(part, ())
    return entries


def _text(column: Column, part: Part, entry: Mapping[str, Any]) -> str:
    """Return the text of a cell; empty where the entry has no such value, or another column has it."""
    key = column.keys.get(part)
    if key is None or _columns_of(part, key) is not column:
        return ""
    if column.form == "size":
        wire = entry.get(key[0], {})
        return next((write_size(size, wire[size]) for size in _SIZES if size in wire), "")
    value: Any = entry
    for step in key:
        value = value.get(step) if isinstance(value, Mapping) else None
    return "" if value is None else write_cell(value, column)


def _columns_of(part: Part, key: Key) -> Column:
    return next(_all_columns_of(part, key))


def _all_columns_of(part: Part, key: Key) -> Iterator[Column]:
    return (column for column in COLUMNS if column.keys.get(part) == key)

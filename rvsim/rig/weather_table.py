"""A weather table: a CSV file with the air outside hour by hour, as weather services give it.

Knows: its columns and their limits, that its rows have even distances in time, and the line of each mistake. Does not
know what the weather does to a vehicle, nor what holds between two rows (`world` interpolates).
"""

from collections.abc import Iterator, Mapping, Sequence
from math import isclose, isfinite
from pathlib import Path
from typing import NamedTuple

from rvsim.errors import InputError
from rvsim.rig.quantity import shown
from rvsim.wire.file_text import decode_text

HOURS = "hours"
COLUMNS: Mapping[str, tuple[float, float]] = {
    "outdoor_c": (-60, 60),
    "humidity_percent": (0, 100),
    "wind_m_per_s": (0, 60),
    "cloud_percent": (0, 100),
    "sun_w_per_m2": (0, 1400),
}
"""The columns beside the time, each with its lowest and highest possible value; 1400 is above the sun's power outside
the atmosphere."""
MAX_ROWS = 100_000
"""More rows than ten years of hours. Our decision."""
_MAX_BYTES = 16 << 20


class WeatherTable(NamedTuple):
    """Rows at even distances; the first is the start of the run."""

    step_s: float
    columns: Mapping[str, tuple[float, ...]]


class _Row(NamedTuple):
    line: int
    cells: list[str]


def read_weather_table(path: Path) -> WeatherTable:
    """Read a weather table.

    Raises:
        InputError: it is not there, or a row is missing or wrong: one line with file and line.
    """
    names, rows = _read_rows(path)
    values: dict[str, list[float]] = {name: [] for name in names}
    for row in rows:
        for name, value in _checked_cells(path, names, row):
            values[name].append(value)
    hours = values.pop(HOURS)
    _check_hours(path, rows, hours)
    return WeatherTable((hours[1] - hours[0]) * 3600, {name: tuple(column) for name, column in values.items()})


def weather_table_problem(path: Path) -> str | None:
    """Return what is wrong with a weather table, None where nothing is."""
    try:
        read_weather_table(path)
    except InputError as error:
        return error.problems[0]
    return None


def _read_rows(path: Path) -> tuple[list[str], list[_Row]]:
    """Return the names of the columns, and the rows below; empty lines at the end and lines with # do not count."""
    try:
        content = path.read_bytes() if path.stat().st_size <= _MAX_BYTES else None
    except (OSError, ValueError):
        raise InputError(
            f"there is no file {shown(str(path))}; name a CSV file, its path relative to this file"
        ) from None
    if content is None:
        raise InputError(f"{path} is larger than 16 MiB, which no weather table is; name another file")
    try:
        text = decode_text(content).rstrip()
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError(f"{path}, line {line}: this is not UTF-8 text; save the file as UTF-8") from None
    rows = [
        _Row(number, [cell.strip() for cell in line.split(",")])
        for number, line in enumerate(text.split("\n"), 1)
        if not line.startswith("#")
    ]
    if not rows or rows[0].cells == [""]:
        raise InputError(
            f"{path}: the table is empty; write a row of names, {HOURS},{','.join(COLUMNS)}, and rows below"
        )
    names, line = rows[0].cells, rows[0].line
    for name in names:
        if name != HOURS and name not in COLUMNS:
            known = f"{HOURS}, {', '.join(COLUMNS)}"
            raise InputError(f"{path}, line {line}: {shown(name)} is not a column; the columns are {known}")
        if names.count(name) > 1:
            raise InputError(f"{path}, line {line}: the column {name} is there twice; remove one")
    if HOURS not in names or len(names) < 2:
        raise InputError(f"{path}, line {line}: write the column {HOURS} and at least one of {', '.join(COLUMNS)}")
    if len(rows) < 3:
        raise InputError(f"{path}, line {rows[-1].line}: a table needs at least two rows below the names; add rows")
    if len(rows) > MAX_ROWS:
        raise InputError(f"{path}: {len(rows)} rows are more than {MAX_ROWS}; leave some out")
    return names, rows[1:]


def _checked_cells(path: Path, names: Sequence[str], row: _Row) -> Iterator[tuple[str, float]]:
    where = f"{path}, line {row.line}"
    if row.cells == [""]:
        raise InputError(f"{where}: a row is missing here; write its {len(names)} values, or remove the empty line")
    if len(row.cells) != len(names):
        raise InputError(f"{where}: {len(row.cells)} values in a table of {len(names)} columns; write one for each")
    for name, cell in zip(names, row.cells, strict=True):
        try:
            value = float(cell)
        except ValueError:
            raise InputError(f"{where}: {shown(cell)} in column {name} is not a number; write one") from None
        low, high = COLUMNS.get(name, (0, 24 * 366 * 10))
        if not (isfinite(value) and low <= value <= high):
            raise InputError(f"{where}: {name} cannot be {cell}; write {low:g} to {high:g}")
        yield name, value


def _check_hours(path: Path, rows: Sequence[_Row], hours: Sequence[float]) -> None:
    if hours[0]:
        raise InputError(
            f"{path}, line {rows[0].line}: the first row is not at 0 hours; add one with the start's values"
        )
    step = hours[1]
    for number, (row, before, now) in enumerate(zip(rows[1:], hours, hours[1:], strict=False), 1):
        where = f"{path}, line {row.line}"
        if now <= before:
            raise InputError(f"{where}: {now:g} hours are not after the {before:g} of the row before; correct them")
        if not isclose(now, number * step, rel_tol=1e-6):
            raise InputError(
                f"{where}: the row of {number * step:g} hours is missing before that of {now:g}; the rows are "
                f"{step:g} h apart, like the first two"
            )

"""Guesses which columns of an unknown table hold the frames, from its first lines.

Knows: how writers usually name their columns, and how times, identifiers and data look. Does not know files. A guess is
only proposed, and only if it fits.
"""

import json
import re
import shlex
from collections.abc import Iterator, Sequence
from typing import Any

from rvsim.logs.formats.dates import parse_date_us, parse_time_of_day_us
from rvsim.logs.formats.table_text import TableReader, split_line, text_of
from rvsim.rig.column_mapping import EXAMPLE, TIME_UNITS, ColumnMapping, parse_mapping

MAX_GUESS_LINES = 20
"""The first lines of a table, from which its columns are guessed. Our decision."""
MAX_SHOWN_LINES = 3
"""The first lines of an unknown log that a message shows. Our decision."""
MAX_SHOWN_CHARACTERS = 100
MIN_COLUMNS = 3
"""A line with fewer columns is not taken for one of a table of frames: time, identifier and data. Our decision."""
_NAMES = {
    "time": ("time", "timestamp", "ts", "t", "timems", "times", "timeus", "timens", "abstime", "reltime", "datetime",
             "date", "timeabs", "timerel", "systemtime", "epoch", "zeit", "offset"),
    "id": ("id", "canid", "arbitrationid", "identifier", "arbid", "frameid", "messageid", "msgid", "idhex", "canidhex"),
    "data": ("data", "d", "payload", "bytes", "databytes", "datahex", "candata", "message", "daten",
             "d0", "b0", "byte0", "data0", "d1", "b1", "byte1", "data1"),
    "length": ("dlc", "len", "length", "datalength", "size", "databytecount"),
    "channel": ("channel", "bus", "chan", "interface", "ch", "port", "kanal"),
}  # fmt: skip
"""The usual names of columns, in small letters without other signs."""
_UNIT = re.compile(r"[\s_(\[/]\(?(s|ms|us|µs|ns)[)\]]?$", re.I)
_IDENTIFIER = re.compile(r"(?:0[xX])?[0-9A-Fa-f]{7,8}[hHxX]?|[1-9]\d{8,9}")
_NUMBER = re.compile(r"-?\d+(?:[.,]\d+)?")
_BYTES = re.compile(r"(?:0x)?[0-9A-Fa-f]{2}(?:[\s:,\-]?(?:0x)?[0-9A-Fa-f]{2})*")
_PLACED = re.compile(r"(.*?)(\d+)$")


def refusal(lines: Sequence[bytes], mapping: ColumnMapping | None) -> list[str]:
    """Return what is said about the first lines of a log of no known format: the lines, and how its columns are named.

    Args:
        lines: the first lines.
        mapping: the mapping that was tried, if any.
    """
    said = []
    if mapping is not None:
        said.append(f"--columns {mapping.text} fits none of its first lines: {_why(lines, mapping)}")
    guess = guessed_mapping(lines)
    shown = _shown_lines(lines) if guess or mapping is not None or is_table(lines) else []
    if shown:
        said += ["its first lines are:", *(f"    {line}" for line in shown)]
    if guess:
        said.append(
            f"as a table of frames: --columns {shlex.quote(guess)}, or in a rig: [log] columns = {json.dumps(guess)}"
        )
    elif shown:
        said.append(f"if each line is a frame, name the columns, numbered from 1, like --columns {EXAMPLE}")
    return said


def _why(lines: Sequence[bytes], mapping: ColumnMapping) -> str:
    """Return why the last of the first lines is no frame: the lines before it may be the head of the table."""
    reader, why = TableReader(mapping), "they are empty"
    for line in lines[:MAX_GUESS_LINES]:
        if line.strip():
            why = reader.why_not(line) or why
    return why


def _shown_lines(lines: Sequence[bytes]) -> list[str]:
    """Return the first lines of a log as they are shown; none if it is not text."""
    texts = [text_of(line).strip() for line in lines[:MAX_SHOWN_LINES] if line.strip()]
    is_text = all(text.replace("\t", " ").isprintable() and "\ufffd" not in text for text in texts)
    return [text[:MAX_SHOWN_CHARACTERS] for text in texts] if is_text else []


def is_table(lines: Sequence[bytes]) -> bool:
    """Tell whether the first lines look like a table: JSON, or equally many columns."""
    texts = [text for line in lines[:MAX_GUESS_LINES] if (text := text_of(line).strip())]
    if texts and all(text.startswith(("{", "[")) for text in texts):
        return bool(_keys(texts)) or _json(texts[0]) is not None
    for separator in (";", "\t", ","):
        counts = {len(split_line(text, separator)) for text in texts}
        if len(texts) > 1 and len(counts) == 1 and counts.pop() >= MIN_COLUMNS:
            return True
    return False


def guessed_mapping(lines: Sequence[bytes]) -> str | None:
    """Return the mapping that fits most of the first lines, None if none is found."""
    texts = [text for line in lines[:MAX_GUESS_LINES] if (text := text_of(line).strip())]
    best, most = None, 0
    for guess in _guesses(texts):
        try:
            reader = TableReader(parse_mapping(guess))
        except ValueError:  # a name that no mapping can have, such as one with a quotation mark
            continue
        fitting = sum(reader.fits(text.encode()) for text in texts)
        if fitting > most and 2 * fitting >= len(texts) - 1:
            best, most = guess, fitting
    return best


def _guesses(texts: Sequence[str]) -> Iterator[str]:
    keys = _keys(texts)
    if keys:
        yield from _by_names(list(keys), [list(keys.values())], is_json=True)
        return
    for separator in (";", "\t", ",", " "):
        rows = [split_line(text, separator) for text in texts]
        width = max((len(row) for row in rows), default=0)
        if width < MIN_COLUMNS:
            continue
        for place, row in enumerate(rows[:-1]):
            yield from _by_names(row, rows[place + 1 :])
        yield from _by_content([row for row in rows if len(row) == width])


def _keys(texts: Sequence[str]) -> dict[str, Any]:
    """Return the keys of the first JSON object, those within others as paths, each with its value."""
    for text in texts:
        row = _json(text)
        if isinstance(row, dict):
            found: dict[str, Any] = {}
            for key, value in row.items():
                if isinstance(value, dict):
                    found |= {f"{key}.{name}": inner for name, inner in value.items()}
                else:
                    found[key] = value
            return found
    return {}


def _json(text: str) -> Any:
    try:
        return json.loads(text, parse_float=str)
    except (ValueError, RecursionError):
        return None


def _by_names(header: Sequence[str], rows: Sequence[Sequence[Any]], *, is_json: bool = False) -> Iterator[str]:
    """Yield a mapping by the names of the columns, if they are usual ones."""
    plain = [_plain(name.rsplit(".", 1)[-1] if is_json else name) for name in header]
    found: dict[str, int] = {}
    for key, names in _NAMES.items():
        places = [plain.index(name) for name in names if name in plain]
        if places:
            found[key] = places[0]
    if not {"id", "data"} <= found.keys():
        return
    items = []
    for key, place in found.items():
        whole = [row for row in rows if len(row) > place]
        values = [str(row[place]) for row in whole]
        name = _written(header[place])
        if key == "time":
            items.append(f"time={name}{_time_unit(header[place], values)}")
        elif key == "id":
            items.append(f"id={name}{_number_unit(values, is_json=is_json, data=[row[place] for row in whole])}")
        elif key == "data":
            last = _last_byte(header, place)
            items.append(f"data={name}" if last == place else f"data={place + 1}-{last + 1}")
        else:
            items.append(f"{key}={name}")
    yield ",".join(items)
    if "length" in found or "channel" in found:
        yield ",".join(item for item in items if item.startswith(("time", "id", "data")))


def _by_content(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Yield a mapping by what is in the columns: an identifier with a time before it and the data behind it."""
    columns = list(zip(*rows, strict=True)) if rows else []
    for place, column in enumerate(columns):
        if not all(_IDENTIFIER.fullmatch(cell) for cell in column):
            continue
        time = next((n for n in range(place) if all(map(_is_time, columns[n]))), None)
        for first in range(place + 1, len(columns)):
            if not any(_BYTES.fullmatch(cell) for cell in columns[first]):
                continue
            items = [] if time is None else [f"time={time + 1}{_time_unit('', columns[time])}"]
            is_several = all(len(cell) <= 2 for cell in columns[first])
            items += [f"id={place + 1}{_number_unit(column)}", f"data={first + 1}{'-' if is_several else ''}"]
            yield ",".join(items)
            break


def _is_time(cell: str) -> bool:
    text = cell.strip("()[]")
    return bool(_NUMBER.fullmatch(text)) or parse_date_us(text) is not None or parse_time_of_day_us(text) is not None


def _last_byte(header: Sequence[str], place: int) -> int:
    """Return the last of the columns that are numbered like D0, D1, D2."""
    numbered = _PLACED.fullmatch(header[place])
    while numbered and place + 1 < len(header):
        following = _PLACED.fullmatch(header[place + 1])
        if not following or following[1] != numbered[1] or int(following[2]) != int(numbered[2]) + 1:
            break
        place, numbered = place + 1, following
    return place


def _time_unit(name: str, values: Sequence[str]) -> str:
    """Return the unit of times: the one in the column's name, or that in which they are dates of our time."""
    unit = _UNIT.search(name)
    found = unit[1].lower().replace("µ", "u") if unit else "s"
    if not unit and values and all(value.isdecimal() for value in values):
        found = {13: "ms", 16: "us", 19: "ns"}.get(len(values[0]), "s")
    return "" if found == "s" or found not in TIME_UNITS else f":{found}"


def _number_unit(values: Sequence[str], *, is_json: bool = False, data: Sequence[Any] = ()) -> str:
    """Return the unit of identifiers; decimal ones have nine digits, or as a number of JSON any."""
    if is_json and all(isinstance(value, int) for value in data):
        return ""
    filled = [value for value in values if value]
    return ":dec" if filled and all(value.isdecimal() for value in filled) and max(map(len, filled)) > 8 else ""


def _plain(name: str) -> str:
    """Return a column's name in small letters, without its unit and other signs."""
    return re.sub(r"[^a-z0-9]", "", _UNIT.sub("", name.strip().lower()))


def _written(name: str) -> str:
    """Return a column's name as it stands in a mapping."""
    is_plain = not re.search(r'[,:="]', name) and name.strip() and not name.strip()[0].isdecimal()
    return name.strip() if is_plain else f'"{name.strip()}"'

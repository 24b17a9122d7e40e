"""The value of a cell of a spreadsheet, read and written.

Knows: numbers with a decimal point or comma, units, sizes of conductors, lists. Does not know which column a cell is in
(`columns`), nor a whole sheet.
"""

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from rvsim.plan.spreadsheet.columns import Column
from rvsim.rig.quantity import shown
from rvsim.rig.toml_text import quoted, value_text

NONE = "-"
"""A cell with this has no value, also where the rig has one."""
_NUMBER = re.compile(r"([+-]?\d+(?:[.,]\d+)?(?:e[+-]?\d+)?)\s*(.*)", re.ASCII | re.IGNORECASE)
_THOUSANDS = re.compile(r"[+-]?\d{1,3},\d{3}", re.ASCII)
_AWG = re.compile(r"(?:awg\s*|#\s*)?(\d{1,2}(?:/0)?)\s*(?:awg|ga)?", re.ASCII | re.IGNORECASE)
_NAMED = re.compile(r"\s*([^=\s]+)\s*[= ]\s*(.+?)\s*")
_RANGE = re.compile(r"(\S+?)\s*(?:\.\.|to)\s*(\S+)")
_WORDS = {
    "yes": True,
    "y": True,
    "true": True,
    "x": True,
    "1": True,
    "no": False,
    "n": False,
    "false": False,
    "0": False,
}
_WORDS_FOR = {
    "heater": "heater mat", "heating mat": "heater mat", "outlet": "socket", "relay": "relay coil", "fan": "motor",
    "bulb": "lamp", "halogen": "lamp", "incandescent": "lamp", "led light": "led", "led strip": "led",
    "led lamp": "led", "toggle": "maintained", "push button": "momentary", "pushbutton": "momentary",
}  # fmt: skip
"""What installers call loads and switches, and the word of a rig for it."""
_PLAIN_ITEM = re.compile(r"[\w][\w .+-]*(?<! )")
"""A name or a value that no sign between items is in."""


class CellError(ValueError):
    """A cell cannot be read; the text says why, and what to write."""


def read_cell(text: str, column: Column, unit: str, *, decimal_comma: bool) -> Any:
    """Return the value of a cell, as a rig has it; of a size the key and the value.

    Args:
        text: the text of the cell, not empty.
        column: its column.
        unit: the unit in the head, empty where it has none.
        decimal_comma: whether a comma in a number can only be a decimal comma.

    Raises:
        CellError: it is no such value.
    """
    value: Any = text
    match column.form:
        case "word":
            value = _WORDS_FOR.get(text.lower(), text.lower())
        case "number" | "current":
            value = _with_unit(text, column, unit, decimal_comma=decimal_comma)
        case "whole":
            value = _whole(text, column)
        case "yes or no":
            value = _yes_or_no(text)
        case "list":
            value = [one.strip() for one in text.split(";") if one.strip()]
        case "time":
            value = _time(text, column, unit, decimal_comma=decimal_comma)
        case "size":
            value = _size(text, unit or column.unit, decimal_comma=decimal_comma)
        case "address":
            value = _address(text, unit or column.unit)
        case "functions":
            value = _functions(text)
        case "currents":
            value = {name: _range(given, decimal_comma=decimal_comma) for name, given in _named(text).items()}
        case "rungs":
            ohms = _items(text, "galley = 330")
            value = {name: _ohm(ohm, decimal_comma=decimal_comma) for name, ohm in ohms.items()}
        case "switches" if "=" in text:
            value = _items(text, "galley = galley light")
    return value


def write_cell(value: Any, column: Column) -> str:
    """Return a value of a rig as the text of a cell; `read_cell` returns it again."""
    match column.form, value:
        case "yes or no", _:
            return "yes" if value else "no"
        case "address", _:
            return f"0x{value:02X}"
        case "list", _:
            return "; ".join(value)
        case "functions", _:
            texts = {name: given if isinstance(given, Sequence) else (given,) for name, given in value.items()}
            return "; ".join(f"{name} {' '.join(map(str, given))}" for name, given in texts.items())
        case "currents" | "current", Mapping():
            return "; ".join(f"{name} {low!r}..{high!r}" for name, (low, high) in value.items())
        case "rungs" | "switches", Mapping():
            return _write_items(value)
        case _, str():
            return value
        case _:
            return repr(value)


def write_size(key: str, value: Any) -> str:
    """Return the size of a conductor as the text of a cell."""
    return f"{value} AWG" if key == "awg" else f"{value!r} mm2"


def _number(text: str, *, decimal_comma: bool) -> float:
    """Return a number with a decimal point or comma.

    Raises:
        CellError: it is none, or a comma could be one of thousands.
    """
    if not decimal_comma and _THOUSANDS.fullmatch(text):
        whole, _, part = text.partition(",")
        raise CellError(f"{shown(text)} can be {whole}{part} or {whole}.{part}; write it without a comma")
    try:
        return float(text.replace(",", ".", 1))
    except ValueError:
        raise CellError(f"{shown(text)} is not a number; write one like 2.5") from None


def _ohm(given: Any, *, decimal_comma: bool) -> Any:
    return _number(given, decimal_comma=decimal_comma) if isinstance(given, str) else given


def _yes_or_no(text: str) -> bool:
    if text.lower() not in _WORDS:
        raise CellError(f"{shown(text)} is neither yes nor no; write one of them")
    return _WORDS[text.lower()]


def _split_unit(text: str, *, decimal_comma: bool) -> tuple[float, str]:
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise CellError(f"{shown(text)} is not a number; write one like 2.5")
    rest = found[2].strip().lower()
    if rest[:1] in (",", ".") or rest[:1].isdigit():
        raise CellError(f"{shown(text)} is not a number; write it without separators of thousands, like 1234.5")
    return _number(found[1], decimal_comma=decimal_comma), rest


def _with_unit(text: str, column: Column, unit: str, *, decimal_comma: bool) -> float:
    """Return a number in the unit of the rig; the unit of the cell counts before that of the head."""
    number, own = _split_unit(text, decimal_comma=decimal_comma)
    used = own or unit or column.unit
    if not used and column.units:
        raise CellError(f"{shown(text)} has no unit; write it into the head, like {column.head}")
    if own and own not in column.units:
        known = ", ".join(dict.fromkeys(column.units)) or "no unit"
        raise CellError(f"{shown(text)}: the unit {own} is not known here; write {known}")
    factor = column.units[used] if used else 1.0
    return number if factor == 1 else float(f"{number * factor:.9g}")


def _whole(text: str, column: Column) -> int:
    number, own = _split_unit(text, decimal_comma=True)
    if number != int(number) or (own and own not in column.units):
        raise CellError(f"{shown(text)} is not a whole number; write one like 3")
    return int(number)


def _time(text: str, column: Column, unit: str, *, decimal_comma: bool) -> str:
    number, own = _split_unit(text, decimal_comma=decimal_comma)
    used = own or unit or column.unit
    if used not in column.units:
        raise CellError(f"{shown(text)}: the unit {used} is not known here; write s, ms or min")
    name = {"sec": "s", "seconds": "s", "milliseconds": "ms"}.get(used, used)
    return f"{f'{number:.6f}'.rstrip('0').rstrip('.')}{name}"


def _size(text: str, unit: str, *, decimal_comma: bool) -> tuple[str, Any]:
    """Return the key of a wire's size and its value: ("area_mm2", 2.5) or ("awg", "12")."""
    gauge = _AWG.fullmatch(text)
    lower = text.lower()
    if gauge and (
        lower.startswith(("awg", "#")) or lower.endswith(("awg", "ga")) or "/" in text or unit in ("awg", "ga")
    ):
        return "awg", gauge[1]
    number, own = _split_unit(text, decimal_comma=decimal_comma)
    used = own or unit
    if used in ("awg", "ga"):
        raise CellError(f"{shown(text)} is not a gauge; write one like 12 AWG or 1/0 AWG")
    if not used:
        raise CellError(f"{shown(text)} has no unit; write {number:g} mm2 or {number:g} AWG")
    if used.replace("2", "²") not in ("mm²", "sqmm", "sq mm", "mm^²", "qmm"):
        raise CellError(f"{shown(text)}: the unit {used} is not known here; write mm2 or AWG")
    return "area_mm2", number


def _address(text: str, unit: str) -> int:
    digits, base = text.lower().removesuffix("hex").strip(), 16 if unit == "hex" else 10
    if digits.startswith("0x") or digits != text.lower().strip():
        base = 16
    try:
        return int(digits.removeprefix("0x"), base)
    except ValueError:
        advice = "like 0x5E or 94" if base == 10 else "like 5E"
        raise CellError(f"{shown(text)} is not an address; write one {advice}") from None


def _named(text: str) -> dict[str, str]:
    """Return what stands behind each name: "furnace 1; thermostat 1 2"."""
    found = {}
    for item in filter(str.strip, text.split(";")):
        parts = _NAMED.fullmatch(item)
        if parts is None:
            raise CellError(
                f"{shown(item.strip())} is not a name with a value; write them like furnace 1; thermostat 1 2"
            )
        if parts[1] in found:
            raise CellError(f"{parts[1]} stands there twice; write it once")
        found[parts[1]] = parts[2]
    return found


def _functions(text: str) -> dict[str, list[int]]:
    found = {}
    for name, given in _named(text).items():
        numbers = given.replace(",", " ").split()
        if not all(number.isdecimal() and len(number) < 6 for number in numbers):
            raise CellError(f"{shown(given)} is not an instance of {name}; write whole numbers, like {name} 1 2")
        found[name] = [int(number) for number in numbers]
    return found


def _range(text: str, *, decimal_comma: bool) -> list[float]:
    found = _RANGE.fullmatch(text)
    if found is None:
        raise CellError(f"{shown(text)} is not a range; write the lowest and the highest value, like 0.1..6.1")
    return [_number(one, decimal_comma=decimal_comma) for one in found.groups()]


def _items(text: str, example: str) -> dict[str, Any]:
    """Return what stands behind each name, whatever signs are in them, or the same as TOML has it.

    Raises:
        CellError: it is neither.
    """
    if text.startswith("{"):
        try:
            return dict(tomllib.loads(f"k = {text}")["k"])
        except (tomllib.TOMLDecodeError, TypeError, ValueError, RecursionError):
            raise CellError(f"{shown(text)} cannot be read; write it like {example}") from None
    found: dict[str, Any] = {}
    for item in filter(str.strip, text.split(";")):
        name, sign, value = (part.strip() for part in item.partition("="))
        if not sign:
            name, _, value = (part.strip() for part in name.rpartition(" "))
        if not name:
            raise CellError(f"{shown(item.strip())} has no name and value; write it like {example}")
        if name in found:
            raise CellError(f"{name} stands there twice; write it once")
        found[name] = value
    return found


def _write_items(items: Mapping[str, Any]) -> str:
    texts = {name: value if isinstance(value, str) else repr(value) for name, value in items.items()}
    if all(_PLAIN_ITEM.fullmatch(text) for pair in texts.items() for text in pair):
        return "; ".join(f"{name} = {text}" for name, text in texts.items())
    inner = ", ".join(f"{quoted(name)} = {value_text(value)}" for name, value in items.items())
    return f"{{ {inner} }}"

"""The content of a rig as the text of a TOML file.

Knows: the syntax of TOML 1.0.0, and that an address is read in hex. Does not know which keys a rig has.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r", "\b": "\\b", "\f": "\\f"}
_HEX_KEYS = ("address",)


def toml_text(data: Mapping[str, Any], head: str = "") -> str:
    """Return a file with this content: plain values first, then tables, each under a header of its own.

    Args:
        data: texts, numbers, truth values, lists and tables, as a TOML file is read.
        head: a comment at the start, without its signs; it may have several lines.
    """
    comment = [f"# {line}".rstrip() for line in head.split("\n")] if head else []
    return "\n".join([*comment, *([""] if comment else []), *_lines(data), ""])


def quoted(text: str) -> str:
    """Return a text in quotes, as TOML has it."""
    return '"' + "".join(_ESCAPES.get(sign, sign if sign.isprintable() else _escaped(sign)) for sign in text) + '"'


def value_text(value: Any, key: str = "") -> str:
    """Return a value as it stands behind its key."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return quoted(value)
        case int() if key in _HEX_KEYS and value >= 0:
            return f"0x{value:02X}"
        case Mapping():
            inner = ", ".join(f"{_key(name)} = {value_text(given, name)}" for name, given in value.items())
            return f"{{ {inner} }}" if inner else "{}"
        case list() | tuple():
            return f"[{', '.join(value_text(item, key) for item in value)}]"
        case _:
            return repr(value)  # whole numbers, decimals, inf and nan stand in TOML as in Python


def _lines(data: Mapping[str, Any]) -> Iterator[str]:
    tables = {key: value for key, value in data.items() if _is_table(value)}
    for key, value in data.items():
        if key not in tables:
            yield f"{_key(key)} = {value_text(value, key)}"
    for key, value in tables.items():
        header = f"[{_key(key)}]" if isinstance(value, Mapping) else f"[[{_key(key)}]]"
        for table in (value,) if isinstance(value, Mapping) else value:
            yield from ("", header)
            yield from (f"{_key(name)} = {value_text(given, name)}" for name, given in table.items())


def _is_table(value: Any) -> bool:
    """Tell whether a value stands under a header: a table, or a list of tables."""
    if isinstance(value, Mapping):
        return True
    is_list = isinstance(value, Sequence) and not isinstance(value, str)
    return is_list and bool(value) and all(isinstance(item, Mapping) for item in value)


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else quoted(name)


def _escaped(sign: str) -> str:
    return f"\\u{ord(sign):04x}" if ord(sign) < 0x10000 else f"\\U{ord(sign):08x}"

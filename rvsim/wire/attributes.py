"""The DBC attributes that rvsim defines for a signal: grades, special codes, alarm codes, fields that change with it.

Knows: the attributes, their defaults, and the syntax of the lists in them. Does not know DBC: ``database.py`` passes a
function that returns an attribute's value. Every error is an ``InputError`` of one line.
"""

import re
from collections.abc import Callable, Iterable
from typing import Any

from rvsim.errors import InputError
from rvsim.wire.coding import Coding
from rvsim.wire.fields import AlarmSeverity, Origin, Special

ATTRIBUTE_NAMES = (
    *("AlarmCodes", "AlarmGrade", "CodeGrades", "CodesGrade", "Coding", "LayoutGrade", "MovesWith", "NameGrade"),
    *("Origin", "Source", "SpecialCodes"),
)
"""The attributes that are read here."""
AttributeLookup = Callable[[str], Any]
"""Returns the value of an attribute by its name, None where the file has none."""


def stated_word(where: str, lookup: AttributeLookup, name: str, words: Iterable[str], default: str) -> str:
    """Return the value of an attribute that must be one of ``words``; ``default`` where the file has none.

    Raises:
        InputError: the value is not among the words.
    """
    value = lookup(name)
    if value is None:
        return str(default)
    allowed = [str(word) for word in words]
    if value not in allowed:
        raise InputError(f"{where}: attribute {name} is {value}: write one of {', '.join(allowed)}")
    return str(value)


def signal_attributes(
    where: str, lookup: AttributeLookup, default: Special, length: int, *, signed: bool
) -> dict[str, Any]:
    """Return the content of a field's attributes as plain data.

    Args:
        where: file, message and signal, for the start of an error line.
        lookup: returns an attribute's value.
        default: the special codes of a field without the attribute SpecialCodes.
        length: the number of the field's bits, which limits its codes.
        signed: whether the field is signed; such a field has no special codes.

    Raises:
        InputError: an attribute has a value that is not allowed.
    """
    special = stated_word(where, lookup, "SpecialCodes", Special, default)
    if signed and special != Special.NONE:
        raise InputError(f"{where} is signed and has special codes, which only unsigned fields have: choose one")
    return {
        "special": special,
        "coding": stated_word(where, lookup, "Coding", Coding, Coding.PLAIN),
        "grades": _grades(where, lookup),
        "code_grades": _words_by_code(where, lookup, "CodeGrades", Origin, length),
        "alarms": _words_by_code(where, lookup, "AlarmCodes", AlarmSeverity, length),
        "alarm_grade": stated_word(where, lookup, "AlarmGrade", Origin, Origin.USER),
        "moves_with": _fields_moving_with(where, lookup),
        "source": str(lookup("Source") or ""),
    }


def _grades(where: str, lookup: AttributeLookup) -> list[str]:
    """Return the grades of name, layout and codes; ``Origin`` holds for each that the file does not state."""
    origin = stated_word(where, lookup, "Origin", Origin, Origin.USER)
    return [stated_word(where, lookup, name, Origin, origin) for name in ("NameGrade", "LayoutGrade", "CodesGrade")]


def _words_by_code(where: str, lookup: AttributeLookup, name: str, words: Iterable[str], length: int) -> dict[str, str]:
    """Return the codes and words of a list such as ``1=fault;2=warning``."""
    allowed = [str(word) for word in words]
    codes: dict[str, str] = {}
    for item in filter(None, map(str.strip, str(lookup(name) or "").split(";"))):
        raw, _, word = item.partition("=")
        if not re.fullmatch(r"\d{1,10}", raw, re.ASCII) or word not in allowed:
            raise InputError(
                f"{where}: attribute {name} has {item}: write CODE=WORD;CODE=WORD, each word one of "
                f"{', '.join(allowed)}"
            )
        if int(raw) >> length:
            does_not = f"does not fit: the field has {length} bits"
            raise InputError(f"{where}: attribute {name} has code {int(raw)}, which {does_not}")
        if codes.setdefault(str(int(raw)), word) != word:
            raise InputError(f"{where}: attribute {name} has code {int(raw)} twice: keep one of them")
    return codes


def _fields_moving_with(where: str, lookup: AttributeLookup) -> list[str]:
    names = [name.strip() for name in str(lookup("MovesWith") or "").split(",") if name.strip()]
    for name in names:
        if not re.fullmatch(r"\w+\.\w+", name, re.ASCII):
            raise InputError(f"{where}: attribute MovesWith has {name}: write MESSAGE.field, MESSAGE.field")
    return names

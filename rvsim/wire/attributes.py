"""What a definition file states of a signal in attributes of ours: grades, special codes, alarming codes, neighbours.

Knows: the attributes, what holds where a file states none, and how lists are written in them. Does not know DBC: what
is stated is asked for by a function of ``database.py``. Every refusal is an ``InputError`` of one line.
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
"""The attributes of ours that are read here."""
AttributeLookup = Callable[[str], Any]
"""What a file states under the name of an attribute; None where it states nothing."""


def stated_word(where: str, stated: AttributeLookup, name: str, words: Iterable[str], otherwise: str) -> str:
    """Return the stated word of a closed list.

    Raises:
        InputError: it is another one.
    """
    said = stated(name)
    if said is None:
        return str(otherwise)
    allowed = [str(one) for one in words]
    if said not in allowed:
        raise InputError(f"{where}: attribute {name} is {said}: write one of {', '.join(allowed)}")
    return str(said)


def signal_attributes(where: str, stated: AttributeLookup, usual: Special, length: int, signed: bool) -> dict[str, Any]:
    """Return all that the attributes say of a field, as plain data.

    Args:
        where: file, message and signal, as refusals begin.
        stated: what the file states.
        usual: the special codes of a field of which nothing is stated.
        length: the field's bits, which bound its codes.
        signed: whether the field is signed, which leaves no room for special codes.

    Raises:
        InputError: an attribute says what it cannot.
    """
    special = stated_word(where, stated, "SpecialCodes", Special, usual)
    if signed and special != Special.NONE:
        raise InputError(f"{where} is signed and has special codes, which only unsigned fields have: choose one")
    return {
        "special": special,
        "coding": stated_word(where, stated, "Coding", Coding, Coding.PLAIN),
        "grades": _grades(where, stated),
        "code_grades": _words_by_code(where, stated, "CodeGrades", Origin, length),
        "alarms": _words_by_code(where, stated, "AlarmCodes", AlarmSeverity, length),
        "alarm_grade": stated_word(where, stated, "AlarmGrade", Origin, Origin.USER),
        "moves_with": _fields_moving_with(where, stated),
        "source": str(stated("Source") or ""),
    }


def _grades(where: str, stated: AttributeLookup) -> list[str]:
    """Return the grades of name, layout and codes; one ``Origin`` counts for all that are not stated."""
    origin = stated_word(where, stated, "Origin", Origin, Origin.USER)
    return [stated_word(where, stated, name, Origin, origin) for name in ("NameGrade", "LayoutGrade", "CodesGrade")]


def _words_by_code(where: str, stated: AttributeLookup, name: str, words: Iterable[str], length: int) -> dict[str, str]:
    """Read a list such as ``1=fault;2=warning``."""
    allowed = [str(one) for one in words]
    found: dict[str, str] = {}
    for part in filter(None, map(str.strip, str(stated(name) or "").split(";"))):
        raw, _, said = part.partition("=")
        if not re.fullmatch(r"\d{1,10}", raw, re.ASCII) or said not in allowed:
            raise InputError(
                f"{where}: attribute {name} has {part}: write CODE=WORD;CODE=WORD, each word one of "
                f"{', '.join(allowed)}"
            )
        if int(raw) >> length:
            does_not = f"does not fit: the field has {length} bits"
            raise InputError(f"{where}: attribute {name} has code {int(raw)}, which {does_not}")
        if found.setdefault(str(int(raw)), said) != said:
            raise InputError(f"{where}: attribute {name} has code {int(raw)} twice: keep one of them")
    return found


def _fields_moving_with(where: str, stated: AttributeLookup) -> list[str]:
    names = [name.strip() for name in str(stated("MovesWith") or "").split(",") if name.strip()]
    for name in names:
        if not re.fullmatch(r"\w+\.\w+", name, re.ASCII):
            raise InputError(f"{where}: attribute MovesWith has {name}: write MESSAGE.field, MESSAGE.field")
    return names

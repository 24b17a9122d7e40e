"""What two devices of a rig cannot both have: a name, an address, a NAME, a function and instance.

Knows: devices of a rig, validated or not, with or without other mistakes. Does not know what else makes a rig valid.
"""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from rvsim.rig.claimed import name_text, read_name
from rvsim.rig.functions import FUNCTIONS, MAX_INSTANCE, canonical
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake, entry_value
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name


class _UniqueValue(NamedTuple):
    """A value that only one device may have; two with the same ``key`` clash."""

    place: tuple[str, ...]
    key: tuple[str, object]
    text: str
    advice: str


def _unique_values(entry: object) -> Iterator[_UniqueValue]:
    name, address, functions = (entry_value(entry, key) for key in ("name", "address", "functions"))
    if isinstance(name, str):
        yield _UniqueValue(("name",), ("name", name), f"{shown(name)} is already the name", "give each its own name")
    if type(address) is int and 0 <= address < NULL_ADDRESS:
        text = f"0x{address:02X} is already the address"
        yield _UniqueValue(("address",), ("address", address), text, "give each its own address")
    claimed = _name(entry_value(entry, "claimed_name"))
    if claimed is not None:
        text = f"{name_text(claimed)} is already the NAME"
        yield _UniqueValue(("claimed_name",), ("claimed_name", claimed), text, "no two units have the same one")
    for written, given in functions.items() if isinstance(functions, Mapping) else ():
        name = canonical(written) if isinstance(written, str) else written
        if name not in FUNCTIONS or FUNCTIONS[name].shared:
            continue
        for instance in given if isinstance(given, list | tuple) else (given,):
            if type(instance) is int and 0 <= instance <= MAX_INSTANCE:
                text = f"{FUNCTIONS[name].label(instance)} is already a function"
                yield _UniqueValue(("functions", written), (name, instance), text, "give each its own instance")


def _name(given: object) -> Name | None:
    try:
        found = read_name(given)
    except ValueError:  # the validation of the device reports it
        return None
    return found if isinstance(found, Name) else None


def find_clashes(entries: list[object] | tuple[object, ...], *, names_only: bool = False) -> Iterator[Mistake]:
    """Yield what two devices cannot both have; the devices may have other mistakes, and need not be validated.

    Args:
        entries: the devices.
        names_only: whether only their names in the file count, by which other tables mean one of them.
    """
    owners: dict[tuple[str, object], int] = {}
    for number, entry in enumerate(entries):
        for place, key, text, advice in _unique_values(entry):
            if names_only and key[0] != "name":
                continue
            first = owners.setdefault(key, number)
            if first != number:
                owner = f"device {first + 1} {shown(entry_value(entries[first], 'name'))}"
                yield Mistake((number, *place), f"{text} of {owner}; {advice}", key)

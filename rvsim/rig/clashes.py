"""What two devices of a rig cannot both have: a name, an address, a NAME, a function and instance.

Knows: devices as they stand in a file, read or not yet read, right or wrong otherwise. Does not know what is right.
"""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from rvsim.rig.claimed import read_name, written
from rvsim.rig.functions import FUNCTIONS, HIGHEST_INSTANCE
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake, part
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name


class _Claim(NamedTuple):
    """Something that only one device may have; ``thing`` tells one from another."""

    place: tuple[str, ...]
    thing: tuple[str, object]
    words: str
    advice: str


def _claims(entry: object) -> Iterator[_Claim]:
    name, address, functions = (part(entry, key) for key in ("name", "address", "functions"))
    if isinstance(name, str):
        yield _Claim(("name",), ("name", name), f"{shown(name)} is already the name", "give each its own name")
    if type(address) is int and 0 <= address < NULL_ADDRESS:
        words = f"0x{address:02X} is already the address"
        yield _Claim(("address",), ("address", address), words, "give each its own address")
    claimed = _name(part(entry, "claimed_name"))
    if claimed is not None:
        words = f"{written(claimed)} is already the NAME"
        yield _Claim(("claimed_name",), ("claimed_name", claimed), words, "no two units have the same one")
    for name, given in functions.items() if isinstance(functions, Mapping) else ():
        if name not in FUNCTIONS or FUNCTIONS[name].shared:
            continue
        for instance in given if isinstance(given, list | tuple) else (given,):
            if type(instance) is int and 0 <= instance <= HIGHEST_INSTANCE:
                words = f"{FUNCTIONS[name].spoken(instance)} is already a function"
                yield _Claim(("functions", name), (name, instance), words, "give each its own instance")


def _name(given: object) -> Name | None:
    try:
        found = read_name(given)
    except ValueError:  # that is told by the device itself
        return None
    return found if isinstance(found, Name) else None


def clashes(entries: list[object] | tuple[object, ...]) -> Iterator[Mistake]:
    """Find what two devices cannot both have, in devices that may not be read yet or be wrong otherwise."""
    owners: dict[tuple[str, object], int] = {}
    for number, entry in enumerate(entries):
        for place, thing, words, advice in _claims(entry):
            first = owners.setdefault(thing, number)
            if first != number:
                owner = f"device {first + 1} {shown(part(entries[first], 'name'))}"
                yield Mistake((number, *place), f"{words} of {owner}; {advice}", thing)

"""Who is a device: the units that a log shows, and what each of them is on the network.

Knows: how a unit that moved to another address is told from two with one NAME, and who may keep a function and
instance that several claim. Does not know how a rig is written.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from rvsim.logs.survey import MessageCounts, Survey, SurveyedMessage, SurveyedSource
from rvsim.rig.functions import FUNCTIONS, HIGHEST_INSTANCE, Function, by_dsa, by_status
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name
from rvsim.wire.texts import Product

Claims = Mapping[int, Mapping[Name, int]]
"""The NAMEs claimed from each address, with the time at which each was first, in microseconds."""


@dataclass
class Unit:
    """One device to be: the source addresses that it was heard from, the present one last, and what it is."""

    sources: list[SurveyedSource]
    name: Name | None
    """The NAME that tells it from all others."""
    remarks: list[str]
    functions: dict[str, list[int]] = field(default_factory=dict)

    @property
    def address(self) -> int:
        """Where it was heard last."""
        return self.sources[-1].address

    @property
    def product(self) -> Product | None:
        """What it says it is, None where it says nothing."""
        return next((one.product for one in self.sources[-1].devices if one.product and any(one.product)), None)

    def messages(self) -> Iterator[tuple[SurveyedMessage, MessageCounts]]:
        """Yield everything that it said."""
        for source in self.sources:
            yield from source.messages.items()


def units_of(found: Survey, claims: Claims) -> list[Unit]:
    """Return the units with their functions: one for each source address, or for each NAME that moved to another."""
    units = _by_address(found, claims)
    _share_out(units)
    return units


def _by_address(found: Survey, claims: Claims) -> list[Unit]:
    """Return a unit for each source address; one that moved on to another address under its NAME is one."""
    sources = {source.address: source for source in found.sources if source.address < NULL_ADDRESS}
    units = []
    for address, source in sources.items():
        names = tuple(claims.get(address, ()))
        if len(names) != 1:
            remarks = [f"{len(names)} units claimed this address, so no NAME tells which one this is:"] if names else []
            units.append(Unit([source], None, [*remarks, *(f"  {spoken_name(name)}" for name in names)]))
            continue
        places = [one for one in sources if names[0] in claims.get(one, ())]
        places.sort(key=lambda one: (claims[one][names[0]], one))
        if len(places) == 1:
            units.append(Unit([source], names[0], []))
        elif not _moved([sources[one] for one in places], claims, names[0]):
            others = " and ".join(f"{one:02X} hex" for one in places if one != address)
            remark = f"its NAME, {spoken_name(names[0])}, was claimed from address {others} too: no two units may"
            units.append(Unit([source], None, [remark]))
        elif address == places[-1]:
            before = " and ".join(f"{one:02X} hex" for one in places[:-1])
            units.append(Unit([sources[one] for one in places], names[0], [f"it had address {before} before"]))
    return units


def _moved(places: list[SurveyedSource], claims: Claims, name: Name) -> bool:
    """Tell whether one unit went from each address to the next: it said nothing from there after its next claim."""
    alone = all(len(claims[source.address]) == 1 for source in places)
    return alone and all(
        max(heard.last for heard in before.messages.values()) <= claims[after.address][name]
        for before, after in pairwise(places)
    )


def _share_out(units: list[Unit]) -> None:
    """Say what each unit is: by its status messages, or by its heartbeat where a function has no status."""
    spoken: list[tuple[int, int, Unit, Function, int]] = []
    for unit in units:
        for message, heard in unit.messages():
            function = by_status(message.name or "")
            if function is not None and message.instance is not None:
                spoken.append((heard.first, unit.address, unit, function, message.instance))
    owners: dict[tuple[str, int], Unit] = {}
    for _, _, unit, function, instance in sorted(spoken, key=lambda one: one[:2]):
        what = function.spoken(instance)
        if not function.lowest_instance <= instance <= HIGHEST_INSTANCE:
            _remark(unit, f"it speaks as {what}, which is no instance: left out")
            continue
        owner = unit if function.shared else owners.setdefault((function.name, instance), unit)
        if owner is not unit:
            _remark(unit, f"it speaks as {what} too, as does address {owner.address:02X} hex, which was heard first")
        elif instance not in unit.functions.setdefault(function.name, []):
            unit.functions[function.name].append(instance)
    _by_heartbeat(units)


def _by_heartbeat(units: list[Unit]) -> None:
    numbers: Counter[str] = Counter()
    for unit in units:
        known = {message.dsa: by_dsa(message.dsa) for message, _ in unit.messages() if message.dsa is not None}
        for function in {one.name: one for one in known.values() if one is not None}.values():
            if function.name in unit.functions:
                continue
            if function.statuses:
                _remark(unit, f"its heartbeat says {function.title}, but it told no status with an instance: left out")
                continue
            numbers[function.name] += 1
            unit.functions[function.name] = [numbers[function.name]]
            _remark(unit, f"the bus does not tell the instance of a {function.title}: counted here, correct it")


def _remark(unit: Unit, remark: str) -> None:
    if remark not in unit.remarks:
        unit.remarks.append(remark)


def names_of(units: list[Unit]) -> list[str]:
    """Return a name for each unit, short and its own: what it is first of all, else its NAME, else its address."""
    names: list[str] = []
    for unit in units:
        place = f"address {unit.address:02X} hex"
        name = _what(unit) or (spoken_name(unit.name) if unit.name else place)
        names.append(name if name not in names else f"{name} at {place}")
    return names


def _what(unit: Unit) -> str | None:
    known = [name for name in FUNCTIONS if name in unit.functions]
    first = next((name for name in known if not FUNCTIONS[name].shared), known[0] if known else None)
    return FUNCTIONS[first].spoken(min(unit.functions[first])) if first else None


def spoken_name(name: Name) -> str:
    """Say which unit a NAME stands for."""
    return f"maker {name.manufacturer_code}, serial {name.serial_number}"

"""The units in a log, each to become a device of a rig, and their functions on the network.

Knows: how a unit that moved to another address is distinguished from two units with one NAME, and which unit keeps a
function and instance that several use. Does not know how a rig is written.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from rvsim.logs.survey import MessageCounts, Survey, SurveyedMessage, SurveyedSource
from rvsim.rig.functions import FUNCTIONS, MAX_INSTANCE, Function, by_dsa, by_status
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name
from rvsim.wire.texts import Product

Claims = Mapping[int, Mapping[Name, int]]
"""The NAMEs claimed from each address, with the time at which each was first, in microseconds."""


@dataclass
class Unit:
    """One unit: the source addresses that it sent from, the present one last, and its functions."""

    sources: list[SurveyedSource]
    name: Name | None
    """The NAME that only this unit has; None where there is none."""
    remarks: list[str]
    """Notes for the person who completes the rig."""
    functions: dict[str, list[int]] = field(default_factory=dict)
    """The instances of each function."""

    @property
    def address(self) -> int:
        """The address that it sent from last."""
        return self.sources[-1].address

    @property
    def product(self) -> Product | None:
        """The product identification that it sent, None where it sent none."""
        return next((line.product for line in self.sources[-1].devices if line.product and any(line.product)), None)

    def messages(self) -> Iterator[tuple[SurveyedMessage, MessageCounts]]:
        """Yield every message that it sent."""
        for source in self.sources:
            yield from source.messages.items()


def units_of(found: Survey, claims: Claims) -> list[Unit]:
    """Return the units with their functions: one for each source address, or for each NAME that moved to another."""
    units = _units_by_address(found, claims)
    _assign_functions(units)
    return units


def _units_by_address(found: Survey, claims: Claims) -> list[Unit]:
    """Return a unit for each source address; a unit that moved to another address with its NAME is one unit."""
    sources = {source.address: source for source in found.sources if source.address < NULL_ADDRESS}
    units = []
    for address, source in sources.items():
        names = tuple(claims.get(address, ()))
        if len(names) != 1:
            remarks = [f"{len(names)} units claimed this address, so its NAME is not known:"] if names else []
            units.append(Unit([source], None, [*remarks, *(f"  {name_parts_text(name)}" for name in names)]))
            continue
        addresses = [other for other in sources if names[0] in claims.get(other, ())]
        addresses.sort(key=lambda other: (claims[other][names[0]], other))
        if len(addresses) == 1:
            units.append(Unit([source], names[0], []))
        elif not _moved([sources[other] for other in addresses], claims, names[0]):
            others = " and ".join(f"{other:02X} hex" for other in addresses if other != address)
            remark = (
                f"its NAME, {name_parts_text(names[0])}, was also claimed from address {others}; a NAME must be unique"
            )
            units.append(Unit([source], None, [remark]))
        elif address == addresses[-1]:
            before = " and ".join(f"{other:02X} hex" for other in addresses[:-1])
            units.append(Unit([sources[other] for other in addresses], names[0], [f"it had address {before} before"]))
    return units


def _moved(sources: list[SurveyedSource], claims: Claims, name: Name) -> bool:
    """Tell whether one unit moved from each address to the next: it sent nothing from one after claiming the next."""
    is_only_claim = all(len(claims[source.address]) == 1 for source in sources)
    return is_only_claim and all(
        max(counts.last for counts in before.messages.values()) <= claims[after.address][name]
        for before, after in pairwise(sources)
    )


def _assign_functions(units: list[Unit]) -> None:
    """Assign the functions of each unit: by its status messages, or by its heartbeat where a function has no status."""
    seen: list[tuple[int, int, Unit, Function, int]] = []
    for unit in units:
        for message, counts in unit.messages():
            function = by_status(message.name or "")
            if function is not None and message.instance is not None:
                seen.append((counts.first, unit.address, unit, function, message.instance))
    owners: dict[tuple[str, int], Unit] = {}
    for _, _, unit, function, instance in sorted(seen, key=lambda entry: entry[:2]):
        what = function.label(instance)
        if not function.lowest_instance <= instance <= MAX_INSTANCE:
            _remark(unit, f"it sends as {what}, which is not a possible instance: left out")
            continue
        owner = unit if function.shared else owners.setdefault((function.name, instance), unit)
        if owner is not unit:
            _remark(unit, f"it also sends as {what}, like address {owner.address:02X} hex, which was seen first")
        elif instance not in unit.functions.setdefault(function.name, []):
            unit.functions[function.name].append(instance)
    _assign_by_heartbeat(units)


def _assign_by_heartbeat(units: list[Unit]) -> None:
    numbers: Counter[str] = Counter()
    for unit in units:
        known = {message.dsa: by_dsa(message.dsa) for message, _ in unit.messages() if message.dsa is not None}
        for function in {each.name: each for each in known.values() if each is not None}.values():
            if function.name in unit.functions:
                continue
            if function.statuses:
                _remark(unit, f"its heartbeat says {function.title}, but it sent no status with an instance: left out")
                continue
            numbers[function.name] += 1
            unit.functions[function.name] = [numbers[function.name]]
            _remark(unit, f"the log does not show the instance of this {function.title}: numbered here, correct it")


def _remark(unit: Unit, remark: str) -> None:
    if remark not in unit.remarks:
        unit.remarks.append(remark)


def names_of(units: list[Unit]) -> list[str]:
    """Return a short unique name for each unit: its main function, or else its NAME, or else its address."""
    names: list[str] = []
    for unit in units:
        place = f"address {unit.address:02X} hex"
        name = _main_function(unit) or (name_parts_text(unit.name) if unit.name else place)
        names.append(name if name not in names else f"{name} at {place}")
    return names


def _main_function(unit: Unit) -> str | None:
    known = [name for name in FUNCTIONS if name in unit.functions]
    first = next((name for name in known if not FUNCTIONS[name].shared), known[0] if known else None)
    return FUNCTIONS[first].label(min(unit.functions[first])) if first else None


def name_parts_text(name: Name) -> str:
    """Return the parts of a NAME that identify a unit, as text."""
    return f"manufacturer code {name.manufacturer_code}, serial {name.serial_number}"

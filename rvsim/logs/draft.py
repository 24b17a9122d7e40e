"""A rig learnt from a captured log, as the text of a file for a person to go on with.

Knows: what a log tells of its devices, and how that is written as a rig. The log is gone through twice: without a
rig, to see who is there; then with the rig that was learnt, and what is still flagged becomes known trouble, so that
the same log raises nothing. Does not know formats of logs, nor when the rig is drafted: one log, one text.
"""

import json
import tomllib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path, PurePath
from typing import NamedTuple

from rvsim.errors import InputError
from rvsim.logs.survey import Heard, Message, Source, Survey, survey
from rvsim.rig.claimed import written
from rvsim.rig.functions import FUNCTIONS, HIGHEST_INSTANCE, Function, by_dsa, by_status
from rvsim.rig.load import check
from rvsim.rig.model import Rig
from rvsim.rig.quantity import LONGEST_US, spoken
from rvsim.rig.toml_file import TomlFile
from rvsim.watch.flag import Flag, Kind
from rvsim.watch.traffic import SECOND
from rvsim.watch.transitions import Topic
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import Frame
from rvsim.wire.ident import NULL_ADDRESS, dgn_of
from rvsim.wire.name import Name

_LISTED = 30
"""So many messages of a device are listed; the rest is counted."""
_ACCEPTED_APART = 12
"""So many flags of one kind and device are accepted message by message; more of them are accepted as one."""
_BURST = 4
"""A message whose gap in the middle is so many times shorter than its gap on average comes in bursts. Our decision."""
_STEP = SECOND // 10
"""The longest pause is rounded up to this."""
_KIND_FOR = {
    "furnace": "heater",
    "water_heater": "heater",
    "control_panel": "panel",
    "roof_fan": "roof_fan",
    "charger": "charger",
    "battery_monitor": "battery_monitor",
    "tank": "tank",
    "ambient_sensor": "ambient",
    "circulation_pump": "circulation_pump",
    "thermostat": "panel",
    "dc_source": "battery_monitor",
}
"""Which simulated device can stand in for a device with a function; of several functions the first listed decides."""


class Overheard:
    """What a survey does not keep of a log: every NAME that was claimed, and the pauses of the whole bus."""

    def __init__(self) -> None:
        self.claims: dict[int, dict[Name, int]] = {}
        """The NAMEs claimed from each address, with the time at which each was first."""
        self.pauses: dict[int, int] = {}
        """How long the bus was silent before a moment, where that is more than a second."""

    def listen(self, frames: Iterable[Frame]) -> Iterator[Frame]:
        """Hand frames on and note what they tell; times go back no more here than in the watch."""
        last = 0
        for frame in frames:
            time = max(frame.time, last)
            if time - last > SECOND:
                self.pauses[time] = time - last
            last = time
            if dgn_of(frame.identifier) == ADDRESS_CLAIM and len(frame.data) == 8:
                self.claims.setdefault(frame.identifier & 0xFF, {}).setdefault(Name.from_bytes(frame.data), time)
            yield frame


def draft_rig(open_frames: Callable[[], Iterable[Frame]], catalogue: Catalogue, log_name: str) -> str:
    """Return a rig learnt from a log, with which the same log raises no flag.

    Args:
        open_frames: opens the log at its beginning; called twice.
        catalogue: the message definitions.
        log_name: the log's name, for the rig's name, its title and its comments.

    Raises:
        InputError: nobody was heard in the log.
    """
    overheard = Overheard()
    found = survey(overheard.listen(open_frames()), catalogue)
    text = draft(found, overheard, log_name)
    rig = check(Rig, TomlFile(Path("draft.toml"), text, tomllib.loads(text)))
    return draft(found, overheard, log_name, survey(open_frames(), catalogue, rig).flags)


def draft(found: Survey, overheard: Overheard, log_name: str, flags: Iterable[Flag] = ()) -> str:
    """Write a rig with a device for each unit that was heard; ``flags`` are what it is to take as normal or accept.

    Raises:
        InputError: nobody was heard in the log.
    """
    units = _units(found, overheard.claims)
    log = PurePath(_plain(log_name)).name.strip() or "a log"
    if not units:
        raise InputError(f"{log}: nobody was heard in it, so no rig can be learnt; name a log with frames of devices")
    _share_out(units)
    pauses = {flag: overheard.pauses.get(flag.until or 0, 0) for flag in flags if flag.kind is Kind.BUS_QUIET}
    normal = {flag: pause for flag, pause in pauses.items() if 0 < pause <= LONGEST_US - _STEP}
    names = _names(units)
    lines = [
        *_head(found, log),
        *_longest_pause(normal),
        *_cannot_claim(overheard.claims.get(NULL_ADDRESS, {})),
        *(line for unit, name in zip(units, names, strict=True) for line in ("", *_device(unit, name))),
        *_accepted([flag for flag in flags if flag not in normal], set(names), log),
    ]
    return "\n".join(lines) + "\n"


# Who is a device.


@dataclass
class _Unit:
    """One device to be: the source addresses that it was heard from, the present one last, and what it is."""

    sources: list[Source]
    name: Name | None
    """The NAME that tells it from all others."""
    remarks: list[str]
    functions: dict[str, list[int]] = field(default_factory=dict)

    @property
    def address(self) -> int:
        """Where it was heard last."""
        return self.sources[-1].address

    def messages(self) -> Iterator[tuple[Message, Heard]]:
        """Yield everything that it said."""
        for source in self.sources:
            yield from source.messages.items()


Claims = Mapping[int, Mapping[Name, int]]


def _units(found: Survey, claims: Claims) -> list[_Unit]:
    """Return a unit for each source address; one that moved on to another address under its NAME is one."""
    sources = {source.address: source for source in found.sources if source.address < NULL_ADDRESS}
    units = []
    for address, source in sources.items():
        names = tuple(claims.get(address, ()))
        if len(names) != 1:
            remarks = [f"{len(names)} units claimed this address, so no NAME tells which one this is:"] if names else []
            units.append(_Unit([source], None, [*remarks, *(f"  {_spoken_name(name)}" for name in names)]))
            continue
        places = [one for one in sources if names[0] in claims.get(one, ())]
        places.sort(key=lambda one: (claims[one][names[0]], one))
        if len(places) == 1:
            units.append(_Unit([source], names[0], []))
        elif not _moved([sources[one] for one in places], claims, names[0]):
            others = " and ".join(f"{one:02X} hex" for one in places if one != address)
            remark = f"its NAME, {_spoken_name(names[0])}, was claimed from address {others} too: no two units may"
            units.append(_Unit([source], None, [remark]))
        elif address == places[-1]:
            before = " and ".join(f"{one:02X} hex" for one in places[:-1])
            units.append(_Unit([sources[one] for one in places], names[0], [f"it had address {before} before"]))
    return units


def _moved(places: list[Source], claims: Claims, name: Name) -> bool:
    """Tell whether one unit went from each address to the next: it said nothing from there after its next claim."""
    alone = all(len(claims[source.address]) == 1 for source in places)
    return alone and all(
        max(heard.last for heard in before.messages.values()) <= claims[after.address][name]
        for before, after in pairwise(places)
    )


def _share_out(units: list[_Unit]) -> None:
    """Say what each unit is: by its status messages, or by its heartbeat where a function has no status."""
    spoken: list[tuple[int, int, _Unit, Function, int]] = []
    for unit in units:
        for message, heard in unit.messages():
            function = by_status(message.name or "")
            if function is not None and message.instance is not None:
                spoken.append((heard.first, unit.address, unit, function, message.instance))
    owners: dict[tuple[str, int], _Unit] = {}
    for _, _, unit, function, instance in sorted(spoken, key=lambda one: one[:2]):
        what = f"{function.title} {instance}"
        if not function.lowest_instance <= instance <= HIGHEST_INSTANCE:
            _remark(unit, f"it speaks as {what}, which is no instance: left out")
            continue
        owner = unit if function.shared else owners.setdefault((function.name, instance), unit)
        if owner is not unit:
            _remark(unit, f"it speaks as {what} too, as does address {owner.address:02X} hex, which was heard first")
        elif instance not in unit.functions.setdefault(function.name, []):
            unit.functions[function.name].append(instance)
    _by_heartbeat(units)


def _by_heartbeat(units: list[_Unit]) -> None:
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


def _remark(unit: _Unit, remark: str) -> None:
    if remark not in unit.remarks:
        unit.remarks.append(remark)


def _names(units: list[_Unit]) -> list[str]:
    """Return a name for each unit, short and its own: what it is first of all, else its NAME, else its address."""
    names: list[str] = []
    for unit in units:
        place = f"address {unit.address:02X} hex"
        name = _what(unit) or (_spoken_name(unit.name) if unit.name else place)
        names.append(name if name not in names else f"{name} at {place}")
    return names


def _what(unit: _Unit) -> str | None:
    known = [name for name in FUNCTIONS if name in unit.functions]
    first = next((name for name in known if not FUNCTIONS[name].shared), known[0] if known else None)
    return f"{FUNCTIONS[first].title} {min(unit.functions[first])}" if first else None


# What is written.


def _head(found: Survey, log: str) -> Iterator[str]:
    addresses = "one address" if len(found.sources) == 1 else f"{len(found.sources)} addresses"
    yield f"# A rig learnt from {log}: {found.frames} frames in {found.seconds:.1f} s from {addresses}."
    yield "#"
    yield "# A log tells who spoke and how often. For you to add: the names by which you speak of the devices, and,"
    yield "# where you know them, zone, limits, required fields and amps. Take out what was there for a moment, such"
    yield "# as a service tool. This log raises no flag with this rig: what is wrong in it stands at the end, accepted."
    yield ""
    yield "schema = 1"
    yield f"name = {_text(PurePath(log).stem)}"
    yield f"title = {_text(f'Learnt from {log}')}"


def _longest_pause(normal: Mapping[Flag, int]) -> Iterator[str]:
    if not normal:
        return
    longest = max(normal.values())
    flag = next(flag for flag, pause in normal.items() if pause == longest)
    times = "once" if len(normal) == 1 else f"{len(normal)} times"
    yield ""
    yield f"# The whole bus was quiet for longer than usual {times}, at most for {longest / SECOND:.3f} s, up to"
    yield f"# {_moment(flag.until or 0)} of the log. Remove this, and such a pause is told again."
    yield f'longest_pause = "{spoken(-(-longest // _STEP) * _STEP)}"'


def _cannot_claim(names: Iterable[Name]) -> Iterator[str]:
    for number, name in enumerate(names):
        if not number:
            yield ""
        yield f"# A unit said that it cannot claim an address: {_spoken_name(name)}, NAME {written(name)}."


def _device(unit: _Unit, name: str) -> Iterator[str]:
    yield "[[device]]"
    yield f"name = {_text(name)}"
    kind = next((kind for function, kind in _KIND_FOR.items() if function in unit.functions), None)
    if kind is not None:
        yield f'# kind = "{kind}"  # needed only if it is to be simulated'
    yield f"address = 0x{unit.address:02X}"
    if unit.name is not None:
        yield f'claimed_name = "{written(unit.name)}"  # {_spoken_name(unit.name)}'
    if unit.functions:
        those = (f"{one} = {_instances(unit.functions[one])}" for one in FUNCTIONS if one in unit.functions)
        yield f"functions = {{ {', '.join(those)} }}"
    for remark in unit.remarks:
        yield f"# Note: {remark}"
    messages = list(unit.messages())
    for message, heard in messages[:_LISTED]:
        topic = Topic(unit.address, message.dgn, message.name, message.instance, message.dsa)
        yield f"#   {_plain(str(topic))}: {_how_often(heard)}"
    if len(messages) > _LISTED:
        yield f"#   and {len(messages) - _LISTED} more messages"


def _instances(those: list[int]) -> str:
    return str(those[0]) if len(those) == 1 else str(sorted(those))


def _how_often(heard: Heard) -> str:
    if heard.median is None or heard.mean is None:
        return "once"
    if heard.median < heard.mean / _BURST:
        return f"{heard.count} times, in bursts, every {heard.mean / SECOND:.2f} s on average"
    return f"{heard.count} times, usually every {heard.median / SECOND:.2f} s"


class _Known(NamedTuple):
    """What an accepted flag has, by the keys of its table."""

    flag: str
    device: str | None
    message: str | None
    field: str | None


def _accepted(flags: Iterable[Flag], devices: set[str], log: str) -> Iterator[str]:
    """Write what is still flagged as known trouble."""
    groups: dict[_Known, list[Flag]] = {}
    for flag in flags:
        device = flag.subject if flag.subject in devices else None
        groups.setdefault(_Known(flag.kind, device, flag.message, flag.field), []).append(flag)
    many = Counter((known.flag, known.device) for known in groups)
    wider: dict[_Known, list[Flag]] = {}
    for known, those in groups.items():
        if many[known.flag, known.device] > _ACCEPTED_APART:
            known = _Known(known.flag, known.device, None, None)
        wider.setdefault(known, []).extend(those)
    for known, those in wider.items():
        yield ""
        yield f"# {_seen(those)}: {_plain(those[0].text)}."
        yield "# Remove this entry, and it is told again."
        yield "[[accepted]]"
        yield from (f"{key} = {_text(value)}" for key, value in known._asdict().items() if value is not None)
        yield f"reason = {_text(f'seen in {log}')}"


def _seen(flags: list[Flag]) -> str:
    ends = [flag.until for flag in flags]
    until = "to the end" if None in ends else f"until {_moment(max(end for end in ends if end is not None))}"
    times = "" if len(flags) == 1 else f", {len(flags)} times"
    whom = "" if len({flag.subject for flag in flags}) > 1 else f", {_plain(flags[0].subject)}"
    return f"Seen from {_moment(min(flag.since for flag in flags))} {until}{times}{whom}"


def _moment(time: int) -> str:
    return f"{time / SECOND:.1f} s"


def _spoken_name(name: Name) -> str:
    return f"maker {name.manufacturer_code}, serial {name.serial_number}"


def _plain(text: str) -> str:
    """Return text that is safe in a comment and on a terminal."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def _text(text: str) -> str:
    """Write text as a TOML string; of plain text JSON's are the same."""
    return json.dumps(_plain(text).strip(), ensure_ascii=False)

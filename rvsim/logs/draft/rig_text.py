"""How a rig that was learnt from a log is written, for a person to go on with.

Knows: the tables of a rig's file and the comments beside them. Does not know how units are found in a log.
"""

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from pathlib import PurePath
from typing import NamedTuple

from rvsim.logs.draft.log_units import Unit, spoken_name
from rvsim.logs.draft.stand_ins import kind_for, settings_for
from rvsim.logs.survey import MessageCounts, Survey
from rvsim.rig.claimed import written
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.quantity import spoken
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.watch.transitions import Topic
from rvsim.wire.frame import SECOND_US
from rvsim.wire.name import Name

_LISTED = 30
"""So many messages of a device are listed; the rest is counted."""
_ACCEPTED_APART = 12
"""So many flags of one kind and device are accepted message by message; more of them are accepted as one."""
STEP = SECOND_US // 10
"""The longest pause is rounded up to this."""


class Known(NamedTuple):
    """What an accepted flag has, by the keys of its table."""

    flag: str
    device: str | None
    message: str | None
    field: str | None


Accepted = Mapping[Known, list[Flag]]
"""What is accepted, with the flags that each entry keeps back."""


def rig_text(
    found: Survey,
    log: str,
    devices: Mapping[str, Unit],
    pauses: Mapping[Flag, int],
    cannot_claim: Iterable[Name],
    accepted: Accepted,
) -> str:
    """Return the text of a rig's file.

    Args:
        found: the log's survey.
        log: the log's name, safe to print.
        devices: the units by the names that they are to have.
        pauses: flags of a quiet bus that are to be taken as normal, with how long it was quiet, in microseconds.
        cannot_claim: the NAMEs of those who said that they cannot claim an address.
        accepted: what is to be accepted.
    """
    units = list(devices.values())
    lines = [
        *_head(found, log, accepted),
        *_longest_pause(pauses),
        *_cannot_claim(cannot_claim),
        *(line for name, unit in devices.items() for line in ("", *_device(unit, name, units))),
        *_accepted(accepted, log),
    ]
    return "\n".join(lines) + "\n"


def _head(found: Survey, log: str, accepted: Accepted) -> Iterator[str]:
    addresses = "one address" if len(found.sources) == 1 else f"{len(found.sources)} addresses"
    yield f"# A rig learnt from {log}: {found.frames} frames in {found.seconds:.1f} s from {addresses}."
    yield "#"
    yield "# A log tells who spoke and how often. For you to add: the names by which you speak of the devices, and,"
    yield "# where you know them, zone, limits, required fields and amps. Take out what was there for a moment, such"
    yield "# as a service tool."
    yield "#"
    yield from _comes_to(accepted)
    yield ""
    yield "schema = 1"
    yield f"name = {_text(PurePath(log).stem)}"
    yield f"title = {_text(f'Learnt from {log}')}"


def _comes_to(accepted: Accepted) -> Iterator[str]:
    """Say what had to be accepted, so that nobody takes a rig without flags for a vehicle without faults."""
    if not accepted:
        yield "# This log raises no flag with this rig, and nothing had to be accepted for that."
        return
    kinds = "one kind" if len(accepted) == 1 else f"{len(accepted)} kinds"
    faults = faults_in(accepted)
    serious = f"; {faults} of them {'is a fault' if faults == 1 else 'are faults'}, marked A FAULT" if faults else ""
    yield "# This log raises no flag with this rig only because trouble in it is accepted at the end of this file:"
    yield f"# {kinds} of trouble{serious}."


def _longest_pause(normal: Mapping[Flag, int]) -> Iterator[str]:
    if not normal:
        return
    longest = max(normal.values())
    flag = next(flag for flag, pause in normal.items() if pause == longest)
    times = "once" if len(normal) == 1 else f"{len(normal)} times"
    yield ""
    yield f"# The whole bus was quiet for longer than usual {times}, at most for {longest / SECOND_US:.3f} s, up to"
    yield f"# {_moment(flag.until or 0)} of the log. Remove this, and such a pause is told again."
    yield f'longest_pause = "{spoken(-(-longest // STEP) * STEP)}"'


def _cannot_claim(names: Iterable[Name]) -> Iterator[str]:
    for number, name in enumerate(names):
        if not number:
            yield ""
        yield f"# A unit said that it cannot claim an address: {spoken_name(name)}, NAME {written(name)}."


def _device(unit: Unit, name: str, units: list[Unit]) -> Iterator[str]:
    yield "[[device]]"
    yield f"name = {_text(name)}"
    if unit.product is not None:
        yield f"# says it is: {plain(str(unit.product))}"
    yield from _stand_in(unit, units)
    yield f"address = 0x{unit.address:02X}"
    if unit.name is not None:
        yield f'claimed_name = "{written(unit.name)}"  # {spoken_name(unit.name)}'
    if unit.functions:
        those = (f"{one} = {_instances(unit.functions[one])}" for one in FUNCTIONS if one in unit.functions)
        yield f"functions = {{ {', '.join(those)} }}"
    for remark in unit.remarks:
        yield f"# Note: {remark}"
    messages = list(unit.messages())
    for message, heard in messages[:_LISTED]:
        topic = Topic(unit.address, *message)
        yield f"#   {plain(str(topic))}: {_how_often(heard)}"
    if len(messages) > _LISTED:
        yield f"#   and {len(messages) - _LISTED} more messages"


def _stand_in(unit: Unit, units: list[Unit]) -> Iterator[str]:
    """Say which simulated device can stand in, in lines that are only to be uncommented."""
    kind = kind_for(unit.functions)
    if kind is None:
        return
    yield f'# kind = "{kind}"  # needed only if it is to be simulated'
    settings = settings_for(kind, unit.functions, (one.functions for one in units))
    if settings:
        yield f"# settings = {{ {', '.join(f'{name} = {json.dumps(value)}' for name, value in settings.items())} }}"


def _instances(those: list[int]) -> str:
    return str(those[0]) if len(those) == 1 else str(sorted(those))


def _how_often(heard: MessageCounts) -> str:
    if heard.median is None or heard.mean is None:
        return "once"
    if heard.in_bursts:
        return f"{heard.count} times, in bursts, every {heard.mean / SECOND_US:.2f} s on average"
    return f"{heard.count} times, usually every {heard.median / SECOND_US:.2f} s"


def accepted_of(flags: Iterable[Flag], devices: set[str]) -> Accepted:
    """Return what has to be accepted for these flags not to be raised again; many of one kind and device are one."""
    groups: dict[Known, list[Flag]] = {}
    for flag in flags:
        device = flag.subject if flag.subject in devices else None
        groups.setdefault(Known(flag.kind, device, flag.message, flag.field), []).append(flag)
    many = Counter((known.flag, known.device) for known in groups)
    wider: dict[Known, list[Flag]] = {}
    for known, those in groups.items():
        if many[known.flag, known.device] > _ACCEPTED_APART:
            known = Known(known.flag, known.device, None, None)
        wider.setdefault(known, []).extend(those)
    return wider


def faults_in(accepted: Accepted) -> int:
    """Return how many of the entries keep back a fault."""
    return sum(map(_is_fault, accepted.values()))


def _is_fault(flags: list[Flag]) -> bool:
    return any(flag.severity is Severity.FAULT for flag in flags)


def _accepted(accepted: Accepted, log: str) -> Iterator[str]:
    """Write what is still flagged as known trouble."""
    for known, those in accepted.items():
        yield ""
        if _is_fault(those):
            yield "# A FAULT: something does not work. Better mended than accepted."
        yield f"# {_seen(those)}: {plain(those[0].text)}."
        yield "# Remove this entry, and it is told again."
        yield "[[accepted]]"
        yield from (f"{key} = {_text(value)}" for key, value in known._asdict().items() if value is not None)
        if known.flag is FlagKind.SILENT_DEVICE and any(flag.heard is None for flag in those):
            yield "absent = true"
        yield f"reason = {_text(f'seen in {log}')}"


def _seen(flags: list[Flag]) -> str:
    ends = [flag.until for flag in flags]
    until = "to the end" if None in ends else f"until {_moment(max(end for end in ends if end is not None))}"
    times = "" if len(flags) == 1 else f", {len(flags)} times"
    whom = "" if len({flag.subject for flag in flags}) > 1 else f", {plain(flags[0].subject)}"
    return f"Seen from {_moment(min(flag.since for flag in flags))} {until}{times}{whom}"


def _moment(time: int) -> str:
    return f"{time / SECOND_US:.1f} s"


def plain(text: str) -> str:
    """Return text that is safe in a comment and on a terminal."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def _text(text: str) -> str:
    """Write text as a TOML string; of plain text JSON's are the same."""
    return json.dumps(plain(text).strip(), ensure_ascii=False)

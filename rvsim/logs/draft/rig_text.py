"""Renders a rig that was learnt from a log as the text of a file that a person completes.

Knows: the tables of a rig's file and their comments. Does not know how units are found in a log.
"""

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from pathlib import PurePath
from typing import NamedTuple

from rvsim.logs.draft.log_units import Unit, name_parts_text
from rvsim.logs.draft.stand_ins import kind_for, settings_for
from rvsim.logs.survey import MessageCounts, Survey
from rvsim.rig.claimed import name_text
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.quantity import duration_as_typed
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.watch.transitions import Topic
from rvsim.wire.frame import SECOND_US
from rvsim.wire.name import Name

_MAX_LISTED_MESSAGES = 30
"""Messages of a device that are listed; the rest is counted."""
_MAX_SEPARATE_ENTRIES = 12
"""Flags of one kind and device that are accepted message by message; more of them are accepted by one entry."""
PAUSE_STEP_US = SECOND_US // 10
"""The longest pause is rounded up to a multiple of this."""


class AcceptedKey(NamedTuple):
    """What identifies an accepted flag: the keys of its table."""

    flag: str
    device: str | None
    message: str | None
    field: str | None


Accepted = Mapping[AcceptedKey, list[Flag]]
"""The entries of accepted trouble, each with the flags that it accepts."""


def render_rig(
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
        devices: the units by their names in the rig.
        pauses: flags of a quiet bus that are taken as normal, with the length of each pause in microseconds.
        cannot_claim: the NAMEs of units that reported that they cannot claim an address.
        accepted: the accepted trouble.
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


def log_table(columns: str) -> str:
    """Return the table of a rig's file that says how a log is read that is a table of frames."""
    return f"\n# The columns of this vehicle's logs.\n[log]\ncolumns = {_text(columns)}\n"


def _head(found: Survey, log: str, accepted: Accepted) -> Iterator[str]:
    addresses = "1 address" if len(found.sources) == 1 else f"{len(found.sources)} addresses"
    frames = "1 frame" if found.frames == 1 else f"{found.frames} frames"
    yield f"# A rig learnt from {log}: {frames} in {found.seconds:.1f} s from {addresses}."
    yield "#"
    yield "# A log shows which addresses sent which messages, and how often. Please add: your names for the devices"
    yield "# and, if you know them, zone, limits, required fields and amps. Remove devices that were there only for a"
    yield "# moment, such as a service tool."
    yield "#"
    yield from _accepted_summary(accepted)
    yield ""
    yield "schema = 1"
    yield f"name = {_text(PurePath(log).stem)}"
    yield f"title = {_text(f'Learnt from {log}')}"


def _accepted_summary(accepted: Accepted) -> Iterator[str]:
    """Yield a summary of what is accepted: a log without flags may still have faults."""
    if not accepted:
        yield "# Compared with this rig, the log raises no flag; nothing had to be accepted."
        return
    kinds = "1 kind" if len(accepted) == 1 else f"{len(accepted)} kinds"
    faults = count_faults(accepted)
    serious = f"; {faults} of them {'is a fault' if faults == 1 else 'are faults'}, marked A FAULT" if faults else ""
    yield "# Compared with this rig, the log raises no flag, because its trouble is accepted at the end of this file:"
    yield f"# {kinds} of trouble{serious}."


def _longest_pause(normal: Mapping[Flag, int]) -> Iterator[str]:
    if not normal:
        return
    longest = max(normal.values())
    flag = next(flag for flag, pause in normal.items() if pause == longest)
    times = "once" if len(normal) == 1 else f"{len(normal)} times"
    yield ""
    yield f"# The whole bus was quiet for longer than usual {times}, at most for {longest / SECOND_US:.3f} s, until"
    yield f"# {_moment(flag.until or 0)} of the log. Without this line such a pause is reported."
    yield f'longest_pause = "{duration_as_typed(-(-longest // PAUSE_STEP_US) * PAUSE_STEP_US)}"'


def _cannot_claim(names: Iterable[Name]) -> Iterator[str]:
    for number, name in enumerate(names):
        if not number:
            yield ""
        yield f"# A unit reported that it cannot claim an address: {name_parts_text(name)}, NAME {name_text(name)}."


def _device(unit: Unit, name: str, units: list[Unit]) -> Iterator[str]:
    yield "[[device]]"
    yield f"name = {_text(name)}"
    if unit.product is not None:
        yield f"# product: {printable_text(str(unit.product))}"
    yield from _stand_in(unit, units)
    yield f"address = 0x{unit.address:02X}"
    if unit.name is not None:
        yield f'claimed_name = "{name_text(unit.name)}"  # {name_parts_text(unit.name)}'
    if unit.functions:
        functions = (f"{name} = {_instances(unit.functions[name])}" for name in FUNCTIONS if name in unit.functions)
        yield f"functions = {{ {', '.join(functions)} }}"
    for remark in unit.remarks:
        yield f"# Note: {remark}"
    messages = list(unit.messages())
    for message, counts in messages[:_MAX_LISTED_MESSAGES]:
        topic = Topic(unit.address, *message)
        yield f"#   {printable_text(str(topic))}: {_how_often(counts)}"
    if len(messages) > _MAX_LISTED_MESSAGES:
        yield f"#   and {len(messages) - _MAX_LISTED_MESSAGES} more messages"


def _stand_in(unit: Unit, units: list[Unit]) -> Iterator[str]:
    """Yield the kind and settings of a simulated device that can stand in, as lines to be uncommented."""
    kind = kind_for(unit.functions)
    if kind is None:
        return
    yield f'# kind = "{kind}"  # needed only if it is to be simulated'
    settings = settings_for(kind, unit.functions, (other.functions for other in units))
    if settings:
        yield f"# settings = {{ {', '.join(f'{name} = {json.dumps(value)}' for name, value in settings.items())} }}"


def _instances(instances: list[int]) -> str:
    return str(instances[0]) if len(instances) == 1 else str(sorted(instances))


def _how_often(counts: MessageCounts) -> str:
    if counts.median_gap is None or counts.mean_gap is None:
        return "once"
    if counts.in_bursts:
        return f"{counts.count} times, in bursts, on average one each {counts.mean_gap / SECOND_US:.2f} s"
    return f"{counts.count} times, usually every {counts.median_gap / SECOND_US:.2f} s"


def accepted_trouble(flags: Iterable[Flag], devices: set[str]) -> Accepted:
    """Return the entries with which these flags are not raised again; many of one kind and device become one entry."""
    groups: dict[AcceptedKey, list[Flag]] = {}
    for flag in flags:
        device = flag.subject if flag.subject in devices else None
        groups.setdefault(AcceptedKey(flag.kind, device, flag.message, flag.field), []).append(flag)
    entry_counts = Counter((key.flag, key.device) for key in groups)
    entries: dict[AcceptedKey, list[Flag]] = {}
    for key, key_flags in groups.items():
        if entry_counts[key.flag, key.device] > _MAX_SEPARATE_ENTRIES:
            key = AcceptedKey(key.flag, key.device, None, None)
        entries.setdefault(key, []).extend(key_flags)
    return entries


def count_faults(accepted: Accepted) -> int:
    """Return how many of the entries accept a fault."""
    return sum(map(_is_fault, accepted.values()))


def _is_fault(flags: list[Flag]) -> bool:
    return any(flag.severity is Severity.FAULT for flag in flags)


def _accepted(accepted: Accepted, log: str) -> Iterator[str]:
    """Yield the entries of accepted trouble."""
    for entry, flags in accepted.items():
        yield ""
        if _is_fault(flags):
            yield "# A FAULT: something does not work. Better repaired than accepted."
        yield f"# {_seen(flags)}: {printable_text(flags[0].text)}."
        yield "# Without this entry it is reported."
        yield "[[accepted]]"
        yield from (f"{key} = {_text(value)}" for key, value in entry._asdict().items() if value is not None)
        if entry.flag is FlagKind.SILENT_DEVICE and any(flag.heard is None for flag in flags):
            yield "absent = true"
        yield f"reason = {_text(f'seen in {log}')}"


def _seen(flags: list[Flag]) -> str:
    ends = [flag.until for flag in flags]
    until = "to the end" if None in ends else f"until {_moment(max(end for end in ends if end is not None))}"
    times = "" if len(flags) == 1 else f", {len(flags)} times"
    subject = "" if len({flag.subject for flag in flags}) > 1 else f", {printable_text(flags[0].subject)}"
    return f"Seen from {_moment(min(flag.since for flag in flags))} {until}{times}{subject}"


def _moment(time: int) -> str:
    return f"{time / SECOND_US:.1f} s"


def printable_text(text: str) -> str:
    """Return text that is safe in a comment and on a terminal."""
    return "".join(character if character.isprintable() else "?" for character in text)


def _text(text: str) -> str:
    """Return text as a TOML string; for printable text a JSON string is the same."""
    return json.dumps(printable_text(text).strip(), ensure_ascii=False)

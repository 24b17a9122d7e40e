"""Mistakes in what a controller sends, as gates between the controller and the line.

Knows: how each mistake changes the controller's frames. Does not know the names and sentences of the mistakes
(`mistakes`), nor what the controller receives (`reading_mistakes`). A frame that is no command passes as it is, where
nothing else is said.
"""

from collections.abc import Callable, Iterable

from rvsim.rig.functions import FUNCTIONS, MAX_INSTANCE
from rvsim.shakedown.faults.gates import fixed_delay, only_dgns, shortened_data, silence, with_source
from rvsim.shakedown.strength.controller_site import COMMAND_WORD, ControllerSite
from rvsim.sim.bench import Gate, Passed
from rvsim.watch.reports import DM_RV
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.fields import FieldSpec, Special, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.spec import MessageSpec

LATE_US = 20 * SECOND_US
"""How late a late command is. Our decision: longer than a person waits, shorter than a cabin cools down."""
FLOOD_GAP_US = 100_000
"""The gap of repeated commands. Our decision."""
PRESS_GAP_US = 20_000
"""The time between two commands of one press. Common practice, no source: both edges of a contact that bounces."""
SHORT_CYCLE_US = 60 * SECOND_US
"""The length of a short cycle, half of it off. Our decision: shorter than a heater needs to start."""
SHORT_LENGTH = 4
"""Bytes of a frame that was cut. Our decision."""
FULL_PERCENT = 100
_BYTE = 8
_Change = Callable[[MessageSpec, bytes], bytes]
"""Takes the message and the data of a command; returns other data."""


def is_command(spec: MessageSpec | None) -> bool:
    """Tell whether a message commands: by its name, as the standard forms them."""
    return spec is not None and COMMAND_WORD in spec.name


def _changed(site: ControllerSite, change: _Change) -> Gate:
    """Return a gate that changes the data of every command."""

    def gate(_time: int, identifier: int, data: bytes) -> Passed:
        spec = site.spec(identifier)
        return Passed(identifier, change(spec, data) if spec is not None and is_command(spec) else data)

    return gate


def _values(spec: MessageSpec, data: bytes) -> Iterable[tuple[FieldSpec, int]]:
    """Yield the fields of a command that set something, without its instance, with their raw values."""
    for reading in spec.decode(data):
        if reading.raw is not None and reading.state is State.VALUE and reading.field is not spec.instance:
            yield reading.field, reading.raw


def _within(field: FieldSpec, raw: int) -> int:
    low, high = field.raw_limits
    return max(low, min(high, raw))


def wrong_instance(site: ControllerSite) -> Gate:
    """Return a gate that commands the next instance."""

    def change(spec: MessageSpec, data: bytes) -> bytes:
        field = spec.instance
        raw = None if field is None else field.raw_in(data)
        if field is None or raw is None or field.state(raw) is not State.VALUE:
            return data
        return spec.replace(data, field.name, raw + 1 if raw < MAX_INSTANCE else raw - 1)

    return _changed(site, change)


def swapped_bytes(data: bytes, spec: MessageSpec) -> bytes:
    """Return the data with the bytes of each field of two bytes or more in reverse order."""
    result = bytearray(data)
    for field in spec.fields:
        if field.length > _BYTE and field.length % _BYTE == 0 and field.first % _BYTE == 0:
            place = slice(field.first_byte, field.last_byte + 1)
            result[place] = result[place][::-1]
    return bytes(result)


def low_byte_last(site: ControllerSite) -> Gate:
    """Return a gate that sends the low byte of each number last."""
    return _changed(site, lambda spec, data: swapped_bytes(data, spec))


def whole_percent(site: ControllerSite) -> Gate:
    """Return a gate that writes percent in steps of 1 where the message has steps of 0.5."""

    def change(spec: MessageSpec, data: bytes) -> bytes:
        for field, raw in _values(spec, data):
            if field.unit == "%" and field.scale * 2 == field.unit_steps:
                data = spec.replace(data, field.name, raw // 2)
        return data

    return _changed(site, change)


def no_offset(site: ControllerSite) -> Gate:
    """Return a gate that leaves out the offset of temperatures and currents."""

    def change(spec: MessageSpec, data: bytes) -> bytes:
        for field, raw in _values(spec, data):
            if field.offset and field.scale:
                data = spec.replace(data, field.name, _within(field, raw + round(field.offset / field.scale)))
        return data

    return _changed(site, change)


def zeros_for_unchanged(site: ControllerSite) -> Gate:
    """Return a gate that fills fields that should stay unchanged with zeros."""

    def change(spec: MessageSpec, data: bytes) -> bytes:
        for reading in spec.decode(data):
            field = reading.field
            if reading.state is State.UNCHANGED or (
                field.special is Special.NONE and reading.raw == field.all_ones and field is not spec.instance
            ):
                data = spec.replace(data, field.name, 0)
        return data

    return _changed(site, change)


def opposite(site: ControllerSite) -> Gate:
    """Return a gate that commands off for on, and full for none."""
    return _changed(site, _inverted)


def _inverted(spec: MessageSpec, data: bytes) -> bytes:
    for field, raw in _values(spec, data):
        if field.unit == "%":
            data = spec.replace(data, field.name, 0 if raw else field.raw(FULL_PERCENT))
        elif _is_on_off(field):
            data = spec.replace(data, field.name, 0 if raw else 1)
    return data


def _is_on_off(field: FieldSpec) -> bool:
    return field.labels.get(0, "").lower() == "off"


def wrong_group(site: ControllerSite) -> Gate:
    """Return a gate that writes a group's number where the message has a bitmap (7E hex is group 1)."""

    def change(spec: MessageSpec, data: bytes) -> bytes:
        field = spec.by_name.get("group")
        raw = None if field is None else field.raw_in(data)
        if field is None or raw is None or raw == field.all_ones:
            return data
        members = [number for number in range(1, 8) if not raw >> (number - 1) & 1]
        return spec.replace(data, field.name, members[0] if len(members) == 1 else 0x7F)

    return _changed(site, change)


def no_command(site: ControllerSite) -> Gate:
    """Return a gate that drops every command."""
    return only_dgns(site.command_dgns, silence())


def first_command_only(site: ControllerSite) -> Gate:
    """Return a gate that passes the first command of each message and instance, and none that differs from it."""
    first: dict[tuple[int, bytes], bytes] = {}

    def gate(_time: int, identifier: int, data: bytes) -> Passed | None:
        if not is_command(site.spec(identifier)):
            return Passed(identifier, data)
        return Passed(identifier, data) if first.setdefault((identifier, data[:1]), data) == data else None

    return gate


def late(site: ControllerSite) -> Gate:
    """Return a gate that delays every command by ``LATE_US``."""
    return only_dgns(site.command_dgns, fixed_delay(LATE_US))


def flood(site: ControllerSite) -> Gate:
    """Return a gate that repeats the last command of each message and instance every ``FLOOD_GAP_US``."""
    latest: dict[tuple[int, bytes], bytes] = {}

    def repeat(identifier: int, key: bytes) -> None:
        site.send(identifier, latest[identifier, key])
        site.later(FLOOD_GAP_US, lambda: repeat(identifier, key))

    def gate(_time: int, identifier: int, data: bytes) -> Passed:
        if is_command(site.spec(identifier)):
            key = data[:1]
            if (identifier, key) not in latest:
                site.later(FLOOD_GAP_US, lambda: repeat(identifier, key))
            latest[identifier, key] = data
        return Passed(identifier, data)

    return gate


def two_commands(site: ControllerSite) -> Gate:
    """Return a gate that sends every command twice, ``PRESS_GAP_US`` apart."""

    def gate(_time: int, identifier: int, data: bytes) -> Passed:
        if is_command(site.spec(identifier)):
            site.later(PRESS_GAP_US, lambda: site.send(identifier, data))
        return Passed(identifier, data)

    return gate


def toggle_on_repeat(site: ControllerSite) -> Gate:
    """Return a gate that sends the opposite where a command repeats the last one of its message and instance."""
    latest: dict[tuple[int, bytes], tuple[bytes, bool]] = {}

    def change(spec: MessageSpec, data: bytes) -> bytes:
        key = (spec.dgn, data[:1])
        before, inverted = latest.get(key, (b"", True))
        inverts = before == data and not inverted
        latest[key] = (data, inverts)
        return _inverted(spec, data) if inverts else data

    return _changed(site, change)


def short_cycle(site: ControllerSite) -> Gate:
    """Return a gate that switches off and on again what is commanded on: each half of ``SHORT_CYCLE_US``."""
    latest: dict[tuple[int, bytes], bytes] = {}

    def cycle(spec: MessageSpec, identifier: int, key: bytes, *, on: bool) -> None:
        data = latest[identifier, key]
        off = _off(spec, data)
        if off != data:
            site.send(identifier, data if on else off)
        site.later(SHORT_CYCLE_US // 2, lambda: cycle(spec, identifier, key, on=not on))

    def gate(_time: int, identifier: int, data: bytes) -> Passed:
        spec, key = site.spec(identifier), data[:1]
        if spec is not None and is_command(spec):
            if (identifier, key) not in latest and _off(spec, data) != data:
                site.later(SHORT_CYCLE_US // 2, lambda: cycle(spec, identifier, key, on=False))
                latest[identifier, key] = data
            elif (identifier, key) in latest:
                latest[identifier, key] = data
        return Passed(identifier, data)

    return gate


def _off(spec: MessageSpec, data: bytes) -> bytes:
    """Return a command with every level at nothing."""
    for field, raw in _values(spec, data):
        if raw and (field.unit == "%" or _is_on_off(field)):
            data = spec.replace(data, field.name, 0)
    return data


def no_claim(_site: ControllerSite) -> Gate:
    """Return a gate that drops address claims."""
    return only_dgns(frozenset({ADDRESS_CLAIM}), silence())


def no_heartbeat(_site: ControllerSite) -> Gate:
    """Return a gate that drops heartbeats."""
    return only_dgns(frozenset({DM_RV}), silence())


def short_frames(site: ControllerSite) -> Gate:
    """Return a gate that cuts commands to ``SHORT_LENGTH`` bytes."""
    return only_dgns(site.command_dgns, shortened_data(SHORT_LENGTH))


def status_for_command(site: ControllerSite) -> Gate:
    """Return a gate that sends the status message where the command is meant: neighbours in the tables."""
    statuses = {
        command: function.statuses[0]
        for function in FUNCTIONS.values()
        for command in function.commands
        if function.statuses
    }

    def gate(_time: int, identifier: int, data: bytes) -> Passed:
        spec = site.spec(identifier)
        status = statuses.get(spec.name) if spec is not None else None
        if status is None:
            return Passed(identifier, data)
        return Passed(site.catalogue.by_name(status).identifier(identifier & 0xFF), data)

    return gate


def null_address(site: ControllerSite) -> Gate:
    """Return a gate that sends commands from the null address."""
    return only_dgns(site.command_dgns, with_source(NULL_ADDRESS))


def stops_at(moment: int) -> Callable[[ControllerSite], Gate]:
    """Return a maker of gates that drop everything from ``moment`` (microseconds) on."""

    def make(_site: ControllerSite) -> Gate:
        return lambda time, identifier, data: Passed(identifier, data) if time < moment else None

    return make

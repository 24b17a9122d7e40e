"""Mistakes in how a controller reads what it receives, as gates between the line and the controller.

Knows: how each mistake changes what reaches the controller: a controller that reads a field wrongly acts as a right one
that receives another value. Does not know the names and sentences of the mistakes (`mistakes`), nor what the controller
sends (`command_mistakes`).
"""

from collections.abc import Callable

from rvsim.shakedown.strength.command_mistakes import FULL_PERCENT, is_command, swapped_bytes
from rvsim.shakedown.strength.controller_site import ControllerSite
from rvsim.sim.bench import Gate, Passed
from rvsim.watch.reports import DM_RV
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec

MISSED_AFTER_US = 6 * SECOND_US
"""After so long without a message a controller that ignores silence goes on with the last one: a little more than the
heartbeat of 5 s (rv-c.com/node/82)."""
BOUNCE_GAP_US = 60_000
"""The time between two edges of a contact that bounces. Long enough for a right controller, which waits some 50 ms, to
take them for presses, as a wrong one takes shorter ones; of 18 switches of one bench test the worst bounced for 157 ms
(from memory)."""
GOOD_SUPPLY_V = 12.8
"""What a controller that does not look at the supply takes it for: a full lead-acid battery at rest (from memory)."""
_NO_FAULT_SPN, _NO_FAULT_FMI = 0x7FFFF, 31
"""SPN and FMI of a heartbeat without a fault (rv-c.com/node/522)."""


def _reporting(site: ControllerSite, identifier: int) -> MessageSpec | None:
    """Return the message of a frame that reports something; None for commands, protocol and what is not defined."""
    spec = site.spec(identifier)
    return None if spec is None or spec.is_protocol or is_command(spec) else spec


def _changed(site: ControllerSite, change: Callable[[MessageSpec, bytes], bytes]) -> Gate:
    """Return a gate that changes the data of everything that reports: neither commands nor protocol."""

    def gate(_time: int, identifier: int, data: bytes) -> Passed:
        spec = _reporting(site, identifier)
        return Passed(identifier, data if spec is None else change(spec, data))

    return gate


def no_data_as_number(site: ControllerSite) -> Gate:
    """Return a gate that turns "no data" in a quantity into its highest value."""

    def change(spec: MessageSpec, data: bytes) -> bytes:
        for reading in spec.decode(data):
            if reading.state is State.NO_DATA and reading.field.unit:
                data = spec.replace(data, reading.field.name, reading.field.raw_limits[1])
        return data

    return _changed(site, change)


def last_value_for_no_data(site: ControllerSite) -> Gate:
    """Return a gate that turns "no data" into the last value of the field."""
    last: dict[tuple[int, bytes, str], int] = {}

    def change(spec: MessageSpec, data: bytes) -> bytes:
        for reading in spec.decode(data):
            key = (spec.dgn, data[:1], reading.field.name)
            if reading.state is State.VALUE and reading.raw is not None:
                last[key] = reading.raw
            elif reading.state is State.NO_DATA and key in last:
                data = spec.replace(data, reading.field.name, last[key])
        return data

    return _changed(site, change)


def goes_on_in_silence(site: ControllerSite) -> Gate:
    """Return a gate that lets the controller receive the last status again and again when no new one comes."""
    last: dict[tuple[int, bytes], tuple[int, bytes]] = {}
    is_started = False

    def repeat(time: int) -> None:
        for (identifier, _), (when, data) in list(last.items()):
            if time - when >= MISSED_AFTER_US:
                site.receive(identifier, data)
        site.later(SECOND_US, lambda: repeat(time + SECOND_US))

    def gate(time: int, identifier: int, data: bytes) -> Passed:
        nonlocal is_started
        if _reporting(site, identifier) is not None:
            last[identifier, data[:1]] = (time, data)
            if not is_started:
                is_started = True
                site.later(SECOND_US, lambda: repeat(time + SECOND_US))
        return Passed(identifier, data)

    return gate


def reads_low_byte_last(site: ControllerSite) -> Gate:
    """Return a gate that reverses the bytes of each number."""
    return _changed(site, lambda spec, data: swapped_bytes(data, spec))


def reads_wrong_instance(site: ControllerSite) -> Gate:
    """Return a gate that exchanges instances in pairs: 1 and 2, 3 and 4."""

    def change(spec: MessageSpec, data: bytes) -> bytes:
        field = spec.instance
        raw = None if field is None else field.raw_in(data)
        if field is None or not raw or field.state(raw) is not State.VALUE:
            return data
        other = raw + 1 if raw % 2 else raw - 1
        return spec.replace(data, field.name, min(other, field.raw_limits[1]))

    return _changed(site, change)


def _is_alarm(field: FieldSpec, raw: int | None) -> bool:
    return raw is not None and raw in field.alarms


def ignores_faults(site: ControllerSite) -> Gate:
    """Return a gate that takes reported faults away: alarming codes, lamps and fault numbers."""

    def gate(_time: int, identifier: int, data: bytes) -> Passed:
        spec = site.spec(identifier)
        if spec is None:
            return Passed(identifier, data)
        for reading in spec.decode(data):
            if _is_alarm(reading.field, reading.raw):
                data = spec.replace(data, reading.field.name, 0)
        if spec.dgn == DM_RV:
            data = spec.replace(spec.replace(data, "spn", _NO_FAULT_SPN), "fmi", _NO_FAULT_FMI)
        return Passed(identifier, data)

    return gate


def _without(site: ControllerSite, *words: str) -> Gate:
    """Return a gate that sets fields to 0 whose name has one of the words."""

    def change(spec: MessageSpec, data: bytes) -> bytes:
        for reading in spec.decode(data):
            if reading.raw and reading.state is State.VALUE and any(word in reading.field.name for word in words):
                data = spec.replace(data, reading.field.name, 0)
        return data

    return _changed(site, change)


def ignores_trips(site: ControllerSite) -> Gate:
    """Return a gate that hides that an output was switched off by its own protection."""
    return _without(site, "over_current")


def ignores_overrides(site: ControllerSite) -> Gate:
    """Return a gate that hides that a person overrides an output at its module, or has locked it."""
    return _without(site, "override_status", "lock_status")


def reads_once(site: ControllerSite) -> Gate:
    """Return a gate that repeats the first status of each message and instance."""
    first: dict[tuple[int, bytes], bytes] = {}

    def gate(_time: int, identifier: int, data: bytes) -> Passed:
        if _reporting(site, identifier) is None:
            return Passed(identifier, data)
        return Passed(identifier, first.setdefault((identifier, data[:1]), data))

    return gate


def any_level_as_full(site: ControllerSite) -> Gate:
    """Return a gate that turns every level between 0 and 100 % into 100 %: a ramp is read as on."""

    def change(spec: MessageSpec, data: bytes) -> bytes:
        for reading in spec.decode(data):
            field, raw = reading.field, reading.raw
            if reading.state is State.VALUE and field.unit == "%" and raw:
                data = spec.replace(data, field.name, max(raw, field.raw(FULL_PERCENT)))
        return data

    return _changed(site, change)


def ignores_supply(site: ControllerSite) -> Gate:
    """Return a gate that raises every low voltage of the battery to ``GOOD_SUPPLY_V``."""

    def change(spec: MessageSpec, data: bytes) -> bytes:
        field = spec.by_name.get("dc_voltage")
        raw = None if field is None else field.raw_in(data)
        if field is None or raw is None or field.state(raw) is not State.VALUE:
            return data
        return spec.replace(data, field.name, max(raw, field.raw(GOOD_SUPPLY_V)))

    return _changed(site, change)


def no_debounce(site: ControllerSite) -> Gate:
    """Return a gate that lets each change of a switch bounce once: on, off, on."""
    last: dict[tuple[int, bytes], bytes] = {}

    def gate(_time: int, identifier: int, data: bytes) -> Passed:
        spec = site.spec(identifier)
        if spec is None or spec.name != "DIGITAL_INPUT_STATUS":
            return Passed(identifier, data)
        key = (identifier, data[:1])
        before = last.get(key)
        last[key] = data
        if before is not None and before != data:
            site.later(BOUNCE_GAP_US, lambda: site.receive(identifier, before))
            site.later(2 * BOUNCE_GAP_US, lambda: site.receive(identifier, data))
        return Passed(identifier, data)

    return gate


def acts_on_release(site: ControllerSite) -> Gate:
    """Return a gate that makes the release of a switch look like another press."""
    last: dict[tuple[int, bytes], int] = {}

    def gate(_time: int, identifier: int, data: bytes) -> Passed:
        spec = site.spec(identifier)
        position = spec.by_name.get("switch_position") if spec is not None else None
        raw = None if position is None else position.raw_in(data)
        if spec is None or position is None or raw is None:
            return Passed(identifier, data)
        key = (identifier, data[:1])
        released = last.get(key) == 1 and raw == 0
        last[key] = raw
        if released:
            pressed = spec.replace(data, position.name, 1)
            site.later(BOUNCE_GAP_US, lambda: site.receive(identifier, pressed))
            site.later(2 * BOUNCE_GAP_US, lambda: site.receive(identifier, data))
        return Passed(identifier, data)

    return gate


def ignores_restarts(site: ControllerSite) -> Gate:
    """Return a gate that shows a device as it was before it claimed its address again."""
    last: dict[tuple[int, bytes], bytes] = {}
    seen: set[int] = set()
    restarted: set[int] = set()

    def gate(_time: int, identifier: int, data: bytes) -> Passed | None:
        source = identifier & 0xFF
        if dgn_of(identifier) == ADDRESS_CLAIM:
            if source in seen:
                restarted.add(source)
            return Passed(identifier, data)
        if _reporting(site, identifier) is None:
            return Passed(identifier, data)
        seen.add(source)
        key = (identifier, data[:1])
        if source in restarted:
            return Passed(identifier, last.get(key, data))
        last[key] = data
        return Passed(identifier, data)

    return gate

"""Gates: what a fault does to the frames that a device sends or receives.

Knows: how each gate changes, delays or drops a frame. The device itself knows nothing of them. Does not know when a
fault starts or stops, nor which bench it is on.
"""

from collections.abc import Callable, Mapping
from random import Random

from rvsim.sim.bench import Gate, Passed
from rvsim.watch.decode import Decoder
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of, split_identifier
from rvsim.wire.spec import MessageSpec

HOUR_US = 3_600 * SECOND_US
Change = Callable[[int, int], int]
"""Takes the time since the fault was applied, in microseconds, and the raw value of a field; returns another value."""


def silence() -> Callable[[int, int, bytes], None]:
    """Return a gate that drops every frame; each call returns another gate, so that a device can have several."""
    return lambda _time, _identifier, _data: None


def only_dgns(dgns: frozenset[int] | None, gate: Gate) -> Gate:
    """Return a gate that applies to frames of some DGNs only; None means all."""
    if dgns is None:
        return gate
    return lambda time, identifier, data: (
        gate(time, identifier, data) if dgn_of(identifier) in dgns else Passed(identifier, data)
    )


class MinimumGap:
    """Drops frames that follow another of the same message within a gap, in microseconds.

    Messages are distinguished by identifier and first byte.
    """

    def __init__(self, gap_us: int) -> None:
        self._gap_us = gap_us
        self._last: dict[tuple[int, bytes], int] = {}

    def __call__(self, time: int, identifier: int, data: bytes) -> Passed | None:
        """Pass the frame, or drop it."""
        key = (identifier, data[:1])
        if key in self._last and time - self._last[key] < self._gap_us:
            return None
        self._last[key] = time
        return Passed(identifier, data)


def random_delay(max_us: int, random: Random) -> Gate:
    """Return a gate that delays each frame by a random time of up to ``max_us`` microseconds."""
    return lambda _time, identifier, data: Passed(identifier, data, random.randint(0, max_us))


def shortened_data(length: int) -> Gate:
    """Return a gate that cuts the data of a frame to ``length`` bytes."""
    return lambda _time, identifier, data: Passed(identifier, data[:length])


def with_source(source: int) -> Gate:
    """Return a gate that replaces the source address."""
    return lambda _time, identifier, data: Passed(identifier & ~0xFF | source, data)


def with_destination(own: int, source: int) -> Gate:
    """Return a gate that redirects frames for the address ``source`` to ``own``, and drops frames for ``own``."""

    def redirect(_time: int, identifier: int, data: bytes) -> Passed | None:
        destination = split_identifier(identifier).destination
        if destination == source:
            return Passed(identifier & ~0xFF00 | own << 8, data)
        return None if destination == own else Passed(identifier, data)

    return redirect


def fixed_delay(delay_us: int) -> Gate:
    """Return a gate that delays each frame by a time in microseconds."""
    return lambda _time, identifier, data: Passed(identifier, data, delay_us)


class InstanceChange:
    """Two gates that change instances: in frames that a device sends, and in frames that it receives.

    Args:
        catalogue: where the instance stands in each message.
        changes: from the instance in a frame to the one that replaces it, by DGN.
    """

    def __init__(self, catalogue: Catalogue, changes: Mapping[int, Mapping[int, int]]) -> None:
        self._decoder, self._changes = Decoder(catalogue), changes

    def outgoing(self, _time: int, identifier: int, data: bytes) -> Passed:
        """Replace the instance; a frame with an instance that is not changed passes as it is."""
        return Passed(identifier, self._changed(identifier, data) or data)

    def incoming(self, _time: int, identifier: int, data: bytes) -> Passed | None:
        """Replace the instance; a frame with an instance that is not changed is dropped."""
        changed = self._changed(identifier, data)
        return None if changed is None else Passed(identifier, changed)

    def _changed(self, identifier: int, data: bytes) -> bytes | None:
        """Return the data with the other instance; None where the instance is not changed."""
        layout = self._decoder.layout(dgn_of(identifier))
        field = layout.instance
        if field is None or layout.spec is None or layout.dgn not in self._changes:
            return data
        instance = field.raw_in(data)
        other = None if instance is None else self._changes[layout.dgn].get(instance)
        return None if other is None else layout.spec.replace(data, field.name, other)


class FieldChange:
    """Changes one field of a message while it has a value; with ``always`` in every frame."""

    def __init__(self, spec: MessageSpec, field: FieldSpec, change: Change, *, always: bool = False) -> None:
        self._spec, self._field, self._change, self._always = spec, field, change, always
        self._first_time: int | None = None

    def __call__(self, time: int, identifier: int, data: bytes) -> Passed:
        """Change the field."""
        self._first_time = time if self._first_time is None else self._first_time
        raw = self._field.raw_in(data)
        if dgn_of(identifier) != self._spec.dgn or raw is None:
            return Passed(identifier, data)
        if not self._always and self._field.state(raw) is not State.VALUE:
            return Passed(identifier, data)
        changed = self._change(time - self._first_time, raw)
        return Passed(identifier, self._spec.replace(data, self._field.name, changed))


class StuckField:
    """Repeats the first value of a field, of each sender and instance separately."""

    def __init__(self, spec: MessageSpec, field: FieldSpec) -> None:
        self._spec, self._field = spec, field
        self._first: dict[tuple[int, bytes], int] = {}

    def __call__(self, _time: int, identifier: int, data: bytes) -> Passed:
        """Replace the value of the field by the first one."""
        raw = self._field.raw_in(data)
        if dgn_of(identifier) != self._spec.dgn or raw is None:
            return Passed(identifier, data)
        first = self._first.setdefault((identifier, data[:1]), raw)
        return Passed(identifier, self._spec.replace(data, self._field.name, first))


def within_limits(field: FieldSpec, raw: float) -> int:
    """Return the raw value nearest to ``raw`` that is a value of the field and not a special code."""
    low, high = field.raw_limits
    return max(low, min(high, round(raw)))


def drift(field: FieldSpec, per_hour: float) -> Change:
    """Return a change that grows by ``per_hour`` of the field's unit each hour."""
    steps = per_hour * field.unit_steps / field.scale
    return lambda age_us, raw: within_limits(field, raw + steps * age_us / HOUR_US)


def noise(field: FieldSpec, by: float, random: Random) -> Change:
    """Return a random change of up to ``by`` of the field's unit, up or down."""
    steps = by * field.unit_steps / abs(field.scale)
    return lambda _age_us, raw: within_limits(field, raw + random.uniform(-steps, steps))


def scaled(field: FieldSpec, factor: float, offset: float) -> Change:
    """Return a change to the value times a factor, plus an offset in the field's unit."""

    def change(_age_us: int, raw: int) -> int:
        value = float(field.value(raw)) * factor + offset
        return within_limits(field, (value * field.unit_steps - field.offset) / field.scale)

    return change


def constant(raw: int) -> Change:
    """Return a change to one raw value."""
    return lambda _age_us, _raw: raw

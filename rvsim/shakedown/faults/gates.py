"""What stands between a device and the wires while a fault lasts: gates on its way out, ears on its way in.

Knows: what each does to a frame. A device never learns of them. Does not know when a fault begins or ends, nor benches.
"""

from collections.abc import Callable, Mapping
from random import Random

from rvsim.sim.bench import Gate, Passed
from rvsim.watch.decode import Decoder
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.ident import dgn_of, split_identifier
from rvsim.wire.spec import MessageSpec

HOUR = 3_600_000_000
Change = Callable[[int, int], int]
"""From the time since the fault began (microseconds) and what a field says to what it says instead, both raw."""


def silence() -> Callable[[int, int, bytes], None]:
    """Let nothing through, either way; each one is a gate of its own, so that several can stand behind each other."""
    return lambda _time, _identifier, _data: None


def only(dgns: frozenset[int] | None, gate: Gate) -> Gate:
    """Let a gate act on some DGNs only; None means all."""
    if dgns is None:
        return gate
    return lambda time, identifier, data: (
        gate(time, identifier, data) if dgn_of(identifier) in dgns else Passed(identifier, data)
    )


class Seldom:
    """Lets a message through no more often than each gap; told apart by identifier and first byte."""

    def __init__(self, gap: int) -> None:
        self._gap = gap
        self._last: dict[tuple[int, bytes], int] = {}

    def __call__(self, time: int, identifier: int, data: bytes) -> Passed | None:
        """Let it through, or not."""
        key = (identifier, data[:1])
        if key in self._last and time - self._last[key] < self._gap:
            return None
        self._last[key] = time
        return Passed(identifier, data)


def late(by: int, random: Random) -> Gate:
    """Hold each frame back for a time of its own, up to ``by`` microseconds."""
    return lambda _time, identifier, data: Passed(identifier, data, random.randint(0, by))


def shortened(length: int) -> Gate:
    """Cut frames after so many bytes."""
    return lambda _time, identifier, data: Passed(identifier, data[:length])


def readdressed(source: int) -> Gate:
    """Send from another source address."""
    return lambda _time, identifier, data: Passed(identifier & ~0xFF | source, data)


def addressed_as(own: int, source: int) -> Gate:
    """Hear what is addressed to ``source`` as if it were to ``own``; what is really addressed to that is not heard."""

    def ear(_time: int, identifier: int, data: bytes) -> Passed | None:
        destination = split_identifier(identifier).destination
        if destination == source:
            return Passed(identifier & ~0xFF00 | own << 8, data)
        return None if destination == own else Passed(identifier, data)

    return ear


def delayed(by: int) -> Gate:
    """Let a frame be heard so many microseconds later."""
    return lambda _time, identifier, data: Passed(identifier, data, by)


class Instances:
    """Says other instances than the device does, and hears what is said for those as for its own.

    Args:
        catalogue: where the instance stands in each message.
        changes: own instance to the other one, by DGN.
    """

    def __init__(self, catalogue: Catalogue, changes: Mapping[int, Mapping[int, int]]) -> None:
        self._decoder, self._changes = Decoder(catalogue), changes

    def gate(self, _time: int, identifier: int, data: bytes) -> Passed:
        """Put the other instance in."""
        return Passed(identifier, self._changed(identifier, data) or data)

    def ear(self, _time: int, identifier: int, data: bytes) -> Passed | None:
        """Hear what is said for the other instance; what is said for its own does not reach it."""
        changed = self._changed(identifier, data)
        return None if changed is None else Passed(identifier, changed)

    def _changed(self, identifier: int, data: bytes) -> bytes | None:
        """Return the bytes with the other instance, None where there is no other."""
        layout = self._decoder.layout(dgn_of(identifier))
        field = layout.instance
        if field is None or layout.spec is None or layout.dgn not in self._changes:
            return data
        said = field.raw_in(data)
        other = None if said is None else self._changes[layout.dgn].get(said)
        return None if other is None else layout.spec.replace(data, field.name, other)


class FieldChanged:
    """Changes what one field of a message says, as long as it has a value; ``even`` if it has none."""

    def __init__(self, spec: MessageSpec, field: FieldSpec, change: Change, even: bool = False) -> None:
        self._spec, self._field, self._change, self._even = spec, field, change, even
        self._begun: int | None = None

    def __call__(self, time: int, identifier: int, data: bytes) -> Passed:
        """Change the field."""
        self._begun = time if self._begun is None else self._begun
        said = self._field.raw_in(data)
        if dgn_of(identifier) != self._spec.dgn or said is None:
            return Passed(identifier, data)
        if not self._even and self._field.state(said) is not State.VALUE:
            return Passed(identifier, data)
        return Passed(identifier, self._spec.replace(data, self._field.name, self._change(time - self._begun, said)))


class Stuck:
    """Keeps a field to what each sender and instance said in it first."""

    def __init__(self, spec: MessageSpec, field: FieldSpec) -> None:
        self._spec, self._field = spec, field
        self._first: dict[tuple[int, bytes], int] = {}

    def __call__(self, _time: int, identifier: int, data: bytes) -> Passed:
        """Put in what was said first."""
        said = self._field.raw_in(data)
        if dgn_of(identifier) != self._spec.dgn or said is None:
            return Passed(identifier, data)
        first = self._first.setdefault((identifier, data[:1]), said)
        return Passed(identifier, self._spec.replace(data, self._field.name, first))


def within_limits(field: FieldSpec, raw: float) -> int:
    """Return the raw value nearest to what a change came to that a field can say as a value."""
    low, high = field.raw_limits
    return max(low, min(high, round(raw)))


def drift(field: FieldSpec, per_hour: float) -> Change:
    """Go away by so much of the unit an hour."""
    steps = per_hour * field.unit_steps / field.scale
    return lambda age, said: within_limits(field, said + steps * age / HOUR)


def noise(field: FieldSpec, by: float, random: Random) -> Change:
    """Be off by up to so much of the unit."""
    steps = by * field.unit_steps / abs(field.scale)
    return lambda _age, said: within_limits(field, said + random.uniform(-steps, steps))


def scaled(field: FieldSpec, factor: float, offset: float) -> Change:
    """Say the value times a factor, plus an offset in its unit."""

    def change(_age: int, said: int) -> int:
        value = float(field.value(said)) * factor + offset
        return within_limits(field, (value * field.unit_steps - field.offset) / field.scale)

    return change


def constant(raw: int) -> Change:
    """Say one raw value whatever is said."""
    return lambda _age, _said: raw

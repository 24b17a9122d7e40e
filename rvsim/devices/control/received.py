"""What a panel has received of other devices, and the commands that it has sent them.

Knows: that a status which has not come for three heartbeats is not known any more, and that a command is sent when it
is new, and again where the status does not follow it. Does not know what any message is used for.
"""

from collections.abc import Iterable, Mapping
from typing import Protocol

from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec

LOST_AFTER_US = 15 * SECOND_US
"""Three heartbeats of 5 s, the gap of the heartbeat of every device (rv-c.com/node/82); three is our decision."""
COMMAND_REPEAT_US = 10 * SECOND_US
"""A command that the status does not follow is sent again after this time. Invented."""
WITHOUT_INSTANCE = frozenset({"GENERATOR_STATUS_1", "DATE_TIME_STATUS"})
"""Messages that a vehicle has once."""


class CommandHost(Protocol):
    """What this needs of its device."""

    now: int
    catalogue: Catalogue

    def send(self, spec: MessageSpec, data: bytes, /) -> None:
        """Send a frame to all."""


class LastStatus:
    """The last status of one message and instance: received much more often than read, and read more than changed."""

    def __init__(self, host: CommandHost, spec: MessageSpec) -> None:
        self._host, self._spec = host, spec
        self._received_at: int | None = None
        self._data = self._read_data = b""
        self._raws: dict[str, int] | None = None
        self._values: dict[str, float | None] = {}
        self.source: int | None = None
        """The address from which it came last."""

    def receive(self, source: int, data: bytes) -> None:
        """Take in a frame of the message."""
        self._received_at, self.source, self._data = self._host.now, source, data

    @property
    def is_known(self) -> bool:
        """Whether it was received, and is not lost since."""
        return self._received_at is not None and self._host.now - self._received_at <= LOST_AFTER_US

    def raws(self) -> Mapping[str, int] | None:
        """Return the raw integers by field, without special codes; None where the status is not known."""
        if not self.is_known:
            return None
        self._follow_change()
        if self._raws is None:
            readings = self._spec.decode(self._data)
            self._raws = {r.field.name: r.raw for r in readings if r.state is State.VALUE and r.raw is not None}
        return self._raws

    def value(self, name: str) -> float | None:
        """Return the value of a field, None where it is not known."""
        if not self.is_known:
            return None
        self._follow_change()
        if name not in self._values:
            field = self._spec.by_name[name]
            raw = field.raw_in(self._data)
            has_value = raw is not None and field.state(raw) is State.VALUE
            self._values[name] = field.value(raw) if raw is not None and has_value else None
        return self._values[name]

    def _follow_change(self) -> None:
        """Put away what was read of other data."""
        if self._read_data != self._data:
            self._read_data, self._raws = self._data, None
            self._values.clear()


class Received:
    """The last status of each message and instance."""

    def __init__(self, host: CommandHost, messages: Iterable[str]) -> None:
        self._host = host
        self.messages = tuple(dict.fromkeys(messages))
        self._specs = {
            host.catalogue.by_name(message).dgn: host.catalogue.by_name(message) for message in self.messages
        }
        self._last: dict[tuple[str, int | None], LastStatus] = {}

    @property
    def dgns(self) -> frozenset[int]:
        """The DGNs of these messages."""
        return frozenset(self._specs)

    def receive(self, identifier: int, data: bytes) -> None:
        """Take in a frame of one of the messages."""
        spec = self._specs.get(dgn_of(identifier))
        if spec is None:
            return
        instance = None
        if spec.name not in WITHOUT_INSTANCE:
            field = spec.fields[0]  # the first field of each, whatever its name
            instance = field.raw_in(data)
            if field.state(instance) is not State.VALUE:
                return
        status = self._last.get((spec.name, instance))
        if status is None:
            status = self._last[spec.name, instance] = LastStatus(self._host, spec)
        status.receive(identifier & 0xFF, data)

    def is_heard(self, message: str, instance: int | None) -> bool:
        """Return whether a status is known at present."""
        status = self._last.get((message, instance))
        return status is not None and status.is_known

    def source(self, message: str, instance: int | None) -> int | None:
        """Return the address from which a status came last."""
        status = self._last.get((message, instance))
        return None if status is None else status.source

    def value(self, message: str, instance: int | None, field: str) -> float | None:
        """Return the value of a field, None where it is not known."""
        status = self._last.get((message, instance))
        return None if status is None else status.value(field)

    def forget(self) -> None:
        """Forget everything: nothing was received for a time."""
        self._last.clear()


class SentCommands:
    """The last command of each message and instance."""

    def __init__(self, host: CommandHost) -> None:
        self._host = host
        self._last: dict[tuple[str, int | None], tuple[int, dict[str, int]]] = {}

    def send(
        self, message: str, instance: int | None, *, follows: bool, repeat_us: int = COMMAND_REPEAT_US, **raws: int
    ) -> None:
        """Send a command when it is new, and again after a time where the device's status does not follow it."""
        when, before = self._last.get((message, instance), (0, {}))
        if raws == before and (follows or self._host.now - when < repeat_us):
            return
        self._last[message, instance] = self._host.now, raws
        spec = self._host.catalogue.by_name(message)
        self._host.send(spec, spec.pack(**({} if instance is None else {"instance": instance}), **raws))

    def forget(self) -> None:
        """Forget what was sent: it may have been lost."""
        self._last.clear()

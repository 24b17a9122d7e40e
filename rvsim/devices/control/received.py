"""What a panel has received of other devices, and the commands that it has sent them.

Knows: that a status which has not come for three heartbeats is not known any more, and that a command is sent when it
is new, and again where the status does not follow it. Does not know what any message is used for.
"""

from collections.abc import Iterable
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


class Received:
    """The last status of each message and instance."""

    def __init__(self, host: CommandHost, messages: Iterable[str]) -> None:
        self._host = host
        self.messages = tuple(dict.fromkeys(messages))
        self._specs = {
            host.catalogue.by_name(message).dgn: host.catalogue.by_name(message) for message in self.messages
        }
        self._last: dict[tuple[str, int | None], tuple[int, int, bytes]] = {}

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
        self._last[spec.name, instance] = self._host.now, identifier & 0xFF, data

    def _data(self, message: str, instance: int | None) -> bytes | None:
        when, _, data = self._last.get((message, instance), (None, 0, None))
        return None if when is None or self._host.now - when > LOST_AFTER_US else data

    def is_heard(self, message: str, instance: int | None) -> bool:
        """Return whether a status is known at present."""
        return self._data(message, instance) is not None

    def source(self, message: str, instance: int | None) -> int | None:
        """Return the address from which a status came last."""
        return self._last[message, instance][1] if (message, instance) in self._last else None

    def value(self, message: str, instance: int | None, field: str) -> float | None:
        """Return the value of a field, None where it is not known."""
        data = self._data(message, instance)
        if data is None:
            return None
        spec = self._host.catalogue.by_name(message).by_name[field]
        raw = spec.raw_in(data)
        return spec.value(raw) if raw is not None and spec.state(raw) is State.VALUE else None

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

"""What a device does that speaks for a battery: the DC source messages, and keeping quiet before who knows better.

Knows: the messages, and that of several nodes only the one with the highest device priority speaks for an instance
(three device makers' RV-C appendices; what two of one priority do is not established: here both speak). Does not
know how the battery's state was found: each kind senses it in its own way.

The sign of the DC current is that of one battery maker's RV-C appendix: positive out of the battery. The standard's
own sense was not seen.
"""

from collections.abc import Callable
from typing import Annotated, ClassVar, NamedTuple

from pydantic import Field

from rvsim.devices.device import Device, Role, Settings
from rvsim.wire.fields import State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

YIELDS_US = 5 * SECOND_US
"""A higher priority counts as gone after this silence: ten of the messages' gaps. Invented."""
LEAST_AMPS = 0.1
"""Below this current no time remaining is said. Invented."""
LONGEST_MINUTES = 65530
"""The longest time that the field can say (uint16: rv-c.com/node/500)."""
TO_EMPTY, TO_FULL = 0, 1
_HEAD = 2
"""Bytes with instance and priority."""


class DcSettings(Settings):
    """The battery as its speaker was set up to know it. The size is invented."""

    battery_ah: Annotated[float, Field(gt=0, le=2000)] = 100.0


class Sensed(NamedTuple):
    """A battery's state: volts, amperes (positive out of it), percent of full, degrees Celsius."""

    volts: float
    amps: float
    percent: float
    celsius: float


class DcSource(Device):
    """Sends DC_SOURCE_STATUS_1 and _2 for one instance while nobody of a higher priority does.

    A kind says its ``priority`` and what it can ``sense``. ``source`` is the instance.
    """

    priority: ClassVar[int]

    def __init__(self, role: Role) -> None:
        super().__init__(role)
        self.source = self.instance("dc_source")
        self._dc_1, self._dc_2 = self.specs("DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2")
        self._quiet_until = 0
        self._higher: dict[bytes, bool] = {}
        """Whether who begins a message so has a higher priority; at most one for each two bytes that there are."""

    def sense(self) -> Sensed:
        """Return the battery's state as the device finds it."""
        raise NotImplementedError

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Listen to others who speak for the same battery."""
        statuses = ("DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2", "DC_SOURCE_STATUS_3")
        return dict.fromkeys(statuses, self._heed)

    def on_start(self) -> None:
        """Say the battery's state at the gaps."""
        self.broadcast_if_best("DC_SOURCE_STATUS_1", self._dc_status_1)
        self.broadcast_if_best("DC_SOURCE_STATUS_2", self._dc_status_2)

    def broadcast_if_best(self, message: str, build: Callable[[], bytes]) -> None:
        """Send a DC source message at its gap, while nobody else speaks for the battery."""
        self.broadcast(message, lambda: None if self.now < self._quiet_until else build())

    def _heed(self, data: bytes) -> None:
        """Keep quiet for a while if this was said with a higher priority; all of these messages begin alike."""
        head = data[:_HEAD]
        higher = self._higher.get(head)
        if higher is None:
            higher = self._higher[head] = self._is_higher(data)
        if higher:
            self._quiet_until = self.now + YIELDS_US

    def _is_higher(self, data: bytes) -> bool:
        fields = self._dc_1.by_name
        instance, priority = fields["instance"].raw_in(data), fields["device_priority"].raw_in(data)
        known = fields["device_priority"].state(priority) is State.VALUE
        return known and priority is not None and instance == self.source and priority > self.priority

    def send_source(self, spec: MessageSpec, **raws: int) -> bytes:
        """Return a DC source message with these values."""
        return spec.pack(instance=self.source, device_priority=self.priority, **raws)

    def _dc_status_1(self) -> bytes:
        fields, found = self._dc_1.by_name, self.sense()
        return self.send_source(
            self._dc_1,
            dc_voltage=fields["dc_voltage"].measured(found.volts),
            dc_current=fields["dc_current"].measured(found.amps),
        )

    def _dc_status_2(self) -> bytes:
        fields, found = self._dc_2.by_name, self.sense()
        minutes, meaning = self._time_remaining(found)
        return self.send_source(
            self._dc_2,
            source_temperature=fields["source_temperature"].measured(found.celsius),
            state_of_charge=fields["state_of_charge"].measured(found.percent),
            time_remaining=fields["time_remaining"].measured(minutes),
            time_remaining_interpretation=meaning,
        )

    def _time_remaining(self, found: Sensed) -> tuple[float | None, int]:
        """Return minutes to empty or to full at the present current; None while hardly any current flows."""
        held = found.percent / 100
        if abs(found.amps) < LEAST_AMPS:
            return None, TO_EMPTY
        hours = (held if found.amps > 0 else 1 - held) * self.settings.battery_ah / abs(found.amps)
        return min(hours * 60, LONGEST_MINUTES), TO_EMPTY if found.amps > 0 else TO_FULL

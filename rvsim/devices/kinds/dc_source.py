"""A device that reports a battery: the DC source messages, and silence while a device of a higher priority reports it.

Knows: the messages, and that of several nodes only the one with the highest device priority sends them for an instance
(three device makers' RV-C appendices; what two nodes of one priority do is not established: here both send). Does not
know how the battery's state is measured: each kind has its own ``sense``.

The sign of the DC current is that of one battery maker's RV-C appendix: positive out of the battery. The sign that the
standard gives was not seen.
"""

from collections.abc import Callable
from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.device import Device, DeviceContext, Settings, Silence
from rvsim.devices.named_battery import check_dc_source
from rvsim.wire.codec import Pack
from rvsim.wire.fields import State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec

HIGHER_PRIORITY_TIMEOUT_US = 5 * SECOND_US
"""A device of a higher priority counts as gone when it has sent nothing for this time: ten gaps of the messages.
Invented."""
MIN_TIME_REMAINING_AMPS = 0.1
"""Below this current the time remaining is no data. Invented."""
MAX_TIME_REMAINING_MIN = 65530
"""The longest time that the field can hold (uint16: rv-c.com/node/500)."""
TO_EMPTY, TO_FULL = 0, 1
_HEAD_BYTES = 2
"""The bytes with instance and priority."""


class DcSettings(Settings):
    """The battery as the device is configured for it."""

    battery_ah: Annotated[float, Field(gt=0, le=2000)] | None = None
    """Capacity of the battery, as the device was set up to know it; if omitted, that of the rig's battery."""


class DcSource(Device):
    """Sends DC_SOURCE_STATUS_1 and _2 for one instance while no device of a higher priority does.

    A kind sets its ``priority`` and overrides what is measured. ``source`` is the instance.
    """

    priority: ClassVar[int]
    settings: DcSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.source = self.instance("dc_source")
        self.battery = self.world.battery_of(self.name)
        """The battery that it is connected to: that of its branch or of its DC source in the rig; else the house's."""
        check_dc_source(self, self.source, self.battery)
        own_ah = self.settings.battery_ah
        self.battery_ah = self.battery.capacity_ah if own_ah is None else own_ah
        self._dc_1, self._dc_2 = self.specs("DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2")
        instance = self._dc_1.by_name["instance"]
        self._instance_is_first = (instance.first, instance.length) == (0, 8)
        self._silence = Silence()
        self._higher: dict[bytes, bool] = {}
        """By the first two bytes of a message: whether its sender has a higher priority; at most 65536 entries."""

    @property
    def measured_volts(self) -> float:
        """The voltage of its battery as it measures it, without noise: its ground may be off."""
        world = self.world
        return self.battery.volts + world.ground_offset(self.name) if world.has_ground_offsets else self.battery.volts

    def sense(self) -> tuple[float, float]:
        """Return volts and amperes (positive out of the battery) as the device measures them."""
        raise NotImplementedError

    def sense_charge(self) -> tuple[float, float, float]:
        """Return degrees Celsius, percent of full, and the amperes by which the time remaining is computed."""
        raise NotImplementedError

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive the messages of others that report the same battery."""
        statuses = ("DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2", "DC_SOURCE_STATUS_3")
        return dict.fromkeys(statuses, self._on_other_source)

    def on_start(self) -> None:
        """Send the battery's state at the gaps."""
        self.broadcast_unless_outranked("DC_SOURCE_STATUS_1", self._dc_status_1())
        self.broadcast_unless_outranked("DC_SOURCE_STATUS_2", self._dc_status_2())

    def broadcast_unless_outranked(self, message: str, build: Callable[[], bytes]) -> None:
        """Send a DC source message at its gap while no device of a higher priority reports the battery."""
        self.broadcast(message, build, silence=self._silence)

    def heeds(self, identifier: int, first: bytes) -> bool:
        """Return whether a frame may be about its battery, where that is its own message by its instance."""
        if self._handlers.get(dgn_of(identifier)) != self._on_other_source or not self._instance_is_first:
            return True
        return first == bytes([self.source])

    def _on_other_source(self, data: bytes) -> None:
        """Stop sending for a while if this message has a higher priority; all of these messages begin alike."""
        head = data[:_HEAD_BYTES]
        higher = self._higher.get(head)
        if higher is None:
            higher = self._higher[head] = self._is_higher(data)
        if higher:
            self._silence.until = self.now + HIGHER_PRIORITY_TIMEOUT_US

    def _is_higher(self, data: bytes) -> bool:
        fields = self._dc_1.by_name
        instance, priority = fields["instance"].raw_in(data), fields["device_priority"].raw_in(data)
        known = fields["device_priority"].state(priority) is State.VALUE
        return known and priority is not None and instance == self.source and priority > self.priority

    def source_packer(self, spec: MessageSpec, *names: str) -> Pack:
        """Return the function from the raw values of these fields to the data of a DC source message."""
        return spec.packer(*names, instance=self.source, device_priority=self.priority)

    def _dc_status_1(self) -> Callable[[], bytes]:
        volts, amps = (self._dc_1.by_name[name].sensor_raw for name in ("dc_voltage", "dc_current"))
        pack = self.source_packer(self._dc_1, "dc_voltage", "dc_current")

        def build() -> bytes:
            sensed_volts, sensed_amps = self.sense()
            return pack(dc_voltage=volts(sensed_volts), dc_current=amps(sensed_amps))

        return build

    def _dc_status_2(self) -> Callable[[], bytes]:
        names = ("source_temperature", "state_of_charge", "time_remaining")
        celsius, percent, remaining = (self._dc_2.by_name[name].sensor_raw for name in names)
        pack = self.source_packer(self._dc_2, *names, "time_remaining_interpretation")

        last: tuple[float, ...] = ()
        data = b""

        def build() -> bytes:
            nonlocal last, data
            now = self.sense_charge()
            if now != last:  # a message of 0.5 s from what is measured each second
                last = now
                minutes, meaning = self._time_remaining(now[1], now[2])
                data = pack(
                    source_temperature=celsius(now[0]),
                    state_of_charge=percent(now[1]),
                    time_remaining=remaining(minutes),
                    time_remaining_interpretation=meaning,
                )
            return data

        return build

    def _time_remaining(self, percent: float, amps: float) -> tuple[float | None, int]:
        """Return the minutes to empty or to full at a current, None below the smallest current; and which."""
        held = percent / 100
        if abs(amps) < MIN_TIME_REMAINING_AMPS:
            return None, TO_EMPTY
        hours = (held if amps > 0 else 1 - held) * self.battery_ah / abs(amps)
        return min(hours * 60, MAX_TIME_REMAINING_MIN), TO_EMPTY if amps > 0 else TO_FULL

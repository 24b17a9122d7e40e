"""A battery monitor: a shunt in the battery's cable, and a count of the charge that has passed through it.

Knows: the current and voltage of its battery, with noise and an offset; how the charge is counted and kept without
power; and the DC source messages, in which its device priority 120 is the highest that was seen (a battery maker's RV-C
appendix). Does not know the battery's true charge: its count starts at what it had kept, at the first start at the true
charge, and then adds the measured current with its own charge efficiency. It is full again when the battery takes
little current at a charging voltage. What flows while the monitor has no power is not counted.

The electronics of a lithium battery also report what it asks of chargers: DC_SOURCE_STATUS_4, _6 and _11.
BATTERY_STATUS_1 to _6 are not sent: but for two instances their layouts are not established.

What it cannot measure it sends as no data: the state of health, the relative capacity (whose meaning was not
established) and the ripple, since no alternating current is simulated.
"""

from collections.abc import Callable
from math import cos, log, sin, sqrt, tau
from typing import Annotated

from pydantic import Field

from rvsim.devices.charging.battery_limits import BatteryLimits
from rvsim.devices.device import DeviceContext, Volts
from rvsim.devices.kinds.dc_source import DcSettings, DcSource
from rvsim.wire.frame import SECOND_US

NOISE_A, NOISE_V = 0.02, 0.005
"""Standard deviation of one reading. Invented."""
FULL_S = 180
"""How long the battery has to take little current to count as full. From memory: monitors ask for some minutes."""
_COUNT = "counted_ah"


class MonitorSettings(DcSettings):
    """How the charge is counted."""

    charge_efficiency_percent: Annotated[float, Field(gt=0, le=100)] | None = None
    """Share of the charging current that is counted; if omitted, that of the rig's battery."""
    offset_amps: Annotated[float, Field(ge=-5, le=5)] = 0.05
    """What its shunt measures too much, positive out of the battery, so that the count drifts. From memory."""
    start_percent: Annotated[float, Field(ge=0, le=100)] | None = None
    """The count that it had kept before the run; if omitted, the battery's true charge."""
    averaging_s: Annotated[float, Field(ge=1, le=3600)] = 180.0
    """Time over which the current is averaged for the time remaining. From memory: monitors offer 0 to 12 minutes, and
    come with 3."""
    full_volts: Volts = 14.0
    """The battery counts as full at this voltage and above, at a small current. Common practice, no source: a little
    below the charger's."""
    asks_chargers: bool | None = None
    """Whether it says what the battery asks of chargers; if omitted, where the battery has electronics of its own."""
    full_current_percent: Annotated[float, Field(ge=0.1, le=20)] = 2.0
    """The small current, as a share of the capacity in an hour. Common practice, no source: 2 to 4."""


class BatteryMonitor(DcSource):
    """Sends DC_SOURCE_STATUS_1, _2 and _3, and what the battery asks of chargers."""

    kind = "battery_monitor"
    Settings = MonitorSettings
    settings: MonitorSettings
    priority = 120

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.instance("battery_monitor")
        self._dc_3 = self.catalogue.by_name("DC_SOURCE_STATUS_3")
        start = self.settings.start_percent
        percent = self.battery.percent if start is None else start
        self._counted_ah = self.memory.setdefault(_COUNT, percent / 100 * self.battery_ah)
        own_percent = self.settings.charge_efficiency_percent
        self._efficiency = self.battery.charge_efficiency if own_percent is None else own_percent / 100
        self._offset, self._averaging_s = self.settings.offset_amps, self.settings.averaging_s
        self._little_amps = self.settings.full_current_percent / 100 * self.battery_ah
        self._mean_amps: float | None = None
        self._full_s = 0
        asks = self.settings.asks_chargers
        self._asks = self.battery.has_protection if asks is None else asks
        if self._asks:
            self._limits = BatteryLimits(self.catalogue, self.battery, self.source, self.priority, self.battery_ah)

    def is_powered(self) -> bool:
        """Return whether the battery feeds it: it is wired to the cells, whatever switches and protection do.

        Of a branch that it is on, an open fuse counts.
        """
        battery = self.battery
        is_fed = battery.own_volts >= self.min_supply_volts and not battery.is_cut_off(self.name)
        return is_fed and (battery.has_protection or not battery.has_collapsed)

    def on_start(self) -> None:
        """Count each second; send the battery's state at the gaps."""
        super().on_start()
        self.every(SECOND_US, self._count)
        self.broadcast_unless_outranked("DC_SOURCE_STATUS_3", self._dc_status_3())
        if self._asks:
            limits = self._limits
            self.every(SECOND_US, self._update_limits)
            self.broadcast_unless_outranked("DC_SOURCE_STATUS_4", lambda: limits.desired)
            self.broadcast_unless_outranked("DC_SOURCE_STATUS_6", lambda: limits.limits)
            self.broadcast_unless_outranked("DC_SOURCE_STATUS_11", limits.connection)

    def _update_limits(self) -> None:
        """Send at once what changed of the battery's limits."""
        limits = self._limits
        before = limits.state, limits.limits
        limits.update()
        if limits.state != before[0]:
            self.send_now("DC_SOURCE_STATUS_4")
        if limits.limits != before[1]:
            self.send_now("DC_SOURCE_STATUS_6")

    def _count(self) -> None:
        amps = self.battery.amps + self._offset
        stored = amps if amps > 0 else amps * self._efficiency
        self._counted_ah = min(self.battery_ah, max(0.0, self._counted_ah - stored / 3600))
        if -self._little_amps < amps <= 0 and self.measured_volts >= self.settings.full_volts:
            self._full_s += 1
            if self._full_s >= FULL_S:
                self._counted_ah = self.battery_ah
        else:
            self._full_s = 0
        self.memory[_COUNT] = self._counted_ah
        mean = self._mean_amps
        self._mean_amps = amps if mean is None else mean + (amps - mean) / self._averaging_s

    def sense(self) -> tuple[float, float]:
        """Return the volts and amperes that the shunt measures."""
        draw = self.random.random
        angle, size = draw() * tau, sqrt(-2.0 * log(1.0 - draw()))  # two normal deviates, as random.gauss draws them
        return (
            self.measured_volts + cos(angle) * size * NOISE_V,
            self.battery.amps + self._offset + sin(angle) * size * NOISE_A,
        )

    def sense_charge(self) -> tuple[float, float, float]:
        """Return temperature, count, and the mean current over the time of its settings."""
        battery, mean, draw = self.battery, self._mean_amps, self.random.random
        draw()  # the shunt is read as for any message, its noise is not worked out
        draw()
        percent = 100 * self._counted_ah / self.battery_ah
        return battery.celsius, percent, battery.amps if mean is None else mean

    def _dc_status_3(self) -> Callable[[], bytes]:
        measured = self._dc_3.by_name["capacity_remaining"].sensor_raw
        pack = self.source_packer(self._dc_3, "capacity_remaining")
        last, data = -1, b""

        def build() -> bytes:
            nonlocal last, data
            raw = measured(self._counted_ah)
            if raw != last:
                last, data = raw, pack(capacity_remaining=raw)
            return data

        return build

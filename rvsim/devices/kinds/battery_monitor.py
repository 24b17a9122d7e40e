"""A battery monitor: a shunt in the battery's own cable, and a count of the amperes that went through it.

Knows: the battery's true current and voltage (within the last digits of its figures), how a count is kept, and the
DC source messages, in which its device priority 120 is the highest that was seen (a battery maker's RV-C appendix).
Does not know the battery's true charge: its count starts right and then follows what it sees, with its own idea of
the losses.

What it cannot see it sends as no data: the state of health, the relative capacity (whose meaning was not
established) and the ripple, since no alternating current is simulated.
"""

from typing import Annotated

from pydantic import Field

from rvsim.devices.device import Role
from rvsim.devices.kinds.dc_source import DcSettings, DcSource, Sensed
from rvsim.wire.frame import SECOND_US

NOISE_A, NOISE_V = 0.02, 0.005
"""Standard deviation of one figure. Invented."""


class MonitorSettings(DcSettings):
    """How the count is kept."""

    charge_efficiency_percent: Annotated[float, Field(gt=0, le=100)] = 95.0
    """What is counted of the amperes that go in. Common practice for lead-acid, no source."""


class BatteryMonitor(DcSource):
    """Sends DC_SOURCE_STATUS_1, _2 and _3."""

    kind = "battery_monitor"
    Settings = MonitorSettings
    priority = 120

    def __init__(self, role: Role) -> None:
        super().__init__(role)
        self.instance("battery_monitor")
        self._dc_3 = self.catalogue.by_name("DC_SOURCE_STATUS_3")
        self._held_ah = self.world.battery_percent / 100 * self.settings.battery_ah

    def on_start(self) -> None:
        """Count each second; say the battery's state at the gaps."""
        super().on_start()
        self.every(SECOND_US, self._count)
        self.broadcast_if_best("DC_SOURCE_STATUS_3", self._dc_status_3)

    def _count(self) -> None:
        amps = self.world.battery_amps
        stored = amps if amps > 0 else amps * self.settings.charge_efficiency_percent / 100
        self._held_ah = min(self.settings.battery_ah, max(0.0, self._held_ah - stored / 3600))

    def sense(self) -> Sensed:
        """Return what the shunt sees, and the count."""
        return Sensed(
            self.world.battery_volts + self.random.gauss(0, NOISE_V),
            self.world.battery_amps + self.random.gauss(0, NOISE_A),
            100 * self._held_ah / self.settings.battery_ah,
            self.world.battery_c,
        )

    def _dc_status_3(self) -> bytes:
        remaining = self._dc_3.by_name["capacity_remaining"]
        return self.send_source(self._dc_3, capacity_remaining=remaining.measured(self._held_ah))

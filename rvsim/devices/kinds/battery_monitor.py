"""A battery monitor: a shunt in the battery's cable, and a count of the charge that has passed through it.

Knows: the battery's current and voltage, with noise; how the charge is counted; and the DC source messages, in which
its device priority 120 is the highest that was seen (a battery maker's RV-C appendix). Does not know the battery's true
charge: its count starts at the true charge and then adds the measured current, with its own charge efficiency.

What it cannot measure it sends as no data: the state of health, the relative capacity (whose meaning was not
established) and the ripple, since no alternating current is simulated.
"""

from collections.abc import Callable
from typing import Annotated

from pydantic import Field

from rvsim.devices.device import DeviceContext
from rvsim.devices.kinds.dc_source import DcSettings, DcSource, SensedBattery
from rvsim.wire.frame import SECOND_US

NOISE_A, NOISE_V = 0.02, 0.005
"""Standard deviation of one reading. Invented."""


class MonitorSettings(DcSettings):
    """How the charge is counted."""

    charge_efficiency_percent: Annotated[float, Field(gt=0, le=100)] = 95.0
    """Share of the charging current that is counted. Common practice for lead-acid, no source."""


class BatteryMonitor(DcSource):
    """Sends DC_SOURCE_STATUS_1, _2 and _3."""

    kind = "battery_monitor"
    Settings = MonitorSettings
    settings: MonitorSettings
    priority = 120

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.instance("battery_monitor")
        self._dc_3 = self.catalogue.by_name("DC_SOURCE_STATUS_3")
        self._counted_ah = self.world.battery_percent / 100 * self.settings.battery_ah

    def on_start(self) -> None:
        """Count each second; send the battery's state at the gaps."""
        super().on_start()
        self.every(SECOND_US, self._count)
        self.broadcast_unless_outranked("DC_SOURCE_STATUS_3", self._dc_status_3())

    def _count(self) -> None:
        amps = self.world.battery_amps
        stored = amps if amps > 0 else amps * self.settings.charge_efficiency_percent / 100
        self._counted_ah = min(self.settings.battery_ah, max(0.0, self._counted_ah - stored / 3600))

    def sense(self) -> SensedBattery:
        """Return what the shunt measures, and the count."""
        world, noise = self.world, self.random.gauss
        return SensedBattery(
            world.battery_volts + noise(0, NOISE_V),
            world.battery_amps + noise(0, NOISE_A),
            100 * self._counted_ah / self.settings.battery_ah,
            world.battery_c,
        )

    def _dc_status_3(self) -> Callable[[], bytes]:
        measured = self._dc_3.by_name["capacity_remaining"].sensor_raw
        pack = self.source_packer(self._dc_3, "capacity_remaining")
        return lambda: pack(capacity_remaining=measured(self._counted_ah))

"""A temperature sensor: indoors or outdoors.

Knows: how a small sensor behaves (it lags behind the air, and has noise). Does not know who uses its readings.
"""

from collections.abc import Callable
from typing import Literal

from rvsim.devices.device import Device, DeviceContext, Settings
from rvsim.wire.frame import SECOND_US

TIME_CONSTANT_S = 20.0
"""Time constant of the sensor: 63 % of a change is measured after it. Common practice, no source: a bead in a vented
case."""
NOISE_K = 0.02
"""Standard deviation of one reading. Invented."""
MIN_CHANGE_K = 0.5
"""Smallest change that is sent at once and not at the next gap. Invented."""


class AmbientSettings(Settings):
    """Where the sensor hangs."""

    place: Literal["cabin", "outdoors"] = "cabin"
    """Where the sensor is mounted."""


class AmbientSensor(Device):
    """Sends THERMOSTAT_AMBIENT_STATUS for one zone."""

    kind = "ambient"
    Settings = AmbientSettings
    settings: AmbientSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("ambient_sensor")
        self._measured_c = self._air_c()
        self._last_sent_c = self._measured_c

    def _air_c(self) -> float:
        return self.world.cabin_c if self.settings.place == "cabin" else self.world.outdoor_c

    def on_start(self) -> None:
        """Measure the air each second; send the temperature at the gap."""
        self.every(SECOND_US, self._measure)
        self.broadcast("THERMOSTAT_AMBIENT_STATUS", self._status_builder())

    def _measure(self) -> None:
        self._measured_c += (self._air_c() - self._measured_c) / TIME_CONSTANT_S
        if abs(self._measured_c - self._last_sent_c) >= MIN_CHANGE_K:
            self.send_now("THERMOSTAT_AMBIENT_STATUS")

    def _status_builder(self) -> Callable[[], bytes]:
        spec = self.catalogue.by_name("THERMOSTAT_AMBIENT_STATUS")
        measured = spec.by_name["ambient_temperature"].sensor_raw
        pack = spec.packer("ambient_temperature", instance=self._instance)

        def build() -> bytes:
            self._last_sent_c = self._measured_c
            return pack(ambient_temperature=measured(self._measured_c + self.random.gauss(0, NOISE_K)))

        return build

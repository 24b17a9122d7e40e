"""A temperature sensor: indoors or outdoors.

Knows: how a small sensor behaves (it lags behind the air, and its last digits move). Does not know what anyone
does with its figure.
"""

from collections.abc import Callable
from typing import Literal

from rvsim.devices.device import Device, Role, Settings
from rvsim.wire.frame import SECOND_US

LAG_S = 20.0
"""Time in which the sensor comes 63 % nearer to the air. Common practice, no source: a bead in a vented case."""
NOISE_K = 0.02
"""Standard deviation of one figure. Invented."""
NEWS_K = 0.5
"""A change that is sent at once and not at the next gap. Invented."""


class AmbientSettings(Settings):
    """Where the sensor hangs."""

    place: Literal["cabin", "outdoors"] = "cabin"


class AmbientSensor(Device):
    """Sends THERMOSTAT_AMBIENT_STATUS for one zone."""

    kind = "ambient"
    Settings = AmbientSettings

    def __init__(self, role: Role) -> None:
        super().__init__(role)
        self._instance = self.instance("ambient_sensor")
        self._felt = self._air()
        self._said = self._felt

    def _air(self) -> float:
        return self.world.cabin_c if self.settings.place == "cabin" else self.world.outdoor_c

    def on_start(self) -> None:
        """Feel the air each second and say so at the gap."""
        self.every(SECOND_US, self._feel)
        self.broadcast("THERMOSTAT_AMBIENT_STATUS", self._status())

    def _feel(self) -> None:
        self._felt += (self._air() - self._felt) / LAG_S
        if abs(self._felt - self._said) >= NEWS_K:
            self.send_now("THERMOSTAT_AMBIENT_STATUS")

    def _status(self) -> Callable[[], bytes]:
        spec = self.catalogue.by_name("THERMOSTAT_AMBIENT_STATUS")
        measured = spec.by_name["ambient_temperature"].measured

        def build() -> bytes:
            self._said = self._felt
            return spec.pack(
                instance=self._instance, ambient_temperature=measured(self._felt + self.random.gauss(0, NOISE_K))
            )

        return build

"""A roof fan: blows cabin air out, or outdoor air in, at a speed.

Knows: air flow in proportion to speed, power in proportion to the third power of speed (fan laws), and the roof fan
messages, whose layout is from memory. The place of the dome in them is unsure, so it is sent as no data. Does not know
why it is commanded.
"""

from collections.abc import Callable
from typing import Annotated

from pydantic import Field

from rvsim.devices.device import PERCENT_STEP, Amps, Device, DeviceContext, Settings, commanded
from rvsim.wire.frame import SECOND_US

MODE_AUTO, MODE_FORCED = 0, 1


class RoofFanSettings(Settings):
    """Size of the fan. Defaults describe an invented 12 V fan; common practice, no source."""

    full_flow_litres_per_s: Annotated[float, Field(ge=0, le=2000)] = 150.0
    """Air flow at full speed. Common practice, no source."""
    full_amps: Amps = 3.0
    """Current of the motor at full speed. Common practice, no source."""
    electronics_amps: Amps = 0.05
    """Current of the electronics, always. Common practice, no source."""


class RoofFan(Device):
    """Sends ROOF_FAN_STATUS_1 and obeys ROOF_FAN_COMMAND_1."""

    kind = "roof_fan"
    Settings = RoofFanSettings
    settings: RoofFanSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("roof_fan")
        self._state = {
            "system_status": 0,
            "fan_mode": MODE_FORCED,
            "speed_mode": 1,
            "light": 0,
            "fan_speed_setting": 0,
            "wind_direction_switch": 0,
        }
        self._set_point: int | None = None
        self._command = self.catalogue.by_name("ROOF_FAN_COMMAND_1")
        self._status = self.catalogue.by_name("ROOF_FAN_STATUS_1")

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {"ROOF_FAN_COMMAND_1": self._obey}

    def on_start(self) -> None:
        """Set the speed each second; send the state at the gap."""
        self.every(SECOND_US, self._set_fan)
        self.broadcast("ROOF_FAN_STATUS_1", self._build_status)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether the fan turns."""
        return self._speed_fraction() > 0

    def _speed_fraction(self) -> float:
        """Return the fraction of full speed at which the fan turns now."""
        if self._state["system_status"] != 1:
            return 0.0
        if self._state["fan_mode"] == MODE_AUTO and self._set_point is not None:
            wanted = self._status.by_name["set_point"].value(self._set_point)
            if self.world.cabin_c <= wanted:
                return 0.0
        return min(1.0, self._state["fan_speed_setting"] * PERCENT_STEP / 100)

    def _set_fan(self) -> None:
        speed, plan = self._speed_fraction(), self.settings
        self.world.set_vent(self.name, speed * plan.full_flow_litres_per_s)
        self.world.set_load(self.name, plan.electronics_amps + plan.full_amps * speed**3)

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        if given.get("instance") != self._instance:
            return
        before = (dict(self._state), self._set_point)
        self._state.update({name: raw for name, raw in given.items() if name in self._state})
        self._set_point = given.get("set_point", self._set_point)
        if before != (self._state, self._set_point):
            self._set_fan()
            self.send_now("ROOF_FAN_STATUS_1")

    def _build_status(self) -> bytes:
        fields = self._status.by_name
        return self._status.pack(
            instance=self._instance,
            **self._state,
            ambient_temperature=fields["ambient_temperature"].sensor_raw(self.world.cabin_c),
            set_point=fields["set_point"].all_ones if self._set_point is None else self._set_point,
        )

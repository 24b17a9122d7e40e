"""A roof fan: blows air of a zone out, or outdoor air in, at a speed, through a dome that a motor opens.

Messages: sends ROOF_FAN_STATUS_1 and obeys ROOF_FAN_COMMAND_1 (layouts from memory). The dome's place in them is
unsure: it is sent as no data, and not obeyed. The dome follows the fan: open while it is on (in automatic: while it is
warm enough), else closed. A rain sensor closes it whatever is commanded.

Knows: air flow in proportion to speed, pressure to its second and power to its third power (fan laws); what a dome or
an inlet that is nearly closed lets through; the ramp of the motor, and its reversal. With the fan at rest an open dome
lets air in and out by itself. Does not know why it is commanded.
"""

from collections.abc import Callable
from math import copysign
from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.device import PERCENT_STEP, Amps, Device, DeviceContext, Settings, commanded
from rvsim.devices.resting_ticks import RestingTicks
from rvsim.errors import InputError
from rvsim.rig.climate import unknown_zone
from rvsim.rig.table import OneLineText
from rvsim.wire.frame import SECOND_US
from rvsim.world.infiltration import through_inlet

MODE_AUTO, MODE_FORCED = 0, 1
SPEED_AUTO, SPEED_MANUAL = 0, 1
AIR_OUT, AIR_IN = 0, 1
MIN_AUTO_SPEED = 0.2
"""The lowest speed that it sets by itself. Common practice, no source."""
STILL_SPEED = 0.01
"""Below this fraction of full speed it counts as at rest. Our choice."""
OPEN_ENOUGH = 0.5
"""The motor starts when the dome is this far open. Common practice, no source."""


class RoofFanSettings(Settings):
    """Size of the fan and its dome. Defaults describe an invented 12 V fan; common practice, no source."""

    zone: OneLineText = "cabin"
    """The zone whose air it moves."""
    full_flow_litres_per_s: Annotated[float, Field(ge=0, le=2000)] = 150.0
    """Air flow at full speed. Common practice, no source."""
    full_pa: Annotated[float, Field(ge=0, le=1000)] = 60.0
    """Pressure that it makes at full speed with its inlet shut. From memory."""
    full_amps: Amps = 3.0
    """Current of the motor at full speed. Common practice, no source."""
    electronics_amps: Amps = 0.05
    """Current of the electronics, always. Common practice, no source."""
    light_amps: Amps = 0.4
    """Current of its light. Common practice, no source."""
    ramp_s: Annotated[float, Field(ge=0.1, le=120)] = 5.0
    """Time from rest to full speed, and back. Common practice, no source."""
    dome_m2: Annotated[float, Field(ge=0, le=2)] = 0.127
    """Opening under the dome; 0: it has none. A square of 14 inches."""
    dome_travel_s: Annotated[float, Field(ge=0.1, le=300)] = 20.0
    """Time from closed to open. Common practice, no source."""
    dome_amps: Amps = 1.0
    """Current of the dome's motor while it moves. Common practice, no source."""
    rain_wait_s: Annotated[float, Field(ge=0, le=7200)] = 600.0
    """The dome stays closed for this long after the last rain; 7200 at most. Common practice, no source."""
    has_rain_sensor: bool = True
    """Whether rain closes the dome."""
    dead_band_k: Annotated[float, Field(ge=0, le=10)] = 1.0
    """In automatic it starts this much above its set point, and stops at it. Common practice, no source."""
    auto_full_k: Annotated[float, Field(ge=0.5, le=30)] = 4.0
    """Where it sets its speed itself, it runs at full speed this much above its set point. Common practice, no
    source."""


class RoofFan(Device):
    """Sends ROOF_FAN_STATUS_1 and obeys ROOF_FAN_COMMAND_1."""

    kind = "roof_fan"
    caution: ClassVar[str] = "Motion: a dome that closes can pinch; nobody at the dome while it is commanded."
    Settings = RoofFanSettings
    settings: RoofFanSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("roof_fan")
        zone, known = self.settings.zone, self.world.zone_names
        if zone not in known:
            raise InputError(f'device "{self.name}": {unknown_zone(zone, known)}')
        self._state = {
            "system_status": 0,
            "fan_mode": MODE_FORCED,
            "speed_mode": SPEED_MANUAL,
            "light": 0,
            "fan_speed_setting": 0,
            "wind_direction_switch": AIR_OUT,
        }
        self._set_point: int | None = None
        self._set_point_c: float | None = None
        """The same in degrees Celsius."""
        self._command = self.catalogue.by_name("ROOF_FAN_COMMAND_1")
        self._status = self.catalogue.by_name("ROOF_FAN_STATUS_1")
        self._speed = 0.0
        """The fraction of full speed at which it turns; below 0: it blows air in."""
        self._dome = 0.0 if self.settings.dome_m2 else 1.0
        """How far the dome is open, 0 to 1."""
        self._dome_moves = self._is_calling = False
        self._dry_since: int | None = 0
        """The time since which it has not rained; None while it rains."""
        self._shown_speed = 0
        self._ticks: RestingTicks | None = None
        """The seconds in which something changes; None before the start."""
        self._acted: tuple[float, float, bool, int] | None = None
        """Speed, dome, whether it moves, and light, as the vehicle last got them."""

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {"ROOF_FAN_COMMAND_1": self._obey}

    def on_start(self) -> None:
        """Move motor and dome each second; send the state at the gap."""
        self._dry_since = -SECOND_US * 7200  # it has not rained before
        self._ticks = self.every_while_busy(SECOND_US, self._step)
        self.broadcast("ROOF_FAN_STATUS_1", self._status_builder())

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether the fan is to turn."""
        return self._wanted_speed(is_open=self._wants_open()) > 0

    # What it is to do.

    def _call_in_auto(self) -> bool:
        """Return whether it is warm enough in automatic: from the dead band above the set point down to the point."""
        wanted = self._set_point_c
        if wanted is None:
            return True
        above = self.world.air_celsius(self.settings.zone) - wanted
        return above > (0.0 if self._is_calling else self.settings.dead_band_k)

    def _is_rained_shut(self) -> bool:
        if not self.settings.has_rain_sensor:
            return False
        return self._dry_since is None or self.now - self._dry_since < self.settings.rain_wait_s * SECOND_US

    def _wants_open(self) -> bool:
        on = self._state["system_status"] == 1 and not self._is_rained_shut()
        return on and (self._state["fan_mode"] != MODE_AUTO or self._is_calling)

    def _wanted_speed(self, *, is_open: bool) -> float:
        """Return the fraction of full speed that is wanted now, where the dome is to be open."""
        if not is_open:
            return 0.0
        wanted = self._set_point_c
        if self._state["speed_mode"] == SPEED_AUTO and wanted is not None:
            above = self.world.air_celsius(self.settings.zone) - wanted
            return min(1.0, max(MIN_AUTO_SPEED, above / self.settings.auto_full_k))
        return min(1.0, self._state["fan_speed_setting"] * PERCENT_STEP / 100)

    # What it does.

    def on_site_change(self) -> None:
        """Go on: it may rain, or no more."""
        if self._ticks is not None:
            self._ticks.wake()

    def _step(self) -> bool:
        """Go on by one second; return whether nothing changes any more until it rains or is commanded."""
        plan = self.settings
        if self.site.rain:
            self._dry_since = None
        elif self._dry_since is None:
            self._dry_since = self.now
        self._is_calling = self._call_in_auto()
        is_open = self._wants_open()
        if plan.dome_m2:
            self._move_dome(1.0 if is_open else 0.0)
        wanted = self._wanted_speed(is_open=is_open) if self._dome >= OPEN_ENOUGH else 0.0
        if self._state["wind_direction_switch"] == AIR_IN:
            wanted = -wanted
        is_at_speed, is_automatic = wanted == self._speed, self._set_point is not None
        if not is_at_speed:
            self._turn(wanted, 1 / plan.ramp_s)
        self._act()
        return is_at_speed and not (self._dome_moves or is_automatic or self._is_rained_shut())

    def _turn(self, wanted: float, step: float) -> None:
        """Change the speed by one step at most; a motor stops before it turns the other way."""
        change = max(-step, min(step, wanted - self._speed))
        crosses = self._speed * (self._speed + change) < 0
        self._speed = 0.0 if crosses else self._speed + change

    def _move_dome(self, wanted: float) -> None:
        self._dome_moves = self._dome != wanted
        if self._dome_moves:
            step = 1 / self.settings.dome_travel_s
            left = wanted - self._dome
            self._dome = wanted if abs(left) <= step else self._dome + copysign(step, left)

    def _act(self) -> None:
        """Set flow, opening and current by speed and dome, where they have changed."""
        state = (self._speed, self._dome, self._dome_moves, self._state["light"])
        if state != self._acted:
            self._acted = state
            self._act_on_world(abs(self._speed), self.settings.dome_m2 * self._dome)
        shown = self._speed_setting()
        if shown != self._shown_speed:
            self._shown_speed = shown
            self.send_now("ROOF_FAN_STATUS_1")

    def _act_on_world(self, speed: float, open_m2: float) -> None:
        plan, world = self.settings, self.world
        pressure = plan.full_pa * speed * speed
        flow = plan.full_flow_litres_per_s * speed
        if plan.dome_m2:
            flow = through_inlet(flow, open_m2, pressure)
        turns = speed >= STILL_SPEED
        world.set_vent(self.name, flow if turns else 0.0, plan.zone, pressure if turns else 0.0)
        world.set_opening(self.name, 0.0 if turns else open_m2, plan.zone)
        amps = plan.electronics_amps + plan.full_amps * speed**3 + (plan.dome_amps if self._dome_moves else 0.0)
        world.set_load(self.name, amps + (plan.light_amps if self._state["light"] == 1 else 0.0))

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        if given.get("instance") != self._instance:
            return
        before = (dict(self._state), self._set_point)
        self._state.update({name: raw for name, raw in given.items() if name in self._state})
        self._set_point = given.get("set_point", self._set_point)
        if self._set_point is not None:
            self._set_point_c = self._status.by_name["set_point"].value(self._set_point)
        if before != (self._state, self._set_point):
            self._shown_speed = self._speed_setting()
            self.send_now("ROOF_FAN_STATUS_1")
        if self._ticks is not None:
            self._ticks.wake()

    # Status.

    def _speed_setting(self) -> int:
        """Return the raw speed: as commanded, or in steps of 5 % what it sets itself."""
        if self._state["speed_mode"] == SPEED_AUTO and self._set_point is not None:
            return 10 * round(self._wanted_speed(is_open=self._wants_open()) * 20)
        return self._state["fan_speed_setting"]

    def _status_builder(self) -> Callable[[], bytes]:
        fields, zone = self._status.by_name, self.settings.zone
        pack = self._status.packer(*self._state, "ambient_temperature", "set_point", instance=self._instance)
        celsius, no_set_point = fields["ambient_temperature"].sensor_raw, fields["set_point"].all_ones

        def build() -> bytes:
            return pack(
                **{**self._state, "fan_speed_setting": self._speed_setting()},
                ambient_temperature=celsius(self.world.air_celsius(zone)),
                set_point=no_set_point if self._set_point is None else self._set_point,
            )

        return build

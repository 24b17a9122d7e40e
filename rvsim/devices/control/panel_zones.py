"""The thermostats of several zones of one panel: messages in, commands to heaters, air conditioners and fans out.

Messages: sends THERMOSTAT_STATUS_1 of each zone; obeys THERMOSTAT_COMMAND_1 by instance; commands FURNACE_COMMAND,
AIR_CONDITIONER_COMMAND, ROOF_FAN_COMMAND_1 and CIRCULATION_PUMP_COMMAND. Where several zones share a device, the one
that asks for most is followed.

Knows: which device serves which zone, and that a furnace with a red lamp is asked for nothing until somebody commands a
thermostat. Does not know when a zone heats (`zone_thermostat`).
"""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Protocol

from rvsim.devices.control.day_clock import DayClock, schedule_values
from rvsim.devices.control.received import CommandHost, Received, SentCommands
from rvsim.devices.control.zone_thermostat import MODES, Work, ZoneSettings, ZoneThermostat, ZoneView
from rvsim.devices.device import PERCENT_STEP, commanded
from rvsim.rig.functions import FUNCTIONS
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

AMBIENT, FURNACE = "THERMOSTAT_AMBIENT_STATUS", "FURNACE_STATUS"
AIR_CONDITIONER, ROOF_FAN, PUMP = "AIR_CONDITIONER_STATUS", "ROOF_FAN_STATUS_1", "CIRCULATION_PUMP_STATUS"
HEARTBEAT = "DM_RV"
STATUS, COMMAND = "THERMOSTAT_STATUS_1", "THERMOSTAT_COMMAND_1"
FULL_PERCENT, VENT_PERCENT, FAN_PERCENT = 100.0, 80.0, 50.0
"""Fan speeds for heat and cooling, for air from outside, and for the mode fan. Invented."""
HEAT_REPEAT_US = 180 * SECOND_US
"""A furnace that gives no heat is commanded again after this time: longer than a start. Common practice, no source."""
_FURNACE_DSAS = frozenset(FUNCTIONS["furnace"].dsas)


class ZonesHost(CommandHost, Protocol):
    """What this needs of its panel."""

    def broadcast(self, message: str, build: Callable[[], bytes | None], key: str, /) -> None:
        """Send a message at its gap from now on."""

    def send_now(self, key: str, /) -> None:
        """Send a broadcast now."""


class PanelZones:
    """The zones of one panel.

    Args:
        host: the panel.
        zones: the zones by name.
        outdoor_sensor: the instance of the ambient sensor outdoors.
        circulation_pump: the instance of the pump that all furnaces need, None for none.
        fan_limit: returns the highest fan speed that the supply allows, in percent.
        clock: knows the time of day.
    """

    def __init__(
        self,
        host: ZonesHost,
        zones: Mapping[str, ZoneSettings],
        *,
        outdoor_sensor: int,
        circulation_pump: int | None,
        fan_limit: Callable[[], float],
        clock: DayClock,
    ) -> None:
        self._host, self._zones = host, zones
        self._outdoor_sensor, self._pump, self._fan_limit = outdoor_sensor, circulation_pump, fan_limit
        self.thermostats = {name: ZoneThermostat(settings) for name, settings in zones.items()}
        """The thermostat of each zone, by name."""
        self._clock = clock
        self.received = Received(host, (AMBIENT, FURNACE, AIR_CONDITIONER, ROOF_FAN, PUMP))
        self._sent = SentCommands(host)
        self._status, self._command = (host.catalogue.by_name(name) for name in (STATUS, COMMAND))
        self._heartbeat = host.catalogue.by_name(HEARTBEAT)
        self._red_lamps: set[int] = set()
        """The addresses whose furnace reports a fault."""
        self._stopped: set[int] = set()
        """The furnaces that are asked for nothing, by instance."""
        self._scheduled: dict[str, tuple[float | None, float | None]] = {}

    @property
    def has_stopped(self) -> bool:
        """Whether a furnace is asked for nothing because of its fault."""
        return bool(self._stopped)

    @property
    def dgns(self) -> frozenset[int]:
        """The DGNs of what it receives."""
        return self.received.dgns | {self._command.dgn, self._heartbeat.dgn}

    @property
    def requested_messages(self) -> tuple[str, ...]:
        """The statuses that are asked for when nothing is known any more."""
        return self.received.messages

    def start(self) -> None:
        """Send the set points of each zone at the gap."""
        for name in self._zones:
            self._host.broadcast(STATUS, partial(self._build_status, name), f"{STATUS} {name}")

    def receive(self, identifier: int, data: bytes) -> None:
        """Receive a frame of another node."""
        dgn = dgn_of(identifier)
        if dgn == self._command.dgn:
            self._obey(data)
        elif dgn == self._heartbeat.dgn:
            self._note_lamp(identifier & 0xFF, data)
        else:
            self.received.receive(identifier, data)

    def forget(self) -> None:
        """Forget what was received and sent: nothing was received for a time."""
        self.received.forget()
        self._sent.forget()
        self._red_lamps.clear()

    def _note_lamp(self, source: int, data: bytes) -> None:
        fields = self._heartbeat.by_name
        if fields["dsa"].raw_in(data) in _FURNACE_DSAS:
            lamp = fields["red_lamp_status"].raw_in(data)
            (self._red_lamps.add if lamp == 1 else self._red_lamps.discard)(source)

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        name = next((name for name, zone in self._zones.items() if zone.instance == given.get("instance")), None)
        if name is None:
            return
        self._stopped.clear()  # somebody wants heat now
        thermostat, fields = self.thermostats[name], self._command.by_name
        before = self._build_status(name)
        thermostat.mode = given.get("operating_mode", thermostat.mode)
        for field, attribute in (("set_point_temperature_heat", "heat_c"), ("set_point_temperature_cool", "cool_c")):
            if field in given:
                setattr(thermostat, attribute, float(fields[field].value(given[field])))
        if self._build_status(name) != before:
            self._host.send_now(f"{STATUS} {name}")
            self.decide()

    # Decisions.

    def decide(self) -> None:
        """Decide for each zone, and command what serves them."""
        self._follow_schedules()
        self._follow_faults()
        for name, zone in self._zones.items():
            self.thermostats[name].decide(self._host.now, self._view(zone))
        self._command_furnaces()
        self._command_air_conditioners()
        self._command_fans()

    def _follow_schedules(self) -> None:
        """Take over the set points of a schedule when they change; a command holds until then."""
        minute = self._clock.minute(self._host.now)
        for name, zone in self._zones.items():
            values = schedule_values(zone.schedule, minute)
            if values == self._scheduled.get(name, (None, None)):
                continue
            self._scheduled[name] = values
            thermostat, (heat, cool) = self.thermostats[name], values
            thermostat.heat_c = thermostat.heat_c if heat is None else heat
            thermostat.cool_c = thermostat.cool_c if cool is None else cool
            self._host.send_now(f"{STATUS} {name}")

    def _follow_faults(self) -> None:
        furnaces = {zone.furnace for zone in self._zones.values() if zone.furnace is not None}
        self._stopped |= {one for one in furnaces if self.received.source(FURNACE, one) in self._red_lamps}

    def _temperature(self, sensor: int) -> float | None:
        return self.received.value(AMBIENT, sensor, "ambient_temperature")

    def _view(self, zone: ZoneSettings) -> ZoneView:
        heard = self.received.is_heard
        inside = self._temperature(zone.sensor)
        places = [inside, None if zone.frost_sensor is None else self._temperature(zone.frost_sensor)]
        is_pumped = self._pump is None or heard(PUMP, self._pump)
        is_heated = zone.furnace is not None and zone.furnace not in self._stopped and heard(FURNACE, zone.furnace)
        return ZoneView(
            inside,
            self._temperature(self._outdoor_sensor),
            min((place for place in places if place is not None), default=None),
            can_heat=is_heated and is_pumped,
            can_cool=zone.air_conditioner is not None and heard(AIR_CONDITIONER, zone.air_conditioner),
            can_vent=zone.roof_fan is not None and heard(ROOF_FAN, zone.roof_fan),
        )

    def _most(self, setting: str, wanted: Callable[[ZoneThermostat], float]) -> dict[int, float]:
        """Return what is asked of each device of a kind, by instance: the most that a zone asks for."""
        found: dict[int, float] = {}
        for name, zone in self._zones.items():
            instance = getattr(zone, setting)
            if instance is not None:
                found[instance] = max(found.get(instance, 0.0), wanted(self.thermostats[name]))
        return found

    # Commands.

    def _command_furnaces(self) -> None:
        heats = self._most("furnace", lambda zone: zone.heat_percent)
        for instance, heat in heats.items():
            fan = min(heat, self._fan_limit())
            level = self.received.value(FURNACE, instance, "heat_output_level")
            self._sent.send(
                "FURNACE_COMMAND",
                instance,
                follows=level is None or (level > 0) == (heat > 0),
                repeat_us=HEAT_REPEAT_US,
                operating_mode=0,
                circulation_fan_speed=_raw(fan),
                heat_output_level=_raw(heat),
            )
        if self._pump is not None:
            on = int(any(heats.values()))
            status = self.received.value(PUMP, self._pump, "output_status_command")
            follows = status in (None, on)
            self._sent.send("CIRCULATION_PUMP_COMMAND", self._pump, follows=follows, output_status_command=on)

    def _command_air_conditioners(self) -> None:
        for instance, percent in self._most(
            "air_conditioner", lambda zone: FULL_PERCENT if zone.work is Work.COOL else 0.0
        ).items():
            level = self.received.value(AIR_CONDITIONER, instance, "output_level")
            self._sent.send(
                "AIR_CONDITIONER_COMMAND",
                instance,
                follows=level is None or (level > 0) == (percent > 0),
                repeat_us=HEAT_REPEAT_US,
                operating_mode=1,
                fan_speed=_raw(percent),
                output_level=_raw(percent),
            )

    def _command_fans(self) -> None:
        speeds = {Work.VENT: VENT_PERCENT, Work.FAN: FAN_PERCENT}
        for instance, percent in self._most("roof_fan", lambda zone: speeds.get(zone.work, 0.0)).items():
            speed = self.received.value(ROOF_FAN, instance, "fan_speed_setting")
            self._sent.send(
                "ROOF_FAN_COMMAND_1",
                instance,
                follows=speed in (None, percent),
                system_status=int(percent > 0),
                fan_mode=1,
                speed_mode=1,
                fan_speed_setting=_raw(percent),
                wind_direction_switch=0,
            )

    # Status.

    def _build_status(self, name: str) -> bytes:
        thermostat, zone, fields = self.thermostats[name], self._zones[name], self._status.by_name
        fans = {Work.HEAT: thermostat.heat_percent, Work.COOL: FULL_PERCENT, Work.VENT: VENT_PERCENT}
        return self._status.pack(
            instance=zone.instance,
            operating_mode=thermostat.mode,
            fan_mode=int(thermostat.mode == MODES["fan"]),
            schedule_mode=int(bool(zone.schedule)),
            fan_speed=_raw(fans.get(thermostat.work, FAN_PERCENT if thermostat.work is Work.FAN else 0.0)),
            set_point_temperature_heat=fields["set_point_temperature_heat"].raw(thermostat.heat_c),
            set_point_temperature_cool=fields["set_point_temperature_cool"].raw(thermostat.cool_c),
        )


def _raw(percent: float) -> int:
    return round(percent / PERCENT_STEP)

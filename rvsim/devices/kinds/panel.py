"""A control panel with the thermostat of one zone.

Knows: only what it hears on the bus. Does not know the physics: it is given no `world`. It never runs what it
cannot hear: a sensor, heater, pump, fan, tank, charger or battery figure that has been quiet for three of its gaps
counts as lost, and the panel does without it. Gains and limits are invented, for a small cabin.
"""

from collections.abc import Callable, Mapping
from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.device import PERCENT, Device, Instance, Role, Settings, commanded
from rvsim.wire.fields import State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec
from rvsim.wire.texts import PRODUCT_IDENTIFICATION

LOST_AFTER_US = 15 * SECOND_US
"""Three heartbeats of 5 s, the gap by which every device speaks (rv-c.com/node/82); three is our decision."""
LOOK_US = 5 * SECOND_US
ASKS_US = 3 * SECOND_US
"""After so long it asks who is there: by then everybody has an address. Our choice."""
REPEAT_US = 10 * SECOND_US
"""A command whose status does not follow is given again after this time. Invented."""
GAIN_PERCENT_PER_K = 20.0
FORWARD_PERCENT_PER_K = 1.5
"""Heat given in advance for each kelvin between the set point and the air outside. Invented."""
TRIM_PERCENT_PER_K, TRIM_LIMIT_PERCENT = 0.05, 30.0
"""What each look adds for each kelvin that is still missing, and how far that may go. Invented."""
STEP_PERCENT = 5.0
LEAST_FAN_PERCENT = 30.0
SAVING_FAN_PERCENT = 50.0
ON_BATTERY_FAN_PERCENT = 80.0
"""What the heater's fan may run at without a charger at work: half the power, by the third power. Invented."""
LOW_VOLTS = 11.8
"""Below this, or without a battery figure, fans are held down. Common practice, no source: AGM at a quarter."""
FRESH_AIR_PERCENT, COOLING_PERCENT, COOL_ABOVE_K = 10.0, 80.0, 2.0
MODE_OFF, MODE_HEAT, MODE_AUTO = 0, 2, 3
"""Operating modes of the thermostat (numbers from memory)."""
WATER_OFF, WATER_COMBUSTION = 0, 1
PUMP_OFF, PUMP_ON = 0, 1
CHARGING_FROM = 2
"""Operating state of a charger from which it charges: 2 is bulk (numbers from memory)."""


LISTENED_TO = (
    "THERMOSTAT_AMBIENT_STATUS",
    "FURNACE_STATUS",
    "CIRCULATION_PUMP_STATUS",
    "WATERHEATER_STATUS",
    "TANK_STATUS",
    "ROOF_FAN_STATUS_1",
    "CHARGER_STATUS",
    "DC_SOURCE_STATUS_1",
)


class PanelSettings(Settings):
    """Whom the panel listens to and commands, by instance, and what it wants."""

    zone: Instance = 1
    set_point_c: Annotated[float, Field(ge=5, le=35)] = 21.0
    cool_above_c: Annotated[float, Field(ge=5, le=45)] = 25.0
    water_c: Annotated[float, Field(ge=30, le=80)] = 60.0
    indoor_sensor: Instance = 1
    outdoor_sensor: Instance = 2
    furnace: Instance = 1
    water_heater: Instance = 1
    roof_fan: Instance = 1
    dc_source: Instance = 1
    circulation_pump: Instance | None = None
    """None: there is none, the heater circulates the coolant by itself."""
    fresh_tank: Instance | None = None
    """None: water is heated whether or not there is any."""
    charger: Instance | None = None
    """None: the fan may run at full on battery alone."""


class Panel(Device):
    """Sends THERMOSTAT_STATUS_1 and commands to heater, pump and fan; obeys THERMOSTAT_COMMAND_1."""

    kind = "panel"
    Settings = PanelSettings
    uses_world = False
    partners: ClassVar[Mapping[str, str]] = {
        "indoor_sensor": "ambient_sensor",
        "outdoor_sensor": "ambient_sensor",
        "furnace": "furnace",
        "water_heater": "water_heater",
        "roof_fan": "roof_fan",
        "dc_source": "dc_source",
        "circulation_pump": "circulation_pump",
        "fresh_tank": "tank",
        "charger": "charger",
    }

    def __init__(self, role: Role) -> None:
        super().__init__(role)
        self._zone = self.instance("thermostat")
        self._status, self._command = self.specs("THERMOSTAT_STATUS_1", "THERMOSTAT_COMMAND_1")
        points = self._status.by_name["set_point_temperature_heat"]
        self._state = {
            "operating_mode": MODE_HEAT,
            "fan_mode": 0,
            "schedule_mode": 0,
            "set_point_temperature_heat": points.raw(self.settings.set_point_c),
            "set_point_temperature_cool": points.raw(self.settings.cool_above_c),
        }
        self._heat = self._trim = 0.0
        self._fan_percent = 0.0
        self._heard: dict[tuple[str, int | None], tuple[int, bytes]] = {}
        self._given: dict[str, tuple[int, dict[str, int]]] = {}

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Listen to its own command and to the status of all that it depends on."""
        return {"THERMOSTAT_COMMAND_1": self._obey, **{message: self._note(message) for message in LISTENED_TO}}

    def on_start(self) -> None:
        """Decide every few seconds; say what is wanted at the gap."""
        self.broadcast("THERMOSTAT_STATUS_1", self._build)
        self.after(2 * SECOND_US, lambda: self.every(LOOK_US, self._decide))
        self.after(ASKS_US, self._ask_who_is_there)

    def _ask_who_is_there(self) -> None:
        """Ask everybody once for a product identification, as panels do after switching on."""
        request = self.catalogue.by_name("REQUEST_FOR_DGN")
        self.send(request, request.pack(desired_dgn=PRODUCT_IDENTIFICATION))

    # What it hears.

    def _note(self, message: str) -> Callable[[bytes], None]:
        instance = self.catalogue.by_name(message).fields[0]  # the first of each, whatever it is called

        def note(data: bytes) -> None:
            number = instance.raw_in(data)
            if instance.state(number) is State.VALUE:
                self._heard[message, number] = (self.now, data)

        return note

    def _heard_of(self, message: str, instance: int) -> dict[str, int] | None:
        """Return the last values of a status message, None where it was never heard or has been quiet too long."""
        data = self._last(message, instance)
        if data is None:
            return None
        said = self.catalogue.by_name(message).decode(data)
        return {r.field.name: r.raw for r in said if r.state is State.VALUE and r.raw is not None}

    def _last(self, message: str, instance: int) -> bytes | None:
        when, data = self._heard.get((message, instance), (None, None))
        return None if when is None or self.now - when > LOST_AFTER_US else data

    def _figure(self, message: str, instance: int, field: str) -> float | None:
        data = self._last(message, instance)
        if data is None:
            return None
        spec = self.catalogue.by_name(message).by_name[field]
        raw = spec.raw_in(data)
        return spec.value(raw) if raw is not None and spec.state(raw) is State.VALUE else None

    def _temperature(self, sensor: int) -> float | None:
        return self._figure("THERMOSTAT_AMBIENT_STATUS", sensor, "ambient_temperature")

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        if given.get("instance") != self._zone:
            return
        before = dict(self._state)
        self._state.update({name: raw for name, raw in given.items() if name in self._state})
        if self._state != before:
            self.send_now("THERMOSTAT_STATUS_1")
            self._decide()

    # What it decides.

    def _wanted(self, which: str) -> float:
        return self._status.by_name[which].value(self._state[which])

    def _saving(self) -> bool:
        volts = self._figure("DC_SOURCE_STATUS_1", self.settings.dc_source, "dc_voltage")
        return volts is None or volts < LOW_VOLTS

    def _most_fan(self) -> float:
        """Return the highest speed of the heater's fan that the supply allows."""
        if self._saving():
            return SAVING_FAN_PERCENT
        if self.settings.charger is None:
            return 100.0
        said = self._heard_of("CHARGER_STATUS", self.settings.charger) or {}
        return 100.0 if said.get("operating_state", 0) >= CHARGING_FROM else ON_BATTERY_FAN_PERCENT

    def _can_heat(self) -> bool:
        """Tell whether all that heating takes is heard: the furnace, and the pump if there is one."""
        pump = self.settings.circulation_pump
        pumped = pump is None or self._last("CIRCULATION_PUMP_STATUS", pump) is not None
        return pumped and self._last("FURNACE_STATUS", self.settings.furnace) is not None

    def _decide(self) -> None:
        heat = self._heat = self._heat_percent()
        fan = min(max(heat, LEAST_FAN_PERCENT), self._most_fan()) if heat else 0.0
        if fan != self._fan_percent:
            self._fan_percent = fan
            self.send_now("THERMOSTAT_STATUS_1")
        self._command_furnace(heat, fan)
        self._command_pump(heat > 0)
        self._command_water()
        self._command_roof_fan(self._roof_percent())

    def _heat_percent(self) -> float:
        """Return the heat to ask for, 0 to 100 in steps: in proportion, and in advance for the cold outside."""
        indoors = self._temperature(self.settings.indoor_sensor)
        if indoors is None or not self._can_heat() or self._state["operating_mode"] not in (MODE_HEAT, MODE_AUTO):
            return 0.0
        wanted = self._wanted("set_point_temperature_heat")
        outdoors = self._temperature(self.settings.outdoor_sensor)
        forward = FORWARD_PERCENT_PER_K * max(0.0, wanted - outdoors) if outdoors is not None else 0.0
        missing = wanted - indoors
        trim = self._trim + TRIM_PERCENT_PER_K * max(-1.0, min(1.0, missing))
        self._trim = min(TRIM_LIMIT_PERCENT, max(-TRIM_LIMIT_PERCENT, trim))
        percent = min(100.0, max(0.0, GAIN_PERCENT_PER_K * missing + forward + self._trim))
        if 0 < percent < 100 and abs(percent - self._heat) < STEP_PERCENT:
            return self._heat
        return STEP_PERCENT * round(percent / STEP_PERCENT)

    def _roof_percent(self) -> float:
        """Return the roof fan's speed: fresh air always, more to cool where the air outside is cooler."""
        if self._last("ROOF_FAN_STATUS_1", self.settings.roof_fan) is None or self._saving():
            return 0.0
        indoors, outdoors = (
            self._temperature(self.settings.indoor_sensor),
            self._temperature(self.settings.outdoor_sensor),
        )
        too_warm = indoors is not None and indoors > self._wanted("set_point_temperature_cool")
        if too_warm and outdoors is not None and outdoors < indoors - COOL_ABOVE_K:  # type: ignore[operator]
            return COOLING_PERCENT
        return FRESH_AIR_PERCENT

    # What it commands.

    def _command_furnace(self, heat: float, fan: float) -> None:
        self._give(
            "FURNACE_COMMAND",
            instance=self.settings.furnace,
            operating_mode=0,
            circulation_fan_speed=round(fan / PERCENT),
            heat_output_level=round(heat / PERCENT),
        )

    def _command_pump(self, needed: bool) -> None:
        pump = self.settings.circulation_pump
        if pump is None:
            return
        said = self._heard_of("CIRCULATION_PUMP_STATUS", pump)
        wanted = {"output_status_command": PUMP_ON if needed else PUMP_OFF}
        self._give("CIRCULATION_PUMP_COMMAND", _follows(said, wanted), instance=pump, **wanted)

    def _has_water(self) -> bool:
        """Tell whether the fresh tank is heard to hold any: without, there is nothing to heat."""
        tank = self.settings.fresh_tank
        return tank is None or bool(self._figure("TANK_STATUS", tank, "relative_level"))

    def _command_water(self) -> None:
        said = self._heard_of("WATERHEATER_STATUS", self.settings.water_heater)
        if said is None:
            return
        wanted = {
            "operating_mode": WATER_COMBUSTION if self._has_water() else WATER_OFF,
            "set_point_temperature": self._set_point(
                "WATERHEATER_COMMAND", "set_point_temperature", self.settings.water_c
            ),
        }
        self._give("WATERHEATER_COMMAND", _follows(said, wanted), instance=self.settings.water_heater, **wanted)

    def _command_roof_fan(self, percent: float) -> None:
        said = self._heard_of("ROOF_FAN_STATUS_1", self.settings.roof_fan)
        wanted = {
            "system_status": int(percent > 0),
            "fan_mode": 1,
            "speed_mode": 1,
            "fan_speed_setting": round(percent / PERCENT),
            "wind_direction_switch": 0,
        }
        self._give("ROOF_FAN_COMMAND_1", _follows(said, wanted), instance=self.settings.roof_fan, **wanted)

    def _set_point(self, message: str, field: str, celsius: float) -> int:
        return self.catalogue.by_name(message).by_name[field].raw(celsius)

    def _give(self, message: str, follows: bool = True, **raws: int) -> None:
        """Send a command when it is new, or again where the device's status did not follow it."""
        when, before = self._given.get(message, (0, {}))
        if raws == before and (follows or self.now - when < REPEAT_US):
            return
        self._given[message] = (self.now, raws)
        spec: MessageSpec = self.catalogue.by_name(message)
        self.send(spec, spec.pack(**raws))

    # What it says.

    def _build(self) -> bytes:
        return self._status.pack(instance=self._zone, **self._state, fan_speed=round(self._fan_percent / PERCENT))


def _follows(said: dict[str, int] | None, wanted: dict[str, int]) -> bool:
    """Tell whether a device that is heard says what it was told; of one that is not, nothing can be told."""
    return said is None or all(said.get(name) == raw for name, raw in wanted.items())

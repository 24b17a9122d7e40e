"""A hydronic heater: one burner warms coolant for the cabin's fan and for the hot water.

Knows: furnace and water heater messages (layouts from memory), how a burner holds its coolant at a temperature, and
that the fan waits for warm coolant. The heater stops while its supply voltage is too low: 12 V heaters stop below
10 V (three makers' fault-code tables). Does not know who commands heat or why.

A lockout is a safety function and has no reset here: a simulated heater starts again when its supply is back.
"""

from collections.abc import Callable

from rvsim.devices.device import PERCENT_STEP, Amps, Device, DeviceContext, Settings, commanded
from rvsim.wire.frame import SECOND_US

MIN_SUPPLY_VOLTS = 10.0
"""Below this the heater stops (three heater makers' fault-code tables: below 10 V)."""
LOW_SUPPLY_VOLTS = 11.0
"""Below this it reports a warning of low supply. Common practice, no source."""
MAX_COOLANT_C, COOLANT_BAND_K = 75.0, 15.0
"""Coolant is held between 60 and 75 degC by the burner's output. Common practice, no source."""
MIN_FAN_COOLANT_C = 40.0
"""The cabin fan waits for coolant this warm. Common practice, no source."""
WATER_SET_POINT_C, WATER_BAND_K = 60.0, 5.0
"""Set point of the hot water until a command changes it. Common practice, no source."""
WATER_OFF, WATER_BURNER_MODES = 0, frozenset({1, 3, 4, 5})
"""Operating modes of the water heater; off, and those in which the burner heats the water (numbers from memory)."""


class HeaterSettings(Settings):
    """What the heater draws. Defaults describe an invented heater; common practice, no source."""

    electronics_amps: Amps = 0.1
    """Current of the electronics, always. Common practice, no source."""
    pump_amps: Amps = 1.0
    """Current of the inner pump while heat is called for. Common practice, no source."""
    burner_amps: Amps = 2.5
    """Current of the burner while it burns. Common practice, no source."""
    fan_amps: Amps = 6.0
    """Current of the cabin fan at full speed. Common practice, no source."""


class Heater(Device):
    """Sends FURNACE_STATUS and WATERHEATER_STATUS; obeys FURNACE_COMMAND and WATERHEATER_COMMAND."""

    kind = "heater"
    Settings = HeaterSettings
    settings: HeaterSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._zone = self.instance("furnace")
        self._tank = self.instance("water_heater")
        self._furnace, self._furnace_command = self.specs("FURNACE_STATUS", "FURNACE_COMMAND")
        self._water, self._water_command = self.specs("WATERHEATER_STATUS", "WATERHEATER_COMMAND")
        self._commanded = {"operating_mode": 0, "circulation_fan_speed": 0, "heat_output_level": 0}
        self._water_mode = WATER_OFF
        self._water_set_point = self._water.by_name["set_point_temperature"].raw(WATER_SET_POINT_C)
        self._burner = 0.0
        self._is_heating_water = False
        self._last_state: tuple[object, ...] = ()

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive both commands."""
        return {"FURNACE_COMMAND": self._obey_furnace, "WATERHEATER_COMMAND": self._obey_water}

    def on_start(self) -> None:
        """Control the burner each second; send both states at their gaps."""
        self.every(SECOND_US, self._update)
        self.broadcast("FURNACE_STATUS", self._furnace_status)
        self.broadcast("WATERHEATER_STATUS", self._water_status)

    def active(self, function: str) -> bool:
        """Return whether heat is commanded of a function, or needed by the water."""
        return self._commanded["heat_output_level"] > 0 if function == "furnace" else self._is_heating_water

    # Commands.

    def _obey_furnace(self, data: bytes) -> None:
        given = commanded(self._furnace_command, data)
        if given.get("instance") == self._zone:
            self._commanded.update({name: raw for name, raw in given.items() if name in self._commanded})
            self._update()

    def _obey_water(self, data: bytes) -> None:
        given = commanded(self._water_command, data)
        if given.get("instance") == self._tank:
            self._water_mode = given.get("operating_mode", self._water_mode)
            self._water_set_point = given.get("set_point_temperature", self._water_set_point)
            self._update()

    # Control of burner, fan and pump.

    def _update(self) -> None:
        """Set burner, fan and pump for the next second, and send each status that changed."""
        powered = self.world.volts_at(self.name) >= MIN_SUPPLY_VOLTS
        self._is_heating_water = powered and self._water_needs_heat()
        heat_wanted = powered and (self._commanded["heat_output_level"] > 0 or self._is_heating_water)
        shortfall = (MAX_COOLANT_C - self.world.coolant_c) / COOLANT_BAND_K
        self._burner = min(1.0, max(0.0, shortfall)) if heat_wanted else 0.0
        output, fan, plan = *self._output_and_fan(), self.settings
        self.world.set_burner(self.name, self._burner * self.world.rated_burner_w)
        self.world.set_cabin_fan(self.name, output * fan)
        self.world.set_water_circulation(self.name, running=self._is_heating_water)
        amps = plan.electronics_amps + plan.fan_amps * fan**3 + (plan.pump_amps if heat_wanted else 0.0)
        self.world.set_load(self.name, amps + (plan.burner_amps if self._burner else 0.0) if powered else 0.0)
        self._send_changes()

    def _water_needs_heat(self) -> bool:
        if self._water_mode not in WATER_BURNER_MODES:
            return False
        wanted = self._water.by_name["set_point_temperature"].value(self._water_set_point)
        return self.world.water_c < (wanted if self._is_heating_water else wanted - WATER_BAND_K)

    def _output_and_fan(self) -> tuple[float, float]:
        """Return the fractions of full output that the cabin's valve lets through, and of full speed of the fan.

        They are as commanded, but 0 while coolant is cold or supply is low, and no heat comes without the fan.
        """
        blocked = self.world.coolant_c < MIN_FAN_COOLANT_C or self.world.volts_at(self.name) < MIN_SUPPLY_VOLTS
        if blocked or not self._commanded["heat_output_level"]:
            return 0.0, 0.0
        fan = self._commanded_fraction("circulation_fan_speed")
        return self._commanded_fraction("heat_output_level") if fan else 0.0, fan

    def _commanded_fraction(self, name: str) -> float:
        return min(1.0, self._commanded[name] * PERCENT_STEP / 100)

    # Status.

    def _send_changes(self) -> None:
        furnace = (self._commanded["operating_mode"], *self._output_and_fan())
        water = (self._water_mode, self._water_set_point, self._is_heating_water, self._burner > 0, *self._supply())
        before, self._last_state = self._last_state, (furnace, water)
        if before and before[0] != furnace:
            self.send_now("FURNACE_STATUS")
        if before and before[1] != water:
            self.send_now("WATERHEATER_STATUS")

    def _furnace_status(self) -> bytes:
        """Return the data; dead bands and zone signals stand at unsure places and are sent as no data."""
        output, fan = self._output_and_fan()
        return self._furnace.pack(
            instance=self._zone,
            operating_mode=self._commanded["operating_mode"],
            heat_source=0,
            circulation_fan_speed=round(fan * 100 / PERCENT_STEP),
            heat_output_level=round(output * 100 / PERCENT_STEP),
        )

    def _supply(self) -> tuple[int, int]:
        volts = self.world.volts_at(self.name)
        return int(volts < MIN_SUPPLY_VOLTS), int(volts < LOW_SUPPLY_VOLTS)

    def _water_status(self) -> bytes:
        failure, warning = self._supply()
        return self._water.pack(
            instance=self._tank,
            operating_mode=self._water_mode,
            set_point_temperature=self._water_set_point,
            water_temperature=self._water.by_name["water_temperature"].sensor_raw(self.world.water_c),
            thermostat_status=int(self._is_heating_water),
            burner_status=int(self._burner > 0),
            ac_element_status=0,
            high_temperature_limit_switch=0,
            failure_to_ignite=0,
            dc_power_failure=failure,
            dc_power_warning=warning,
        )

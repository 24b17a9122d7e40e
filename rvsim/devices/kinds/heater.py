"""A hydronic heater: one burner warms coolant for the cabin's fan and for the hot water.

Knows: furnace and water heater messages (layouts from memory), how a burner holds its coolant at a temperature
and that its fan waits for warm coolant. It stops where its supply is too low: heaters for 12 V stop below 10 V
(three makers' fault-code tables). Does not know who asks for heat or why.

A lockout is a safety function and is not reset here: a simulated heater starts again when its supply is back.
"""

from collections.abc import Callable

from rvsim.devices.device import PERCENT, Amps, Device, Role, Settings, commanded
from rvsim.wire.frame import SECOND_US

LOWEST_VOLTS = 10.0
"""Below this the heater stops (three heater makers' fault-code tables: below 10 V)."""
WARNING_VOLTS = 11.0
"""Below this it warns of its supply. Common practice, no source."""
COOLANT_C, COOLANT_BAND_K = 75.0, 15.0
"""Coolant is held between 60 and 75 degC by the burner's output. Common practice, no source."""
FAN_FROM_C = 40.0
"""The cabin fan waits for coolant this warm. Common practice, no source."""
WATER_SET_POINT_C, WATER_BAND_K = 60.0, 5.0
"""Hot water until a command says otherwise. Common practice, no source."""
WATER_OFF, WATER_BURNER_MODES = 0, frozenset({1, 3, 4, 5})
"""Operating modes of the water heater in which the burner serves it (numbers from memory)."""


class HeaterSettings(Settings):
    """What the heater draws. Defaults describe an invented heater; common practice, no source."""

    electronics_amps: Amps = 0.1
    pump_amps: Amps = 1.0
    burner_amps: Amps = 2.5
    fan_amps: Amps = 6.0


class Heater(Device):
    """Sends FURNACE_STATUS and WATERHEATER_STATUS; obeys FURNACE_COMMAND and WATERHEATER_COMMAND."""

    kind = "heater"
    Settings = HeaterSettings

    def __init__(self, role: Role) -> None:
        super().__init__(role)
        self._zone = self.instance("furnace")
        self._tank = self.instance("water_heater")
        self._furnace, self._furnace_command = self.specs("FURNACE_STATUS", "FURNACE_COMMAND")
        self._water, self._water_command = self.specs("WATERHEATER_STATUS", "WATERHEATER_COMMAND")
        self._asked = {"operating_mode": 0, "circulation_fan_speed": 0, "heat_output_level": 0}
        self._water_mode = WATER_OFF
        self._water_set_point = self._water.by_name["set_point_temperature"].raw(WATER_SET_POINT_C)
        self._burner = 0.0
        self._water_calls = False
        self._said: tuple[object, ...] = ()

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Listen to both commands."""
        return {"FURNACE_COMMAND": self._obey_furnace, "WATERHEATER_COMMAND": self._obey_water}

    def on_start(self) -> None:
        """Tend the burner each second; say both states at their gaps."""
        self.every(SECOND_US, self._tend)
        self.broadcast("FURNACE_STATUS", self._furnace_status)
        self.broadcast("WATERHEATER_STATUS", self._water_status)

    def active(self, function: str) -> bool:
        """Each function is at its job while heat is asked of it."""
        return self._asked["heat_output_level"] > 0 if function == "furnace" else self._water_calls

    def on_stop(self) -> None:
        """Burner, fan and pump stop."""
        super().on_stop()
        self.world.set_burner(0.0)
        self.world.set_cabin_fan(0.0)
        self.world.set_water_circulation(False)

    # Commands.

    def _obey_furnace(self, data: bytes) -> None:
        given = commanded(self._furnace_command, data)
        if given.get("instance") == self._zone:
            self._asked.update({name: raw for name, raw in given.items() if name in self._asked})
            self._tend()

    def _obey_water(self, data: bytes) -> None:
        given = commanded(self._water_command, data)
        if given.get("instance") == self._tank:
            self._water_mode = given.get("operating_mode", self._water_mode)
            self._water_set_point = given.get("set_point_temperature", self._water_set_point)
            self._tend()

    # The machine.

    def _tend(self) -> None:
        """Set burner, fan and pump for the next second, and send news where a state changed."""
        powered = self.world.battery_volts >= LOWEST_VOLTS
        self._water_calls = powered and self._wants_water()
        calls = powered and (self._asked["heat_output_level"] > 0 or self._water_calls)
        short = (COOLANT_C - self.world.coolant_c) / COOLANT_BAND_K
        self._burner = min(1.0, max(0.0, short)) if calls else 0.0
        output, fan, plan = self._output(), self._fan(), self.settings
        self.world.set_burner(self._burner)
        self.world.set_cabin_fan(output * fan)
        self.world.set_water_circulation(self._water_calls)
        amps = plan.electronics_amps + plan.fan_amps * fan**3 + (plan.pump_amps if calls else 0.0)
        self.world.set_load(self.name, amps + (plan.burner_amps if self._burner else 0.0) if powered else 0.0)
        self._tell_news()

    def _wants_water(self) -> bool:
        if self._water_mode not in WATER_BURNER_MODES:
            return False
        wanted = self._water.by_name["set_point_temperature"].value(self._water_set_point)
        return self.world.water_c < (wanted if self._water_calls else wanted - WATER_BAND_K)

    def _fan(self) -> float:
        """Return the fan's fraction of full speed: as asked, but still while the coolant is cold or supply is low."""
        still = self.world.coolant_c < FAN_FROM_C or self.world.battery_volts < LOWEST_VOLTS
        return 0.0 if still or not self._asked["heat_output_level"] else self._percent("circulation_fan_speed")

    def _output(self) -> float:
        """Return the fraction of its output that the cabin's valve lets through."""
        return self._percent("heat_output_level") if self._fan() else 0.0

    def _percent(self, name: str) -> float:
        return min(1.0, self._asked[name] * PERCENT / 100)

    # What it says.

    def _tell_news(self) -> None:
        furnace = (self._asked["operating_mode"], self._fan(), self._output())
        water = (self._water_mode, self._water_set_point, self._water_calls, self._burner > 0, *self._supply())
        said, self._said = self._said, (furnace, water)
        if said and said[0] != furnace:
            self.send_now("FURNACE_STATUS")
        if said and said[1] != water:
            self.send_now("WATERHEATER_STATUS")

    def _furnace_status(self) -> bytes:
        """Dead bands and zone signals stand at unsure places and are left as no data."""
        return self._furnace.pack(
            instance=self._zone,
            operating_mode=self._asked["operating_mode"],
            heat_source=0,
            circulation_fan_speed=round(self._fan() * 100 / PERCENT),
            heat_output_level=round(self._output() * 100 / PERCENT),
        )

    def _supply(self) -> tuple[int, int]:
        volts = self.world.battery_volts
        return int(volts < LOWEST_VOLTS), int(volts < WARNING_VOLTS)

    def _water_status(self) -> bytes:
        failure, warning = self._supply()
        return self._water.pack(
            instance=self._tank,
            operating_mode=self._water_mode,
            set_point_temperature=self._water_set_point,
            water_temperature=self._water.by_name["water_temperature"].measured(self.world.water_c),
            thermostat_status=int(self._water_calls),
            burner_status=int(self._burner > 0),
            ac_element_status=0,
            high_temperature_limit_switch=0,
            failure_to_ignite=0,
            dc_power_failure=failure,
            dc_power_warning=warning,
        )

"""A storage water heater: gas that a spark lights, an element on the mains, both, or the coolant of the engine.

Messages: sends WATERHEATER_STATUS and obeys WATERHEATER_COMMAND (layouts from memory; the level of the element in the
command stands at an unsure place and is not obeyed there). With an element it also sends WATERHEATER_STATUS_2 and obeys
WATERHEATER_COMMAND_2, which are unsure as a whole: they are sent with values, on virtual buses only (see `pump`).

Knows: thermostat, high limit, the tries of its ignition and its lockout, and what it draws. Does not know who wants hot
water. Modes: combustion, electric, both at once, and automatic, which takes the element while there are mains and gas
otherwise. A mode without what it needs, and the two test modes, are not obeyed: no source says what they do.

A lockout and a tripped limit are safety functions: they end when the mode "off" has been commanded for 2 s, or without
power, and never by themselves. An element in a tank without water is not modelled.
"""

from collections.abc import Callable, Iterator
from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from rvsim.devices.device import Amps, Device, DeviceContext, Settings, commanded
from rvsim.devices.gas_supply import GasSupply
from rvsim.devices.settings_order import check_order
from rvsim.devices.spark_ignition import SparkFigures, SparkIgnition, SparkState, micros
from rvsim.rig.table import OneLineText
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US
from rvsim.world.fuel import MJ_PER_LITRE, use_per_hour

OFF, COMBUSTION, ELECTRIC, BOTH, AUTOMATIC = range(5)
"""Operating modes (from memory)."""
FIRST_FLAME_S, LAST_FLAME_S = 1.0, 4.0
"""From gas and spark to the flame. Common practice, no source."""
IGNITION, TOO_HOT, NO_MAINS, LOW_SUPPLY = (
    ReportedFault(2160, 7), ReportedFault(2161, 0), ReportedFault(2162, 4), ReportedFault(2163, 4),
)  # fmt: skip
"""The SPNs are invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""
_RED = frozenset({IGNITION, TOO_HOT})
Seconds = Annotated[float, Field(ge=0.1, le=3600)]
Watts = Annotated[float, Field(ge=0, le=20_000)]
Celsius = Annotated[float, Field(ge=20, le=99)]
SupplyVolts = Annotated[float, Field(ge=6, le=32)]


_STATE_FIELDS = (
    "operating_mode", "set_point_temperature", "thermostat_status", "burner_status", "ac_element_status",
    "high_temperature_limit_switch", "failure_to_ignite", "ac_power_failure", "dc_power_failure", "dc_power_warning",
)  # fmt: skip
"""The fields whose change is sent at once."""


class WaterHeaterSettings(Settings):
    """What heats the water, its thermostat and limit, its ignition, and what it draws."""

    gas_w: Watts = 2600.0
    """Heat of the flame into the water; 0: no burner. With the rise of a recovery table, 10.6 gallons an hour: a seller
    of parts gives 7.4 to 13.5 for gas."""
    gas_efficiency_percent: Annotated[float, Field(ge=30, le=100)] = 75.0
    """Heat into the water, as a share of the heat in the gas (lower heating value). Common practice, no source."""
    gas_tank: OneLineText | None = None
    """The LPG tank of the rig that it burns from; if omitted, a bottle that is never empty and never cold."""
    element_w: Watts = 1440.0
    """Power of the element on the mains; 0: no element. 5.9 gallons an hour: a seller of parts gives 5.8 to 6.2."""
    element_levels: Annotated[int, Field(ge=1, le=14)] = 1
    """The levels of the element's power, off not counted. Common practice, no source."""
    coolant: bool = False
    """Whether coolant heats it while it is warmer than the water."""
    set_point_c: Celsius = 60.0
    """The set point until another is commanded. Common practice, no source: 140 F."""
    lowest_c: Celsius = 30.0
    """The lowest set point that it takes. Common practice, no source."""
    highest_c: Celsius = 75.0
    """The highest set point that it takes. Common practice, no source."""
    band_k: Annotated[float, Field(ge=0.5, le=30)] = 6.0
    """It heats again this far below the set point. Common practice, no source."""
    limit_c: Celsius = 82.0
    """The high limit trips at this temperature. Common practice, no source: 180 F."""
    limit_resets_c: Celsius = 65.0
    """Below this the limit can be reset. Common practice, no source."""
    off_s: Seconds = 2.0
    """Lockout and limit are reset when it has been off for this long. A heater maker's manual: at least 2 s."""
    tries: Annotated[int, Field(ge=1, le=20)] = 3
    """Tries of one start; then it locks out. A public page's sequence of operation: 3."""
    trial_s: Seconds = 7.0
    """How long a try lasts without a flame. A public page's sequence of operation: flame sensed in about 6 s."""
    wait_s: Seconds = 15.0
    """From a failed try to the next. A public page's sequence of operation: 15 to 17 s."""
    cut_off_volts: SupplyVolts = 10.0
    """Below this, at its own terminals, its valve shuts. Three heater makers' fault-code tables: below 10 V."""
    warning_volts: SupplyVolts = 11.0
    """Below this it warns of a low supply. Common practice, no source."""
    valve_amps: Amps = 0.4
    """Current of the gas valve while it is open. Common practice, no source."""
    spark_amps: Amps = 0.5
    """Current of the spark. Common practice, no source."""
    electronics_amps: Amps = 0.05
    """Current of the electronics, always. Common practice, no source."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        check_order(
            self,
            ("lowest_c", "highest_c"),
            ("limit_resets_c", "limit_c"),
        )
        return self


class WaterHeater(Device):
    """Sends WATERHEATER_STATUS and _2, and obeys both commands."""

    kind = "water_heater"
    Settings = WaterHeaterSettings
    settings: WaterHeaterSettings
    caution: ClassVar[str] = (
        "Combustion and mains: a lockout is a safety function; find gas, voltage and exhaust first. Mains are for a "
        "licensed person. A number on the bus never replaces a listed CO or gas alarm."
    )

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("water_heater")
        self._status, self._command = self.specs("WATERHEATER_STATUS", "WATERHEATER_COMMAND")
        self._status_2, self._command_2 = self.specs("WATERHEATER_STATUS_2", "WATERHEATER_COMMAND_2")
        plan = self.settings
        self.gas = GasSupply(self.world, self.name, plan.gas_tank)
        figures = SparkFigures(
            plan.tries, micros(plan.trial_s), micros(plan.wait_s), (micros(FIRST_FLAME_S), micros(LAST_FLAME_S))
        )
        self.burner = SparkIgnition(figures, self.random.randrange)
        self._mode = OFF
        self._change_set_point(self._status.by_name["set_point_temperature"].raw(plan.set_point_c))
        self._gas_litres_per_h = use_per_hour(plan.gas_w, plan.gas_efficiency_percent / 100, MJ_PER_LITRE["lpg"])
        self._level = plan.element_levels
        self._off_since = 0
        self._is_calling = self._is_tripped = False
        self._element_w = self._heat_w = 0.0
        self._faults: frozenset[ReportedFault] = frozenset()
        self._last: tuple[object, ...] = ()

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive both commands."""
        return {"WATERHEATER_COMMAND": self._obey, "WATERHEATER_COMMAND_2": self._obey_2}

    def on_start(self) -> None:
        """Control flame and element each second; send the state at its gap."""
        self._off_since = self.now
        self.every(SECOND_US, self._update)
        self.broadcast("WATERHEATER_STATUS", self._status_builder())
        if self.settings.element_w:
            self.broadcast("WATERHEATER_STATUS_2", self._build_status_2)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether it heats or wants to."""
        return self._is_calling

    def fail_ignition(self, tries: int | None) -> None:
        """Let this many tries from now on give no flame, None: all; 0: no more of them."""
        self.burner.failing_tries = -1 if tries is None else tries

    def reset(self, *, faults: bool, reboot: bool) -> None:
        """Clear its reported faults; those that last are reported again. A lockout is not ended by this."""
        super().reset(faults=faults, reboot=reboot)
        if faults:
            self._faults = frozenset()

    # Commands.

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        if given.get("instance") != self._instance:
            return
        mode, plan = given.get("operating_mode", self._mode), self.settings
        if mode != self._mode and self._has_what_it_needs(mode):
            self._mode = mode
            if mode == OFF:
                self._off_since = self.now
        if "set_point_temperature" in given:
            field = self._command.by_name["set_point_temperature"]
            lowest, highest = field.raw(plan.lowest_c), field.raw(plan.highest_c)
            self._change_set_point(min(highest, max(lowest, given["set_point_temperature"])))
        self._update()

    def _change_set_point(self, raw: int) -> None:
        self._set_point = raw
        self._set_point_c = float(self._status.by_name["set_point_temperature"].value(raw))

    def _has_what_it_needs(self, mode: int) -> bool:
        burns, plugged = self.settings.gas_w > 0, self.settings.element_w > 0
        if mode in (OFF, AUTOMATIC):
            return True
        return {COMBUSTION: burns or self.settings.coolant, ELECTRIC: plugged, BOTH: burns and plugged}.get(mode, False)

    def _obey_2(self, data: bytes) -> None:
        given = commanded(self._command_2, data)
        if given.get("instance") == self._instance and given.get("electric_element_level") is not None:
            self._level = min(self.settings.element_levels, given["electric_element_level"])
            self._update()
            self.send_now("WATERHEATER_STATUS_2")

    # Control.

    def _update(self) -> None:
        """Set flame, element and coolant for the next second, and send the state if it changed."""
        world, plan = self.world, self.settings
        self._watch_limit()
        volts = world.volts_at(self.name)
        has_supply = volts >= plan.cut_off_volts
        self._is_calling = has_supply and self._needs_heat()
        has_mains = world.mains_source() is not None
        heats = self._is_calling and not self._is_tripped
        electric = bool(plan.element_w) and (self._mode in (ELECTRIC, BOTH) or (self._mode == AUTOMATIC and has_mains))
        burns = bool(plan.gas_w) and (self._mode in (COMBUSTION, BOTH) or (self._mode == AUTOMATIC and not electric))
        self._burn(wanted=heats and burns)
        wanted_w = plan.element_w * self._level / plan.element_levels if heats and electric else 0.0
        world.set_mains_load(self.name, wanted_w)
        self._element_w = world.mains_watts(self.name) if wanted_w else 0.0
        heat_w = self._element_w + (plan.gas_w if self.burner.is_lit else 0.0)
        if heat_w != self._heat_w:
            self._heat_w = heat_w
            world.set_water_heat(self.name, heat_w)
        if plan.coolant:
            world.set_water_circulation(self.name, running=heats and world.coolant_c > world.water_c)
        world.set_load(self.name, self._amps())
        self._set_faults(frozenset(self._present_faults(volts, has_mains=has_mains)))
        self._send_change()

    def _needs_heat(self) -> bool:
        if self._mode == OFF:
            return False
        wanted_c = self._set_point_c
        return self.world.water_c < (wanted_c if self._is_calling else wanted_c - self.settings.band_k)

    def _watch_limit(self) -> None:
        """Trip the limit where the water is too hot; reset it, and a lockout, when it has been off for long enough."""
        plan, water_c = self.settings, self.world.water_c
        self._is_tripped = self._is_tripped or water_c >= plan.limit_c
        if self._mode == OFF and self.now - self._off_since >= micros(plan.off_s):
            self.burner.switch_off()
            self._is_tripped = water_c >= plan.limit_resets_c and self._is_tripped

    def _burn(self, *, wanted: bool) -> None:
        self.burner.step(self.now, is_wanted=wanted, has_gas=self.gas.has_gas)
        self.gas.burn(self._gas_litres_per_h if self.burner.is_valve_open else 0.0)

    def _amps(self) -> float:
        plan, burner = self.settings, self.burner
        valve = plan.valve_amps if burner.is_valve_open else 0.0
        return plan.electronics_amps + valve + (plan.spark_amps if burner.state is SparkState.SPARKING else 0.0)

    # Faults.

    @property
    def _is_locked(self) -> bool:
        return self.burner.state is SparkState.LOCKED

    def _misses_mains(self, *, has_mains: bool) -> bool:
        return self._mode in (ELECTRIC, BOTH) and not has_mains

    def _present_faults(self, volts: float, *, has_mains: bool) -> Iterator[ReportedFault]:
        if self._is_locked:
            yield IGNITION
        if self._is_tripped:
            yield TOO_HOT
        if self._misses_mains(has_mains=has_mains):
            yield NO_MAINS
        if volts < self.settings.cut_off_volts:
            yield LOW_SUPPLY

    def _set_faults(self, faults: frozenset[ReportedFault]) -> None:
        if faults == self._faults:
            return
        before, self._faults = self._faults, faults
        for fault in (IGNITION, TOO_HOT, NO_MAINS, LOW_SUPPLY):  # in this order, so that one seed gives one run
            if fault in faults - before:
                self.report_fault("water_heater", fault, red=fault in _RED)
            elif fault in before - faults:
                self.withdraw_fault("water_heater", fault)

    # Status.

    def _state(self) -> tuple[int, ...]:
        """Return the raw values of ``_STATE_FIELDS``."""
        volts, plan = self.world.volts_at(self.name), self.settings
        return (
            self._mode, self._set_point, self._is_calling, self.burner.is_lit, self._element_w > 0, self._is_tripped,
            self._is_locked, NO_MAINS in self._faults, volts < plan.cut_off_volts, volts < plan.warning_volts,
        )  # fmt: skip

    def _send_change(self) -> None:
        now = self._state()
        last, self._last = self._last, now
        if last not in ((), now):
            self.send_now("WATERHEATER_STATUS")

    def _status_builder(self) -> Callable[[], bytes]:
        pack = self._status.packer(*_STATE_FIELDS, "water_temperature", instance=self._instance)
        celsius = self._status.by_name["water_temperature"].sensor_raw

        def build() -> bytes:
            state = dict(zip(_STATE_FIELDS, self._state(), strict=True))
            return pack(water_temperature=celsius(self.world.water_c), **state)

        return build

    def _build_status_2(self) -> bytes:
        """Return the data; engine preheat and coolant level are not known and are sent as no data."""
        levels = self.settings.element_levels
        return self._status_2.pack(
            instance=self._instance, electric_element_level=self._level, maximum_electric_element_level=levels
        )

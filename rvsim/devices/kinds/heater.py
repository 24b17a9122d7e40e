"""A hydronic heater: one burner warms coolant for the fans of zones and for the hot water.

Messages: sends FURNACE_STATUS for each of its furnace instances and WATERHEATER_STATUS; obeys FURNACE_COMMAND and
WATERHEATER_COMMAND (layouts from memory). Fields at unsure places, dead bands and zone signals, are sent as no data.

Knows: how the burner holds its coolant between a low and a high point, that fans wait for warm coolant, and that each
furnace instance is one zone with a fan and an output of its own. The sequence of the burner is in
`rvsim.devices.combustion.burner`. Does not know who commands heat or why.

A lockout is a safety function and has no reset on the bus: find fuel, voltage and exhaust first. An error before it
(failed start, flame-outs, supply) ends when all heat is commanded off for 2 s; one of the supply too.
"""

from collections.abc import Callable
from typing import Annotated, Self

from pydantic import Field, model_validator

from rvsim.devices.combustion.burner import BurnerFault, BurnerFigures
from rvsim.devices.combustion.burner_device import BurnerDevice, BurnerSettings, Count, Seconds, micros
from rvsim.devices.device import PERCENT_STEP, Amps, DeviceContext, commanded
from rvsim.devices.settings_order import check_order
from rvsim.errors import InputError
from rvsim.rig.climate import unknown_zone
from rvsim.rig.table import OneLineText
from rvsim.wire.frame import SECOND_US

FULL_BELOW_C = 60.0
"""Up to this coolant temperature the burner gives all that it can; from here to the low point ever less. Common
practice, no source."""
OUTPUT_STEP = 0.02
"""The burner is set in steps of this fraction of full output. Our choice: a dosing pump has steps, too."""
MIN_FAN_COOLANT_C = 40.0
"""The fans wait for coolant this warm. Common practice, no source."""
FAN_BAND_K = 3.0
"""They stop when it is this much cooler: a fan cools what it waited for. Our choice, for a minute on and off."""
LIMITER_RESETS_BELOW_K = 20.0
"""The overheat limiter closes again when the coolant is this much cooler. Common practice, no source."""
WATER_SET_POINT_C, WATER_BAND_K = 60.0, 5.0
"""Set point of the hot water until a command changes it. Common practice, no source."""
WATER_OFF, WATER_BURNER_MODES = 0, frozenset({1, 3, 4, 5})
"""Operating modes of the water heater; off, and those in which the burner heats the water (numbers from memory)."""
_NO_FLAME = frozenset({BurnerFault.IGNITION, BurnerFault.FLAME_OUT, BurnerFault.LOCKED})
"""Faults that the status calls a failure to ignite."""

CoolantC = Annotated[float, Field(ge=20, le=140)]
"""A temperature at which a coolant heater does something."""


class HeaterSettings(BurnerSettings):
    """The heater's sequence, its coolant and what it draws. Defaults describe an invented heater."""

    zones: Annotated[tuple[OneLineText, ...], Field(min_length=1, strict=False)] = ("cabin",)
    """The zone of each furnace instance, in their order; instances without an entry are in the first zone."""
    purge_s: Seconds = 5.0
    """The fan blows the chamber clear before anything else. From memory."""
    glow_s: Seconds = 45.0
    """The plug glows before fuel comes. A car maker's workshop data: about 45 s."""
    first_flame_s: Annotated[float, Field(ge=1, le=60)] = 8.0
    """Shortest time from fuel to flame. Common practice, no source: stable part load 90 s after switching on."""
    last_flame_s: Annotated[float, Field(ge=1, le=60)] = 12.0
    """Longest time from fuel to flame of a healthy start. Common practice, no source."""
    flame_wait_s: Seconds = 60.0
    """Longest wait for the flame after fuel. A car maker's workshop data: at most 60 s."""
    stable_s: Seconds = 30.0
    """The flame burns low for this long: part load is stable some 90 s after switching on (workshop data)."""
    ramp_s: Seconds = 60.0
    """From there to full load, which is reached some 150 s after switching on (workshop data)."""
    after_run_s: Seconds = 130.0
    """Fan and pump go on after the flame. A car maker's workshop data: about 130 s."""
    after_glow_s: Seconds = 30.0
    """The plug is burnt clean after the flame. An air heater maker's repair manual: about 30 s."""
    tries: Count = 2
    """Tries of one start. Two heater makers' manuals: 2, then off."""
    low_output_percent: Annotated[float, Field(ge=5, le=100)] = 30.0
    """The lowest output. Common practice, no source: a 5 kW heater burns down to 1.5 kW."""
    low_c: CoolantC = 75.0
    """At this coolant temperature the burner has come down to its lowest output. A car maker's workshop data."""
    pause_c: CoolantC = 85.0
    """At this coolant temperature it pauses. A car maker's workshop data."""
    resume_c: CoolantC = 60.0
    """At this coolant temperature it starts again after a pause. From memory."""
    limiter_c: CoolantC = 115.0
    """The overheat limiter opens the fuel pump's circuit. Common practice, no source: 105 to 125."""
    pump_amps: Amps = 1.0
    """Current of the inner pump while heat is called for and in the after-run. Common practice, no source."""
    glow_amps: Amps = 20.0
    """Current while the plug glows. An installation sheet of an air heater: 245 W, 20 A."""
    burner_amps: Amps = 2.5
    """Current of fan and fuel pump at full output. Common practice, no source."""
    low_burner_amps: Amps = 1.5
    """The same at the lowest output. Common practice, no source."""
    chamber_fan_amps: Amps = 1.3
    """Current of the combustion fan alone, in purge and after-run. From memory."""
    fan_amps: Amps = 6.0
    """Current of a zone's fan at full speed. Common practice, no source."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        check_order(
            self,
            ("resume_c", "pause_c"),
            ("low_c", "pause_c"),
            ("last_flame_s", "flame_wait_s"),
        )
        first, last = self.first_flame_s, self.last_flame_s
        if first > last:
            raise ValueError(f"first_flame_s {first:g} is above last_flame_s {last:g}; correct one of them")
        return self


class _ZoneState:
    """One furnace instance: what was commanded, and the fractions that its valve and its fan have now."""

    def __init__(self, instance: int, zone: str) -> None:
        self.instance, self.zone = instance, zone
        self.commanded = {"operating_mode": 0, "circulation_fan_speed": 0, "heat_output_level": 0}
        self.output = self.fan = 0.0
        self.last: tuple[object, ...] = ()

    @property
    def wants_heat(self) -> bool:
        """Whether heat is commanded."""
        return self.commanded["heat_output_level"] > 0

    def fraction(self, name: str) -> float:
        """Return a commanded percentage as a fraction of full."""
        return min(1.0, self.commanded[name] * PERCENT_STEP / 100)

    def follow(self, *, is_blocked: bool) -> None:
        """Set output and fan: as commanded, but 0 while blocked; no heat comes without the fan."""
        self.fan = 0.0 if is_blocked or not self.wants_heat else self.fraction("circulation_fan_speed")
        self.output = self.fraction("heat_output_level") if self.fan else 0.0


class Heater(BurnerDevice):
    """Sends FURNACE_STATUS and WATERHEATER_STATUS; obeys FURNACE_COMMAND and WATERHEATER_COMMAND."""

    kind = "heater"
    Settings = HeaterSettings
    settings: HeaterSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.instance("furnace")
        self._tank = self.instance("water_heater")
        self._furnace, self._furnace_command = self.specs("FURNACE_STATUS", "FURNACE_COMMAND")
        self._water, self._water_command = self.specs("WATERHEATER_STATUS", "WATERHEATER_COMMAND")
        self._zones = {state.instance: state for state in self._planned_zones()}
        self._water_mode = WATER_OFF
        self._set_water(self._water.by_name["set_point_temperature"].raw(WATER_SET_POINT_C))
        self._is_heating_water = self._is_pausing = self._is_limited = self._was_dosing = False
        self._has_warm_coolant = self._wants_cabin_heat = False
        self._follow_zones(is_blocked=True)
        self._output_span_k = max(1.0, self.settings.low_c - FULL_BELOW_C)
        """The coolant's rise over which the burner comes down to its lowest output."""
        self._last_water: tuple[object, ...] = ()
        self._acts: tuple[object, ...] = ()
        """All that current, heat and messages follow from, as it was last."""

    def _set_water(self, raw_set_point: int) -> None:
        self._water_set_point = raw_set_point
        self._water_set_point_c = self._water.by_name["set_point_temperature"].value(raw_set_point)

    def _planned_zones(self) -> list[_ZoneState]:
        instances, zones, known = self.plan.functions["furnace"], self.settings.zones, self.world.zone_names
        if len(zones) > len(instances):
            raise InputError(
                f'device "{self.name}": its settings name {len(zones)} zones, but it has only {len(instances)} furnace '
                f"instances; name at most one zone for each instance"
            )
        for zone in zones:
            if zone not in known:
                raise InputError(f'device "{self.name}": {unknown_zone(zone, known)}')
        served = [*zones, *[zones[0]] * (len(instances) - len(zones))]
        return [_ZoneState(instance, zone) for instance, zone in zip(instances, served, strict=True)]

    def burner_figures(self) -> BurnerFigures:
        """Return the figures of its burner."""
        plan = self.settings
        return BurnerFigures(
            purge_us=micros(plan.purge_s),
            glow_us=micros(plan.glow_s),
            flame_us=(micros(plan.first_flame_s), micros(max(plan.first_flame_s, plan.last_flame_s))),
            flame_wait_us=micros(plan.flame_wait_s),
            stable_us=micros(plan.stable_s),
            ramp_us=micros(plan.ramp_s),
            after_run_us=micros(plan.after_run_s),
            after_glow_us=micros(plan.after_glow_s),
            low_output=plan.low_output_percent / 100,
            tries=plan.tries,
            max_flame_outs=plan.max_flame_outs,
            max_failed_starts=plan.max_failed_starts,
            min_volts=plan.cut_off_volts,
            max_volts=plan.over_volts,
            supply_us=micros(plan.cut_off_s),
            unlock_us=micros(plan.unlock_s),
        )

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive both commands."""
        return {"FURNACE_COMMAND": self._obey_furnace, "WATERHEATER_COMMAND": self._obey_water}

    def on_start(self) -> None:
        """Control the burner each second; send all states at their gaps."""
        self.every(SECOND_US, self._update)
        for state in self._zones.values():
            self.broadcast("FURNACE_STATUS", self._furnace_status(state), key=self._key(state))
        self.broadcast("WATERHEATER_STATUS", self._water_status())

    @staticmethod
    def _key(state: _ZoneState) -> str:
        return f"FURNACE_STATUS {state.instance}"

    def active(self, function: str) -> bool:
        """Return whether heat is commanded of a function, or needed by the water, and nothing stops the burner."""
        if not self.burner.may_run:
            return False
        return self._wants_cabin_heat if function == "furnace" else self._is_heating_water

    # Commands.

    def _obey_furnace(self, data: bytes) -> None:
        given = commanded(self._furnace_command, data)
        state = self._zones.get(given.get("instance", -1))
        if state is not None:
            state.commanded.update({name: raw for name, raw in given.items() if name in state.commanded})
            self._follow_zones(is_blocked=self._is_blocked)
            self._wants_cabin_heat = any(each.wants_heat for each in self._zones.values())
            self._update()

    def _obey_water(self, data: bytes) -> None:
        given = commanded(self._water_command, data)
        if given.get("instance") == self._tank:
            self._water_mode = given.get("operating_mode", self._water_mode)
            self._set_water(given.get("set_point_temperature", self._water_set_point))
            self._update()

    # Control of burner, fans and pump.

    def _update(self) -> None:
        """Set burner, fans and pump for the next second, and send each status that changed."""
        world, plan, burner = self.world, self.settings, self.burner
        coolant_c = world.coolant_c
        self._is_heating_water = burner.may_run and self._water_needs_heat()
        wants = self._wants_cabin_heat or self._is_heating_water
        is_on = self._wants_cabin_heat or self._water_mode in WATER_BURNER_MODES
        limit = plan.limiter_c - (LIMITER_RESETS_BELOW_K if self._is_limited else 0.0)
        self._is_limited = coolant_c >= limit
        self._is_pausing = wants and coolant_c >= (plan.resume_c if self._is_pausing else plan.pause_c)
        wanted = self._wanted_output(coolant_c) if wants and not self._is_pausing else 0.0
        self.control_burner(wanted, is_switched_on=is_on, is_too_hot=self._is_limited)
        self._has_warm_coolant = coolant_c >= MIN_FAN_COOLANT_C - (FAN_BAND_K if self._has_warm_coolant else 0.0)
        is_blocked = not self._has_warm_coolant or burner.error is not None or burner.is_locked
        if is_blocked != self._is_blocked:
            self._follow_zones(is_blocked=is_blocked)
        circulates = self._is_heating_water and coolant_c > world.water_c
        pump_runs = (wants and burner.may_run) or burner.is_working
        acts = (
            burner.signs, self.supply_warnings(), circulates, pump_runs,
            self._water_mode, self._water_set_point, self._is_heating_water, self._zone_acts,
        )  # fmt: skip
        if acts != self._acts:  # the vehicle and the bus know the rest
            self._acts = acts
            self._act(circulates=circulates, pump_runs=pump_runs)

    def _follow_zones(self, *, is_blocked: bool) -> None:
        """Set output and fan of each zone by its command and by what blocks all of them."""
        self._is_blocked = is_blocked
        for state in self._zones.values():
            state.follow(is_blocked=is_blocked)
        self._zone_acts = [
            (state.commanded["operating_mode"], state.output, state.fan) for state in self._zones.values()
        ]

    def _act(self, *, circulates: bool, pump_runs: bool) -> None:
        """Set heat, fuel and current by the present state, and send each status that changed."""
        world, burner = self.world, self.burner
        for state in self._zones.values():
            world.set_cabin_fan(self.name, state.output * state.fan, state.zone)
        world.set_burner(self.name, burner.output * world.rated_burner_w)
        if burner.is_dosing != self._was_dosing:
            self._was_dosing = burner.is_dosing
            unburnt = burner.figures.low_output * world.rated_fuel_litres_per_h
            world.set_fuel(self.name, unburnt if burner.is_dosing else 0.0)
        world.set_water_circulation(self.name, running=circulates)
        world.set_load(self.name, self._amps(pump_runs=pump_runs))
        self._send_changes(self._water_signals())

    def _wanted_output(self, coolant_c: float) -> float:
        """Return full output for cool coolant, falling to the lowest at the low point, where it stays."""
        low_c, low = self.settings.low_c, self.burner.figures.low_output
        if coolant_c >= low_c:
            return low
        output = (low_c - coolant_c) / self._output_span_k
        return max(low, min(1.0, round(output / OUTPUT_STEP) * OUTPUT_STEP))

    def _water_needs_heat(self) -> bool:
        if self._water_mode not in WATER_BURNER_MODES:
            return False
        wanted = self._water_set_point_c
        return self.world.water_c < (wanted if self._is_heating_water else wanted - WATER_BAND_K)

    def _amps(self, *, pump_runs: bool) -> float:
        plan = self.settings
        amps = plan.electronics_amps + (plan.pump_amps if pump_runs else 0.0)
        amps += sum(plan.fan_amps * state.fan**3 for state in self._zones.values())
        return amps + self.burner_amps(plan.burner_amps, plan.low_burner_amps, plan.glow_amps, plan.chamber_fan_amps)

    # Status.

    def _send_changes(self, signals: tuple[int, ...]) -> None:
        for state in self._zones.values():
            now = (state.commanded["operating_mode"], state.output, state.fan)
            before, state.last = state.last, now
            if before not in ((), now):
                self.send_now(self._key(state))
        water = (self._water_mode, self._water_set_point, self._is_heating_water, *signals)
        last, self._last_water = self._last_water, water
        if last not in ((), water):
            self.send_now("WATERHEATER_STATUS")

    def _furnace_status(self, state: _ZoneState) -> Callable[[], bytes]:
        """Return what builds the data; dead bands and zone signals stand at unsure places and are sent as no data."""
        names = ("operating_mode", "circulation_fan_speed", "heat_output_level")
        pack = self._furnace.packer(*names, instance=state.instance, heat_source=0)

        def build() -> bytes:
            return pack(
                operating_mode=state.commanded["operating_mode"],
                circulation_fan_speed=round(state.fan * 100 / PERCENT_STEP),
                heat_output_level=round(state.output * 100 / PERCENT_STEP),
            )

        return build

    def _water_signals(self) -> tuple[int, ...]:
        """Return burner status, high temperature limit switch, failure to ignite, DC failure and DC warning."""
        burner, faults = self.burner, self.burner.faults
        no_flame = int(bool(faults) and not faults.isdisjoint(_NO_FLAME))
        failure, warning = self.supply_warnings()
        return int(burner.is_lit), int(burner.is_too_hot), no_flame, int(failure), int(warning)

    def _water_status(self) -> Callable[[], bytes]:
        pack = self._water.packer(
            "operating_mode", "set_point_temperature", "water_temperature", "thermostat_status", "burner_status",
            "high_temperature_limit_switch", "failure_to_ignite", "dc_power_failure", "dc_power_warning",
            instance=self._tank, ac_element_status=0,
        )  # fmt: skip
        celsius = self._water.by_name["water_temperature"].sensor_raw

        def build() -> bytes:
            lit, too_hot, no_flame, failure, warning = self._water_signals()
            return pack(
                operating_mode=self._water_mode,
                set_point_temperature=self._water_set_point,
                water_temperature=celsius(self.world.water_c),
                thermostat_status=int(self._is_heating_water),
                burner_status=lit,
                high_temperature_limit_switch=too_hot,
                failure_to_ignite=no_flame,
                dc_power_failure=failure,
                dc_power_warning=warning,
            )

        return build

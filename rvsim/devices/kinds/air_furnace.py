"""An air furnace: a burner warms the air of one zone by a blower; for diesel, or for propane with a spark.

Messages: sends FURNACE_STATUS and obeys FURNACE_COMMAND (layouts from memory; fields at unsure places are sent as no
data). Fan speed and heat output are reported as they were commanded while it gives heat, and as 0 otherwise.

Knows: the two sorts (``fuel``), which have one sequence with different times; how heat lags behind the flame; the
blower, and the air-flow switch of the gas furnace, which closes at three quarters of the full flow. Does not know who
commands heat or why.

A diesel heater burns at any output between its lowest and full; less than the lowest that is commanded is burnt as the
lowest. A gas furnace burns at full output only, whatever level above 0 is commanded, and its blower then runs at full
speed; it tries again by itself an hour after its last failed try. The lockout of the diesel heater has no reset on the
bus: it is a safety function.
"""

from collections.abc import Callable
from math import exp
from typing import Annotated, Literal, NamedTuple

from pydantic import Field

from rvsim.devices.combustion.burner import BurnerFigures
from rvsim.devices.combustion.burner_device import BurnerDevice, BurnerSettings, Count, Seconds, micros
from rvsim.devices.device import PERCENT_STEP, Amps, DeviceContext, commanded
from rvsim.devices.gas_supply import GasSupply
from rvsim.errors import InputError
from rvsim.rig.climate import unknown_zone
from rvsim.rig.table import OneLineText
from rvsim.wire.frame import SECOND_US
from rvsim.world.fuel import DIESEL_MJ_PER_LITRE, LPG_KG_PER_LITRE, use_per_hour

SWITCH_CLOSES_AT = 0.75
"""The air-flow switch closes at this share of the full flow. An owners' club page: 75 %, within 5."""
RATED_VOLTS = 13.5
"""The blower has its full flow at this voltage; it turns in proportion to the voltage. The upper end of the window of
10.5 to 13.5 V that an owners' club page gives."""
_LIMITER_K = 135.0
"""Outlet above zone air at full heat and full blower when the blower is blocked; only sets how soon the limiter acts.
Common practice, no source."""
PROPANE_MJ_PER_KG = 50.22
"""Upper heating value, 21591 Btu/lb: a camping calculator site's worked example. The input that makers of gas furnaces
rate is by the upper value."""
_LEAST_W = 1.0
"""A heat below this counts as none. Our choice."""
_NEVER = 1 << 30
"""So many failed starts in a row do not happen."""


class _Sort(NamedTuple):
    """The figures of one sort where the rig gives none."""

    heat_w: float
    low_heat_w: float
    efficiency_percent: float
    purge_s: float
    glow_s: float
    first_flame_s: float
    last_flame_s: float
    flame_wait_s: float
    stable_s: float
    ramp_s: float
    after_run_s: float
    tries: int
    burner_amps: float
    low_burner_amps: float
    after_run_amps: float
    retry_s: float | None
    locks_out: bool


_DIESEL = _Sort(1800, 850, 86, 5, 45, 8, 12, 60, 30, 60, 240, 2, 2.1, 1.25, 1.3, None, True)
"""1.8 kW and 2.1 A at full: an air heater maker's installation sheet; efficiency computed from its fuel use, 0.21 l/h.
Lowest output and after-run current: from memory. Times: that of the table of heater starts, as for the coolant heater;
after-run: the blower ends after 4 to 5 min (an air heater maker's repair manual)."""
_GAS = _Sort(6860, 6860, 78, 15, 0, 6, 6, 10, 0, 0, 90, 3, 8.0, 8.0, 8.0, 3600, False)
"""30,000 Btu/h of gas at 78 %: from memory. Purge 15 to 17 s, flame sensed in about 6 s, 3 tries, 1 h: a public page's
sequence of operation; no flame within 10 s of the valve: a gas boiler maker's service manual. Blower 8 to 9 A: a
camping article. After-run: common practice, no source."""


class AirFurnaceSettings(BurnerSettings):
    """The furnace's sort, its zone, its sequence and what it draws. Figures that are left out are those of the sort."""

    fuel: Literal["diesel", "gas"] = "diesel"
    """What it burns: diesel of the vehicle's tank, or propane."""
    gas_tank: OneLineText | None = None
    """The LPG tank of the rig from which it burns gas; if omitted, a bottle that is never empty and never cold."""
    zone: OneLineText = "cabin"
    """The zone that it warms."""
    heat_w: Annotated[float, Field(ge=100, le=30_000)] | None = None
    """Heat at full output; 1800 for diesel, 6860 for gas."""
    low_heat_w: Annotated[float, Field(ge=100, le=30_000)] | None = None
    """Heat at the lowest output; 850 for diesel, that of full output for gas."""
    efficiency_percent: Annotated[float, Field(ge=30, le=100)] | None = None
    """Heat into the air, as a share of the heat in the fuel; 86 for diesel, 78 for gas."""
    purge_s: Seconds | None = None
    """The fan blows the chamber clear before anything else; 5 for diesel, 15 for gas."""
    glow_s: Seconds | None = None
    """The plug glows before fuel comes; 45 for diesel, 0 for gas, which has a spark."""
    flame_wait_s: Seconds | None = None
    """Longest wait for the flame after fuel; 60 for diesel, 10 for gas."""
    after_run_s: Seconds | None = None
    """The blower goes on after the flame; 240 for diesel, 90 for gas."""
    tries: Count | None = None
    """Tries of one start; 2 for diesel, 3 for gas."""
    heat_lag_s: Annotated[float, Field(ge=1, le=3600)] = 60.0
    """The exchanger's time constant: heat lags behind the flame. From memory."""
    full_air_litres_per_s: Annotated[float, Field(ge=1, le=2000)] | None = None
    """Air at full blower; 25 for diesel, 110 for gas. Common practice, no source: 60 and 52 K warmer air at full."""
    limiter_c: Annotated[float, Field(ge=40, le=250)] = 150.0
    """The overheat limiter opens at this outlet temperature. A heater maker's workshop manual: 150 C."""
    glow_amps: Amps = 20.0
    """Current while the plug glows. An air heater maker's installation sheet: 245 W, 20 A."""
    burner_amps: Amps | None = None
    """Current at full output; 2.1 for diesel, 8 for gas."""
    low_burner_amps: Amps | None = None
    """Current at the lowest output; 1.25 for diesel, 8 for gas."""
    after_run_amps: Amps | None = None
    """Current of the blower in purge and after-run; 1.3 for diesel, 8 for gas."""

    def filled(self, name: str) -> float:
        """Return a figure, that of the sort where the rig gives none."""
        given = getattr(self, name)
        value: float = getattr(_GAS if self.fuel == "gas" else _DIESEL, name) if given is None else given
        return value


class AirFurnace(BurnerDevice):
    """Sends FURNACE_STATUS and obeys FURNACE_COMMAND; warms one zone's air with diesel or gas."""

    kind = "air_furnace"
    Settings = AirFurnaceSettings
    settings: AirFurnaceSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("furnace")
        self._status, self._command = self.specs("FURNACE_STATUS", "FURNACE_COMMAND")
        plan, known = self.settings, self.world.zone_names
        if plan.zone not in known:
            raise InputError(f'device "{self.name}": {unknown_zone(plan.zone, known)}')
        self.burns_diesel = plan.fuel == "diesel"
        if self.burns_diesel and plan.gas_tank is not None:
            raise InputError(f'device "{self.name}": gas_tank counts with fuel = "gas" only; this one burns diesel')
        self.gas = GasSupply(self.world, self.name, plan.gas_tank)
        self._commanded = {"operating_mode": 0, "circulation_fan_speed": 0, "heat_output_level": 0}
        self._heat_w = plan.filled("heat_w")
        self._low = min(1.0, plan.filled("low_heat_w") / self._heat_w)
        self._litres_per_s = plan.full_air_litres_per_s or (25.0 if self.burns_diesel else 110.0)
        self._efficiency = plan.filled("efficiency_percent") / 100
        names = ("burner_amps", "low_burner_amps", "after_run_amps")
        self._full_amps, self._low_amps, self._fan_amps = (plan.filled(name) for name in names)
        self._lag_share = 1 - exp(-1 / plan.heat_lag_s)
        self._given_w = 0.0
        self._blocked = 0.0
        """How much of the air's way is blocked, 0 to 1."""
        self._is_limited = False
        self._last: tuple[object, ...] = ()

    def burner_figures(self) -> BurnerFigures:
        """Return the figures of its burner."""
        plan = self.settings
        sort = _GAS if plan.fuel == "gas" else _DIESEL
        return BurnerFigures(
            purge_us=micros(plan.filled("purge_s")),
            glow_us=micros(plan.filled("glow_s")),
            flame_us=(micros(sort.first_flame_s), micros(sort.last_flame_s)),
            flame_wait_us=micros(plan.filled("flame_wait_s")),
            stable_us=micros(sort.stable_s),
            ramp_us=micros(sort.ramp_s),
            after_run_us=micros(plan.filled("after_run_s")),
            after_glow_us=0 if plan.fuel == "gas" else 30 * SECOND_US,
            low_output=min(1.0, plan.filled("low_heat_w") / plan.filled("heat_w")),
            tries=int(plan.filled("tries")),
            max_flame_outs=plan.max_flame_outs,
            max_failed_starts=plan.max_failed_starts if sort.locks_out else _NEVER,
            min_volts=plan.cut_off_volts,
            max_volts=plan.over_volts,
            supply_us=micros(plan.cut_off_s),
            unlock_us=micros(plan.unlock_s),
            error_ends_us=None if sort.retry_s is None else micros(sort.retry_s),
        )

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {"FURNACE_COMMAND": self._obey}

    def on_start(self) -> None:
        """Control burner and blower each second; send the state at its gap."""
        self.every(SECOND_US, self._update)
        self.broadcast("FURNACE_STATUS", self._build_status)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether heat is commanded and nothing stops the burner."""
        return self.burner.may_run and self._commanded["heat_output_level"] > 0

    def has_fuel(self) -> bool:
        """Return whether there is diesel, or gas."""
        return super().has_fuel() if self.burns_diesel else self.gas.has_gas

    def block_air(self, share: float) -> None:
        """Let a filter, or things before the vent, keep back this share of the air, 0 to 1."""
        self._blocked = share

    @property
    def gas_kg_per_h(self) -> float:
        """The propane that it burns now."""
        if self.burns_diesel:
            return 0.0
        watts = self._heat_w * (self._low if self.burner.is_dosing else self.burner.output)
        return use_per_hour(watts, self._efficiency, PROPANE_MJ_PER_KG)

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        if given.get("instance") == self._instance:
            self._commanded.update({name: raw for name, raw in given.items() if name in self._commanded})
            self._update(has_passed=False)

    # Control.

    def _update(self, *, has_passed: bool = True) -> None:
        """Set burner, blower and heat for the next second, and send the state if it changed."""
        world, burner, plan = self.world, self.burner, self.settings
        level = self._fraction("heat_output_level")
        if has_passed:
            self._given_w += (self._heat_w * burner.output - self._given_w) * self._lag_share
        flow = self._flow()
        self._watch_outlet(flow)
        has_air = self.burns_diesel or not burner.is_working or flow >= SWITCH_CLOSES_AT
        self.control_burner(level, is_switched_on=level > 0, is_too_hot=self._is_limited, has_air=has_air)
        if self._given_w < _LEAST_W:
            self._given_w = 0.0
        world.set_heat(self.name, self._given_w, plan.zone)
        if self.burns_diesel:
            watts = self._heat_w * (self._low if burner.is_dosing else burner.output)
            world.set_fuel(self.name, use_per_hour(watts, self._efficiency, DIESEL_MJ_PER_LITRE))
        else:
            self.gas.burn(self.gas_kg_per_h / LPG_KG_PER_LITRE)
        world.set_load(self.name, plan.electronics_amps + self._amps())
        now = (self._commanded["operating_mode"], *self._shown())
        last, self._last = self._last, now
        if last not in ((), now):
            self.send_now("FURNACE_STATUS")

    def _flow(self) -> float:
        """Return the air through it, as a share of the full flow while the burner works."""
        return max(0.0, (1 - self._blocked) * min(1.0, self.world.volts_at(self.name) / RATED_VOLTS))

    def _watch_outlet(self, flow: float) -> None:
        """Open the limiter where too little air carries the heat away; it closes 30 K cooler (our decision)."""
        litres_per_s = self._litres_per_s * flow
        warmer_k = self._given_w / (1.207 * litres_per_s) if litres_per_s else _LIMITER_K * self._given_w / self._heat_w
        outlet_c = self.world.air_celsius(self.settings.zone) + warmer_k
        self.world.set_outlet(self.name, outlet_c, self.settings.zone)
        limit_c = self.settings.limiter_c
        self._is_limited = outlet_c > (limit_c - 30.0 if self._is_limited else limit_c)

    def _fraction(self, name: str) -> float:
        return min(1.0, self._commanded[name] * PERCENT_STEP / 100)

    def _amps(self) -> float:
        if not self.burner.is_working:
            return self._fan_amps * self._fraction("circulation_fan_speed") ** 3  # it only blows
        return self.burner_amps(self._full_amps, self._low_amps, self.settings.glow_amps, self._fan_amps)

    # Status.

    def _shown(self) -> tuple[int, int]:
        """Return fan speed and heat output as raw values: as commanded while there is heat, 0 otherwise."""
        fan, heat = self._commanded["circulation_fan_speed"], self._commanded["heat_output_level"]
        if heat and not self.burner.is_lit:
            return 0, 0
        return min(200, fan), min(200, heat)

    def _build_status(self) -> bytes:
        """Return the data; dead bands and zone signals stand at unsure places and are sent as no data."""
        fan, heat = self._shown()
        return self._status.pack(
            instance=self._instance,
            operating_mode=self._commanded["operating_mode"],
            heat_source=0,
            circulation_fan_speed=fan,
            heat_output_level=heat,
        )

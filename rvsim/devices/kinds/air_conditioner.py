"""A rooftop air conditioner with one compressor, on the mains.

Messages: sends AIR_CONDITIONER_STATUS and obeys AIR_CONDITIONER_COMMAND (their fields and two codes are published,
rv-c.com/node/569; the places are from memory). It has no thermostat: in automatic it is off, in manual it runs at the
commanded fan speed and output, each up to its maximum. One compressor has one output: any level above 0 runs it.

Knows: that a compressor waits after each stop and each return of the mains, draws its locked-rotor current when it
starts, needs its fan, and gives its cooling with a lag; capacity and power by outdoor temperature; that part of the
cooling takes water out of the air where the air is moist enough. Does not know who commands cooling or why.
"""

from collections.abc import Callable
from math import exp
from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.device import PERCENT_STEP, Amps, Device, DeviceContext, Settings, commanded
from rvsim.errors import InputError
from rvsim.rig.climate import unknown_zone
from rvsim.rig.table import OneLineText
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US

MANUAL = 1
RATED_OUTDOOR_C = 35.0
CAPACITY_PER_K, POWER_PER_K = -0.007, 0.012
"""Change of capacity and of the compressor's power for each kelvin outdoors above 35. From memory."""
MIN_FAN_SPEED = 0.5
"""The fan turns at least at this fraction of full speed with the compressor. Common practice, no source."""
WATER_J_PER_G = 2454.0
"""Heat that a gram of condensate gives up. The worked example of a formula collection, 8830 Btu a gallon, agrees."""
DRY_BELOW_C, MOIST_ABOVE_C = 5.0, 14.0
"""Dew points of the air below which nothing condenses on the coil, and above which the rated share does. Common
practice, no source: a coil has 5 to 10 C, and air of 25 C at 50 % has a dew point of 14."""
_OVER_VOLTS, _UNDER_VOLTS = ReportedFault(2140, 3), ReportedFault(2140, 4)
"""The SPN is invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""

Watts = Annotated[float, Field(ge=0, le=20_000)]
MainsVolts = Annotated[float, Field(ge=50, le=300)]


class AirConditionerSettings(Settings):
    """Size, times and supply. Defaults are those of a unit of 13,500 Btu/h for 115 V."""

    zone: OneLineText = "cabin"
    """The zone that it cools."""
    capacity_w: Watts = 3956.0
    """Cooling at 35 C outdoors. 13,500 Btu/h."""
    compressor_w: Watts = 1200.0
    """Power of the compressor at 35 C outdoors. Chosen so that capacity by power is 2.6 with the fan: 2.1 to 2.6 (rated
    currents of a rooftop unit maker's sheet; 9 A by a clamp meter in a trailer maker's guide)."""
    fan_w: Watts = 336.0
    """Power of the fan at full speed. A rooftop unit maker's installation sheet: 2.8 A at 120 V."""
    start_amps: Annotated[float, Field(ge=0, le=500)] = 68.0
    """Alternating current of the locked rotor. The same sheet."""
    start_s: Annotated[float, Field(ge=0.05, le=5)] = 0.3
    """How long it draws that. From memory; a clamp meter shows 19 A over seconds."""
    restart_delay_s: Annotated[float, Field(ge=0, le=1800)] = 180.0
    """Least wait of the compressor after each stop and each return of the mains. Three makers: 2 to 5 min."""
    fan_lead_s: Annotated[float, Field(ge=0, le=120)] = 5.0
    """The fan runs for this long before the compressor. Common practice, no source."""
    fan_overrun_s: Annotated[float, Field(ge=0, le=600)] = 60.0
    """And for this long after it. Common practice, no source."""
    cooling_lag_s: Annotated[float, Field(ge=1, le=1800)] = 90.0
    """Time constant of its cooling. From memory."""
    latent_percent: Annotated[float, Field(ge=0, le=60)] = 25.0
    """The share of its cooling that takes water out of moist air. Computed: 1.45 l/h at 13,500 Btu/h."""
    min_volts: MainsVolts = 103.5
    """Lowest supply: 115 V less 10 % (a rooftop unit maker's service manual)."""
    max_volts: MainsVolts = 126.5
    """Highest supply: 115 V and 10 % (the same manual)."""
    volts_s: Annotated[float, Field(ge=0, le=600)] = 5.0
    """How long the supply may be outside these limits: a start lets it sag. Common practice, no source."""
    electronics_amps: Amps = 0.1
    """Current of its electronics from the battery, always. Common practice, no source."""


class AirConditioner(Device):
    """Sends AIR_CONDITIONER_STATUS and obeys AIR_CONDITIONER_COMMAND."""

    kind = "air_conditioner"
    caution: ClassVar[str] = "Mains (shore, inverter, generator) is for a licensed person."
    Settings = AirConditionerSettings
    settings: AirConditionerSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("air_conditioner")
        zone, known = self.settings.zone, self.world.zone_names
        if zone not in known:
            raise InputError(f'device "{self.name}": {unknown_zone(zone, known)}')
        self._status, self._command = self.specs("AIR_CONDITIONER_STATUS", "AIR_CONDITIONER_COMMAND")
        self._commanded = {
            "operating_mode": 0,
            "maximum_fan_speed": 200,
            "maximum_output_level": 200,
            "fan_speed": 0,
            "output_level": 0,
            "dead_band": 10,
            "second_stage_dead_band": 20,
        }
        self._wanted = {"fan_speed": 0.0, "output_level": 0.0}
        """What is commanded as a fraction of full, up to its maximum; 0 in automatic."""
        self._lag_share = 1 - exp(-1 / self.settings.cooling_lag_s)
        self.compressor_runs = False
        self.starts = 0
        """How often the compressor has started."""
        self.condensate_litres = 0.0
        self._had_mains = False
        self._rests_until = self._fan_until = 0
        self._fan_since: int | None = None
        self._fan = 0.0
        self._cooling_w = 0.0
        self._bad_volts_since: int | None = None
        self._fault: ReportedFault | None = None
        self._last: tuple[int, ...] = ()

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {"AIR_CONDITIONER_COMMAND": self._obey}

    def on_start(self) -> None:
        """Control fan and compressor each second; send the state at its gap."""
        self.world.set_load(self.name, self.settings.electronics_amps)
        self.every(SECOND_US, self._step)
        self.broadcast("AIR_CONDITIONER_STATUS", self._build_status)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether its fan or its compressor is wanted or turns."""
        return self._wanted["output_level"] > 0 or self._wanted["fan_speed"] > 0 or self._fan > 0

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        if given.get("instance") != self._instance:
            return
        self._commanded.update({name: raw for name, raw in given.items() if name in self._commanded})
        self._wanted = {name: self._fraction(name) for name in self._wanted}
        self._control()

    def _fraction(self, name: str) -> float:
        if self._commanded["operating_mode"] != MANUAL:
            return 0.0
        raws = self._commanded[name], self._commanded[f"maximum_{name}"]
        return min(*raws, round(100 / PERCENT_STEP)) * PERCENT_STEP / 100

    # Control.

    def _step(self) -> None:
        """Go on by one second."""
        self._watch_mains()
        self._watch_volts()
        self._control()
        self._cool()

    def _watch_mains(self) -> None:
        """Stop without mains; when they come back, the compressor waits."""
        has_mains = self.world.mains_source() is not None
        if has_mains and not self._had_mains:
            self._rest()
        elif not has_mains and self.compressor_runs:
            self.compressor_runs = False
            self._fan_until = 0
        self._had_mains = has_mains

    def _watch_volts(self) -> None:
        """Report a supply that is outside its limits for too long, and stop the compressor."""
        plan, volts = self.settings, self.world.mains_volts
        if not self._had_mains or plan.min_volts <= volts <= plan.max_volts:
            self._bad_volts_since = None
            self._report(None)
            return
        if self._bad_volts_since is None:
            self._bad_volts_since = self.now
        if self.now - self._bad_volts_since >= plan.volts_s * SECOND_US:
            self._report(_OVER_VOLTS if volts > plan.max_volts else _UNDER_VOLTS)

    def _report(self, fault: ReportedFault | None) -> None:
        before, self._fault = self._fault, fault
        if before == fault:
            return
        if before is not None:
            self.withdraw_fault("air_conditioner", before)
        if fault is not None:
            self.report_fault("air_conditioner", fault, red=False)

    def _rest(self) -> None:
        self._rests_until = self.now + round(self.settings.restart_delay_s * SECOND_US)

    def _control(self) -> None:
        """Set fan and compressor, and send the state if it changed."""
        plan = self.settings
        wants_cooling = self._had_mains and self._fault is None and self._wanted["output_level"] > 0
        if self.compressor_runs and not wants_cooling:
            self.compressor_runs = False
            self._fan_until = self.now + round(plan.fan_overrun_s * SECOND_US)
            self._rest()
        is_ready = self.now >= self._rests_until
        needs_fan = self.compressor_runs or (wants_cooling and is_ready) or self.now < self._fan_until
        wanted = max(self._wanted["fan_speed"], MIN_FAN_SPEED if needs_fan else 0.0)
        self._fan = wanted if self._had_mains else 0.0
        if not self._fan:
            self._fan_since = None
        elif self._fan_since is None:
            self._fan_since = self.now
        leads = self._fan_since is not None and self.now - self._fan_since >= plan.fan_lead_s * SECOND_US
        if wants_cooling and is_ready and leads and not self.compressor_runs:
            self._start_compressor()
        else:
            self._set_mains_load()
        self._send_changes()

    def _start_compressor(self) -> None:
        """Draw the current of the locked rotor for a moment."""
        self.compressor_runs = True
        self.starts += 1
        watts = self.settings.start_amps * self.world.mains_volts + self._fan_w
        self.world.set_mains_load(self.name, watts)
        self.after(round(self.settings.start_s * SECOND_US), self._set_mains_load)

    @property
    def _fan_w(self) -> float:
        return self.settings.fan_w * self._fan**3

    def _set_mains_load(self) -> None:
        watts = self._fan_w + (self.settings.compressor_w * self._factor(POWER_PER_K) if self.compressor_runs else 0.0)
        self.world.set_mains_load(self.name, watts)

    def _factor(self, per_k: float) -> float:
        return max(0.0, 1 + per_k * (self.world.outdoor_c - RATED_OUTDOOR_C))

    # Cooling.

    def _cool(self) -> None:
        """Take heat and water out of the air."""
        if not (self.compressor_runs or self._cooling_w):
            return
        plan, world = self.settings, self.world
        wanted_w = plan.capacity_w * self._factor(CAPACITY_PER_K) if self.compressor_runs else 0.0
        self._cooling_w += (wanted_w - self._cooling_w) * self._lag_share
        if self._cooling_w < 1:
            self._cooling_w = 0.0
        moist = (world.dew_point_c(plan.zone) - DRY_BELOW_C) / (MOIST_ABOVE_C - DRY_BELOW_C)
        latent_w = self._cooling_w * plan.latent_percent / 100 * min(1.0, max(0.0, moist))
        grams_per_h = latent_w / WATER_J_PER_G * 3600
        world.set_heat(self.name, latent_w - self._cooling_w, plan.zone)
        world.set_moisture(self.name, -grams_per_h, plan.zone)
        self.condensate_litres += grams_per_h / 3600 / 1000

    # Status.

    def _levels(self) -> tuple[int, int]:
        """Return fan speed and output as raw values: what turns now."""
        output = self._wanted["output_level"] if self.compressor_runs else 0.0
        return round(self._fan * 100 / PERCENT_STEP), round(output * 100 / PERCENT_STEP)

    def _send_changes(self) -> None:
        now = (*self._commanded.values(), *self._levels())
        last, self._last = self._last, now
        if last not in ((), now):
            self.send_now("AIR_CONDITIONER_STATUS")

    def _build_status(self) -> bytes:
        fan, output = self._levels()
        return self._status.pack(
            instance=self._instance, **{**self._commanded, "fan_speed": fan, "output_level": output}
        )
